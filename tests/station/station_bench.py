"""A bench for the engine: a virtual clock, a module and valves of the test's own making, and hand-built line frames.

Nothing here uses the simulated yard: the module is forty lines, so that a test can see what it does.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from sidetap.line import Chunk, crc16
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.site import Site, load_or_refuse
from sidetap.site.cause_effect import CompiledScheme, compile_site
from sidetap.station import Engine, Load, Record, Store
from sidetap.station.clearance import Override

YARD = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "site.toml"
SITE = YARD.with_name("bay-b.toml")
START_UTC_NS = 1_773_237_600 * NS_PER_S  # 2026-03-11 14:00 UTC
STEP_NS = 20 * NS_PER_MS
CHARACTER_NS = 572_917
WATCHDOG_COIL, PERMIT_COIL, HORN_COIL = 15, 8, 14
READY_S = 13  # ten of them the output port is only listened to; the windows of the means are full by then
LEAD, OPERATOR = "Ines Varga", "Tobias Quell"


def frame(body: bytes) -> bytes:
    return body + crc16(body).to_bytes(2, "little")


def poll(device: int, function: int, register: int, words: list[int]) -> bytes:
    """A request for registers and the answer to it, as they stand on the wire."""
    request = frame(struct.pack(">BBHH", device, function, register, len(words)))
    return request + frame(struct.pack(f">BBB{len(words)}H", device, function, 2 * len(words), *words))


class Module:
    """Inputs, coils, and a site's valves behind a watchdog relay; answers functions 1, 2 and 15."""

    def __init__(self, site: Site) -> None:
        self.bits = {wired.tag: False for wired in site.inputs}
        self.coils = 0
        self.valves = site.valves
        self.position = [0.0] * len(site.valves)
        self.moves = [True] * len(site.valves)
        self._bit = {wired.tag: wired.bit for wired in site.inputs}
        self.answers = True
        self.obeys = True
        self.echoes = False
        self.sticks_on = 0
        self.forced: dict[str, bool] = {}
        self.heard: list[bytes] = []
        self.last_heard_ns = self.toggled_ns = self.now_ns = 0

    def receive(self, request: bytes, now_ns: int) -> bytes:
        assert crc16(request) == 0
        self.heard.append(request)
        echo = request if self.echoes else b""
        if not self.answers:
            return echo
        self.last_heard_ns = now_ns
        function = request[1]
        if function == 15:
            coils = int.from_bytes(request[7:-2], "little")
            if self.obeys:
                if (coils ^ self.coils) >> WATCHDOG_COIL & 1:
                    self.toggled_ns = now_ns
                self.coils = coils | self.sticks_on
            return echo + frame(request[:6])
        bits = sum(1 << self._bit[tag] for tag, on in self.wires().items() if on) if function == 2 else self.coils
        count = int.from_bytes(request[4:6], "big") // 8
        return echo + frame(request[:2] + bytes([count]) + bits.to_bytes(8, "little")[:count])

    def wires(self) -> dict[str, bool]:
        switches: dict[str, bool] = {}
        for valve, position in zip(self.valves, self.position, strict=True):
            switches |= {valve.closed_switch: position <= 0, valve.open_switch: position >= 1}
        return {**self.bits, **switches, **self.forced}

    def relay_in(self) -> bool:
        return self.now_ns - self.toggled_ns < 2 * NS_PER_S and self.toggled_ns > 0

    def energised(self, number: int) -> bool:
        return bool(self.coils >> self.valves[number].output.coil & 1) and self.relay_in()

    def advance(self, now_ns: int) -> None:
        passed_ns = now_ns - self.now_ns
        self.now_ns = now_ns
        if now_ns - self.last_heard_ns > 2 * NS_PER_S:
            self.coils = 0  # the module's own drop-out
        for i, valve in enumerate(self.valves):
            if self.moves[i]:
                moved = passed_ns / valve.stroke_ns
                step = moved if self.energised(i) else -moved
                self.position[i] = min(1.0, max(0.0, self.position[i] + step))


