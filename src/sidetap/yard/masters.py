"""Those who ask: the yard's controller, and a second master that somebody hung on the line one day.

How it works. A master runs a script, a generator that yields what it wants: to wait until a time, or to ask and be
resumed with the answer, or with None after the response timeout. Nobody looks whether the line is free: a master
alone on its line need not, and two on one line garble each other, as they do in life.
"""

from collections.abc import Generator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from random import Random
from zoneinfo import ZoneInfo

from sidetap.yard.agenda import Agenda
from sidetap.yard.devices import Faults
from sidetap.yard.frames import read_request, write_request
from sidetap.yard.transmitters import HEARTBEAT_REGISTER
from sidetap.yard.uart import NS
from sidetap.yard.wire import Wire

TIMEOUT_NS = 100_000_000  # from the end of the request
TRIES = 2
CYCLE_NS = NS

NIGHT_BEGINS = time(23, 30)
NIGHT_ENDS = time(4, 45)
NIGHT_POLL_NS = 60 * NS
SCANNED = range(1, 41)

METER_POLL = read_request(31, 4, 0, 22)
LEVEL_POLLS = (
    read_request(11, 3, 100, 3),
    read_request(12, 3, 0, 3),
    read_request(13, 4, 8, 4),
    read_request(14, 4, 30, 2),
    read_request(15, 3, 4, 1),
)
TAIL_POLLS = (read_request(16, 3, 20, 2), read_request(16, 3, 40, 2), METER_POLL)

SECOND_POLLS = (read_request(11, 3, 100, 1), read_request(13, 4, 8, 2))
SECOND_PERIOD_NS = NS // 2
SECOND_JITTER_NS = 20_000_000
SECOND_LASTS_NS = 90 * NS


@dataclass(frozen=True, slots=True)
class Wait:
    """Wait until a time."""

    until_ns: int


@dataclass(frozen=True, slots=True)
class Ask:
    """Send a request once and wait for its answer."""

    request: bytes


Script = Generator[Wait | Ask, bytes | None, None]


class Master:
    """Runs a script on the line.

    faults: where given, a cut line keeps its requests from the wire.
    """

    def __init__(self, name: str, agenda: Agenda, wire: Wire, faults: Faults | None = None) -> None:
        self.name = name
        self.agenda = agenda
        self._wire = wire
        self._faults = faults
        self._request = b""
        self._tries = 0  # counts requests, so that an old timeout can't end a new one
        self._waiting = False
        wire.listeners.append(self)

    def run(self, script: Script) -> None:
        """Start a script now."""
        self._script = script
        self._resume(None)

    def hear(self, data: bytes, end_ns: int) -> None:
        """Take a frame off the line: the answer, if it fits the request by address, function and length."""
        request = self._request
        if not self._waiting or data[0] != request[0]:
            return
        if data[1] == request[1] | 0x80:
            fits = len(data) == 5
        elif request[1] == 6:
            fits = data == request
        else:
            fits = data[1] == request[1] and len(data) == 5 + 2 * (request[4] << 8 | request[5])
        if fits:
            self._resume(data)

    def _resume(self, answer: bytes | None) -> None:
        self._waiting = False
        try:
            wish = self._script.send(answer)
        except StopIteration:
            return
        if isinstance(wish, Wait):
            self.agenda.at(wish.until_ns, lambda: self._resume(None))
            return
        self._request = wish.request
        self._waiting = True
        self._tries += 1
        tries = self._tries
        if self._faults is not None and self._faults.line_cut:
            end_ns = self.agenda.now_ns + self._wire.settings.characters_ns(len(wish.request))
        else:
            end_ns = self._wire.send(wish.request, self.name)
        self.agenda.at(end_ns + TIMEOUT_NS, lambda: self._give_up(tries))

    def _give_up(self, tries: int) -> None:
        if self._waiting and self._tries == tries:
            self._resume(None)


def _asked(request: bytes) -> Generator[Ask, bytes | None, None]:
    """Ask, and once more when no answer comes."""
    for _ in range(TRIES):
        if (yield Ask(request)) is not None:
            return


def controller(agenda: Agenda, clock: "LocalClock", night_window: bool) -> Script:
    """Poll everything each second; at night only the meter each minute; restart with a scan at the night's end."""
    beat = 0
    slept = False
    while True:
        cycle_ns = agenda.now_ns
        if night_window and (end_ns := clock.night_end_ns(cycle_ns)) is not None:
            yield from _asked(METER_POLL)
            yield Wait(max(agenda.now_ns, min(cycle_ns + NIGHT_POLL_NS, end_ns)))
            slept = True
            continue
        if slept:
            slept = False
            beat = 0
            for address in SCANNED:
                yield from _asked(read_request(address, 3, 0, 1))
        for request in LEVEL_POLLS:
            yield from _asked(request)
        yield from _asked(write_request(15, HEARTBEAT_REGISTER, beat))
        beat = (beat + 1) & 0xFFFF
        for request in TAIL_POLLS:
            yield from _asked(request)
        yield Wait(max(-(-agenda.now_ns // CYCLE_NS), cycle_ns // CYCLE_NS + 1) * CYCLE_NS)


def second_master(agenda: Agenda, random: Random, from_ns: int) -> Script:
    """Poll two devices every half second or so for a minute and a half, without a retry."""
    round_ns = from_ns
    while round_ns < from_ns + SECOND_LASTS_NS:
        yield Wait(max(agenda.now_ns, round_ns))
        for request in SECOND_POLLS:
            yield Ask(request)
        round_ns += SECOND_PERIOD_NS + random.randint(-SECOND_JITTER_NS, SECOND_JITTER_NS)


class LocalClock:
    """Local time of the yard, from a start such as 2026-03-11T09:00 in its zone."""

    def __init__(self, start: str, zone: str) -> None:
        self._zone = ZoneInfo(zone)
        self._start = datetime.fromisoformat(start)
        if self._start.tzinfo is not None:
            raise ValueError(f"{start} names a zone of its own; write local time")
        self._start = self._start.replace(tzinfo=self._zone).astimezone(UTC)

    @property
    def start_epoch_ns(self) -> int:
        """The start, counted from 1970-01-01T00:00Z."""
        return int(self._start.timestamp()) * NS

    def local(self, t_ns: int) -> datetime:
        """Return local time at t_ns after the start, rounded down to a microsecond."""
        return (self._start + timedelta(microseconds=t_ns // 1000)).astimezone(self._zone)

    def since_start_ns(self, local: str) -> int:
        """Return when it is this local time, in ns after the start."""
        then = datetime.fromisoformat(local).replace(tzinfo=self._zone).astimezone(UTC)
        return (then - self._start) // timedelta(microseconds=1) * 1000

    def night_end_ns(self, t_ns: int) -> int | None:
        """Return when the night that t_ns lies in ends; None by day."""
        now = self.local(t_ns)
        if NIGHT_ENDS <= now.time() < NIGHT_BEGINS:
            return None
        day = now.date() + timedelta(days=1 if now.time() >= NIGHT_BEGINS else 0)
        end = datetime.combine(day, NIGHT_ENDS, self._zone).astimezone(UTC)
        return (end - self._start) // timedelta(microseconds=1) * 1000
