"""Courses lead to where a time ends, and break nothing in a scheme without a fault."""

from small_site import small_site

from sidetap.promises.build import build_model
from sidetap.quantity import NS_PER_MS
from sidetap.scheme import ListRunner
from sidetap.site.cause_effect import compile_site
from sidetap.verify.course import SCAN_MS, Course, rest_values
from sidetap.verify.scripts import Script, of_a_bay
from sidetap.verify.search import Search
from sidetap.verify.stems import Stems

SITE = small_site()
(BAY,) = SITE.bays
MODEL = build_model(SITE, compile_site(SITE).program)


def open_at(course: Course) -> list[int]:
    """Return the moments of all scans of a course in which B1 has a command."""
    runner = ListRunner(MODEL.program)
    place = runner.outputs.index("B1.command")
    scans = Stems(MODEL, runner, rest_values(MODEL)).scans(course)
    return [plant.now_ms for plant, _, outputs in scans if outputs[place]]


def test_no_course_breaks_a_promise_of_a_scheme_without_a_fault() -> None:
    promises = [p for p in MODEL.promises if p.independent is None]
    assert Search(MODEL, [c for p in promises for c in p.clauses]).seen_broken(promises, ["B"]) is None


def test_a_look_comes_in_the_very_millisecond_in_which_a_limit_ends() -> None:
    """The valve opens with the press and closes in the scan in which its limit is over: 20 s by the site."""
    opened = Script(SITE).load(BAY, 1)
    limit_ms = SITE.valve("B1").open_limit_ns // NS_PER_MS
    for look_ms, is_open in ((limit_ms - 1, True), (limit_ms, False)):
        script = opened.copy().until(opened.now_ms + look_ms).look()
        moments = open_at(script.course(50, sketch=True))
        assert moments[0] == opened.now_ms
        assert (script.now_ms in moments) is is_open


def test_the_courses_of_a_bay_press_when_the_waiting_time_is_over_and_a_millisecond_before() -> None:
    """It counts from the scan that finds the bay closed, the one after the closing."""
    wait_ms = SCAN_MS + BAY.restart_wait_ns // NS_PER_MS
    gaps = set()
    for course in of_a_bay(SITE, BAY, 1):
        closed = [e.at_ms for e in course.events if e.name == "B.panel_close"]
        gaps |= {e.at_ms - ms for e in course.events if e.name == BAY.open_key for ms in closed}
    assert {wait_ms, wait_ms - 1} <= gaps