@cache
def quick_site(path: Path = SITE) -> Site:
    """The example's site in short: limits of 40 s (B2 50), waits of 10 s, means of 5 s, a hose left after 60 s.

    A bypass lasts 20 s where nobody says.
    """
    site = load_or_refuse(path)
    limits_s = {"B2": 50}
    return replace(
        site,
        bypass=None if site.bypass is None else replace(site.bypass, time_ns=20 * NS_PER_S),
        vessels=tuple(replace(v, trip=replace(v.trip, mean_ns=5 * NS_PER_S)) for v in site.vessels),
        valves=tuple(replace(v, open_limit_ns=limits_s.get(v.tag, 40) * NS_PER_S) for v in site.valves),
        bays=tuple(replace(b, restart_wait_ns=10 * NS_PER_S, hose_left_after_ns=60 * NS_PER_S) for b in site.bays),
    )


class Bench:
    """The engine joined to the module and to a line that polls every vessel each second."""

    def __init__(self, folder: Path, site: Site | None = None, store: Store | None = None) -> None:
        self.folder = folder
        self.site: Site = site or quick_site()
        self.scheme: CompiledScheme = compile_site(self.site)
        self.now_ns = 5 * NS_PER_S  # not 0, so that nothing passes by luck
        self.module = Module(self.site)
        self.store = store or Store.open(folder / "station.db")
        self.level_mm = {"T1": 3480.0, "T2": 4321.0, "T3": 2380.0, "T4": 3500.0, "T5": 1710.0, "T6": 975.0}
        self.status = {"T1": 1, "T2": 1}
        self.silent: set[str] = set()
        self.panel_there = True
        self.on_send: Callable[[bytes], None] = lambda _: None
        self.sent: list[tuple[int, bytes]] = []
        self.in_flight: list[tuple[int, bytes]] = []
        self._poll_due_ns = self._alive_due_ns = self.now_ns
        self.polled_ns = self.now_ns
        self.override: Override | None = None
        self.start()

    def just_polled(self) -> int:
        """Run to the moment at which the line has just been polled, and return it."""
        before_ns = self.polled_ns
        self.run_until(lambda: self.polled_ns != before_ns)
        return self.polled_ns

    def start(self) -> None:
        utc_ns = START_UTC_NS + self.now_ns
        self.engine = Engine(self.site, self.scheme, self.store, self.now_ns, utc_ns, self.override)
        self.in_flight.clear()

    def power_cut(self, seconds: float) -> None:
        """Drop the engine without a word, let the yard go on without it for a while, and start it anew."""
        self.store.close()
        end_ns = self.now_ns + round(seconds * NS_PER_S)
        while self.now_ns < end_ns:
            self.now_ns += STEP_NS
            self.module.advance(self.now_ns)
        self._poll_due_ns = self._alive_due_ns = self.now_ns
        self.store = Store.open(self.folder / "station.db")
        self.start()

    def line_bytes(self) -> bytes:
        """What the controller and the transmitters say in one cycle."""
        t3_kpa = 1396.0 * 9.80665 * (self.level_mm["T3"] - 420) / 1e6
        high, low = struct.unpack(">HH", struct.pack(">f", t3_kpa))
        counts = round(self.level_mm["T2"] * 10)
        t6_high, t6_low = struct.unpack(">HH", struct.pack(">f", self.level_mm["T6"] / 304.8))
        polls = {
            "T1": poll(11, 3, 100, [round(self.level_mm["T1"]), self.status["T1"], 183]),
            "T2": poll(12, 3, 0, [counts & 0xFFFF, counts >> 16, self.status["T2"]]),
            "T3": poll(13, 4, 8, [high, low, 0x4193, 0x3333]),
            "T4": poll(14, 4, 30, [round(5620 - self.level_mm["T4"]), 87]),
            "T5": poll(15, 3, 4, [round(self.level_mm["T5"] / 2500 * 10_000)]),
            "T6": poll(16, 3, 20, [t6_low, t6_high]),
        }
        asked = [vessel.tag for vessel in self.site.vessels]
        return b"".join(polls[tag] if tag not in self.silent else polls[tag][:8] for tag in asked)

    def step(self, step_ns: int = STEP_NS) -> None:
        self.now_ns += step_ns
        now_ns = self.now_ns
        self.module.advance(now_ns)
        if now_ns >= self._poll_due_ns:
            self._poll_due_ns += NS_PER_S
            self.polled_ns = now_ns
            self.engine.receive_line(Chunk(now_ns, self.line_bytes()))
        if self.panel_there and now_ns >= self._alive_due_ns:
            self._alive_due_ns = now_ns + NS_PER_S
            for bay in self.site.bays:
                self.engine.receive_panel({"ask": "alive", "bay": bay.tag}, now_ns)
        for answer in [a for a in self.in_flight if a[0] <= now_ns]:
            self.in_flight.remove(answer)
            self.engine.receive_module(answer[1], now_ns)
        self.engine.advance(now_ns)
        data = self.engine.module_bytes(now_ns)
        if data is not None:
            self.sent.append((now_ns, data))
            self.on_send(data)
            if reply := self.module.receive(data, now_ns):
                self.in_flight.append((now_ns + STEP_NS, reply))

    def run(self, seconds: float) -> None:
        end_ns = self.now_ns + round(seconds * NS_PER_S)
        while self.now_ns < end_ns:
            self.step()

    def run_until(self, condition: Callable[[], bool], seconds: float = 60.0) -> float:
        """Run until condition holds and return the seconds it took."""
        start_ns = self.now_ns
        while not condition():
            assert self.now_ns - start_ns < seconds * NS_PER_S, "it never came"
            self.step()
        return (self.now_ns - start_ns) / NS_PER_S

    def ask(self, ask: str, **more: Any) -> dict[str, Any]:
        return self.engine.receive_panel({"ask": ask, **more}, self.now_ns)

    def ready(self) -> None:
        """Come up: selectors in AUTO, stops healthy, probe dry, close keys' wires whole, hoses off, windows full."""
        for bay in self.site.bays:
            for tag in (*bay.run_permissives, bay.close_key):
                self.module.bits[tag] = tag != bay.hose_input
        self.run(READY_S)

    def ticket(self, *vessels: str, bay: str = "B", person: str = OPERATOR) -> None:
        """Open a ticket, then put the hose on."""
        reply = self.ask("ticket", bay=bay, person=person, vessels=list(vessels))
        assert reply["ok"], reply
        self.run(0.3)
        self.module.bits[f"HC-{bay}"] = True
        self.run(0.5)

    def open(self, valve: str = "B1") -> None:
        reply = self.ask("open", bay=self.site.valve(valve).bay, valve=valve)
        assert reply["ok"], reply
        self.run(0.4)
        assert self.command(valve)

    def load_from(self, vessel: str = "T1", valve: str = "B1") -> None:
        """Come up and open a valve on a fresh ticket."""
        self.ready()
        self.ticket(vessel)
        self.open(valve)

    def command(self, valve: str = "B1") -> bool:
        """Whether the module's coil of a valve is on: what the yard would feel."""
        return bool(self.module.coils >> self.site.valve(valve).output.coil & 1)

    def bay(self, tag: str = "B") -> dict[str, Any]:
        return self._shown("bays", tag)

    def vessel(self, tag: str) -> dict[str, Any]:
        return self._shown("vessels", tag)

    def _shown(self, kind: str, tag: str) -> dict[str, Any]:
        shown = self.engine.snapshot(self.now_ns)
        found: dict[str, Any] = next(one for one in shown[kind] if one["tag"] == tag)
        return found

    def alarms(self) -> set[str]:
        return set(self.engine.alarms)

    def journal(self, *kinds: str) -> list[Record]:
        self.run(0.1)
        return [record for record in self.store.journal() if record.kind in kinds]

    def last_load(self) -> Load:
        self.run(0.1)
        return self.store.loads()[-1]
