"""What the station makes of levels that don't follow a draw, and what it records of a load by level."""

from __future__ import annotations

import json
from dataclasses import replace
from math import sqrt
from pathlib import Path

import pytest
from station_bench import LEAD, OPERATOR, Bench, quick_site

from sidetap.quantity import NS_PER_S, to_si
from sidetap.site import Site
from sidetap.station.loads import NOT_AT_REST
from sidetap.vessel import VerticalCylinder

SAID = "no flow, or a frozen value; expected -23 mm/min"
SAID_NARROW = "no flow, or a frozen value; expected -115 mm/min"
MM_PER_S = 0.38430  # 400 gpm over T1's 65.669 m² (worked by hand)


def long_site() -> Site:
    """Limits of 300 s, so that the watch has its time."""
    site = quick_site()
    return replace(site, valves=tuple(replace(v, open_limit_ns=300 * NS_PER_S) for v in site.valves))


def narrow_site() -> Site:
    """With a T1 of a fifth of its surface, so that everything comes about in a fifth of the time."""
    site = long_site()
    narrow = VerticalCylinder(9.144 / sqrt(5), 7.315)
    return replace(site, vessels=tuple(replace(v, geometry=narrow) if v.tag == "T1" else v for v in site.vessels))


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path, narrow_site())


def flow(bench: Bench, seconds: int, share: float = 1.0, mm_per_s: float = 5 * MM_PER_S) -> None:
    """Let T1 fall as its draw takes it."""
    for _ in range(seconds):
        bench.level_mm["T1"] -= share * mm_per_s
        bench.run(1)


def frozen(bench: Bench) -> None:
    bench.load_from("T1", "B1")
    bench.run_until(lambda: not bench.command("B1"), 60)


# -- acceptance 7 ----------------------------------------------------------------------------------------------------


def test_acceptance_07_a_frozen_level_closes_its_bay_and_says_why(tmp_path: Path) -> None:
    bench = Bench(tmp_path, long_site())
    bench.load_from("T1", "B1")
    flow(bench, 6, mm_per_s=MM_PER_S)
    bench.level_mm["T1"] = 3477.0
    changed_ns = bench.just_polled()
    bench.run_until(lambda: not bench.command("B1"), 60)
    assert 52.04 <= (bench.now_ns - changed_ns) / NS_PER_S <= 53.3
    bench.run(0.2)
    close = json.loads(bench.journal("close")[-1].what)
    assert (close["cause"], close["text"]) == ("bad", f"T1 has no valid level: {SAID}")
    alarms = [json.loads(r.what) for r in bench.journal("alarm") if r.subject == "T1-bad"]
    assert alarms == [{"on": True, "priority": "high", "text": f"T1 has no valid level: {SAID}"}]
    shown = bench.engine.snapshot(bench.now_ns)
    assert shown["headline"] == f"T1 has no valid level: {SAID}"
    vessel = shown["vessels"][0]
    assert (vessel["level_01mm"], vessel["volume_text"], vessel["quality"]) == (None, None, "bad")
    assert (vessel["reason"], vessel["frozen"]) == (SAID, True)
    assert vessel["was"] is not None
    assert f"T1 has no valid level: {SAID}" in [block["text"] for block in bench.bay()["valves"][0]["blocks"]]


def test_it_reopens_by_nobody_and_a_person_who_checked_the_level_may_press_again(bench: Bench) -> None:
    frozen(bench)
    bench.run(12)
    assert not bench.command("B1")
    assert not bench.ask("open", bay="B", valve="B1")["ok"]
    assert not bench.ask("level-checked", vessel="T1", person="nobody here")["ok"]
    assert not bench.ask("level-checked", vessel="T9", person=OPERATOR)["ok"]
    assert not bench.ask("level-checked", vessel="T2", person=OPERATOR)["ok"]
    assert bench.engine.snapshot(bench.now_ns)["vessels"][0]["frozen"]
    assert bench.ask("level-checked", vessel="T1", person=OPERATOR)["ok"]
    bench.run(10)
    assert bench.engine.snapshot(bench.now_ns)["vessels"][0]["quality"] == "good"
    assert not bench.command("B1")
    asked = [r for r in bench.journal("ask") if json.loads(r.what)["ask"] == "level-checked"]
    assert [(r.who, r.subject, json.loads(r.what)["ok"]) for r in asked] == [
        ("nobody here", "T1", False),
        (OPERATOR, "T9", False),
        (OPERATOR, "T2", False),
        (OPERATOR, "T1", True),
    ]
    bench.open("B1")
    assert bench.run_until(lambda: not bench.command("B1"), 60) > 9.5


def test_a_level_that_moves_again_is_live(bench: Bench) -> None:
    frozen(bench)
    bench.level_mm["T1"] -= 6
    bench.run(2)
    assert bench.engine.snapshot(bench.now_ns)["vessels"][0]["quality"] == "good"
    bench.run(10)
    assert not bench.command("B1")
    assert "T1-bad" not in bench.alarms()


