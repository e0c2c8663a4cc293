"""The whole example yard through the engine: what two bays do to each other, bypasses, quiet hours.

Numbers in test names are those of the acceptance scenarios.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from station_bench import HORN_COIL, LEAD, OPERATOR, YARD, Bench, quick_site

from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.site.model import QuietHours
from sidetap.station import StoreFailed
from sidetap.station.quiet import quiet_inputs

ENGINEER, APPROVER, OTHER_OPERATOR = "R. Achterberg", "P. Linde", "Mara Odhiambo"
CHICAGO = ZoneInfo("America/Chicago")


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Bench]:
    """The whole yard, come up."""
    bench = come_up(tmp_path)
    yield bench
    assert bench.store.audit().ok


def come_up(folder: Path, t1_mm: float = 3480.0) -> Bench:
    bench = Bench(folder, quick_site(YARD))
    bench.level_mm["T1"] = t1_mm
    bench.ready()
    return bench


def why(bench: Bench, valve: str) -> list[tuple[str, str]]:
    """What the snapshot says keeps a valve closed, and what would let it open."""
    bay = bench.bay(bench.site.valve(valve).bay)
    shown = next(v for v in bay["valves"] if v["tag"] == valve)
    return [(block["text"], block["remedy"]) for block in shown["blocks"]]


def entries(bench: Bench, kind: str, subject: str) -> list[tuple[str, dict[str, Any]]]:
    return [(r.who, json.loads(r.what)) for r in bench.journal(kind) if r.subject == subject]


# -- several bays ------------------------------------------------------------------------------------------------


def test_acceptance_18_t1_feeds_both_bays_above_1_500_and_the_later_one_closes_at_1_450(tmp_path: Path) -> None:
    yard = come_up(tmp_path, 1490.0)
    yard.ticket("T1", bay="A")
    yard.open("A1")
    yard.ticket("T1", bay="B")
    refused = yard.ask("open", bay="B", valve="B1")
    assert not refused["ok"]
    assert "T1" in refused["text"]
    assert "4 ft 11 1/8 in" in refused["text"]  # 1.500 m, rounded up to eighths: at what is shown it is allowed
    [(text, remedy)] = why(yard, "B1")
    assert text in refused["text"]
    assert remedy
    yard.level_mm["T1"] = 1500.0
    yard.run(8)
    yard.open("B1")
    assert yard.command("A1")
    yard.level_mm["T1"] = 1475.0
    yard.run(2)
    yard.level_mm["T1"] = 1450.0  # at the limit itself both stay
    yard.run(8)
    assert yard.command("A1")
    assert yard.command("B1")
    yard.level_mm["T1"] = 1449.0
    yard.run_until(lambda: not yard.command("B1"), 8)
    yard.run(1)
    assert yard.command("A1")  # the earlier one goes on
    [(_, closed)] = entries(yard, "close", "B1")
    assert closed["cause"] == "R-5-low"
    assert closed["remedy"]
    last = yard.bay("B")["last_close"]
    assert (last["cause"], last["remedy"]) == (closed["text"], closed["remedy"])


def test_t2_serves_one_bay_at_a_time(yard: Bench) -> None:
    yard.ticket("T2", bay="A")
    yard.ticket("T2", bay="B")
    yard.open("A2")
    yard.run(8)
    refused = yard.ask("open", bay="B", valve="B2")
    assert not refused["ok"]
    assert [text for text, _ in why(yard, "B2")] == [refused["text"].removeprefix("B2 can't open: ")]
    yard.ask("close", bay="A")
    yard.run(1)
    assert not yard.ask("open", bay="B", valve="B2")["ok"]  # A2 still runs closed
    yard.run(7)
    yard.open("B2")


def test_every_closed_bay_says_what_would_let_it_open(yard: Bench) -> None:
    yard.run(1)
    for valve in yard.site.valves:
        told = why(yard, valve.tag)
        assert told, valve.tag
        for text, remedy in told:
            assert text
            assert remedy
            assert not remedy.endswith(".")


# -- acceptance 24, 44: feedback, flow that nobody commanded -----------------------------------------------------


def test_acceptance_24_a_valve_that_does_not_close_locks_its_vessel_for_the_others(yard: Bench) -> None:
    yard.ticket("T1", bay="A")
    yard.ticket("T1", bay="B")
    yard.open("B1")
    yard.run(8)
    yard.module.moves[[v.tag for v in yard.site.valves].index("B1")] = False
    yard.ask("close", bay="B")
    yard.run(7)
    assert "B1-mismatch" not in yard.alarms()
    yard.run(2)
    assert "B1-mismatch" in yard.alarms()
    assert next(v for v in yard.bay("B")["valves"] if v["tag"] == "B1")["locked_out"]
    refused = yard.ask("open", bay="A", valve="A1")
    assert not refused["ok"]
    assert "T1" in refused["text"]
    yard.module.moves = [True] * len(yard.site.valves)
    yard.run(7)
    assert yard.ask("reset-lockout", bay="B", person=OPERATOR)["ok"]
    yard.run(0.3)
    assert not yard.ask("reset-lockout", bay="B", person=OPERATOR)["ok"]
    yard.open("A1")


def test_acceptance_44_flow_without_a_command_alarms_until_a_person_has_looked(tmp_path: Path) -> None:
    yard = come_up(tmp_path, 630.0)
    yard.run(8)
    for _ in range(30):
        yard.level_mm["T1"] -= 2
        yard.run(1)
    assert {"T1-drawn", "T1-trip"} <= yard.alarms()
    assert yard.vessel("T1")["drawn"]
    assert yard.ask("reset-trip", vessel="T1", person=OPERATOR)["ok"]
    yard.run(0.3)
    assert "T1-drawn" not in yard.alarms()
    assert "T1-trip" in yard.alarms()  # which needs the reset level
    assert "T1 can be reset once" in yard.ask("reset-trip", vessel="T1", person=OPERATOR)["text"]


# -- design rule 7: bypasses -------------------------------------------------------------------------------------


@pytest.fixture
def tripped(tmp_path: Path) -> Bench:
    """The yard with T1 tripped."""
    bench = come_up(tmp_path, 590.0)
    assert bench.vessel("T1")["tripped"]
    return bench


def bypass(bench: Bench, vessel: str = "T1", minutes: int | None = None) -> None:
    """Two people start a bypass."""
    more = {} if minutes is None else {"minutes": minutes}
    reply = bench.ask("bypass", vessel=vessel, person=OPERATOR, **more)
    assert reply["ok"], reply
    bench.run(0.3)
    reply = bench.ask("approve-bypass", vessel=vessel, person=LEAD)
    assert reply["ok"], reply
    bench.run(0.3)


def test_two_people_bypass_a_trip_and_its_end_closes_and_sounds_the_horn(tripped: Bench) -> None:
    tripped.ticket("T1", bay="B")
    assert not tripped.ask("open", bay="B", valve="B1")["ok"]
    assert [tripped.vessel(tag)["bypass_ms"] for tag in ("T1", "T4")] == [20_000, None]
    assert tripped.vessel("T1")["bypass"] is None
    bypass(tripped)
    shown = tripped.vessel("T1")["bypass"]
    assert 19_000 <= shown.pop("left_ms") <= 20_000
    assert shown == {"runs": True, "asked_by": OPERATOR, "approved_by": LEAD, "lasts_ms": 20_000}
    told = tripped.engine.alarms["T1-bypassed"].text
    assert told == f"the low trip of T1 is bypassed by {OPERATOR} and {LEAD}"
    began_ns = tripped.now_ns
    tripped.open("B1")
    tripped.run_until(lambda: not tripped.command("B1"), 40)
    assert 19_000 <= (tripped.now_ns - began_ns) / NS_PER_MS <= 20_300
    assert tripped.module.coils >> HORN_COIL & 1
    assert tripped.run_until(lambda: not tripped.module.coils >> HORN_COIL & 1, 12) == pytest.approx(10, abs=0.3)
    assert entries(tripped, "close", "B1")[-1][1]["cause"] == "trip"
    assert entries(tripped, "bypass", "T1") == [
        (OPERATOR, {"on": True, "approved_by": LEAD, "lasts_ms": 20_000}),
        ("station", {"on": False, "asked_by": OPERATOR, "approved_by": LEAD}),
    ]
    assert tripped.vessel("T1")["bypass"] is None
    assert not tripped.ask("approve-bypass", vessel="T1", person=LEAD)["ok"]  # one ask, one bypass


@pytest.fixture
def started(tmp_path: Path) -> Bench:
    """The yard just started: nothing is heard of it yet, which is nothing to a bypass."""
    bench = Bench(tmp_path, quick_site(YARD))
    bench.run(0.3)
    return bench


def test_a_bypass_lasts_as_long_as_was_asked_for(started: Bench) -> None:
    bypass(started, minutes=1)
    assert started.vessel("T1")["bypass"]["lasts_ms"] == 60_000
    started.run(58)
    assert started.vessel("T1")["bypass"]
    started.run(3)
    assert started.vessel("T1")["bypass"] is None


def test_a_person_ends_a_bypass(started: Bench) -> None:
    assert not started.ask("end-bypass", vessel="T1", person=OPERATOR)["ok"]
    bypass(started)
    assert started.ask("end-bypass", vessel="T1", person=APPROVER)["ok"]
    started.run(0.3)
    assert started.vessel("T1")["bypass"] is None
    assert started.engine.outputs["site.horn"]
    assert entries(started, "bypass", "T1")[-1][0] == APPROVER


def test_one_bypass_at_a_time_and_one_approval_an_ask(started: Bench) -> None:
    for vessel in ("T1", "T2"):
        assert started.ask("bypass", vessel=vessel, person=OPERATOR)["ok"]
    started.run(0.3)
    assert started.vessel("T2")["bypass"]["runs"] is False
    assert started.ask("approve-bypass", vessel="T2", person=LEAD)["ok"]
    # neither before the scan in which it begins nor after it
    assert not started.ask("approve-bypass", vessel="T1", person=LEAD)["ok"]
    assert not started.ask("bypass", vessel="T2", person=OTHER_OPERATOR)["ok"]
    started.run(0.3)
    for vessel in ("T1", "T2"):
        refused = started.ask("approve-bypass", vessel=vessel, person=LEAD)
        assert not refused["ok"]
    assert started.ask("bypass", vessel="T3", person=OPERATOR)["text"] == "a bypass of T2 runs; one at a time"
    assert started.vessel("T2")["bypass"]["asked_by"] == OPERATOR


def test_an_ask_lapses_after_a_minute(started: Bench) -> None:
    assert started.ask("bypass", vessel="T1", person=OPERATOR)["ok"]
    assert not started.ask("approve-bypass", vessel="T1", person=LEAD)["ok"]  # not in the scan of the ask
    started.run(61)
    assert started.vessel("T1")["bypass"] is None
    assert "lapsed" in started.ask("approve-bypass", vessel="T1", person=LEAD)["text"]
    started.run(0.3)
    assert started.vessel("T1")["bypass"] is None
    assert entries(started, "bypass", "T1") == []


@pytest.mark.parametrize(
    ("message", "told"),
    [
        ({"vessel": "T4", "person": OPERATOR}, "the trip of T4 can't be bypassed"),
        ({"vessel": "T9", "person": OPERATOR}, "no such vessel"),
        ({"vessel": "T1", "person": APPROVER}, "this needs an operator or a lead or an engineer"),
        ({"vessel": "T1", "person": "A. Stranger"}, "not a known person"),
        ({"vessel": "T1", "person": OPERATOR, "minutes": 61}, "1 to 60 whole minutes"),
        ({"vessel": "T1", "person": OPERATOR, "minutes": 0}, "1 to 60 whole minutes"),
        ({"vessel": "T1", "person": OPERATOR, "minutes": True}, "1 to 60 whole minutes"),
        ({"vessel": "T1", "person": OPERATOR, "minutes": "5"}, "1 to 60 whole minutes"),
    ],
)
def test_who_may_ask_for_what(asked: Bench, message: dict[str, Any], told: str) -> None:
    assert told in asked.ask("bypass", **message)["text"]


@pytest.mark.parametrize(
    ("person", "told"),
    [
        (OPERATOR, "this needs a lead or an engineer or an approver"),
        (ENGINEER, "R. Achterberg has asked for it; another person approves it"),
        ("A. Stranger", "not a known person"),
        (None, "nobody is not a known person"),
    ],
)
def test_who_may_approve(asked: Bench, person: str | None, told: str) -> None:
    assert told in asked.ask("approve-bypass", vessel="T1", person=person)["text"]


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """A bench on which an engineer has asked for a bypass of T1, and which stands still."""
    bench = Bench(tmp_path_factory.mktemp("asked"), quick_site(YARD))
    bench.run(0.3)
    assert bench.ask("bypass", vessel="T1", person=ENGINEER)["ok"]
    bench.run(0.3)
    return bench


def test_a_bypass_that_cannot_be_journalled_does_not_begin(started: Bench) -> None:
    assert started.ask("bypass", vessel="T1", person=OPERATOR)["ok"]
    started.run(0.3)
    writes = started.store.write

    def full(*_: object) -> None:
        raise StoreFailed("disk full")

    assert started.ask("approve-bypass", vessel="T1", person=LEAD)["ok"]
    started.store.write = full  # type: ignore[method-assign,assignment]
    started.run(0.3)
    assert started.engine.outputs["T1.bypassed"] is False
    assert started.ask("approve-bypass", vessel="T1", person=LEAD)["text"] == "the journal can't be written"
    started.store.write = writes  # type: ignore[method-assign]
    started.run(2)
    assert started.vessel("T1")["bypass"]["runs"] is False  # it is still asked for
    assert started.ask("approve-bypass", vessel="T1", person=LEAD)["ok"]
    started.run(0.3)
    assert started.vessel("T1")["bypass"]["runs"]


def test_nothing_is_left_of_a_bypass_after_a_crash(started: Bench) -> None:
    bypass(started)
    started.power_cut(1)
    started.run(1)
    assert started.vessel("T1")["bypass"] is None
    assert not started.ask("approve-bypass", vessel="T1", person=LEAD)["ok"]


# -- quiet hours -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("moment", "quiet"),
    [
        ("2026-03-11 23:29:59", False),
        ("2026-03-11 23:30:00", True),
        ("2026-03-12 00:00:00", True),
        ("2026-03-12 04:44:59", True),
        ("2026-03-12 04:45:00", False),
        ("2026-03-12 12:00:00", False),
        # the clocks go on from 02:00 to 03:00, and back from 02:00 to 01:00
        ("2026-03-08 04:44:59", True),
        ("2026-03-08 04:45:00", False),
        ("2026-11-01 04:45:00", False),
    ],
)
def test_quiet_hours_go_by_the_clock_on_the_wall(moment: str, quiet: bool) -> None:
    local = datetime.fromisoformat(moment).replace(tzinfo=CHICAGO)
    assert quiet_inputs(quick_site(YARD), local) == {"R-2.quiet": quiet}


def test_quiet_hours_within_one_day() -> None:
    rule = QuietHours("R-9", "quiet-hours", 12 * 60, 13 * 60)
    site = replace(quick_site(YARD), rules=(rule,))
    found = [quiet_inputs(site, datetime(2026, 3, 11, 12 + m // 60, m % 60))["R-9.quiet"] for m in (-1 % 60 - 60, 0)]
    assert found == [False, True]
    assert quiet_inputs(site, datetime(2026, 3, 11, 13, 0))["R-9.quiet"] is False


@pytest.mark.parametrize(("day", "hours"), [("2026-03-07", 4.25), ("2026-03-11", 5.25), ("2026-10-31", 6.25)])
def test_a_night_with_a_change_of_clocks_is_shorter_or_longer(tmp_path: Path, day: str, hours: float) -> None:
    """US daylight saving time in 2026 begins on 8 March and ends on 1 November (15 U.S.C. 260a)."""
    bench = Bench(tmp_path, quick_site(YARD))
    evening = datetime.fromisoformat(f"{day} 23:00:00").replace(tzinfo=CHICAGO).timestamp()
    quiet = 0
    for quarter in range(40):
        bench.engine.set_clock(bench.now_ns, round(evening + quarter * 900) * NS_PER_S)
        quiet += bool(bench.engine._inputs(bench.now_ns)["R-2.quiet"])
    assert quiet / 4 == hours


def test_at_night_nothing_opens_and_the_reason_is_told_alone(yard: Bench) -> None:
    yard.ticket("T1", bay="B")
    assert yard.ask("open", bay="B", valve="B1")["ok"]
    yard.run(8)
    night = datetime(2026, 3, 11, 23, 30, tzinfo=CHICAGO).timestamp()
    yard.engine.set_clock(yard.now_ns, round(night) * NS_PER_S)
    assert [r.kind for r in yard.journal("clock")] == ["clock"]
    yard.run(1)
    assert yard.command("B1")  # it doesn't close by itself
    yard.silent = {vessel.tag for vessel in yard.site.vessels}
    yard.run(6)
    assert not yard.command("B1")  # its age does
    assert [r.subject for r in yard.journal("close")] == ["B1"]
    assert not {f"{v.tag}-{word}" for v in yard.site.vessels for word in ("old", "late")} & yard.alarms()
    yard.run(8)
    texts = [text for text, _ in why(yard, "B1")]
    assert "no levels are polled at this hour" in texts
    assert not any("level" in text for text in texts if text != "no levels are polled at this hour")
