"""A world for recordings without a device, a clock or a second of waiting: lines of bits, adapters, virtual time.

Bytes go over the yard's bit-level line and are what a UART makes of them; an adapter hands them over every 16 ms and
marks errors as adapters do: each byte, whole packets, framing errors only, or nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import Literal

import fastcrc

from sidetap.errors import BadInput
from sidetap.line import Chunk, Settings
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.station.ports.identity import Identity
from sidetap.station.ports.lost import OtherAdapter, TapLost
from sidetap.station.ports.tap import Tap
from sidetap.station.recorder import State
from sidetap.yard import Framing, LineSettings, Receiver
from sidetap.yard.agenda import Agenda
from sidetap.yard.tap import TapPoint
from sidetap.yard.wire import Wire

UTC_NS = 1_773_241_200 * NS_PER_S  # 2026-03-11T15:00:00Z
BOOTED_NS = 5_000 * NS_PER_S  # what the machine's own clock counts from

Marks = Literal["byte", "packet", "framing", "none"]
AfterLowStop = Literal["wait", "start"]


def framed(text: str) -> bytes:
    """A frame with its check, computed by another library."""
    data = bytes.fromhex(text)
    return data + fastcrc.crc16.modbus(data).to_bytes(2, "little")


def ascii_framed(text: str) -> bytes:
    """An ASCII frame. LRC: two's complement of the sum (MODBUS over Serial Line V1.02, 2.5.2.2)."""
    data = bytes.fromhex(text)
    return b":" + (data + bytes([-sum(data) & 0xFF])).hex().upper().encode() + b"\r\n"


# Requests and answers of MODBUS Application Protocol V1.1b3, p. 15 and 16, and one that nobody answers.
EXCHANGES = [
    ("11 03 006B 0003", "11 03 06 022B 0000 0064"),
    ("11 04 0008 0001", "11 04 02 000A"),
    ("11 03 006B 0003", "11 03 06 022B 0000 0064"),
    ("12 03 0000 0001", None),
]


def line_settings(text: str) -> LineSettings:
    settings = Settings.parse(text)
    return LineSettings(settings.baud, Framing.parse(settings.framing))


