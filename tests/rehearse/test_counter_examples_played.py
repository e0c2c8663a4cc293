"""Counter-examples that verification finds, played by hands in the simulated yard with the real station.

Each is of a fault of another kind, so that hands of every kind are needed: keys, hose, stop, panel, levels, silent
devices, held switches, late scans, crashes, a cut module. Beside some of them the sound scheme plays the same course
and breaks no promise at all: what breaks is the fault's, not the yard's. Times are those of the site file.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from yards.cuts import read_as, untold
from yards.surgery import never, rewritten

from sidetap.errors import BadInput
from sidetap.promises.build import build_model
from sidetap.promises.model import Model
from sidetap.quantity import NS_PER_S, to_si
from sidetap.rehearse.folder import BAY_B, EXAMPLE
from sidetap.rehearse.likeness import refuse_other_yards
from sidetap.rehearse.on_yard import OnYard, play
from sidetap.rehearse.playing import Rehearsal, rehearse
from sidetap.scheme import Op, Program, constant
from sidetap.site import Site
from sidetap.site.cause_effect import CompiledScheme, compile_site
from sidetap.site.what_if import load_with
from sidetap.verify import Verdict
from sidetap.verify.course import Course, Event
from sidetap.verify.scripts import Script
from sidetap.verify.search import Search

WHOLE = "site.toml"
# short times, since nothing here is about long ones
QUICK_LIMIT_MS = 25_000
QUICK = ("valve.B1.open_limit=25 s", "bay.B.restart_wait=20 s")
Cut = Callable[[Program], Program]


@cache
def site_with(*changes: str, file: str = BAY_B) -> Site:
    site = load_with(EXAMPLE / file, changes).site
    assert site is not None
    return site


@cache
def scheme_of(site: Site) -> CompiledScheme:
    return compile_site(site)


def planted(cut: Cut, site: Site) -> tuple[Model, CompiledScheme]:
    """Return a site's scheme with a fault in it, and the model of it."""
    sound = scheme_of(site)
    scheme = replace(sound, program=cut(sound.program))
    return build_model(site, scheme.program), scheme


def mistyped(*changes: str) -> tuple[Model, CompiledScheme]:
    """Return the scheme of another site than was meant, and the model of what was meant."""
    scheme = scheme_of(site_with(*changes))
    return build_model(site_with(*QUICK), scheme.program), scheme


def found(model: Model, promise: str, subject: str) -> Verdict:
    """Return what verification finds of one promise: a counter-example."""
    (wanted,) = (p for p in model.promises if (p.name, p.subject) == (promise, subject))
    example = Search(model, wanted.clauses).counter_example(wanted)
    assert example is not None
    return Verdict(
        promise,
        subject,
        "broken",
        example.story,
        True,
        example.scans,
        clause=example.clause.text,
        course=example.course,
    )


def played(fault: tuple[Model, CompiledScheme], promise: str, subject: str) -> OnYard:
    return play(*fault, found(fault[0], promise, subject))


def sound(course: Course | None, site: Site, *watched: str) -> Rehearsal:
    """Return what the scheme without a fault makes of a course, these promises watched; all, where none is named."""
    assert course is not None
    scheme = scheme_of(site)
    model = build_model(site, scheme.program)
    clauses = [c for p in model.promises if not watched or p.name in watched for c in p.clauses]
    return rehearse(model, scheme, course, clauses)


def closing(output: str) -> Cut:
    """Return the fault that one cause never stands."""
    return lambda program: never(program, output)


def in_scans(program: Program) -> Program:
    """The fault that time is counted in scans: as if each came after 100 ms."""
    return rewritten(program, lambda node: constant(100) if node.op is Op.ELAPSED else None)


# -- faults of many kinds, as verification tells them ----------------------------------------------------------------


def test_a_limit_that_is_too_long_breaks_there_and_passes_its_bound_by_as_much() -> None:
    seen = played(mistyped("valve.B1.open_limit=32 s", QUICK[1]), "open-time-bound", "B1")
    assert (seen.verdict, seen.clause) == ("breaks", "valve B1 is still open when its limit is over")
    (valve,) = seen.valves
    assert valve.shut_ns is not None
    assert abs(valve.shut_ns - valve.due_ns - 7 * NS_PER_S) <= NS_PER_S // 10
    # 7 s at 400 gpm, and the scan until the pump is off
    assert 45 <= float(valve.since_m3 / to_si(1, "gal")) <= 48
    assert "B1 had to be shut by 06:00:48.4 and was at 06:00:55.4, 7 s later; 47 gal came through" in seen.told
    assert [d.what for d in seen.did][:2] == ["coil 0 (B1) on; coil 8 (pump B) on", "B1 is open"]


