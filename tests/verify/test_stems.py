"""Courses that go on from one another are run as if each began at the start."""

from small_site import small_site

from sidetap.promises.build import build_model
from sidetap.scheme import ListRunner
from sidetap.site.cause_effect import compile_site
from sidetap.verify.course import SKETCH_MS, Course, Event, rest_values
from sidetap.verify.scripts import loading, of_a_bay
from sidetap.verify.stems import Stems

SITE = small_site()
MODEL = build_model(SITE, compile_site(SITE).program)
RUNNER, REST = ListRunner(MODEL.program), rest_values(MODEL)
LOADING, OPEN_MS = loading(SITE, SITE.bays[0], 1)


def scans(stems: Stems, course: Course) -> list[tuple[object, ...]]:
    """Return when each new scan of a course was, the states after it and its outputs."""
    return [(plant.now_ms, tuple(states), tuple(outputs)) for plant, states, outputs in stems.scans(course)]


def test_a_course_goes_on_from_where_it_parts_from_others_as_if_it_were_run_from_the_start() -> None:
    bay = SITE.bays[0]
    stems = Stems(MODEL, RUNNER, REST)
    run = left_out = 0
    for course in of_a_bay(SITE, bay, 1):
        whole, new = scans(Stems(MODEL, RUNNER, REST), course), scans(stems, course)
        assert new == whole[len(whole) - len(new) :]
        run += len(new)
        left_out += len(whole) - len(new)
    assert left_out > run / 2


def test_courses_that_are_the_same_until_one_ends_or_is_scanned_otherwise() -> None:
    stems = Stems(MODEL, RUNNER, REST)
    pressed = Course((*LOADING, Event(OPEN_MS + 2_000, "PB-B-CLOSE", False, 300)), OPEN_MS + 9_000)
    held = Course((*LOADING, Event(OPEN_MS + 2_000, "PB-B-CLOSE", False, 301)), OPEN_MS + 9_000)
    sooner = Course(pressed.events, OPEN_MS + 2_200)
    sketch = Course(pressed.events, OPEN_MS + 9_000, stride_ms=SKETCH_MS)
    for course in (pressed, held, sooner, sketch, pressed):
        whole, new = scans(Stems(MODEL, RUNNER, REST), course), scans(stems, course)
        assert new == whole[len(whole) - len(new) :]
        assert new


def test_what_is_forgotten_is_run_again() -> None:
    stems = Stems(MODEL, RUNNER, REST)
    course = Course(tuple(LOADING), OPEN_MS + 1_000)
    first, second = scans(stems, course), scans(stems, course)
    assert len(second) < len(first)
    stems.forget()
    assert scans(stems, course) == first
