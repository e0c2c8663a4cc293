"""A recording session: opened taps, files and a clock in; everything that travels on the line is kept.

Theory of operation. One loop waits for bytes and takes them in the order in which they are delivered; what is to be
kept is written before it is looked at. Once a second comes what can wait: a lost tap is looked for again, the disk
is asked to keep what it has, the time of day is compared with the even clock, the view is told how things stand.

A tap that is lost does not end the session, since people pull plugs. It is opened again when its adapter is back,
the same one; another in its place is not opened. What was missed is a gap, which the recording tells. Only the time,
somebody's word or a file that can't be kept end a session.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from sidetap.errors import BadInput
from sidetap.line import Settings
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.station.ports.clock import Clock
from sidetap.station.ports.identity import Identity
from sidetap.station.ports.lost import OtherAdapter, TapLost
from sidetap.station.ports.tap import Tap
from sidetap.station.recorder.files import Files
from sidetap.station.recorder.merging import Merger
from sidetap.station.recorder.tally import Heard, Tally

LOOK_EVERY_NS = NS_PER_S
SYNC_EVERY_NS = 10 * NS_PER_S
HOLD_NS = 20 * NS_PER_MS  # an adapter's 16 ms and some: common practice, no source
_STEP_NS = 100 * NS_PER_MS  # a correction of the time of day that is worth a remark; slower ones show at the end
_MOST_READS = 64  # of one tap before the other gets its turn

Reopen = Callable[[str, Identity | None], Tap]


@dataclass(frozen=True, slots=True)
class PairState:
    """How a pair of wires is listened to.

    away_since_ns, why: while its tap is lost, else None. gaps: how often it was lost so far. overruns: how often its
    receiver lost bytes since it was opened; None where nobody counts.
    """

    source: str
    away_since_ns: int | None
    why: str | None
    gaps: int
    overruns: int | None


@dataclass(frozen=True, slots=True)
class State:
    """How the session stands. file: what is being written, and its size in bytes; None between two files."""

    now_ns: int
    heard: Heard
    pairs: tuple[PairState, ...]
    file: tuple[Path, int] | None


class View(Protocol):
    """Who watches."""

    def tell(self, text: str) -> None:
        """Take word of something that happened."""
        ...

    def show(self, state: State) -> None:
        """Take how things stand, once a second."""
        ...


class _Pair:
    """One pair of wires: its tap, or since when there is none."""

    def __init__(self, tap: Tap) -> None:
        self.source = tap.source
        self.identity = tap.identity
        self.tap: Tap | None = tap
        self.away_since_ns: int | None = None
        self.why: str | None = None
        self.gaps = 0

    @property
    def state(self) -> PairState:
        overruns = None if self.tap is None else self.tap.overruns()
        return PairState(self.source, self.away_since_ns, self.why, self.gaps, overruns)


class Session:
    """One recording, from the first byte to the last.

    taps: one, or the two pairs of a 4-wire line; the session closes them. reopen: opens a source again, and no other
    adapter than the one given.
    """

    def __init__(
        self, taps: Sequence[Tap], settings: Settings, files: Files, clock: Clock, view: View, reopen: Reopen
    ) -> None:
        now_ns = clock.now_ns()
        self._pairs = [_Pair(tap) for tap in taps]
        self._files = files
        self._clock = clock
        self._view = view
        self._reopen = reopen
        self._merger = Merger(HOLD_NS if len(taps) > 1 else 0)
        self._tally = Tally(settings, now_ns)
        self._look_ns = now_ns
        self._sync_ns = now_ns + SYNC_EVERY_NS
        self._ahead_ns = clock.utc_ns() - clock.monotonic_ns()
        self._seen_overruns = [0] * len(taps)

    def run(self, until_ns: int | None) -> Heard:
        """Listen until that time on the clock (None: until told to end), and return what was heard.

        BadInput when something could not be kept; what was kept before is good. Files and taps are closed either way.
        """
        try:
            while not self._clock.told_to_end and (until_ns is None or self._clock.now_ns() < until_ns):
                self._turn(until_ns)
            self._keep(self._clock.now_ns() + HOLD_NS)  # what still waits for older ones
        finally:
            for pair in self._pairs:
                if pair.tap is not None:
                    pair.tap.close()
            self._files.close()
        self._tally.close()
        return self._tally.heard(self._clock.now_ns())

    def _turn(self, until_ns: int | None) -> None:
        """Wait for what comes first, take it, and do what is due."""
        due_ns = self._look_ns if until_ns is None else min(self._look_ns, until_ns)
        if self._merger.due_ns is not None:
            due_ns = min(due_ns, self._merger.due_ns)
        self._clock.wait([pair.tap for pair in self._pairs if pair.tap is not None], due_ns)
        for pair in self._pairs:
            self._listen(pair)
        now_ns = self._clock.now_ns()
        self._keep(now_ns)
        if now_ns >= self._look_ns:
            self._look_ns = max(self._look_ns + LOOK_EVERY_NS, now_ns)
            self._look(now_ns)

    def _listen(self, pair: _Pair) -> None:
        """Take what a tap has; if it is lost, what came before is kept first."""
        number = self._pairs.index(pair)
        try:
            for _ in range(_MOST_READS):
                chunk = None if pair.tap is None else pair.tap.read()
                if chunk is None:
                    return
                self._merger.put(number, chunk)
        except TapLost as lost:
            self._lose(pair, lost)

    def _keep(self, now_ns: int) -> None:
        for number, chunk in self._merger.take(now_ns):
            self._files.write(chunk, number)
            self._tally.receive(chunk)

    # -- once a second -------------------------------------------------------------------------------------------

    def _look(self, now_ns: int) -> None:
        for number, pair in enumerate(self._pairs):
            if pair.tap is None:
                self._look_for(pair, now_ns)
            else:
                self._look_for_overruns(number, pair)
        self._files.rotate()
        if now_ns >= self._sync_ns:
            self._sync_ns = now_ns + SYNC_EVERY_NS
            self._files.sync()
        self._look_at_the_time()
        pairs = tuple(pair.state for pair in self._pairs)
        self._view.show(State(now_ns, self._tally.heard(now_ns), pairs, self._files.current))

    def _lose(self, pair: _Pair, lost: BadInput) -> None:
        if pair.tap is not None:
            pair.tap.close()
        pair.tap, pair.away_since_ns, pair.why = None, self._clock.now_ns(), lost.problem
        pair.gaps += 1
        self._remark(pair, f"gap begins: {lost.problem}")
        self._view.tell(f"{pair.source}: {lost.problem}; waiting for it to return")

    def _look_for(self, pair: _Pair, now_ns: int) -> None:
        try:
            tap = self._reopen(pair.source, pair.identity)
        except BadInput as problem:
            if isinstance(problem, OtherAdapter) and problem.problem != pair.why:
                self._view.tell(f"{problem.place}: {problem.problem}; it is not opened")
            pair.why = problem.problem
            return
        away_s = (now_ns - (pair.away_since_ns or now_ns)) / NS_PER_S
        raised = ""
        if tap.raised_ns is not None:
            raised = f"; DTR and RTS were up for at most {tap.raised_ns / NS_PER_MS:.1f} ms"
        pair.tap, pair.away_since_ns, pair.why = tap, None, None
        self._seen_overruns[self._pairs.index(pair)] = 0
        self._remark(pair, f"gap ends after {away_s:.1f} s{raised}")
        self._view.tell(f"{pair.source}: it is back after {away_s:.1f} s{raised}")

    def _look_for_overruns(self, number: int, pair: _Pair) -> None:
        overruns = pair.state.overruns or 0
        if overruns > self._seen_overruns[number]:
            self._remark(pair, f"bytes were lost in the receiver {overruns - self._seen_overruns[number]} times")
            self._seen_overruns[number] = overruns

    def _look_at_the_time(self) -> None:
        ahead_ns = self._clock.utc_ns() - self._clock.monotonic_ns()
        step_ns = ahead_ns - self._ahead_ns
        if abs(step_ns) >= _STEP_NS:
            self._ahead_ns = ahead_ns
            text = f"the time of day was set by {step_ns / NS_PER_S:+.3f} s"
            self._files.note(f"{text}; {clocks(self._clock)}")
            self._view.tell(f"{text}; the recording's times go on evenly")

    def _remark(self, pair: _Pair, text: str) -> None:
        self._files.note(text, self._pairs.index(pair))


def clocks(clock: Clock) -> str:
    """Say what the clocks show at one moment: the recording's, the time of day, and the machine's own even one."""
    now_ns, utc_ns, monotonic_ns = clock.now_ns(), clock.utc_ns(), clock.monotonic_ns()
    utc = f"{datetime.fromtimestamp(utc_ns // NS_PER_S, UTC):%Y-%m-%dT%H:%M:%S}.{utc_ns % NS_PER_S:09d}Z"
    return f"recording {now_ns} ns, UTC {utc}, monotonic {monotonic_ns} ns"