def test_a_level_may_be_old_for_too_long() -> None:
    seen = played(mistyped("point.LT-1.close_age=8 s", *QUICK), "bad-or-old-closes", "T1")
    (valve,) = seen.valves
    assert seen.clause == "valve B1 is open while T1's level is bad or old"
    assert valve.shut_ns is not None
    # 3 s longer than it should; polls come once a second, so that the age may have been passed by as much
    assert 2 * NS_PER_S <= valve.shut_ns - valve.due_ns <= 3.1 * NS_PER_S


@pytest.mark.parametrize(
    ("cut", "promise", "subject", "clause"),
    [
        (closing("B1.block.panel-lost"), "permissive-closes", "B", "a valve is open while the bay's panel is lost"),
        (
            read_as("B.post_key.before", False),
            "fresh-press-only",
            "B",
            "valve B1 opens without a fresh press of an open key that chose it",
        ),
        (
            closing("B1.block.locked-out"),
            "permissive-closes",
            "B",
            "valve B1 is open while a valve of the bay is locked out",
        ),
    ],
    ids=["panel", "held key", "held switch"],
)
def test_hands_of_every_kind_break_it_there_too(cut: Cut, promise: str, subject: str, clause: str) -> None:
    seen = played(planted(cut, site_with(*QUICK)), promise, subject)
    assert (seen.verdict, seen.clause) == ("breaks", clause)
    (valve,) = seen.valves
    assert valve.shut_ns is not None
    assert valve.shut_ns - valve.due_ns > 10 * NS_PER_S  # nothing closes it before its limit does


def test_what_is_hard_wired_closes_though_the_promise_breaks() -> None:
    seen = played(planted(closing("B1.block.XS-B"), site_with(*QUICK)), "permissive-closes", "B")
    assert seen.clause == "a valve is open while XS-B is not energised"
    (valve,) = seen.valves
    assert valve.shut_ns is not None
    assert valve.shut_ns < valve.due_ns  # the stop opens the valves' supply, whatever the scheme says


def test_a_trip_that_a_restart_forgets() -> None:
    fault = planted(read_as("T1.stored_trip", False), site_with(*QUICK))
    verdict = found(fault[0], "latched-until-reset", "T1")
    seen = play(*fault, verdict)
    assert seen.clause == "the trip of T1 is neither shown nor stored until it is reset"
    assert seen.did[-1].what == "the station starts again; T1 is reset"
    assert seen.nearly == ("T1's level moves only as fast as its point believes, where the story lets it jump",)
    whole = sound(verdict.course, site_with(*QUICK))
    assert (whole.broken, whole.clause) == (None, None)


def test_two_bays_at_one_vessel() -> None:
    site = site_with("valve.A2.open_limit=25 s", "valve.B2.open_limit=25 s", file=WHOLE)
    fault = planted(closing("A2.block.R-3"), site)
    seen = played(fault, "exclusive-vessel", "R-3")
    assert (seen.verdict, seen.clause) == ("breaks", "valves A2 and B2 draw from T2 at once")
    assert [valve.valve for valve in seen.valves] == ["A2", "B2"]


def test_a_promise_of_the_yards_own_at_another_bay() -> None:
    scheme = scheme_of(site_with("vessel.T4.trip.below=0.5 m", file=WHOLE))
    model = build_model(site_with(file=WHOLE), scheme.program)
    seen = played((model, scheme), "own", "P-2")
    assert (seen.verdict, [valve.valve for valve in seen.valves]) == ("breaks", ["A4"])
    assert "T4's level moves only as fast as its point believes, where the story lets it jump" in seen.nearly


def test_time_that_is_counted_in_scans_shows_when_one_comes_late() -> None:
    """A station that gets no time for less than the age at which it believes its inputs no more."""
    site = site_with(*QUICK)
    bay = site.bay("B")
    late = Script(site).load(bay, 1).wait(5_000).set("scan.late", 800, 100)
    course = late.course(QUICK_LIMIT_MS)
    fault = planted(in_scans, site)
    (promise,) = (p for p in fault[0].promises if (p.name, p.subject) == ("open-time-bound", "B1"))
    seen = rehearse(*fault, course, promise.clauses)
    assert seen.clause is not None
    assert max(scan.elapsed_ms for scan in seen.scans) == 900
    assert sound(course, site, "open-time-bound").clause is None