def test_a_frozen_level_stays_frozen_over_a_restart(bench: Bench) -> None:
    frozen(bench)
    bench.run(1)
    bench.power_cut(3)
    bench.run(15)
    assert bench.engine.snapshot(bench.now_ns)["vessels"][0]["reason"] == SAID_NARROW
    assert bench.ask("level-checked", vessel="T1", person=LEAD)["ok"]
    bench.run(1)
    bench.power_cut(3)
    bench.run(15)
    assert bench.engine.snapshot(bench.now_ns)["vessels"][0]["quality"] == "good"


def test_a_receipts_contact_suspends_the_watch_and_leaves_the_volume_out(tmp_path: Path) -> None:
    """The probe's input stands in for a receipt's contact: it is energised all the time."""
    site = narrow_site()
    site = replace(site, vessels=tuple(replace(v, receipt_input="LSH-B") for v in site.vessels))
    bench = Bench(tmp_path, site)
    bench.load_from("T1", "B1")
    bench.run(25)
    assert bench.command("B1")
    vessel = bench.engine.snapshot(bench.now_ns)["vessels"][0]
    assert vessel["watch_text"] == "watch on frozen values suspended: a delivery"
    bench.ask("close", bay="B")
    bench.run(13)
    opening = bench.last_load().openings[0]
    assert opening.by_level is not None
    assert opening.by_level.reason == "something was delivered meanwhile"


# -- a load by level -------------------------------------------------------------------------------------------------


def test_a_load_by_level_is_told_when_the_liquid_has_come_to_rest(bench: Bench) -> None:
    bench.load_from("T1", "B1")
    flow(bench, 60)
    bench.ask("close", bay="B")
    bench.run(0.4)
    assert bench.last_load().openings[0].by_level == NOT_AT_REST
    flow(bench, 3, share=0.5)  # the valve's stroke
    bench.ask("end-ticket", bay="B", person=OPERATOR)
    bench.run(9)
    load = bench.last_load()
    assert load.outcome == "completed"
    assert load.ended_utc_ns is not None
    found = load.openings[0].by_level
    assert found is not None
    assert found.volume_m3 is not None
    assert found.uncertainty_m3 is not None
    gallons = found.volume_m3 / float(to_si(1, "gal"))
    assert gallons == pytest.approx(61.5 * 400 / 60, abs=10)  # a step of 1 mm is 3.5 gal, an answer 6.7
    (record,) = bench.journal("by-level")
    assert json.loads(record.what) == {
        "ticket": load.ticket,
        "volume_m3": found.volume_m3,
        "uncertainty_m3": found.uncertainty_m3,
        "reason": "",
    }
    assert bench.store.audit().ok


def test_acceptance_42_a_receipt_during_a_load_leaves_its_volume_out(bench: Bench) -> None:
    bench.load_from("T1", "B1")
    flow(bench, 30)
    flow(bench, 15, share=0.25)
    flow(bench, 30)
    bench.ask("close", bay="B")
    bench.run(12)
    found = bench.last_load().openings[0].by_level
    assert found is not None
    assert found.volume_m3 is None
    assert found.reason == "the level did not fall evenly: a delivery, or a flow that changed"


def test_acceptance_42_so_does_one_all_the_time(bench: Bench) -> None:
    bench.load_from("T1", "B1")
    flow(bench, 60, share=0.5)
    bench.ask("close", bay="B")
    bench.run(12)
    found = bench.last_load().openings[0].by_level
    assert found is not None
    assert found.reason == "the level fell less than the draw explains: a delivery, or less flow than declared"


def test_an_opening_that_is_followed_at_once_is_not_told_by_level(tmp_path: Path) -> None:
    site = narrow_site()
    bench = Bench(tmp_path, replace(site, bays=tuple(replace(b, restart_wait_ns=0) for b in site.bays)))
    bench.load_from("T1", "B1")
    flow(bench, 20)
    bench.ask("close", bay="B")
    bench.run(7)
    bench.open("B1")
    flow(bench, 60)
    bench.ask("close", bay="B")
    bench.run(12)
    first, second = bench.last_load().openings
    assert first.by_level == NOT_AT_REST
    assert second.by_level is not None
    assert second.by_level.volume_m3 is not None


def test_a_power_cut_before_it_has_come_to_rest_leaves_the_volume_out(bench: Bench) -> None:
    bench.load_from("T1", "B1")
    flow(bench, 60)
    bench.ask("close", bay="B")
    bench.run(2)
    bench.power_cut(3)
    bench.run(15)
    assert bench.last_load().openings[0].by_level == NOT_AT_REST


def test_a_level_that_is_not_known_at_the_end_leaves_the_volume_out(bench: Bench) -> None:
    bench.load_from("T1", "B1")
    flow(bench, 10)
    bench.silent.add("T1")
    bench.run(20)
    assert not bench.command("B1")
    found = bench.last_load().openings[0].by_level
    assert found is not None
    assert found.reason == "the level was not known at its end"
