"""The pair of wires: bursts of talkers in, heard frames and spans out. Nobody here decides what to say.

How it works. A talker's burst is its bytes back to back from a moment on. Bursts with less than t3.5 of silence
between them make one span, which is what an RTU receiver takes for one frame. When a span has ended, all who did
not talk in it hear its bytes. Bursts that overlap are resolved bit by bit: where two drivers disagree, one of them
wins, drawn by seed and time, so that every receiver sees the same. A span whose bursts don't overlap needs no bits:
its bytes are known (``uart.shortcut``; a test shows that both ways give the same).
"""

from dataclasses import dataclass
from typing import Protocol

from sidetap.yard.agenda import Agenda
from sidetap.yard.frames import whole
from sidetap.yard.uart import UNDRIVEN, LineSettings, Receiver, Run, Segment, character_bits, receive, shortcut


@dataclass(frozen=True, slots=True)
class Burst:
    """What one talker puts on the line.

    flips: bits, counted from the burst's first start bit, that arrive turned over.
    """

    start_ns: int
    end_ns: int
    data: bytes
    talker: str
    flips: frozenset[int] = frozenset()


class Span:
    """Bursts with less than t3.5 of silence between them.

    end_ns: of the last stop bit so far.
    clean: no two drivers at once and no bit turned over.
    """

    __slots__ = ("bursts", "clean", "end_ns")

    def __init__(self) -> None:
        self.bursts: list[Burst] = []
        self.end_ns = 0
        self.clean = True

    def add(self, burst: Burst) -> None:
        """Add a burst that starts after all others have started."""
        if (self.bursts and burst.start_ns < self.end_ns) or burst.flips:
            self.clean = False
        self.bursts.append(burst)
        self.end_ns = max(self.end_ns, burst.end_ns)


class Listener(Protocol):
    """Somebody on the line."""

    name: str

    def hear(self, data: bytes, end_ns: int) -> None:
        """Take a whole frame, check bytes included, t3.5 after it ended."""


class SpanListener(Protocol):
    """Somebody who wants every byte, whole frame or not."""

    def hear_span(self, span: Span) -> None:
        """Take a span that has ended."""


def resolve(bursts: list[Burst], settings: LineSettings, seed: int) -> list[Segment]:
    """Return the line's level over time, from the first start bit to the end of the last stop bit.

    Where drivers disagree, one of them wins for as long as neither changes. What was resolved up to some moment
    does not change when a later burst joins.
    """
    changes: list[tuple[int, int, int]] = []
    patterns = character_bits(settings.framing)
    for index, burst in enumerate(bursts):
        bits = [bit for value in burst.data for bit in patterns[value]]
        for n in burst.flips:
            bits[n] ^= 1
        changes += [(burst.start_ns + settings.bits_ns(n), index, bit) for n, bit in enumerate(bits)]
        changes.append((burst.end_ns, index, UNDRIVEN))
    changes.sort()
    driven = [UNDRIVEN] * len(bursts)
    segments: list[Segment] = []
    for n, (t_ns, index, level) in enumerate(changes):
        driven[index] = level
        if n + 1 < len(changes) and changes[n + 1][0] == t_ns:
            continue
        drivers = [one for one in driven if one != UNDRIVEN]
        if not drivers:
            segments.append((t_ns, UNDRIVEN))
        else:
            segments.append((t_ns, drivers[_draw(seed, t_ns) % len(drivers)]))
    return segments


def _draw(seed: int, t_ns: int) -> int:
    """Return a number that looks random and depends on seed and time only (mixing step of our own choice)."""
    mixed = (t_ns * 0x9E37_79B9_7F4A_7C15 + seed * 0xD1B5_4A32_D192_ED03) & 0xFFFF_FFFF_FFFF_FFFF
    mixed ^= mixed >> 29
    return (mixed * 0xBF58_476D_1CE4_E5B9 & 0xFFFF_FFFF_FFFF_FFFF) >> 40


class Wire:
    """The line and who is on it."""

    def __init__(self, agenda: Agenda, settings: LineSettings, seed: int) -> None:
        self.settings = settings
        self.listeners: list[Listener] = []
        self.taps: list[SpanListener] = []
        self.open_span: Span | None = None
        self._agenda = agenda
        self._seed = seed
        self._own = Receiver(settings)

    def send(self, data: bytes, talker: str, flips: frozenset[int] = frozenset()) -> int:
        """Put data on the line from now on and return when its last stop bit ends."""
        now_ns = self._agenda.now_ns
        end_ns = now_ns + self.settings.characters_ns(len(data))
        span = self.open_span
        if span is None:
            span = self.open_span = Span()
        span.add(Burst(now_ns, end_ns, data, talker, flips))
        self._agenda.at(span.end_ns + self.settings.silence_ns, self._quiet)
        return end_ns

    def levels(self, span: Span) -> list[Segment]:
        """Return the line's level over time, from a span's first start bit to the end of its last stop bit."""
        return resolve(span.bursts, self.settings, self._seed)

    def received(self, span: Span, receiver: Receiver) -> list[Run]:
        """Return what a receiver makes of a span; of one still open, what has ended by now is final."""
        tables = shortcut(self.settings, receiver) if span.clean else None
        if tables is None:
            return receive(self.levels(span), receiver)
        values, flags = tables
        first_ns = receiver.settings.bits_ns(receiver.sampled_bits)
        return [
            Run(burst.start_ns + first_ns, burst.data.translate(values), burst.data.translate(flags).decode())
            for burst in span.bursts
        ]

    def _quiet(self) -> None:
        span = self.open_span
        if span is None or span.end_ns + self.settings.silence_ns > self._agenda.now_ns:
            return  # somebody spoke meanwhile
        self.open_span = None
        for tap in self.taps:
            tap.hear_span(span)
        if span.clean and len(span.bursts) == 1:
            data = span.bursts[0].data
        else:
            data = b"".join(run.data for run in self.received(span, self._own))
        if not whole(data):
            return
        talkers = {burst.talker for burst in span.bursts}
        for listener in self.listeners:
            if listener.name not in talkers:  # a half-duplex transceiver does not hear itself
                listener.hear(data, span.end_ns)
