"""What people, plant and station may do: courses of events along a site's rules, to be run in its model.

A site -> courses. Every rule has one that leads along its edge: levels at a limit and a tenth of a millimetre under
it, keys pressed too early, again and at two bays at once, switches that stick, crashes at the worst moment. Which
promise they break, if any, is found by running them; the last scan before a break is left to the solver.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from sidetap.promises.model import CRASH
from sidetap.quantity import NS_PER_MS
from sidetap.scheme import Value
from sidetap.site.model import (
    Bay,
    Bypass,
    Fact,
    OwnPromise,
    QuietHours,
    SharedOnlyAbove,
    Site,
    TripVote,
    Valve,
    Vessel,
)
from sidetap.verify.course import (
    LATE,
    SCAN_MS,
    SKETCH_MS,
    STRIDE_MS,
    Course,
    Event,
    polled,
    rest_level,
    window_ms,
)

_HELD_MS = 500  # a press of a key
_MOMENT_MS = 2_300  # between two polls
_APART_MS = 5_000


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

    def close(self, bay: Bay) -> Script:
        """Press the panel's close key."""
        return self.pulse(f"{bay.tag}.panel_close")

    def load(self, bay: Bay, choice: int) -> Script:
        """Open a valve on a new ticket, once its vessel's filter has filled and the start's hold is over."""
        start_ms = self.now_ms
        self.ticket(bay, choice)
        self.now_ms = start_ms + ready_ms(self.site, self.vessel(bay, choice))
        return self.press(bay)

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
        return self.pulse(LATE, late_ms) if late_ms else self

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