class World:
    """Virtual time and everything in it. It is the clock of what is tested."""

    def __init__(self, step_ms: int = 16) -> None:
        self._step_ns = step_ms * NS_PER_MS  # how often a wait looks at the taps; adapters hand over every 16 ms
        self.agenda = Agenda()
        self.told_to_end = False
        self.set_by_ns = 0  # what somebody did to the time of day
        self.waits = 0

    def now_ns(self) -> int:
        return UTC_NS + self.agenda.now_ns

    def monotonic_ns(self) -> int:
        return BOOTED_NS + self.agenda.now_ns

    def utc_ns(self) -> int:
        return UTC_NS + self.agenda.now_ns + self.set_by_ns

    def wait(self, taps: Sequence[Tap], until_ns: int) -> None:
        self.waits += 1
        until_ns -= UTC_NS
        while not self.told_to_end and self.agenda.now_ns < until_ns:
            self.agenda.run(min(until_ns, (self.agenda.now_ns // self._step_ns + 1) * self._step_ns))
            if any(getattr(tap, "ready", False) for tap in taps):
                return

    def step_by(self, step_ns: int) -> None:
        self._step_ns = step_ns

    def at(self, seconds: float, action: Callable[[], object]) -> None:
        self.agenda.at(round(seconds * NS_PER_S), action)

    def end(self) -> None:
        self.told_to_end = True


class Line:
    """A pair of wires on which a controller polls: each exchange in turn, one every period."""

    def __init__(
        self,
        world: World,
        settings: str = "19200 8E1",
        *,
        ascii_mode: bool = False,
        period_ms: int = 50,
        flips: Callable[[int], frozenset[int]] = lambda bits: frozenset(),
        only: Literal["both", "requests", "answers"] = "both",
    ) -> None:
        self.world = world
        self.wire = Wire(world.agenda, line_settings(settings), seed=1)
        self.said = bytearray()
        self._frame = ascii_framed if ascii_mode else framed
        self._period_ns = period_ms * NS_PER_MS
        self._flips = flips
        self._only = only
        self._turn = 0
        world.agenda.at(world.agenda.now_ns + self._period_ns, self._ask)

    def _ask(self) -> None:
        request, answer = EXCHANGES[self._turn % len(EXCHANGES)]
        self._turn += 1
        agenda = self.world.agenda
        frame = self._frame(request)
        ended_ns = agenda.now_ns + self.wire.settings.characters_ns(len(frame))
        if self._only != "answers":
            self._say(frame)
        if answer is not None and self._only != "requests":
            agenda.at(ended_ns + 5 * NS_PER_MS, lambda: self._say(self._frame(answer)))
        agenda.at(agenda.now_ns + self._period_ns, self._ask)

    def _say(self, frame: bytes) -> None:
        self.said += frame
        self.wire.send(frame, "anybody", self._flips(len(frame) * self.wire.settings.framing.bits))


class SimulatedTap:
    """An adapter on a line, opened. unplug() takes it away; opening again is another tap."""

    def __init__(
        self,
        line: Line,
        settings: str | Settings = "19200 8E1",
        *,
        source: str = "/dev/simulated",
        marks: Marks = "byte",
        after_low_stop: AfterLowStop = "wait",
        identity: Identity | None = None,
        raised_ns: int | None = None,
    ) -> None:
        self.source = source
        self.identity = identity
        self.raised_ns = raised_ns
        self.closed = 0
        self.lost_bytes = 0
        self.retuned: list[Settings] = []
        self._line = line
        self._marks = marks
        self._after_low_stop = after_low_stop
        self._waiting: deque[Chunk] = deque()
        self._plugged_in = True
        self._point: TapPoint | None = None
        self._listen(Settings.parse(settings) if isinstance(settings, str) else settings)

    def fileno(self) -> int:
        return -1

    @property
    def ready(self) -> bool:
        self._collect()
        return bool(self._waiting) or not self._plugged_in

    def read(self) -> Chunk | None:
        self._collect()
        if self._waiting:
            return self._waiting.popleft()
        if not self._plugged_in:
            raise TapLost(self.source, "Input/output error")
        return None

    def overruns(self) -> int | None:
        return self.lost_bytes

    def retune(self, settings: Settings) -> None:
        self.retuned.append(settings)
        self._waiting.clear()
        self._forget_point()
        self._listen(settings)

    def close(self) -> None:
        self.closed += 1
        self._forget_point()

    def unplug(self) -> None:
        self._collect()
        self._plugged_in = False
        self._forget_point()

    @property
    def bytes_written_to_line(self) -> int:
        return self._written

    _written = 0

    def _listen(self, settings: Settings) -> None:
        self._since_ns = self._line.world.agenda.now_ns
        receiver = Receiver(line_settings(str(settings)), after_low_stop=self._after_low_stop)
        self._point = TapPoint(self._line.wire, receiver=receiver, flags=self._marks != "none")

    def _forget_point(self) -> None:
        if self._point is not None:
            self._written += self._point.bytes_written_to_line
            self._line.wire.taps.remove(self._point)
            self._point = None

    def _collect(self) -> None:
        if self._point is None:
            return
        for t_ns, data, flags in self._point.take(self._line.world.agenda.now_ns):
            if t_ns >= self._since_ns:
                self._waiting.append(Chunk(UTC_NS + t_ns, data, self._marked(flags)))

    def _marked(self, flags: str | None) -> str | None:
        if flags is not None and self._marks == "packet":
            first = flags.strip(".")[0]
            return first * len(flags)
        if flags is not None and self._marks == "framing":
            flags = flags.replace("p", ".")
            return flags if flags.strip(".") else None
        return flags


class Bench:
    """Where adapters are plugged in and opened again."""

    def __init__(self) -> None:
        self.there: dict[str, Callable[[], SimulatedTap]] = {}
        self.opened: list[SimulatedTap] = []
        self.asked = 0

    def reopen(self, source: str, expected: Identity | None) -> Tap:
        self.asked += 1
        if source not in self.there:
            raise BadInput(source, "it can't be opened: no such file or directory", "Check the path.")
        tap = self.there[source]()
        if expected is not None and tap.identity is not None and not tap.identity.is_same(expected):
            tap.close()
            raise OtherAdapter(source, f"another adapter is there ({tap.identity})", "Plug in the one it was.")
        self.opened.append(tap)
        return tap


class Watcher:
    """A view that keeps what it is told and shown."""

    def __init__(self) -> None:
        self.told: list[str] = []
        self.shown: list[State] = []

    def tell(self, text: str) -> None:
        self.told.append(text)

    def show(self, state: State) -> None:
        self.shown.append(state)
