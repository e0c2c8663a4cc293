"""The simulated yard and the real station as a stage: hands for what people and plant do, and every scan kept.

A site and its scheme in; what the yard did out, scan by scan. Hands act between two scans, where a person's act would
come: contacts right after a scan, so that the module reads them before the next one; what is asked at a panel just
before the next one. So what a story has in one scan comes in one scan here too. What a hand could only do nearly, or
not at all, is noted in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sidetap.measure.judging import Judge
from sidetap.quantity import NS_PER_MS, NS_PER_S, to_si
from sidetap.rehearse.plant import STEP_NS, Plant
from sidetap.scheme import Value
from sidetap.site.cause_effect import CompiledScheme
from sidetap.site.keys import APPROVES_BYPASS, ASKS_FOR_BYPASS
from sidetap.site.model import QuietHours, Site, Vessel
from sidetap.station.people import AT_THE_BAY
from sidetap.station.store import Store
from sidetap.verify.course import rest_level
from sidetap.verify.story import STARTS_AT_H
from sidetap.yard import Yard

_RAMP_SHARE = 0.9  # of the fastest step that a point believes
_01MM_PER_MM = 10
_MS_PER_MINUTE = 60_000
_CUT_SHORT_NS = 100 * NS_PER_MS  # how long a station that crashes is away at least


@dataclass(frozen=True, slots=True)
class Scan:
    """One scan of the real station, and the yard in that moment.

    crashed: the station started with this scan, and had run before. coils: as the module has them. positions: of the
    valves, 0 shut to 1 open. loaded_m3: through each bay since the yard's start.
    """

    t_ns: int
    elapsed_ms: int
    crashed: bool
    inputs: Mapping[str, Value]
    outputs: Mapping[str, Value]
    coils: tuple[bool, ...]
    positions: Mapping[str, float]
    loaded_m3: Mapping[str, Fraction]


class Stage:
    """One play: everything healthy and closed at first, levels half way up, hoses on.

    scans: all so far. notes: what was done nearly, or could not be done. now_ns: on the yard's clock.
    """

    def __init__(
        self, site: Site, scheme: CompiledScheme, folder: Path, levels_01mm: Mapping[str, int] | None = None
    ) -> None:
        """Set the stage; the station keeps its store in folder and starts with the first scan.

        levels_01mm: of vessels that don't stand half way up at first.
        """
        self.site = site
        self.scans: list[Scan] = []
        self.notes: list[str] = []
        # its clock is that of the stories, which begin when the station starts
        self.yard = Yard(start=f"2026-03-11T{STARTS_AT_H:02d}:00", night_window=False, plan=())
        self._store_path = folder / "station.db"
        for vessel in site.vessels:
            level_01mm = (levels_01mm or {}).get(vessel.tag, rest_level(site, vessel))
            self.yard.set_level(vessel.tag, level_01mm / _01MM_PER_MM)
        for bay in site.bays:
            self.yard.bay(bay.tag).hose = True
        self.plant = Plant(self.yard, site, scheme, Store.open(self._store_path))
        self._bits = {wired.tag: wired.bit for wired in site.inputs}
        self._selectors = {bay.tag: {"auto": True, "hand": False} for bay in site.bays}
        self._wanted = {bay.tag: 1 for bay in site.bays}
        self._named = {valve.tag: True for valve in site.valves}
        self._bypass_ms = 0 if site.bypass is None else site.bypass.time_ns // NS_PER_MS
        self._asked_by = ""
        self._ramps: dict[str, float] = {}
        self._crashed = False
        self._seen = 0

    def close(self) -> None:
        """End it."""
        self.plant.store.close()

    @property
    def now_ns(self) -> int:
        """The yard's time since its start."""
        return self.yard.now_ns

    @property
    def last_ns(self) -> int:
        """When the last scan was; before the first one, a scan's time before the yard's start."""
        return self.scans[-1].t_ns if self.scans else -self.site.scan_ns

    @property
    def is_deaf(self) -> bool:
        """Whether the station only listens to its module's port so far, or has not heard the module since."""
        engine, now_ns = self.plant.engine, self.now_ns
        return engine.wiring.master.listening_ns(now_ns) > 0 or not engine.wiring.live(now_ns)

    @property
    def is_ramping(self) -> bool:
        """Whether a level is still on its way."""
        return bool(self._ramps)

    def note(self, text: str) -> None:
        """Keep a remark, once."""
        if text not in self.notes:
            self.notes.append(text)

    # -- time ----------------------------------------------------------------------------------------------------

    def next_scan(self) -> None:
        """Let time go by up to the next scan."""
        before = len(self.scans)
        while len(self.scans) == before:
            self._step()

    def before_next_scan(self) -> None:
        """Let time go by until just before the next scan."""
        while self.now_ns < self.last_ns + self.site.scan_ns - STEP_NS:
            self._step()

    def _step(self) -> None:
        self.plant.advance(self.now_ns + STEP_NS)
        engine = self.plant.engine
        if not self.plant.engine_runs or engine.scans == self._seen:
            return
        self._seen = engine.scans
        self._move_levels()
        self._keep_scan()
        for bay in self.site.bays:
            self._keep_choice(bay.tag)

    def _keep_scan(self) -> None:
        engine = self.plant.engine
        bays = {bay.tag: self.yard.bay(bay.tag) for bay in self.site.bays}
        # a station that was away can't know for how long; who judges it can
        elapsed_ms = (self.now_ns - self.last_ns) // NS_PER_MS if self._crashed else engine.elapsed_ms
        self.scans.append(
            Scan(
                self.now_ns,
                elapsed_ms,
                self._crashed,
                engine.inputs,
                engine.outputs,
                tuple(self.yard.module.coils),
                {tag: valve.position for bay in bays.values() for tag, valve in bay.valves.items()},
                {tag: to_si(Fraction(bay.tanker.loaded_gal), "gal") for tag, bay in bays.items()},
            )
        )
        self._crashed = False
        for tag, selector in self._selectors.items():
            if selector["auto"] and selector["hand"]:
                self.note(f"no selector shows AUTO and HAND at once: bay {tag}'s wire for HAND is held by a fault")

    # -- hands on contacts ---------------------------------------------------------------------------------------

    def wire(self, tag: str, value: bool | None) -> None:
        """Do what makes a wired input have a value; None: as it is when nobody does anything.

        A limit switch is held by a fault; everything else is what people do: keys, hose, stop, selector, probe.
        """
        bit = self._bits[tag]
        of, contact = self.yard.module.wires[bit]
        bay = self.yard.bay(of)
        if contact in ("auto", "hand"):
            selector = self._selectors[of]
            selector[contact] = contact == "auto" if value is None else value
            bay.selector = "AUTO" if selector["auto"] else "HAND" if selector["hand"] else "OFF"
            self._hold(self._bits[self.site.bay(of).hand_input], True if all(selector.values()) else None)
        elif contact == "stop":
            bay.stop_healthy = value is not False
        elif contact == "probe":
            bay.probe_dry = value is not False
        elif contact == "hose":
            bay.hose = value is not False
        elif contact == "open-key":
            bay.open_key = value is True
        elif contact == "close-key":
            bay.close_key_contact = value is not False
        else:
            self._hold(bit, value)

    def _hold(self, bit: int, value: bool | None) -> None:
        if value is None:
            self.yard.module.forced.pop(bit, None)
        else:
            self.yard.module.forced[bit] = value

    def cut_module(self, cut: bool) -> None:
        """Cut the wire to the module, or mend it."""
        self.plant.module_cut = cut

    # -- hands on the line ---------------------------------------------------------------------------------------

    def silence(self, vessel: str, silent: bool) -> None:
        """Let the device of a vessel's level fall silent, or answer again."""
        self._device(vessel).silent = silent

    def spoil(self, vessel: str, bad: bool) -> None:
        """Let the device of a vessel's level say in its own way that its value is bad, or good again."""
        self._device(vessel).bad = bad

    def _device(self, vessel: str) -> Any:
        return self.yard.devices[self.site.point(self.site.vessel(vessel).level.point).device].ails

    def level(self, tag: str, level_01mm: int | None) -> None:
        """Bring a vessel to a level, None for that at rest: at once before the start, then as fast as is believed."""
        vessel = self.site.vessel(tag)
        wanted_01mm = rest_level(self.site, vessel) if level_01mm is None else level_01mm
        told_01mm, level_mm = self._tellable(vessel, wanted_01mm)
        if told_01mm != wanted_01mm:
            self.note(f"{tag} is brought to {told_01mm / 10_000:.4f} m: its device tells nothing finer")
        if not self.scans:
            self.yard.set_level(tag, level_mm)
            return
        self._ramps[tag] = level_mm
        if self._fastest_mm(vessel) < abs(level_mm - self.yard.vessels[tag].level_mm):
            self.note(f"{tag}'s level moves only as fast as its point believes, where the story lets it jump")

    def _tellable(self, vessel: Vessel, wanted_01mm: int) -> tuple[int, float]:
        """Return the highest level up to one that the device can tell, in 0.1 mm, and a true level for it, in mm."""
        finest_01mm = Judge(vessel, self.site.point(vessel.level.point)).step_m * 10_000
        if finest_01mm <= 1:
            return wanted_01mm, (wanted_01mm + 0.5 * (finest_01mm == 0)) / _01MM_PER_MM  # the station rounds down
        steps = wanted_01mm // finest_01mm
        return int(steps * finest_01mm), steps * finest_01mm / _01MM_PER_MM

    def _fastest_mm(self, vessel: Vessel) -> float:
        """Return how far a level may move between two scans."""
        fastest = self.site.point(vessel.level.point).max_step_m_per_s
        return 1e9 if fastest is None else _RAMP_SHARE * float(fastest) * self.site.scan_ns / NS_PER_MS

    def _move_levels(self) -> None:
        for tag, target_mm in list(self._ramps.items()):
            level_mm, most_mm = self.yard.vessels[tag].level_mm, self._fastest_mm(self.site.vessel(tag))
            moved_mm = max(-most_mm, min(most_mm, target_mm - level_mm))
            self.yard.set_level(tag, level_mm + moved_mm)
            if abs(target_mm - level_mm) <= most_mm:
                self.yard.set_level(tag, target_mm)
                del self._ramps[tag]

    # -- hands at a panel ----------------------------------------------------------------------------------------

    def ask(self, **message: Any) -> None:
        """Ask as a panel does; a refusal is noted."""
        reply = self.plant.ask(**message)
        if not reply["ok"]:
            self.note(f"the station refused {message['ask']!r}: {reply['text']}")

    def leave_panel(self, bay: str, away: bool) -> None:
        """Take a bay's page away, or bring it back."""
        (self.plant.absent_panels.add if away else self.plant.absent_panels.discard)(bay)

    def ticket(self, bay: str) -> None:
        """Open a ticket for the vessels that tickets name now."""
        vessels = [v.vessel for v in self.site.valves_of(bay) if self._named[v.tag]]
        self.ask(ask="ticket", bay=bay, person=self._person(AT_THE_BAY), vessels=list(dict.fromkeys(vessels)))

    def name(self, valve: str, named: bool) -> None:
        """Say whether a ticket is to name what a valve draws from."""
        self._named[valve] = named
        if self.plant.engine.desks[self.site.valve(valve).bay].load is not None:
            self.note("a ticket's vessels can't change while it runs")

    def choose(self, bay: str, number: int) -> None:
        """Choose a valve by its number, or none with 0; it stays chosen over tickets and starts of the station."""
        self._wanted[bay] = number
        if number == 0:
            self.note("nobody can unchoose a valve")
        elif self.plant.engine.outputs.get(f"{bay}.pump"):
            self.note("no valve can be chosen while one of its bay is open; it is chosen after that")
        self._keep_choice(bay)

    def _keep_choice(self, bay: str) -> None:
        engine, number = self.plant.engine, self._wanted[bay]
        if number and engine.desks[bay].choice != number and not engine.outputs.get(f"{bay}.pump"):
            self.ask(ask="choose", bay=bay, valve=self.site.valves_of(bay)[number - 1].tag)

    def press_open(self, bay: str) -> None:
        """Press the panel's open key for the valve that is chosen."""
        number = self._wanted[bay]
        if number:
            self.ask(ask="open", bay=bay, valve=self.site.valves_of(bay)[number - 1].tag)
        else:
            self.note("a panel's open key names a valve, and none is chosen")

    def person_asks(self, ask: str, **what: str) -> None:
        """Ask for what needs a person, by one who may."""
        roles: tuple[str, ...] = AT_THE_BAY
        if ask == "resume":
            roles = (self.site.bay(what["bay"]).resume_role,)
        elif ask == "end-bypass":
            roles = ASKS_FOR_BYPASS
        self.ask(ask=ask, person=self._person(roles), **what)

    def bypass_time(self, ms: int) -> None:
        """Say for how long bypasses are asked for from now on."""
        self._bypass_ms = ms

    def bypass(self, vessel: str) -> None:
        """Ask for a bypass, for whole minutes."""
        minutes = -(-self._bypass_ms // _MS_PER_MINUTE)
        if minutes * _MS_PER_MINUTE != self._bypass_ms:
            self.note(f"a bypass is asked for in whole minutes: for {minutes} min")
        self._asked_by = self._person(ASKS_FOR_BYPASS)
        self.ask(ask="bypass", vessel=vessel, person=self._asked_by, minutes=minutes)

    def approve_bypass(self, vessel: str) -> None:
        """Approve a bypass, as somebody else than who asked."""
        self.ask(ask="approve-bypass", vessel=vessel, person=self._person(APPROVES_BYPASS, but=self._asked_by))

    def _person(self, roles: tuple[str, ...], but: str = "") -> str:
        return next((p.name for p in self.site.people if p.role in roles and p.name != but), "nobody")

    # -- hands on the station ------------------------------------------------------------------------------------

    def stall(self, ms: int) -> None:
        """Give the station's process no time, so that its next scan comes so much late."""
        self.plant.stalled = True
        self.plant.advance(self.last_ns + self.site.scan_ns + ms * NS_PER_MS - STEP_NS)
        self.plant.stalled = False

    def crash(self, ms: int) -> None:
        """Cut the station's power; it starts again after so long."""
        self.plant.kill_engine()
        self.close()
        self.plant.advance(self.now_ns + max(ms * NS_PER_MS, _CUT_SHORT_NS))
        self.plant.start_engine(Store.open(self._store_path))
        self._crashed, self._seen = True, 0

    def quiet(self, tag: str, on: bool) -> None:
        """Set the station's wall clock to the start of a rule's quiet hours, or back to the yard's time."""
        rule = next(r for r in self.site.rules if r.tag == tag)
        assert isinstance(rule, QuietHours)  # noqa: S101  # whoever calls has its input
        utc_ns = self.yard.clock.start_epoch_ns + self.now_ns
        if on:
            zone = ZoneInfo(self.site.time_zone)
            today = datetime.fromtimestamp(utc_ns // NS_PER_S, UTC).astimezone(zone).date()
            begins = datetime.combine(today, time(*divmod(rule.from_minute, 60)), zone)
            utc_ns = int(begins.timestamp()) * NS_PER_S
            self.note(f"the station's wall clock is set to {begins:%H:%M}, when the quiet hours {tag} begin")
        self.plant.engine.set_clock(self.now_ns, utc_ns)
