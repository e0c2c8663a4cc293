"""Courses of several valves: others of the same bay, of bays that share a vessel, and of bays that share nothing."""

from __future__ import annotations

from collections.abc import Iterator

from sidetap.quantity import NS_PER_MS
from sidetap.site.model import Bay, SharedOnlyAbove, Site, Valve, Vessel
from sidetap.verify.course import SCAN_MS, Course, rest_level, window_ms
from sidetap.verify.scripts.script import Script, choices, ready_ms

_APART_MS = 5_000


def two_valves(site: Site, bay: Bay, choice: int) -> Iterator[Course]:
    """Yield short courses in which a second valve of the bay is chosen on the same ticket."""
    opened = Script(site).load(bay, choice).wait(3_000)
    for other, _, vessel in choices(site, bay):
        if other == choice:
            continue
        yield opened.copy().set(f"{bay.tag}.choice", other).press(bay).course(2_000)
        again = opened.copy().close(bay).set(f"{bay.tag}.choice", other).reopen(bay).wait(3_000)
        yield again.copy().sink(vessel).course(1_000)
        yield again.pulse(f"{bay.tag}.ticket_end").load(bay, other).course(2_000)
        crashed = opened.copy().set(f"{bay.tag}.choice", other).crashed(bay, other)
        yield crashed.course(1_000)


