"""What panels may ask, what they get told, and what they are shown."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from station_bench import LEAD, OPERATOR, Bench, quick_site

from sidetap.site import Display
from sidetap.station.snapshots import reset_level_text

# ready once, and asked many times: none of these tests opens a valve


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = Bench(tmp_path_factory.mktemp("asks"))
    bench.ready()
    return bench


@pytest.mark.parametrize(
    ("message", "told"),
    [
        ({"ask": "ticket", "bay": "B", "person": "A. Stranger", "vessels": ["T1"]}, "not a known person"),
        ({"ask": "ticket", "bay": "B", "vessels": ["T1"]}, "nobody is not a known person"),
        ({"ask": "ticket", "bay": "B", "person": "R. Achterberg", "vessels": ["T1"]}, "is an engineer; this needs"),
        ({"ask": "ticket", "bay": "B", "person": OPERATOR, "vessels": []}, "at least one of T1, T2, T3"),
        ({"ask": "ticket", "bay": "B", "person": OPERATOR, "vessels": ["T9"]}, "at least one of T1, T2, T3"),
        ({"ask": "ticket", "bay": "B", "person": OPERATOR, "vessels": "T1"}, "at least one of T1, T2, T3"),
        ({"ask": "ticket", "bay": "X", "person": OPERATOR, "vessels": ["T1"]}, "no such bay"),
        ({"ask": "open", "bay": "B", "valve": "B1"}, "B1 can't open: the hose is not on; no ticket is open"),
        ({"ask": "open", "bay": "B", "valve": "C1"}, "bay B has no such valve"),
        ({"ask": "open", "bay": "B"}, "bay B has no such valve"),
        ({"ask": "choose", "bay": "B", "valve": 1}, "bay B has no such valve"),
        ({"ask": "end-ticket", "bay": "B", "person": OPERATOR}, "no ticket is open"),
        ({"ask": "resume", "bay": "B", "person": LEAD}, "no ticket is open"),
        ({"ask": "resume", "bay": "B", "person": OPERATOR}, "this needs a lead"),
        ({"ask": "reset-trip", "vessel": "T1", "person": OPERATOR}, "T1 is not tripped"),
        ({"ask": "reset-trip", "vessel": "T7", "person": OPERATOR}, "no such vessel"),
        ({"ask": "reset-lockout", "bay": "B", "person": OPERATOR}, "nothing is locked out"),
        ({"ask": "self-destruct"}, "does not know 'self-destruct'"),
        ({"ask": ["open"]}, "asks for nothing"),
        ({}, "asks for nothing"),
    ],
)
def test_a_refusal_is_a_sentence_and_is_journalled(ready: Bench, message: dict[str, Any], told: str) -> None:
    before = len(ready.journal("ask"))
    reply = ready.engine.receive_panel(message, ready.now_ns)
    assert (reply["kind"], reply["ok"]) == ("reply", False)
    assert told in reply["text"]
    asks = ready.journal("ask")
    assert len(asks) == before + 1
    assert json.loads(asks[-1].what)["text"] == reply["text"]


@pytest.mark.parametrize("ask", ["alive", "close", "open", "no such ask"])
def test_a_reply_carries_the_asks_number_back(ready: Bench, ask: str) -> None:
    message = {"ask": ask, "bay": "B", "valve": "B1"}
    assert ready.engine.receive_panel({**message, "n": 41}, ready.now_ns)["n"] == 41
    assert "n" not in ready.engine.receive_panel({**message, "n": "41"}, ready.now_ns)
    assert "n" not in ready.engine.receive_panel(message, ready.now_ns)


def test_the_heartbeat_is_not_journalled(ready: Bench) -> None:
    before = len(ready.journal("ask"))
    assert ready.ask("alive", bay="B")["ok"]
    assert not ready.ask("alive", bay="X")["ok"]
    assert len(ready.journal("ask")) == before


@pytest.mark.parametrize("message", [{"bay": "B"}, {"bay": "X"}, {}, {"bay": None, "valve": 3, "person": []}])
def test_close_is_always_accepted(ready: Bench, message: dict[str, Any]) -> None:
    assert ready.engine.receive_panel({**message, "ask": "close"}, ready.now_ns)["ok"]


def test_close_for_a_bay_unknown_closes_every_bay(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.load_from()
    bench.ask("close", bay="?")
    bench.run(0.5)
    assert not bench.command("B1")


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
known = st.sampled_from(["alive", "choose", "open", "ticket", "end-ticket", "resume", "reset-trip", "reset-lockout"])


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "ask": known | json_values,
            "bay": st.just("B") | json_values,
            "valve": st.just("B1") | json_values,
            "vessel": st.just("T1") | json_values,
            "vessels": json_values,
            "person": json_values,
        },
    )
)
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_sent_gets_a_reply_and_opens_nothing(ready: Bench, message: dict[str, Any]) -> None:
    reply = ready.engine.receive_panel(message, ready.now_ns)
    assert set(reply) == {"kind", "ask", "ok", "text"}
    json.dumps(reply)
    ready.step()
    assert ready.engine.outputs["B.pump"] is False


def test_two_tickets_cannot_be_asked_for_in_one_scan(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.ready()
    assert bench.ask("ticket", bay="B", person=OPERATOR, vessels=["T1"])["ok"]
    assert not bench.ask("ticket", bay="B", person=LEAD, vessels=["T2"])["ok"]
    bench.run(0.3)
    assert bench.bay()["ticket"]["person"] == OPERATOR
    assert "open ticket" in bench.ask("ticket", bay="B", person=LEAD, vessels=["T2"])["text"]


def test_a_valve_off_the_ticket_and_a_second_valve_are_refused(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.load_from("T1", "B1")
    assert "does not name T2" in bench.ask("open", bay="B", valve="B2")["text"]
    assert "a valve of the bay is open" in bench.ask("open", bay="B", valve="B2")["text"]
    assert "a valve of the bay is open" in bench.ask("choose", bay="B", valve="B2")["text"]
    assert not bench.ask("open", bay="B", valve="B1")["ok"]  # it is open already


def test_the_snapshot_is_plain_json_and_says_unknown_with_null(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    first = bench.engine.snapshot(bench.now_ns)
    json.dumps(first, allow_nan=False)
    assert first["seq"] == 0
    vessel, bay = first["vessels"][0], first["bays"][0]
    keys = ("level_01mm", "level_text", "volume_text", "share", "age_ms", "was")
    assert [vessel[key] for key in keys] == [None] * 6
    assert (bay["state"], bay["selector"], bay["hose"], bay["panel_age_ms"]) == ("blocked", "unknown", None, None)
    assert len(bay["valves"][0]["blocks"]) == 1
    assert "before the first byte" in bay["valves"][0]["blocks"][0]["text"]
    assert bay["valves"][0]["blocks"][0]["remedy"].startswith("wait until the module answers")
    bench.run(1)
    assert bench.engine.snapshot(bench.now_ns)["seq"] == 11


def test_a_bays_screen_may_have_units_of_its_own(tmp_path: Path) -> None:
    site = quick_site()
    own = Display(level="m", volume="L", flow="L/min", mass="kg")
    bench = Bench(tmp_path, replace(site, bays=tuple(replace(b, panel_show=own) for b in site.bays)))
    bench.ready()
    bench.level_mm["T1"] = 3481
    bench.run(2)
    shown = bench.engine.snapshot(bench.now_ns)
    t1, texts = shown["vessels"][0], shown["bays"][0]["texts"]
    # 3481 mm are 137.05 in, nearest to 137 1/16 and to 137 in eighths; 65.669 m² × 3.481 m = 228.595 m³
    assert (t1["level_text"], t1["top_text"], t1["volume_text"]) == ("11 ft 5 in", "24 ft 0 in", "60,388 ± 189 gal")
    assert shown["levels"][0]["level_text"] == "11 ft 5 1/16 in"
    assert texts["T1"] == {
        "level_text": "3.481 m",
        "volume_text": "228,595 ± 714 L",
        "was": None,
        "top_text": "7.315 m",
    }
    assert reset_level_text(bench.engine, site.vessels[0]) == "2 ft 3 5/8 in (0.700 m)"
    bench.silent.add("T1")
    bench.run(6)
    shown = bench.engine.snapshot(bench.now_ns)
    t1, text = shown["vessels"][0], shown["bays"][0]["texts"]["T1"]
    assert (text["level_text"], text["volume_text"], text["was"]["level_text"]) == (None, None, "3.481 m")
    assert text["was"]["local"] == t1["was"]["local"]


def test_a_bay_without_units_of_its_own_shows_the_sites(ready: Bench) -> None:
    assert ready.bay()["texts"] is None


def test_the_worst_alarm_is_the_headline(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.ready()
    bench.module.bits |= {"HS-B-AUTO": False, "HS-B-HAND": True}
    bench.run(1)
    assert bench.engine.snapshot(bench.now_ns)["headline"] == "bay B is in HAND: its outputs are released"
    bench.status["T2"] = 0
    bench.run(2)
    shown = bench.engine.snapshot(bench.now_ns)
    assert shown["headline"] == "T2 has no valid level: register 2 says 0, not 1"
    assert [alarm["priority"] for alarm in shown["alarms"]] == ["high", "low"]


@pytest.mark.parametrize(
    ("openings", "left_ms"),
    [(0, 40_000), (1, 40_000 - 10_000 - 6_000)],  # a restart pays for one stroke of 6 s in advance
)
def test_time_left_is_what_the_next_opening_may_last(tmp_path: Path, openings: int, left_ms: int) -> None:
    bench = Bench(tmp_path)
    bench.ready()
    bench.ticket("T1")
    for _ in range(openings):
        bench.ask("open", bay="B", valve="B1")
        bench.run(10.1)
        bench.ask("close", bay="B")
        bench.run(11)
    assert abs(bench.bay()["valves"][0]["left_ms"] - left_ms) <= 200
