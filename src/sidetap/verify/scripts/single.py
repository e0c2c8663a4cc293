"""Courses of one valve alone: whatever may stand against it does, before it opens and while it is open.

A site, a bay and a valve by its number -> courses. Keys are pressed too early, twice and together, contacts go and
come back, switches stick, levels stand at a limit and a tenth of a millimetre under it, times end to the millisecond.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain

from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.scheme import Value
from sidetap.site.model import Bay, Site, Valve, Vessel
from sidetap.verify.course import SCAN_MS, Course, polled, rest_level, window_ms
from sidetap.verify.scripts.script import Script, at_and_before, ready_ms

_SECOND_MS = 1_000


def one_valve(site: Site, bay: Bay, choice: int) -> Iterator[Course]:
    """Yield short courses of one valve alone: the states in which one more scan may break something."""
    valve = site.valves_of(bay.tag)[choice - 1]
    vessel = site.vessel(valve.vessel)
    ready = Script(site).ready(bay, choice)
    opened = ready.copy().press(bay).wait(3_000)
    yield from _keys(site, bay, choice, ready, opened)
    yield from _something_against_it(site, bay, valve, ready, opened)
    yield from _low_levels(site, bay, choice, vessel, opened)
    yield from _switches(site, bay, choice, valve, opened)
    yield from _crashes(site, bay, choice, opened)
    yield from _times(site, bay, choice, valve, ready, opened)
    yield from _what_is_left_on(site, bay, valve, vessel, opened)
    yield from _level_alarms(site, vessel)


def against(site: Site, bay: Bay, valve: Valve) -> Iterator[tuple[str, Value]]:
    """Yield inputs with values that keep a valve closed, or close it: of its bay, its vessel and itself."""
    vessel = site.vessel(valve.vessel)
    point = site.point(vessel.level.point)
    tag, lost_ms = bay.tag, bay.panel_lost_after_ns // NS_PER_MS
    contacts = dict.fromkeys((*bay.run_permissives, bay.hose_input, bay.stop_input, bay.auto_input))
    yield from ((name, False) for name in contacts)
    yield bay.close_key, False
    yield f"{tag}.panel_close", True
    yield bay.hand_input, True
    yield f"{tag}.panel_age", lost_ms
    yield f"{valve.tag}.on_ticket", False
    yield f"{vessel.tag}.bad", True
    for age_ns in (point.close_age_ns, point.warn_age_ns):
        yield f"{vessel.tag}.age", age_ns // NS_PER_MS
    for one in site.valves_of(tag):
        yield one.closed_switch, one is valve
        if one is not valve:
            yield one.open_switch, True
    # what is only almost against it
    yield f"{tag}.panel_age", lost_ms - 1
    for age_ns in (point.close_age_ns, point.warn_age_ns):
        yield f"{vessel.tag}.age", age_ns // NS_PER_MS - 1


def _something_against_it(site: Site, bay: Bay, valve: Valve, ready: Script, opened: Script) -> Iterator[Course]:
    """Yield courses in which each thing comes and goes while the valve is open, or stands while a person presses."""
    for name, value in against(site, bay, valve):
        yield opened.copy().set(name, value, 1_000).course(3_000)
    before = (*against(site, bay, valve), (valve.closed_switch, False), (valve.open_switch, True))
    for name, value in before:
        at = ready.copy().until(ready.now_ms - 500)
        yield at.set(name, value, 1_000).wait(500).press(bay).course(1_500)
    for module in dict.fromkeys(i.module for i in site.inputs if i.tag == valve.closed_switch):
        quiet_ms = valve.supervise_ns // NS_PER_MS + 2_000
        for script in (ready, opened):
            yield script.copy().set(f"{module}.live", False, quiet_ms).course(quiet_ms + 3_000)


def _keys(site: Site, bay: Bay, choice: int, ready: Script, opened: Script) -> Iterator[Course]:
    tag = bay.tag
    yield opened.copy().close(bay).reopen(bay).wait(3_000).close(bay).reopen(bay).course(2_000)
    yield opened.copy().press(bay).wait(1_000).press_panel(bay).course(2_000)
    yield ready.copy().press_panel(bay).course(2_000)
    yield ready.copy().press(bay).close(bay).course(1_000)
    yield opened.copy().pulse(f"{tag}.ticket_end").wait(1_000).press(bay).course(1_000)
    yield opened.copy().close(bay).wait(bay.restart_wait_ns // NS_PER_MS // 2).press(bay).course(1_000)
    yield _too_early(site, bay, choice).course(1_000)
    held = Script(site).set(bay.open_key, True).set(f"{tag}.choice", choice)
    yield held.ready(bay, choice).course(2_000)


def _too_early(site: Site, bay: Bay, choice: int) -> Script:
    """Press before the hold of the start is over, before the window is full, and again a second later."""
    script = Script(site).ticket(bay, choice).press(bay).wait(1_000)
    hold_ms = site.start_hold_ns // NS_PER_MS
    return script.until(max(script.now_ms, hold_ms - 1_000)).press(bay).wait(1_500).press(bay)


def _low_levels(site: Site, bay: Bay, choice: int, vessel: Vessel, opened: Script) -> Iterator[Course]:
    tag, trip = vessel.tag, vessel.trip
    tripped = opened.copy().sink(vessel)
    yield tripped.course(1_000)
    yield opened.copy().sink(vessel, trip.below_01mm).course(1_000)
    for level in (trip.reset_above_01mm, trip.reset_above_01mm - 1):
        yield tripped.copy().rise(vessel, level).reopen(bay).course(2_000)
    yield tripped.copy().crash().wait(window_ms(vessel) + 2_000).rise(vessel).press(bay).course(1_000)
    yield Script(site).set(f"{tag}.level", trip.below_01mm - 1).load(bay, choice).course(1_000)
    yield opened.copy().set(f"{tag}.bad", True, 2_000).course(window_ms(vessel) + 5_000)
    yield opened.copy().set(polled(tag), False, 8_000).course(8_000 + window_ms(vessel) + 3_000)
    yield from _at_the_trip(site, bay, choice, vessel)
    # a person resets again and again while the filter comes up to the reset level
    rising = tripped.copy().sink(vessel, trip.reset_above_01mm - 1)
    rising.set(f"{tag}.level", trip.reset_above_01mm)
    for _ in range(window_ms(vessel) // _SECOND_MS + 2):
        rising.pulse(f"{tag}.reset").wait(_SECOND_MS)
    yield rising.course(1_000)
    # it sinks a little further after each wave
    waves = opened.copy()
    for _ in range(2):
        waves.set(f"{tag}.level", trip.below_01mm - 1_000, 1_500).wait(3_000)
    yield waves.course(1_000)


def _at_the_trip(site: Site, bay: Bay, choice: int, vessel: Vessel) -> Iterator[Course]:
    """Yield courses in which a vessel stands at its trip, and from one second on under it by the least there is."""
    level, trip, at_01mm = f"{vessel.tag}.level", vessel.trip, vessel.trip.below_01mm
    delay_ms = trip.delay_ns // NS_PER_MS
    standing = Script(site).set(level, at_01mm).load(bay, choice)
    yield standing.copy().wait(delay_ms + 3_000).course(1_000)
    sinking = standing.until(-(-(standing.now_ms + 2_000) // _SECOND_MS) * _SECOND_MS).set(level, at_01mm - 1)
    # the filter's seconds began with the scan before the first poll
    last_ms = _SECOND_MS - SCAN_MS
    below = sinking.copy().wait(last_ms).look()
    for script in at_and_before(below, below.now_ms + delay_ms):
        yield script.look().course(1_000)
    # it is at the trip again in the scan in which the delay would be over
    seconds = -(-delay_ms // _SECOND_MS)
    missing = min(seconds, (trip.lag_ns or trip.mean_ns) // NS_PER_S - 1)
    for _ in range(seconds):
        sinking.wait(last_ms).look().wait(SCAN_MS)
    again = sinking.set(level, at_01mm + missing).wait(SCAN_MS)
    yield again.late(last_ms - SCAN_MS).wait(_SECOND_MS).course(1_000)


def _switches(site: Site, bay: Bay, choice: int, valve: Valve, opened: Script) -> Iterator[Course]:
    """Yield courses in which switches stick, whichever way, and what comes of the lock-out."""
    tag, supervise_ms = bay.tag, valve.supervise_ns // NS_PER_MS
    stuck_ms = supervise_ms + 2_000
    for switch, value in ((valve.open_switch, False), (valve.closed_switch, True)):
        stuck = Script(site).set(switch, value).load(bay, choice).wait(stuck_ms)
        yield stuck.copy().pulse(f"{tag}.lockout_reset").course(1_000)
        yield stuck.set(switch, not value).wait(1_000).pulse(f"{tag}.lockout_reset").course(2_000)
    shut = opened.copy().close(bay).set(valve.closed_switch, False, stuck_ms)
    yield shut.wait(stuck_ms + 1_000).press(bay).wait(1_000).pulse(f"{tag}.lockout_reset").course(1_000)
    yield shut.pulse(f"{tag}.lockout_reset").wait(1_000).press(bay).course(1_000)
    hand = opened.copy().set(bay.hand_input, True, stuck_ms + 3_000).set(valve.closed_switch, False, stuck_ms)
    yield hand.wait(stuck_ms + 3_000).press(bay).course(3_000)
    stuck = opened.copy().set(valve.open_switch, False)
    for script in at_and_before(stuck, stuck.now_ms + supervise_ms):
        yield script.look().course(1_000)


def _crashes(site: Site, bay: Bay, choice: int, opened: Script) -> Iterator[Course]:
    resumed = opened.copy().crashed(bay, choice)
    yield resumed.wait(2_000).crash().course(2_000)
    yield opened.copy().crash().wait(SCAN_MS).press(bay).until(resumed.now_ms).press(bay).course(1_000)
    yield opened.copy().crashed(bay, choice, 5_000).wait(1_000).close(bay).reopen(bay).course(1_000)
    # a crash in the last permitted opening, and a new ticket as early as can be
    used = opened.copy()
    for _ in range(bay.restarts):
        used.close(bay).reopen(bay).wait(3_000)
    used.crash().wait(SCAN_MS).set(bay.hose_input, False, SCAN_MS).pulse(f"{bay.tag}.ticket_open")
    again_ms = ready_ms(site, used.vessel(bay, choice))
    yield used.wait(again_ms).press(bay).course(2_000)


def _times(site: Site, bay: Bay, choice: int, valve: Valve, ready: Script, opened: Script) -> Iterator[Course]:
    """Yield courses in which a person presses just when a time is over, and a millisecond before."""
    closed = opened.copy().close(bay)
    started = Script(site).ticket(bay, choice)
    hold_ms = site.start_hold_ns // NS_PER_MS  # it counts from the first scan
    wait_ms = SCAN_MS + bay.restart_wait_ns // NS_PER_MS  # and it from the scan that finds the bay closed
    for script in chain(
        at_and_before(closed, closed.now_ms + wait_ms),
        at_and_before(started, SCAN_MS + hold_ms),
    ):
        yield script.press(bay).course(1_000)


def _what_is_left_on(site: Site, bay: Bay, valve: Valve, vessel: Vessel, opened: Script) -> Iterator[Course]:
    """Yield courses in which keys and hoses are left as they are, and a vessel falls though nobody draws."""
    stuck_ms, left_ms = bay.stuck_key_after_ns // NS_PER_MS, bay.hose_left_after_ns // NS_PER_MS
    for key in (bay.open_key, f"{bay.tag}.panel_open"):
        yield opened.copy().set(key, True, stuck_ms + 2_000).course(stuck_ms + 3_000)
    ended = opened.copy().pulse(f"{bay.tag}.ticket_end")
    yield ended.copy().wait(1_000).pulse(f"{bay.tag}.ticket_open").wait(1_000).press(bay).course(1_000)
    yield ended.course(left_ms + 2_000)
    sunk = Script(site).wait(ready_ms(site, vessel) + valve.stroke_ns // NS_PER_MS)
    yield sunk.set(f"{vessel.tag}.level", rest_level(site, vessel) - 1_000).course(window_ms(vessel) + 5_000)


def _level_alarms(site: Site, vessel: Vessel) -> Iterator[Course]:
    """Yield courses in which a level passes an alarm's limit by the least there is, turns bad, and comes back."""
    level = f"{vessel.tag}.level"
    for alarm in (a for a in site.alarms if a.vessel == vessel.tag):
        limit_01mm = vessel.high_01mm if alarm.limit == "high" else vessel.low_01mm
        beyond_01mm = 1 if alarm.side == "above" else -1
        delay_ms = alarm.delay_ns // NS_PER_MS
        over = Script(site).wait(2_000).set(level, limit_01mm).wait(1_000).set(level, limit_01mm + beyond_01mm)
        for script in at_and_before(over, over.now_ms + delay_ms):
            yield script.look().course(1_000, sketch=True)
        stands = over.wait(delay_ms + 1_000).set(f"{vessel.tag}.bad", True, 500).wait(1_000)
        for back_01mm in (alarm.dead_band_01mm - 1, alarm.dead_band_01mm):
            stands.set(level, limit_01mm - beyond_01mm * back_01mm).wait(1_000)
        yield stands.course(1_000, sketch=True)
