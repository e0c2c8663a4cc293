"""What must stay possible, reached: natural courses of events, replayed in the unchanged scheme.

A model -> for each goal of each bay whether a course reaches it. Without goals the promises would be kept by never
opening. Bays that draw from different vessels load at the same time, so that a large yard takes few courses; a goal
that isn't reached in company is tried again by itself, valve by valve.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sidetap.promises.model import Model
from sidetap.quantity import NS_PER_MS
from sidetap.site.model import Bay, Site
from sidetap.verify.course import SCAN_MS, SKETCH_MS, Course, Event
from sidetap.verify.replay import Replayer
from sidetap.verify.scripts import Script, choices, ready_ms


@dataclass(frozen=True, slots=True)
class Reached:
    """Whether a goal was reached, in a run of the unchanged scheme."""

    goal: str
    subject: str
    reached: bool


def reached_goals(model: Model) -> tuple[Reached, ...]:
    """Return for each goal whether one of its natural courses reaches it in the unchanged scheme."""
    open_goals = {(g.name, g.subject): g.reached for g in model.goals}
    left = dict(open_goals)
    if not left:
        return ()
    replayer = Replayer(model, list(left.values()), goals_only=True)

    def run(course: Course, hoped: set[tuple[str, str]]) -> None:
        for scan in replayer.scans(course):
            for goal in [g for g, output in left.items() if scan.outputs[output]]:
                del left[goal]
            if not hoped & left.keys():
                return

    for name in dict.fromkeys(g.name for g in model.goals):
        bays = [b for b in model.site.bays if (name, b.tag) in left]
        for company in _companies(model.site, name, bays):
            run(_together(model.site, name, company), {(name, bay.tag) for bay, _ in company})
    for name, bay, course in natural_courses(model):
        if (name, bay) in left:
            run(course, {(name, bay)})
    return tuple(Reached(*goal, reached=goal not in left) for goal in open_goals)


def natural_courses(model: Model) -> Iterator[tuple[str, str, Course]]:
    """Yield for each goal of each bay the courses of events that should reach it: (goal, bay, course)."""
    bays = {b.tag: b for b in model.site.bays}
    for goal in model.goals:
        bay = bays[goal.subject]
        for choice in _fit(model.site, goal.name, bay):
            yield goal.name, bay.tag, _together(model.site, goal.name, [(bay, choice)])


def _fit(site: Site, goal: str, bay: Bay) -> list[int]:
    """Return the valves of a bay with which a goal may be reached, by their numbers."""
    bypassed = site.bypass.trips if site.bypass is not None else ()
    return [n for n, _, vessel in choices(site, bay) if goal != "can-bypass" or vessel.tag in bypassed]


def _companies(site: Site, goal: str, bays: list[Bay]) -> Iterator[list[tuple[Bay, int]]]:
    """Yield groups of bays, each with a valve, that draw from different vessels; each bay once."""
    left = [b for b in bays if _fit(site, goal, b)]
    while left:
        taken: dict[str, tuple[Bay, int]] = {}  # vessel -> who draws from it
        for bay in left:
            _seat(site, goal, bay, taken, set())
        yield list(taken.values())
        seated = {bay.tag for bay, _ in taken.values()}
        left = [b for b in left if b.tag not in seated]


def _seat(site: Site, goal: str, bay: Bay, taken: dict[str, tuple[Bay, int]], asked: set[str]) -> bool:
    """Find a vessel for a bay, moving others to another of theirs where that helps (an augmenting path)."""
    for choice in _fit(site, goal, bay):
        vessel = site.valves_of(bay.tag)[choice - 1].vessel
        if vessel in asked:
            continue
        asked.add(vessel)
        if vessel not in taken or _seat(site, goal, taken[vessel][0], taken, asked):
            taken[vessel] = (bay, choice)
            return True
    return False


def _together(site: Site, goal: str, company: list[tuple[Bay, int]]) -> Course:
    """Return a course in which each bay of a company does what reaches the goal."""
    if goal == "can-bypass":
        return _bypasses(site, company)
    scripts = [_SCRIPTS[goal](site, bay, choice) for bay, choice in company]
    events = [e for s in scripts for e in s.events]
    return Course(tuple(events), max(s.now_ms for s in scripts) + 2_000, stride_ms=SKETCH_MS)


def _open(site: Site, bay: Bay, choice: int) -> Script:
    return Script(site).load(bay, choice)


def _reach_limit(site: Site, bay: Bay, choice: int) -> Script:
    limit_ms = site.valves_of(bay.tag)[choice - 1].open_limit_ns // NS_PER_MS
    return Script(site).load(bay, choice).wait(limit_ms)


def _use_all_restarts(site: Site, bay: Bay, choice: int) -> Script:
    script = Script(site).load(bay, choice)
    for _ in range(bay.restarts):
        script.wait(5_000).close(bay).reopen(bay)
    return script


def _trip_and_reopen(site: Site, bay: Bay, choice: int) -> Script:
    script = Script(site).load(bay, choice).wait(3_000)
    vessel = script.vessel(bay, choice)
    script.sink(vessel).rise(vessel).pulse(f"{bay.tag}.ticket_end").wait(1_000)
    return script.load(bay, choice)


_SCRIPTS = {
    "can-open": _open,
    "can-reach-limit": _reach_limit,
    "can-use-all-restarts": _use_all_restarts,
    "can-trip-and-reopen": _trip_and_reopen,
}


def _bypasses(site: Site, company: list[tuple[Bay, int]]) -> Course:
    """Return a course in which all vessels of a company stand low, and are bypassed and drawn from in turn."""
    scripts = []
    for bay, choice in company:
        script = Script(site).ticket(bay, choice)
        vessel = script.vessel(bay, choice)
        script.events.append(Event(0, f"{vessel.tag}.level", vessel.trip.below_01mm - 100))
        script.now_ms = ready_ms(site, vessel) + vessel.trip.delay_ns // NS_PER_MS + 1_000
        scripts.append(script)
    now_ms = max(s.now_ms for s in scripts)
    assert site.bypass is not None  # noqa: S101  # a goal of sites that have one
    for (bay, choice), script in zip(company, scripts, strict=True):
        script.now_ms = now_ms
        vessel = script.vessel(bay, choice)
        script.bypass(vessel, site.bypass.time_ns // NS_PER_MS).press(bay).wait(SCAN_MS)
        now_ms = script.pulse(f"{vessel.tag}.bypass_end").wait(SCAN_MS).now_ms
    return Course(tuple(e for s in scripts for e in s.events), now_ms)
