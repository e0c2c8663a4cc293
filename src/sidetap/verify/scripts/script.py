"""Events written down one after the other: what people do at a bay, and what the plant and the station do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from sidetap.promises.model import CRASH
from sidetap.quantity import NS_PER_MS
from sidetap.scheme import Value
from sidetap.site.model import Bay, Site, Valve, Vessel
from sidetap.verify.course import (
    LATE,
    LOOK,
    SCAN_MS,
    SKETCH_MS,
    STRIDE_MS,
    Course,
    Event,
    rest_level,
    window_ms,
)

_HELD_MS = 500  # a press of a key
_MOMENT_MS = 2_300  # between two polls


@dataclass(slots=True)
class Script:
    """Events as they are written down one after the other; now_ms is when the next one comes."""

    site: Site
    now_ms: int = 0
    events: list[Event] = field(default_factory=list)

    def set(self, name: str, value: Value, lasts_ms: int | None = None) -> Script:
        """Say that an input has a value from now on, or for a while."""
        self.events.append(Event(self.now_ms, name, value, lasts_ms))
        return self

    def pulse(self, name: str, value: Value = True) -> Script:
        """Say that an input has a value for one scan."""
        return self.set(name, value, SCAN_MS)

    def wait(self, ms: int) -> Script:
        """Let time go by."""
        self.now_ms += ms
        return self

    def until(self, ms: int) -> Script:
        """Let it be a moment, later or sooner than now: several do things at the same time."""
        self.now_ms = ms
        return self

    def look(self) -> Script:
        """Have a scan come now, to the millisecond if it has been quiet for half a second, and some more after it."""
        return self.set(LOOK, True)

    def copy(self) -> Script:
        """Return a script that goes on from here by itself."""
        return Script(self.site, self.now_ms, list(self.events))

    def course(self, after_ms: int, *, sketch: bool = False) -> Course:
        """Return the course up to some ms after the last event."""
        return Course(tuple(self.events), self.now_ms + after_ms, stride_ms=SKETCH_MS if sketch else STRIDE_MS)

    # -- what people do

    def ticket(self, bay: Bay, choice: int) -> Script:
        """See the hose off and on, open a ticket and choose a valve on it."""
        self.wait(1_000).set(bay.hose_input, False, 1_000)
        self.wait(1_500).pulse(f"{bay.tag}.ticket_open")
        return self.set(f"{bay.tag}.choice", choice)

    def press(self, bay: Bay) -> Script:
        """Press the post's open key."""
        return self.set(bay.open_key, True, _HELD_MS)

    def press_panel(self, bay: Bay) -> Script:
        """Press the panel's open key."""
        return self.set(f"{bay.tag}.panel_open", True, _HELD_MS)

    def close(self, bay: Bay) -> Script:
        """Press the panel's close key."""
        return self.pulse(f"{bay.tag}.panel_close")

    def ready(self, bay: Bay, choice: int) -> Script:
        """Open a ticket and wait until the vessel's filter has filled and the start's hold is over."""
        start_ms = self.now_ms
        return self.ticket(bay, choice).until(start_ms + ready_ms(self.site, self.vessel(bay, choice)))

    def load(self, bay: Bay, choice: int) -> Script:
        """Open a valve on a new ticket, as soon as that can be."""
        return self.ready(bay, choice).press(bay)

    def reopen(self, bay: Bay) -> Script:
        """Press again after the waiting time; the bay was closed at now_ms."""
        return self.wait(bay.restart_wait_ns // NS_PER_MS + 2_000).press(bay)

    def sink(self, vessel: Vessel, level_01mm: int | None = None) -> Script:
        """Let a vessel stand below its trip, or at a level, until its trip must have fired."""
        self.set(f"{vessel.tag}.level", vessel.trip.below_01mm - 100 if level_01mm is None else level_01mm)
        return self.wait(window_ms(vessel) + vessel.trip.delay_ns // NS_PER_MS + 3_000)

    def rise(self, vessel: Vessel, level_01mm: int | None = None) -> Script:
        """Let a vessel stand at rest again, or at a level, until its filter says so, and reset its trip."""
        self.set(f"{vessel.tag}.level", rest_level(self.site, vessel) if level_01mm is None else level_01mm)
        return self.wait(window_ms(vessel) + 3_000).pulse(f"{vessel.tag}.reset").wait(1_000)

    def bypass(self, vessel: Vessel, ms: int) -> Script:
        """Ask for a bypass of a vessel's trip, and approve it in the next scan."""
        self.set("site.bypass_ms", ms).pulse(f"{vessel.tag}.bypass_ask")
        return self.wait(SCAN_MS).pulse(f"{vessel.tag}.bypass_approve").wait(SCAN_MS)

    def crash(self, late_ms: int = 0) -> Script:
        """Let the station crash; late_ms: how long its start takes."""
        self.pulse(CRASH)
        return self.late(late_ms) if late_ms else self

    def late(self, ms: int) -> Script:
        """Let the next scan come late."""
        return self.pulse(LATE, ms)

    def crashed(self, bay: Bay, choice: int, late_ms: int = 0) -> Script:
        """Let the station crash, have the load resumed by a lead, and press again as early as can be."""
        self.crash(late_ms).wait(late_ms + 1_000).pulse(f"{bay.tag}.ticket_resume")
        again_ms = max(ready_ms(self.site, self.vessel(bay, choice)), bay.restart_wait_ns // NS_PER_MS + 2_000)
        return self.wait(again_ms).press(bay)

    def vessel(self, bay: Bay, choice: int) -> Vessel:
        """Return the vessel of a valve by its number."""
        return self.site.vessel(self.site.valves_of(bay.tag)[choice - 1].vessel)


def ready_ms(site: Site, vessel: Vessel) -> int:
    """Return how long after a start a valve from a vessel can be opened."""
    return max(window_ms(vessel), site.start_hold_ns // NS_PER_MS, 1_000) + _MOMENT_MS


def loading(site: Site, bay: Bay, choice: int) -> tuple[list[Event], int]:
    """Return the events that open a valve on a new ticket, and the moment of the press."""
    script = Script(site).load(bay, choice)
    return script.events, script.now_ms


def choices(site: Site, bay: Bay) -> Iterator[tuple[int, Valve, Vessel]]:
    """Yield each valve of a bay that the site has, by its number on the panel."""
    for number, valve in enumerate(site.valves_of(bay.tag), 1):
        yield number, valve, site.vessel(valve.vessel)


def at_and_before(script: Script, ms: int) -> Iterator[Script]:
    """Yield scripts that go on from the moment in which a time is over, and from a millisecond before it."""
    for moment_ms in (ms, ms - 1):
        if moment_ms > script.now_ms:
            yield script.copy().until(moment_ms)