def one_bay(site: Site, bay: Bay, choice: int) -> Iterator[Course]:
    """Yield short courses of one valve alone: the states in which one more scan may break something."""
    valves = site.valves_of(bay.tag)
    valve, vessel = valves[choice - 1], site.vessel(valves[choice - 1].vessel)
    tag, trip = bay.tag, vessel.trip
    stuck_ms = valve.supervise_ns // NS_PER_MS + 2_000
    opened = Script(site).load(bay, choice).wait(3_000)

    yield opened.copy().close(bay).reopen(bay).wait(3_000).close(bay).reopen(bay).course(2_000)
    yield opened.copy().press(bay).wait(1_000).pulse(f"{tag}.panel_open").course(2_000)
    # a key or contact that goes and comes back opens nothing by itself
    for name in dict.fromkeys((bay.hose_input, bay.stop_input, bay.auto_input, *bay.run_permissives)):
        yield opened.copy().set(name, False, 1_000).course(3_000)
    yield opened.copy().set(bay.close_key, False, 1_000).course(3_000)
    lost_ms = bay.panel_lost_after_ns // NS_PER_MS
    yield opened.copy().set(f"{tag}.panel_age", lost_ms, 1_000).course(3_000)
    yield opened.copy().pulse(f"{tag}.ticket_end").wait(1_000).press(bay).course(1_000)
    wait_ms = bay.restart_wait_ns // NS_PER_MS
    yield opened.copy().close(bay).wait(wait_ms // 2).press(bay).course(1_000)
    yield _too_early(site, bay, choice).course(1_000)
    yield Script(site).set(bay.open_key, True).ticket(bay, choice).wait(ready_ms(site, vessel)).course(2_000)

    tripped = opened.copy().sink(vessel)
    yield tripped.course(1_000)
    yield opened.copy().sink(vessel, trip.below_01mm).course(1_000)
    for level in (trip.reset_above_01mm, trip.reset_above_01mm - 1):
        yield tripped.copy().rise(vessel, level).reopen(bay).course(2_000)
    yield tripped.copy().crash().wait(window_ms(vessel) + 2_000).rise(vessel).press(bay).course(1_000)
    low = Script(site).set(f"{vessel.tag}.level", trip.below_01mm - 1)
    yield low.load(bay, choice).course(1_000)
    yield opened.copy().set(f"{vessel.tag}.bad", True, 2_000).course(window_ms(vessel) + 5_000)
    yield opened.copy().set(polled(vessel.tag), False, 8_000).course(8_000 + window_ms(vessel) + 3_000)

    # switches that stick, whichever way, and the lock-out after it
    for switch, value in ((valve.open_switch, False), (valve.closed_switch, True)):
        stuck = Script(site).set(switch, value).load(bay, choice).wait(stuck_ms)
        yield stuck.set(switch, not value).wait(1_000).pulse(f"{tag}.lockout_reset").course(2_000)
    shut = opened.copy().close(bay).set(valve.closed_switch, False, stuck_ms)
    yield shut.wait(stuck_ms + 1_000).pulse(f"{tag}.lockout_reset").wait(1_000).press(bay).course(1_000)
    hand = opened.copy().set(bay.hand_input, True, stuck_ms + 3_000).set(valve.closed_switch, False, stuck_ms)
    yield hand.wait(stuck_ms + 3_000).press(bay).course(3_000)

    resumed = _crashed(site, opened.copy(), bay, vessel, 0)
    yield resumed.copy().wait(2_000).crash().course(2_000)
    yield _crashed(site, opened.copy(), bay, vessel, 5_000).wait(1_000).close(bay).reopen(bay).course(1_000)
    # a crash in the last permitted opening, and a new ticket as early as can be
    used = _all_restarts(opened.copy(), bay).wait(3_000).crash().wait(SCAN_MS)
    used.set(bay.hose_input, False, SCAN_MS).pulse(f"{tag}.ticket_open")
    yield used.wait(ready_ms(site, vessel)).press(bay).course(2_000)
    yield (
        opened.copy()
        .set(bay.open_key, True, bay.stuck_key_after_ns // NS_PER_MS + 2_000)
        .course(bay.stuck_key_after_ns // NS_PER_MS + 3_000)
    )
    sunk = Script(site).wait(ready_ms(site, vessel))
    yield (
        sunk.set(f"{vessel.tag}.level", rest_level(site, vessel) - 1_000)
        .wait(valve.stroke_ns // NS_PER_MS)
        .course(window_ms(vessel) + 5_000)
    )


def two_valves(site: Site, bay: Bay, choice: int) -> Iterator[Course]:
    """Yield short courses in which a second valve of the bay is chosen on the same ticket."""
    for other, _, vessel in choices(site, bay):
        if other == choice:
            continue
        opened = Script(site).load(bay, choice).wait(3_000)
        yield opened.copy().set(f"{bay.tag}.choice", other).press(bay).course(2_000)
        again = opened.copy().close(bay).set(f"{bay.tag}.choice", other).reopen(bay).wait(3_000)
        yield again.copy().sink(vessel).course(1_000)
        yield again.pulse(f"{bay.tag}.ticket_end").load(bay, other).course(2_000)


def rules_of_the_site(site: Site, bay: Bay, choice: int) -> Iterator[Course]:
    """Yield courses along quiet hours, bypasses, votes and own promises, as far as they touch the valve."""
    vessel = site.vessel(site.valves_of(bay.tag)[choice - 1].vessel)
    opened = Script(site).load(bay, choice).wait(3_000)
    for rule in site.rules:
        if isinstance(rule, QuietHours):
            quiet = Script(site).set(f"{rule.tag}.quiet", True, 30_000)
            yield quiet.load(bay, choice).course(2_000)
            night = opened.copy().set(f"{rule.tag}.quiet", True).set(polled(vessel.tag), False)
            yield night.wait(10_000).press(bay).course(1_000)
        elif isinstance(rule, TripVote) and bay.tag in rule.bays:
            yield from _votes(site, rule, bay, opened)
    if site.bypass is not None:
        yield from _bypasses(site, site.bypass, bay, choice)
    for promise in site.promises:
        yield from _own(site, promise, opened)


def two_bays(site: Site, first: Bay, second: Bay) -> Iterator[Course]:
    """Yield short courses of two bays that draw from one vessel, the first one first."""
    for one, valve, vessel in choices(site, first):
        for two, other, same in choices(site, second):
            if same.tag != vessel.tag:
                continue
            levels = [rest_level(site, vessel)]
            for rule in site.rules:
                if isinstance(rule, SharedOnlyAbove) and rule.vessel == vessel.tag:
                    levels += [rule.level_01mm, rule.level_01mm - 1]
            for level in levels:
                yield from _together(site, (first, one, valve), (second, two, other), vessel, level)
            yield from _one_after_the_other(site, (first, one, valve), (second, two, other), vessel)


_At = tuple[Bay, int, Valve]


def _together(site: Site, first: _At, second: _At, vessel: Vessel, level: int) -> Iterator[Course]:
    """Yield courses in which both bays ask for the vessel, one after the other and in one scan."""
    both = Script(site).set(f"{vessel.tag}.level", level).ticket(first[0], first[1])
    both.now_ms = 0
    both.ticket(second[0], second[1])
    both.now_ms = ready_ms(site, vessel)
    falling = [r.close_below_01mm for r in site.rules if isinstance(r, SharedOnlyAbove) and r.vessel == vessel.tag]
    opened = both.copy().press(first[0]).wait(_APART_MS).press(second[0]).wait(3_000)
    at_once = both.copy().press(first[0]).press(second[0]).wait(3_000)
    for script in (opened, at_once):
        for end in falling:
            yield script.copy().sink(vessel, end).sink(vessel, end - 1).course(1_000)
        yield script.sink(vessel).course(1_000)


def _one_after_the_other(site: Site, first: _At, second: _At, vessel: Vessel) -> Iterator[Course]:
    """Yield courses in which the second bay asks while the first one's valve still moves, sticks or is locked out."""
    bay, _, valve = first
    stroke_ms = valve.stroke_ns // NS_PER_MS
    stuck_ms = valve.supervise_ns // NS_PER_MS + 2_000
    both = Script(site).ticket(bay, first[1])
    both.now_ms = 0
    both.ticket(second[0], second[1])
    both.now_ms = ready_ms(site, vessel)
    shut = both.press(bay).wait(stroke_ms + 1_000).close(bay)
    yield shut.copy().press(second[0]).course(2_000)
    yield shut.copy().wait(stroke_ms // 2).press(second[0]).course(2_000)
    yield shut.copy().wait(stroke_ms + 1_000).press(second[0]).course(2_000)
    stuck = shut.copy().set(valve.closed_switch, False, stuck_ms + 3_000)
    yield stuck.wait(1_000).press(second[0]).wait(stuck_ms).press(second[0]).course(5_000)
    crossed = shut.copy().set(valve.open_switch, True, stuck_ms + 3_000)
    yield crossed.wait(stroke_ms + 1_000).press(second[0]).course(2_000)


def long_courses(site: Site, bay: Bay, choice: int) -> Iterator[Course]:
    """Yield sketches that use up the open time of a ticket with something odd on the way.

    Half way to the limit every key that should not matter is pressed; or the valve is closed and opened again, with
    and without another valve in between; or the station crashes and the load is resumed. Each then goes on until the
    limit must have closed the valve.
    """
    valves = site.valves_of(bay.tag)
    vessel = site.vessel(valves[choice - 1].vessel)
    limit_ms = valves[choice - 1].open_limit_ns // NS_PER_MS
    end_ms = limit_ms + bay.restart_wait_ns // NS_PER_MS + 30_000
    half = Script(site).load(bay, choice).wait(limit_ms // 2 // SCAN_MS * SCAN_MS)

    yield Script(site).load(bay, choice).course(end_ms, sketch=True)
    pressed = half.copy().press(bay).pulse(f"{bay.tag}.panel_open").pulse(f"{bay.tag}.ticket_open")
    pressed.pulse(f"{bay.tag}.ticket_resume").pulse(f"{bay.tag}.lockout_reset")
    for v in site.vessels:
        pressed.pulse(f"{v.tag}.reset")
    yield pressed.course(end_ms, sketch=True)
    yield half.copy().close(bay).reopen(bay).course(end_ms, sketch=True)
    for other in range(1, len(valves) + 1):
        if other != choice:
            yield half.copy().close(bay).set(f"{bay.tag}.choice", other).reopen(bay).course(end_ms, sketch=True)
    # just before the next storing, and the start takes longer than the watchdog's relay holds the valve
    for late_ms in (0, 5_000):
        crashed = half.copy().wait(900)
        yield _crashed(site, crashed, bay, vessel, late_ms).course(end_ms, sketch=True)
    once = _crashed(site, half.copy(), bay, vessel, 5_000).wait(limit_ms // 4)
    yield _crashed(site, once, bay, vessel, 5_000).course(end_ms, sketch=True)


def _too_early(site: Site, bay: Bay, choice: int) -> Script:
    """Press before the hold of the start is over, before the window is full, and again a second later."""
    script = Script(site).ticket(bay, choice).press(bay).wait(1_000)
    hold_ms = site.start_hold_ns // NS_PER_MS
    script.now_ms = max(script.now_ms, hold_ms - 1_000)
    return script.press(bay).wait(1_500).press(bay)


def _all_restarts(script: Script, bay: Bay) -> Script:
    for _ in range(bay.restarts):
        script.close(bay).reopen(bay).wait(3_000)
    return script


def _crashed(site: Site, script: Script, bay: Bay, vessel: Vessel, late_ms: int) -> Script:
    """Let the station crash, have the load resumed by a lead, and press again as early as can be."""
    script.crash(late_ms).wait(late_ms + 1_000).pulse(f"{bay.tag}.ticket_resume")
    return script.wait(max(ready_ms(site, vessel), bay.restart_wait_ns // NS_PER_MS + 2_000)).press(bay)


def _votes(site: Site, rule: TripVote, bay: Bay, opened: Script) -> Iterator[Course]:
    """Yield courses in which one vessel fewer than needed trips, then one more."""
    voters = [v for v in site.vessels if v.tag in rule.vessels]
    for turn in range(len(voters)):
        script = opened.copy()
        turned = voters[turn:] + voters[:turn]
        for vessel in turned[: rule.at_least]:
            script.sink(vessel)
        yield script.course(1_000)
    if len(voters) >= rule.at_least:
        last = opened.copy()
        for vessel in voters[: rule.at_least]:
            last.sink(vessel)
        for vessel in voters[: rule.at_least]:
            last.rise(vessel)
        yield last.press(bay).course(1_000)


def _bypasses(site: Site, bypass: Bypass, bay: Bay, choice: int) -> Iterator[Course]:
    """Yield courses in which a bypass is asked for, approved, used, ended by hand or by its time, and asked twice."""
    vessel = site.vessel(site.valves_of(bay.tag)[choice - 1].vessel)
    most_ms = bypass.at_most_ns // NS_PER_MS
    named = [v for v in site.vessels if v.tag in bypass.trips]
    for target in (v for v in named if v.tag == vessel.tag):
        tag = target.tag
        low = Script(site).set(f"{tag}.level", target.trip.below_01mm - 100).ticket(bay, choice)
        low.now_ms = ready_ms(site, target) + target.trip.delay_ns // NS_PER_MS + 1_000
        running = low.copy().bypass(target, most_ms).press(bay).wait(3_000)
        yield running.copy().pulse(f"{tag}.bypass_end").wait(1_000).press(bay).course(2_000)
        yield running.copy().set(f"{tag}.bad", True, 1_000).course(3_000)
        yield running.copy().set(polled(tag), False).course(10_000)
        yield running.copy().crash().wait(ready_ms(site, target)).press(bay).course(2_000)
        yield running.copy().wait(most_ms // 2).bypass(target, most_ms).course(most_ms, sketch=True)
        yield running.course(most_ms + 3_000, sketch=True)
        yield low.copy().bypass(target, 3_000).press(bay).course(5_000)
        # both acts in one scan, an approval that comes too late, and one without an ask
        yield low.copy().pulse(f"{tag}.bypass_ask").pulse(f"{tag}.bypass_approve").wait(500).press(bay).course(2_000)
        late = low.copy().pulse(f"{tag}.bypass_ask").wait(60_200).pulse(f"{tag}.bypass_approve")
        yield late.wait(500).press(bay).course(2_000)
        yield low.copy().pulse(f"{tag}.bypass_approve").wait(500).press(bay).course(2_000)
        for other in named:
            if other.tag != tag:
                second = running.copy().bypass(other, most_ms)
                yield second.sink(other).pulse(f"{tag}.bypass_end").course(2_000)


def _own(site: Site, promise: OwnPromise, opened: Script) -> Iterator[Course]:
    """Yield a course in which all that an own promise speaks of comes about while a valve is open."""
    script = opened.copy()
    for fact in promise.when:
        _make(script, site, fact)
    yield script.course(promise.for_ns // NS_PER_MS + 3_000)


def _make(script: Script, site: Site, fact: Fact) -> None:
    """Make a fact so, as far as people and plant can."""
    if fact.state in ("on", "off"):
        script.set(fact.subject, fact.state == "on")
    elif fact.state in ("below", "above", "tripped"):
        vessel = next((v for v in site.vessels if v.tag == fact.subject), None)
        if vessel is not None:
            wanted = {"below": fact.level_01mm - 1, "above": fact.level_01mm}
            script.sink(vessel, wanted.get(fact.state))
    elif fact.state == "bad":
        script.set(f"{fact.subject}.bad", True)
    elif fact.state == "old":
        script.set(polled(fact.subject), False).wait(10_000)


def sharing_bays(site: Site) -> Iterator[tuple[Bay, Bay]]:
    """Yield each pair of bays that draw from one vessel, both ways round."""
    drawn = {b.tag: {v.vessel for v in site.valves_of(b.tag)} for b in site.bays}
    for first in site.bays:
        for second in site.bays:
            if first is not second and drawn[first.tag] & drawn[second.tag]:
                yield first, second
