"""Searching by itself: neighbourhoods, courses scan by scan, what is left of a course, last scans in a row."""

from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

from planting import planted, without
from small_site import small_site
from yards import made_yard

from sidetap.promises.build import build_model
from sidetap.promises.model import Clause, Model
from sidetap.quantity import NS_PER_S
from sidetap.scheme import Builder, GeneratedRunner, Value, choose, elapsed
from sidetap.site.cause_effect import compile_site
from sidetap.site.model import Fact, OwnPromise
from sidetap.verify.course import SCAN_MS, SKETCH_MS, STRIDE_MS, Course, Event, Plant
from sidetap.verify.near import Near, Surroundings
from sidetap.verify.scripts import loading
from sidetap.verify.search import Hunt, Search, unrolled

SITE = small_site()
MODEL = build_model(SITE, compile_site(SITE).program)
OPENING, OPEN_MS = loading(SITE, SITE.bays[0], 1)


def times(course: Course) -> list[int]:
    """Return when the scans of a course come, with a bay in which nothing moves."""
    plant = Plant(MODEL, course)
    return [plant.now_ms for _ in plant.scans()]


def test_scans_come_one_by_one_around_events_and_by_seconds_elsewhere() -> None:
    now = times(Course((Event(5_000, "HC-B", False, 100),), 10_000, stride_ms=STRIDE_MS))
    gaps = [b - a for a, b in pairwise(now)]
    assert max(gaps) == STRIDE_MS
    assert {4_900, 5_000, 5_100, 5_200, 5_300, 5_400, 10_000} <= set(now)
    assert len(now) < 25


def test_a_sketch_walks_by_seconds_before_each_event_so_that_filters_are_full() -> None:
    now = times(Course((Event(600_000, "HC-B", False, 100),), 601_000, stride_ms=SKETCH_MS))
    assert len(now) < 30
    filled_ms = 3_000  # the small site's mean
    late = [b for a, b in pairwise(now) if b - a > STRIDE_MS]
    assert len(late) == 1
    assert late[0] <= 600_000 - filled_ms - STRIDE_MS


def test_the_last_second_of_a_watched_course_is_scanned_one_by_one() -> None:
    now = times(Course((), 20_000, stride_ms=STRIDE_MS, watched_ms=15_000))
    assert set(range(14_000, 15_300, SCAN_MS)) <= set(now)
    assert len(now) < 40


def test_a_neighbourhood_judges_as_the_whole_does_while_the_rest_of_the_yard_rests() -> None:
    yard = made_yard(4, 2, "repeat", quick=True)
    whole = build_model(yard, compile_site(yard).program)
    hunt = hunt_of(whole, Near(frozenset(["B1"]), frozenset(["T1"])))
    assert len(hunt.model.program.states) < len(whole.program.states) / 2
    course = Course((*loading(yard, yard.bay("B1"), 1)[0], Event(12_000, "T1.level", 100)), 24_000)
    near_runner, runner = GeneratedRunner(hunt.model.program), GeneratedRunner(whole.program)
    near_plant, plant = Plant(hunt.model, course), Plant(whole, course)
    near_states, states = near_runner.first_states(), runner.first_states()
    seen = set()
    for (near_ms, near_inputs), (ms, inputs) in zip(near_plant.scans(), plant.scans(), strict=True):
        near_states, near_outputs = near_runner.step(near_states, near_inputs, near_ms)
        states, outputs = runner.step(states, inputs, ms)
        near_plant.commands = {f"B1-{n}": bool(near_outputs[f"B1-{n}.command"]) for n in (1, 2, 3)}
        plant.commands = {v.tag: bool(outputs[f"{v.tag}.command"]) for v in yard.valves}
        assert near_ms == ms
        assert {n: outputs[n] for n in near_outputs} == near_outputs
        seen.add(outputs["B1-1.command"])
    assert seen == {True, False}


def hunt_of(model: Model, near: Near) -> Hunt:
    clauses = [c for p in model.promises if p.subject in near.bays | near.vessels for c in p.clauses]
    return Hunt(Surroundings(model).cut(near, [c.output for c in clauses]), near, clauses)


def probe_ignored() -> tuple[Model, Hunt, Clause]:
    """Return the small site's model in which a wet probe closes nothing, and the clause about it."""
    model = build_model(SITE, planted(without("B1.block.LSH-B")).program)
    hunt = hunt_of(model, Near(frozenset("B"), frozenset(["T1", "T2"])))
    clause = next(c for c in hunt.clauses if c.text == "a valve is open while LSH-B is not energised")
    return model, hunt, clause


def test_a_course_is_told_without_what_it_does_not_need() -> None:
    _, hunt, clause = probe_ignored()
    needed = Event(OPEN_MS + 100, "LSH-B", False, 100)
    noise = (
        Event(300, "T2.bad", True, 500),
        Event(700, "B.lockout_reset", True, 100),
        Event(2_000, "T2.level", 100),
        Event(OPEN_MS - 100, "T2.reset", True, 100),
        Event(OPEN_MS + 4_000, "XS-B", False, 100),
    )
    quiet = hunt.quietened(clause, Course((*noise, *OPENING, needed), OPEN_MS + 5_000))
    assert set(quiet.events) <= {*OPENING, needed}
    assert needed in quiet.events
    assert quiet.end_ms == OPEN_MS + 100
    # nothing that is left can be left out
    for event in quiet.events:
        fewer = replace(quiet, events=tuple(e for e in quiet.events if e is not event))
        assert hunt.first_break(clause, fewer) is None


def test_scans_in_a_row_are_the_program_s_scans_one_after_the_other() -> None:
    """An output holds in an unrolled program when it holds in each of the scans; inputs are each scan's own."""
    b = Builder()
    x, sum_ms = b.input_bool("x"), b.state_int("sum", 0, 0, 10_000)
    now = b.assign("sum", choose(x, sum_ms + elapsed(), 0))
    b.output("short", now < 500)
    program = b.program()
    three = GeneratedRunner(unrolled(program, ["short"], 3, None))
    one = GeneratedRunner(program)
    for pressed in range(8):
        for before in (0, 300):
            xs, ms = [bool(pressed >> n & 1) for n in range(3)], [100, 250, 40]
            states: Mapping[str, Value] = {"sum": before}
            held = True
            for value, elapsed_ms in zip(xs, ms, strict=True):
                states, outputs = one.step(states, {"x": value}, elapsed_ms)
                held = held and bool(outputs["short"])
            inputs = {f"{n}:x": v for n, v in enumerate(xs)} | {f"{n}:elapsed": v for n, v in enumerate(ms)}
            _, outputs = three.step({"sum": before}, inputs, 1)
            assert outputs["short"] is held


def test_a_promise_of_the_site_s_own_that_takes_time_is_seen_to_break() -> None:
    """T1 trips at 0.60 m, so nothing closes B1 at 0.65 m: the promise's own clock must run in a neighbourhood."""
    low, closed = Fact("T1", "below", 6500), Fact("B1", "closed")
    own = OwnPromise("P-1", "B1 never draws below 0.65 m", (low,), 2 * NS_PER_S, (closed,))
    site = replace(small_site(), promises=(own,))
    model = build_model(site, compile_site(site).program)
    promise = next(p for p in model.promises if p.name == "own")
    found = Search(model, promise.clauses).counter_example(promise)
    assert found is not None
    assert found.scans[-1].now_ms - next(e.at_ms for e in found.course.events if e.name == "T1.level") >= 2_000
