"""Stories: clock times, the site's units, both courses of a bay that depends on another; pictures of what changed."""

import re
from dataclasses import replace

from small_site import big_site
from yards import made_yard

from sidetap.promises.build import build_model
from sidetap.site.cause_effect import compile_site
from sidetap.verify.course import Course, Event
from sidetap.verify.replay import changed, trace
from sidetap.verify.scripts import loading
from sidetap.verify.search import Search
from sidetap.verify.story import MOST_STEPS, clock, tell


def test_a_story_starts_at_six_in_the_morning() -> None:
    assert [clock(ms) for ms in (0, 750_000, 1_234_500, 3_600_001)] == [
        "06:00:00",
        "06:12:30",
        "06:20:34.5",
        "07:00:00.001",
    ]


def test_levels_and_volumes_are_told_in_the_site_s_units() -> None:
    """400 gpm are exact in the site: 60 s make 400 gal. 0.5999 m are 23.618 in: 1 ft 11 5/8 in."""
    site = big_site()
    model = build_model(site, compile_site(site).program)
    opening, at_ms = loading(site, site.bays[0], 1)
    course = Course((*opening, Event(at_ms + 10_000, "T2.level", 5_999)), at_ms + 60_000)
    scans = trace(model, course)
    clause = replace(model.promises[0].clauses[0], text="all is well")
    story = tell(site, course, scans, clause)
    assert len(story) <= MOST_STEPS
    assert story[-1].t_ms == at_ms + 60_000
    assert story[-1].what == "all is well; valve B1 has been open 1 min: 400 gal at 400 gpm"
    assert any("T2 stands at 1 ft 11 5/8 in (0.5999 m)" in step.what for step in story)
    inputs, outputs = changed(scans)
    assert {"HC-B", "PB-B-OPEN", "B.ticket_open", "T2.level", "ZSO-B1"} <= set(inputs)
    assert "T2.age" not in inputs
    assert {"B1.command", "B.account"} <= set(outputs)
    assert "B2.command" not in outputs


def test_a_bay_that_looks_at_another_one_s_stop_is_told_as_two_courses() -> None:
    site = made_yard(4, 2, "repeat", quick=True)
    looks = replace(site.bay("B1"), run_permissives=(*site.bay("B1").run_permissives, "XS-B2"))
    wrong = compile_site(replace(site, bays=(looks, *(b for b in site.bays if b.tag != "B1"))))
    model = build_model(site, wrong.program)
    (promise,) = (p for p in model.promises if p.independent is not None and p.subject == "B1")
    found = Search(model, ()).counter_example(promise)
    assert found is not None
    last = found.story[-1].what
    assert "in a second course XS-B2 is not energised" in last
    # which valve is open is the solver's choice, and that depends on what it was asked before
    told = re.search(r"this alone makes another command of (B1-[123]) at bay B1", last)
    assert told is not None
    assert found.scans[-1].outputs[f"{told[1]}.command"] is True
    assert len(found.story) <= MOST_STEPS