def test_a_valve_that_closes_without_a_cause_stops_no_station() -> None:
    site = site_with(*QUICK)
    scheme = scheme_of(site)
    course = Script(site).load(site.bay("B"), 1).wait(3_000).close(site.bay("B")).course(3_000)
    mute = replace(scheme, program=untold("B1.block.close-key")(scheme.program))
    model = build_model(site, mute.program)
    seen = rehearse(model, mute, course, [c for p in model.promises if p.name == "reasons-right" for c in p.clauses])
    assert seen.clause is not None
    assert [s.outputs["B1.command"] for s in seen.scans[-20:]] == [False] * 20


# -- what does not break there, or can't be played -------------------------------------------------------------------


def test_what_keeps_a_promise_all_the_same_is_told() -> None:
    """Without the cause "no ticket" a press opens nothing: no ticket names the vessel either."""
    seen = played(planted(closing("B1.block.ticket"), site_with(*QUICK)), "ticket-time-bound", "B")
    assert (seen.verdict, seen.at_ns, seen.valves) == ("does not break", None, ())
    assert "at the end of the story the station has B1.on_ticket off (there on)" in seen.told


def test_two_courses_in_one_can_not_be_played() -> None:
    site = site_with(file=WHOLE)
    scheme = scheme_of(site)
    model = build_model(site, scheme.program)
    seen = play(model, scheme, Verdict("bays-independent", "B", "broken", course=Course((), 100)))
    assert (seen.verdict, seen.scans) == ("can't be played", ())
    assert "compares two courses" in seen.told


def test_what_no_hand_can_do_is_told_and_the_rest_is_played() -> None:
    site = site_with(*QUICK)
    odd = (Event(1_000, "T1.new", True, 100), Event(2_000, "T1.level", 38_001), Event(3_000, "T1.age", 4_000, 100))
    seen = sound(Course(odd, 4_000), site, "close-wins")
    assert "no hand in the yard makes T1.new True" in seen.nearly
    assert "T1 is brought to 3.8000 m: its device tells nothing finer" in seen.nearly
    assert max(int(scan.inputs["T1.age"]) for scan in seen.scans[20:]) >= 3_000


def test_a_module_that_is_cut_off_closes_within_the_bound() -> None:
    site = site_with(*QUICK)
    course = Script(site).load(site.bay("B"), 1).wait(10_000).set("IO-1.live", False, 5_000).course(10_000)
    seen = sound(course, site, "permissive-closes")
    assert seen.clause is None
    (lost,) = (
        n
        for n, s in enumerate(seen.scans[200:], 200)
        if s.inputs["IO-1.live"] < seen.scans[n - 1].inputs["IO-1.live"]
    )
    assert not seen.scans[lost].outputs["B1.command"]
    # nobody hears that command; the module itself opens its outputs 2 s after the last word
    dropped = next(n for n, s in enumerate(seen.scans[lost:], lost) if not any(s.coils[:3]))
    assert seen.scans[dropped].t_ns - seen.scans[lost].t_ns <= 1.2 * NS_PER_S
    assert seen.scans[-1].positions["B1"] == 0


def test_quiet_hours_are_made_by_the_clock_on_the_wall() -> None:
    site = site_with(file=WHOLE)
    course = Script(site).wait(20_000).set("R-2.quiet", True, 2_000).course(4_000)
    seen = sound(course, site, "quiet-hours")
    quiet = [scan.t_ns / NS_PER_S for scan in seen.scans if scan.inputs["R-2.quiet"]]
    assert seen.clause is None
    assert quiet[0] == pytest.approx(20, abs=0.11)
    assert quiet[-1] == pytest.approx(22, abs=0.11)


# -- whose yard it is ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("file", [BAY_B, WHOLE])
def test_the_examples_are_the_simulated_yards(file: str) -> None:
    refuse_other_yards(site_with("vessel.T1.trip.below=0.5 m", file=file))


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ("input.HC-B.bit=13", "input HC-B"),
        ("valve.B1.stroke=5 s", "valve B1"),
        ("point.LT-1.device=12", "point LT-1"),
        ("bay.B.flow.value=300 gpm", "bay B"),
    ],
)
def test_another_yard_is_refused(change: str, what: str) -> None:
    site = load_with(EXAMPLE / BAY_B, [change]).site
    assert site is not None
    with pytest.raises(BadInput) as refusal:
        refuse_other_yards(site)
    assert refusal.value.problem.startswith(f"{what} is not as in the simulated yard")
    assert Path(refusal.value.place).name == BAY_B