def beside(site: Site, bay: Bay, choice: int) -> Iterator[Course]:
    """Yield courses in which all that can happen elsewhere does, while a valve is open and while a bay is at rest.

    It should change nothing here: at other bays people do what they can and their valves stick, other vessels run
    low and turn bad.
    """
    own = site.valves_of(bay.tag)[choice - 1]
    opened = Script(site).load(bay, choice).wait(3_000)
    waiting = Script(site).set(f"{bay.tag}.choice", choice)
    drawn = {v.vessel for v in site.valves_of(bay.tag)}
    for other in site.bays:
        if other is not bay:
            yield _all_of_a_bay(opened.copy(), other, own.vessel).course(1_000)
            # the hose here stays on while it is taken off there
            waiting.wait(1_000).set(other.hose_input, False, 500)
    waiting.wait(1_000).pulse(f"{bay.tag}.ticket_open")
    yield waiting.until(max(waiting.now_ms + 500, ready_ms(site, site.vessel(own.vessel)))).press(bay).course(1_000)
    low = opened.copy()
    for vessel in site.vessels:
        if vessel.tag != own.vessel:
            low.set(f"{vessel.tag}.level", vessel.trip.below_01mm - 100)
    longest = max(site.vessels, key=lambda v: window_ms(v) + v.trip.delay_ns // NS_PER_MS)
    low.wait(window_ms(longest) + longest.trip.delay_ns // NS_PER_MS + 2_000)
    for vessel in site.vessels:
        if vessel.tag not in drawn:
            low.pulse(f"{vessel.tag}.reset").set(f"{vessel.tag}.bad", True, 500).wait(1_000)
    yield low.course(1_000)


def _all_of_a_bay(script: Script, other: Bay, vessel: str) -> Script:
    """Do all that can be done at another bay, one thing after the other; its valve from a vessel is left alone."""
    tag = other.tag
    script.press(other).wait(1_000).press_panel(other).wait(1_000)
    for name in dict.fromkeys((*other.run_permissives, other.stop_input, other.auto_input, other.hose_input)):
        script.set(name, False, 300).wait(500)
    script.set(other.close_key, False, 300).set(other.hand_input, True, 300).wait(500)
    for word in ("ticket_open", "panel_close", "ticket_end", "ticket_resume"):
        script.pulse(f"{tag}.{word}").wait(300)
    script.set(f"{tag}.panel_age", other.panel_lost_after_ns // NS_PER_MS, 300).wait(500)
    # a lock-out closes whoever draws from the same vessel only before it opens
    apart = [v for v in script.site.valves_of(tag) if v.vessel != vessel]
    stuck_ms = max((v.supervise_ns for v in apart), default=0) // NS_PER_MS + 1_000
    for valve in apart:
        script.set(valve.closed_switch, False, stuck_ms)
    return script.wait(stuck_ms).pulse(f"{tag}.lockout_reset")


def two_bays(site: Site, first: Bay, second: Bay) -> Iterator[Course]:
    """Yield short courses of two bays that draw from one vessel, the first one first."""
    for one, valve, vessel in choices(site, first):
        for two, other, same in choices(site, second):
            if same.tag == vessel.tag:
                at, there = (first, one, valve), (second, two, other)
                yield from _one_after_the_other(site, at, there, vessel)
                yield from _together(site, at, there, vessel)


_At = tuple[Bay, int, Valve]


def _both_ready(site: Site, first: _At, second: _At, vessel: Vessel, level: int | None = None) -> Script:
    """Return a script in which both bays have their tickets, and nobody has pressed yet."""
    both = Script(site)
    if level is not None:
        both.set(f"{vessel.tag}.level", level)
    both.ticket(first[0], first[1]).until(0).ticket(second[0], second[1])
    return both.until(ready_ms(site, vessel))


def _together(site: Site, first: _At, second: _At, vessel: Vessel) -> Iterator[Course]:
    """Yield courses in which both bays ask for the vessel, one after the other and in one scan."""
    rules = [r for r in site.rules if isinstance(r, SharedOnlyAbove) and r.vessel == vessel.tag]
    levels = [rest_level(site, vessel), *(n for r in rules for n in (r.level_01mm, r.level_01mm - 1))]
    for level in levels:
        both = _both_ready(site, first, second, vessel, level)
        opened = both.copy().press(first[0]).wait(_APART_MS).press(second[0]).wait(3_000)
        at_once = both.copy().press(first[0]).press(second[0]).wait(3_000)
        for script in (opened, at_once):
            for rule in rules:
                yield (
                    script.copy()
                    .sink(vessel, rule.close_below_01mm)
                    .sink(vessel, rule.close_below_01mm - 1)
                    .course(1_000)
                )
            yield script.sink(vessel).course(1_000)
    for rule in rules:
        yield _asked_on_the_way_up(site, first, second, vessel, rule)


def _asked_on_the_way_up(site: Site, first: _At, second: _At, vessel: Vessel, rule: SharedOnlyAbove) -> Course:
    """Return a course in which the second bay asks again and again while the filter comes up to the level for two."""
    both = _both_ready(site, first, second, vessel, rule.level_01mm - 1).press(first[0]).wait(2_000)
    both.set(f"{vessel.tag}.level", rule.level_01mm)
    for _ in range(window_ms(vessel) // 1_000 + 2):
        both.set(second[0].open_key, True, 300).wait(1_000)
    return both.course(1_000)


def _one_after_the_other(site: Site, first: _At, second: _At, vessel: Vessel) -> Iterator[Course]:
    """Yield courses in which the second bay asks while the first one's valve still moves, sticks or is locked out."""
    bay, _, valve = first
    there = second[0]
    stroke_ms = valve.stroke_ns // NS_PER_MS
    stuck_ms = valve.supervise_ns // NS_PER_MS + 2_000
    both = _both_ready(site, first, second, vessel).press(bay)
    yield both.copy().wait(SCAN_MS).press(there).course(1_000)
    # its switch shows it closed for a while yet
    yield both.copy().set(valve.closed_switch, True, 500).wait(SCAN_MS).press(there).course(1_000)
    shut = both.wait(stroke_ms + 1_000).close(bay)
    for moved_ms in (0, stroke_ms // 2, stroke_ms + 1_000):
        yield shut.copy().wait(moved_ms).press(there).course(2_000)
    stuck = shut.copy().set(valve.closed_switch, False, stuck_ms + 3_000)
    yield stuck.wait(1_000).press(there).wait(stuck_ms).press(there).course(5_000)
    crossed = shut.set(valve.open_switch, True, stuck_ms + 3_000)
    yield crossed.wait(stroke_ms + 1_000).press(there).course(2_000)


def sharing_bays(site: Site) -> Iterator[tuple[Bay, Bay]]:
    """Yield each pair of bays that draw from one vessel, both ways round."""
    drawn = {b.tag: {v.vessel for v in site.valves_of(b.tag)} for b in site.bays}
    for first in site.bays:
        for second in site.bays:
            if first is not second and drawn[first.tag] & drawn[second.tag]:
                yield first, second
