"""Votes of trips, bypasses, the filter of first order, and what is drawn without a command: counted by hand."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import pytest
from yard_scans import FULL_01MM, Scans, ready, whole_yard

from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.site import Site
from sidetap.site.model import Bypass, TripVote

T1_TRIP, T1_RESET = 6_000, 7_000
LOW = {"T1": 5_000, "T2": 5_000, "T3": 5_000}  # below the trips of T1, T2 at 0.60 m and T3 at 0.70 m


def trip(scans: Scans, *vessels: str) -> None:
    """Let vessels run low until they have tripped: a window, and two seconds of delay."""
    for vessel in vessels:
        scans.level(vessel, LOW[vessel])
    scans.run(19)
    assert all(scans.outputs[f"{vessel}.tripped"] for vessel in vessels)


def bypass(scans: Scans, vessel: str, ms: int = 60_000) -> bool:
    """Ask for and approve a bypass in two scans; return whether it runs."""
    scans.scan(f"{vessel}.bypass_ask")
    scans.held["site.bypass_ms"] = ms
    return bool(scans.scan(f"{vessel}.bypass_approve")[f"{vessel}.bypassed"])


def ran(scans: Scans, vessel: str) -> bool:
    return bool(scans.outputs[f"{vessel}.bypassed"])


# -- votes -----------------------------------------------------------------------------------------------------------


@cache
def voting(at_least: int, bays: tuple[str, ...] = ("A",)) -> Site:
    vote = TripVote("R-6", "trip-vote", ("T1", "T2", "T3"), at_least, bays)
    return replace(whole_yard(), rules=(*whole_yard().rules, vote))


@pytest.mark.parametrize(
    ("at_least", "tripped", "closes"),
    [
        (1, ["T3"], True),
        (2, ["T2"], False),
        (2, ["T2", "T3"], True),
        (2, ["T1", "T2", "T3"], True),
        (3, ["T2", "T3"], False),
        (3, ["T1", "T2", "T3"], True),
    ],
)
def test_a_vote_of_trips_closes_valves_of_its_bays_from_any_vessel(
    at_least: int, tripped: Sequence[str], closes: bool
) -> None:
    scans = ready(voting(at_least))
    assert scans.press("A4", "C5") == [True, True]  # from T4 and T5, which have no vote
    trip(scans, *tripped)
    for vessel in tripped:
        scans.level(vessel, FULL_01MM)
    scans.run(16)  # a trip counts until it is reset, whatever the level
    assert scans.on("A4") is not closes
    assert scans.on("C5")  # no bay of the vote
    assert ("R-6" in scans.why("A1")) is closes
    assert "R-6" not in [cause.name for cause in scans.compiled("C5").causes]


def test_a_vote_counts_no_vessel_that_is_bypassed() -> None:
    scans = ready(voting(2))
    trip(scans, "T2")
    assert bypass(scans, "T2")
    assert scans.press("A4") == [True]
    trip(scans, "T3")
    assert scans.on("A4")
    scans.scan("T2.bypass_end")
    assert not scans.on("A4")
    assert scans.why("A4")[0] == "R-6"


# -- bypasses --------------------------------------------------------------------------------------------------------


def test_a_bypass_lets_a_tripped_vessel_load_and_its_end_closes_in_that_scan() -> None:
    scans = ready()
    trip(scans, "T1")
    assert scans.press("B1") == [False]
    assert scans.why("B1") == ["trip", "below-trip"]
    assert bypass(scans, "T1", 30_000)
    assert scans.outputs["T1.bypass_left_ms"] == 30_000
    assert scans.alarm("T1-bypassed")
    assert scans.press("B1") == [True]
    assert scans.outputs["T1.bypass_left_ms"] == 29_900
    assert scans.outputs["T1.tripped"]  # the trip itself stands
    scans.run(29)
    assert (scans.outputs["T1.bypass_left_ms"], scans.on("B1")) == (900, True)
    scans.scan(ms=899)
    assert (scans.outputs["T1.bypass_left_ms"], scans.on("B1"), ran(scans, "T1")) == (1, True, True)
    assert not scans.outputs["site.horn"]
    scans.scan(ms=1)
    assert (scans.outputs["T1.bypass_left_ms"], scans.on("B1"), ran(scans, "T1")) == (0, False, False)
    assert scans.outputs["site.horn"]
    assert scans.why("B1")[0] == "trip"
    assert not scans.alarm("T1-bypassed")


def test_the_trip_goes_on_latching_beneath_a_bypass() -> None:
    scans = ready()
    assert bypass(scans, "T1")
    assert scans.press("B1") == [True]
    trip(scans, "T1")
    assert scans.on("B1")
    scans.level("T1", FULL_01MM)
    scans.run(16)
    scans.scan("T1.bypass_end")
    assert not scans.on("B1")
    assert scans.why("B1")[0] == "trip"


def test_an_end_without_a_trip_closes_nothing_and_sounds_the_horn_for_ten_seconds() -> None:
    scans = ready()
    assert bypass(scans, "T1")
    assert scans.press("B1") == [True]
    scans.scan("T1.bypass_end")
    assert scans.on("B1")
    assert scans.outputs["site.horn"]
    scans.scan(ms=9_999)
    assert scans.outputs["site.horn"]
    scans.scan(ms=1)
    assert not scans.outputs["site.horn"]


def test_the_horn_sounds_anew_at_a_second_end() -> None:
    scans = ready()
    assert bypass(scans, "T1")
    scans.scan("T1.bypass_end")
    assert bypass(scans, "T2")
    scans.scan("T2.bypass_end", ms=9_000)
    scans.scan(ms=9_999)
    assert scans.outputs["site.horn"]


@pytest.mark.parametrize(("waits_ms", "starts"), [(59_999, True), (60_000, False)])
def test_an_ask_stands_for_less_than_a_minute(waits_ms: int, starts: bool) -> None:
    scans = ready()
    scans.scan("T1.bypass_ask", ms=70_000)
    scans.scan("T1.bypass_approve", ms=waits_ms)
    assert ran(scans, "T1") is starts


def test_approval_needs_an_ask_of_an_earlier_scan() -> None:
    scans = ready()
    scans.scan("T1.bypass_approve")
    assert not ran(scans, "T1")
    scans.scan("T1.bypass_ask", "T1.bypass_approve")
    assert not ran(scans, "T1")
    scans.scan("T1.bypass_approve")  # the ask of the scan before still stands
    assert ran(scans, "T1")


def test_an_approval_is_of_one_vessel() -> None:
    scans = ready()
    scans.scan("T1.bypass_ask")
    scans.scan("T2.bypass_approve")
    assert (ran(scans, "T1"), ran(scans, "T2")) == (False, False)
    scans.scan("T1.bypass_approve")
    assert ran(scans, "T1")


def test_one_bypass_at_a_time_and_an_approval_in_vain_is_lost_with_its_ask() -> None:
    scans = ready()
    assert bypass(scans, "T2")
    assert not bypass(scans, "T1")
    scans.scan("T2.bypass_end")
    scans.scan("T1.bypass_approve")
    assert not ran(scans, "T1")
    assert bypass(scans, "T1")


def test_a_bypass_that_ends_in_this_very_scan_still_stands_in_the_way() -> None:
    scans = ready()
    assert bypass(scans, "T2")
    scans.scan("T1.bypass_ask")
    scans.scan("T2.bypass_end", "T1.bypass_approve")
    assert (ran(scans, "T1"), ran(scans, "T2")) == (False, False)


def test_a_running_bypass_is_not_made_longer_by_another_approval() -> None:
    scans = ready()
    assert bypass(scans, "T1", 10_000)
    assert bypass(scans, "T1", 60_000)
    assert scans.outputs["T1.bypass_left_ms"] == 9_800


def test_of_two_approvals_in_one_scan_the_earlier_vessel_gets_the_bypass() -> None:
    scans = ready()
    scans.held["site.bypass_ms"] = 1000
    scans.scan("T2.bypass_ask", "T3.bypass_ask")
    scans.scan("T2.bypass_approve", "T3.bypass_approve")
    assert (ran(scans, "T2"), ran(scans, "T3")) == (True, False)


def test_an_approval_and_an_end_in_one_scan_start_nothing() -> None:
    scans = ready()
    scans.scan("T1.bypass_ask")
    scans.scan("T1.bypass_approve", "T1.bypass_end")
    assert not ran(scans, "T1")
    assert not scans.outputs["site.horn"]


@pytest.mark.parametrize(
    ("held", "cause"),
    [
        ({"T1.bad": True}, "bad"),
        ({"T1.age": 5000}, "old"),
        ({"XS-B": False}, "XS-B"),
        ({"LSH-B": False}, "LSH-B"),
        ({"B.panel_close": True}, "close-key"),
        ({"PB-B-CLOSE": False}, "close-key"),
    ],
)
def test_a_bypass_touches_nothing_but_the_trip(held: dict[str, bool | int], cause: str) -> None:
    scans = ready()
    assert bypass(scans, "T1")
    assert scans.press("B1") == [True]
    scans.held |= held
    scans.scan()
    assert not scans.on("B1")
    assert scans.why("B1")[0] == cause


def test_a_bypass_extends_no_limit() -> None:
    scans = ready()
    assert bypass(scans, "T1", 900_000)
    assert scans.press("B1") == [True]
    scans.run(574)
    assert scans.on("B1")  # 9 min 35 s
    scans.run(1)
    assert not scans.on("B1")
    assert scans.why("B1")[0] == "limit"
    assert ran(scans, "T1")


def test_without_a_bypass_in_the_site_file_there_is_none() -> None:
    site = replace(whole_yard(), bypass=Bypass(("T2",), NS_PER_S, NS_PER_S))
    names = Scans(site).scheme.program.inputs
    assert "T2.bypass_ask" in names
    assert "T1.bypass_ask" not in names
    assert not any("bypass" in name for name in Scans(replace(site, bypass=None)).scheme.program.inputs)


# -- the filter of first order ---------------------------------------------------------------------------------------


@cache
def lagging(lag_s: int) -> Site:
    """The yard, T1's trip behind a lag; its loads could take minutes, its delay none."""
    site = whole_yard()
    trips = (
        replace(v, trip=replace(v.trip, mean_ns=0, lag_ns=lag_s * NS_PER_S, delay_ns=0)) if v.tag == "T1" else v
        for v in site.vessels
    )
    return replace(site, vessels=tuple(trips))


def test_a_lag_counts_to_the_low_side_and_is_full_after_three() -> None:
    scans = Scans(lagging(4))
    scans.level("T1", 10_001)
    full = []
    for _ in range(14):
        scans.scan(ms=1000)
        full.append(bool(scans.outputs["T1.full"]))
    assert full == [False] * 12 + [True] * 2  # the first bucket ends a second after it began; 12 are needed
    compiled = next(v for v in scans.scheme.vessels if v.tag == "T1")
    assert (compiled.parts, compiled.needed_s, scans.states[compiled.filled]) == (4, 12, 12)
    assert scans.outputs["T1.total"] == 4 * 10_001
    scans.level("T1", 5_000)
    totals = []
    for _ in range(4):
        scans.scan(ms=1000)
        totals.append(scans.outputs["T1.total"])
    # A' = A - ceil(A / 4) + x: 40004 - 10001 + 10001 (the bucket that has ended), then x = 5000:
    # 40004 - 10001 + 5000 = 35003; 35003 - 8751 + 5000 = 31252; 31252 - 7813 + 5000 = 28439
    assert totals == [40_004, 35_003, 31_252, 28_439]


def test_a_lag_trips_closes_and_resets_at_its_limits() -> None:
    scans = ready(lagging(4))
    scans.level("T1", T1_TRIP)
    scans.run(120)
    assert not scans.outputs["T1.tripped"]  # it has settled at the limit, or a rounding above
    assert scans.press("B1") == [True]
    scans.level("T1", T1_TRIP - 10)
    scans.run(30)
    assert scans.outputs["T1.tripped"]
    assert not scans.on("B1")
    scans.level("T1", T1_RESET - 10)
    scans.run(60)
    scans.scan("T1.reset")
    assert scans.outputs["T1.tripped"]
    scans.level("T1", T1_RESET + 10)
    scans.run(60)
    scans.scan("T1.reset")
    assert not scans.outputs["T1.tripped"]


def test_a_gap_empties_a_lag() -> None:
    scans = ready(lagging(4))
    scans.run(13)
    assert scans.outputs["T1.full"]
    scans.level("T1", 20_000)
    scans.scan(ms=1001)
    assert not scans.outputs["T1.full"]
    scans.run(14)
    assert scans.outputs["T1.full"]
    assert scans.outputs["T1.total"] == 4 * 20_000  # nothing is left of the level before the gap


# -- drawn without a command -----------------------------------------------------------------------------------------


def test_acceptance_44_a_fall_with_no_valve_commanded_is_an_alarm_until_reset() -> None:
    scans = ready()
    scans.level("T1", FULL_01MM)
    scans.run(24)  # the longest stroke 6 s, the window 15 s, 2 s
    scans.level("T1", FULL_01MM - 199)
    scans.run(17)
    assert not scans.alarm("T1-drawn")
    scans.level("T1", FULL_01MM - 200)  # 20 mm, as its frozen watch expects
    scans.run(17)
    assert scans.alarm("T1-drawn")
    scans.level("T1", FULL_01MM)
    scans.run(17)
    assert scans.alarm("T1-drawn")  # it stays until a person has seen it
    scans.scan("T1.reset")
    assert not scans.alarm("T1-drawn")


def test_a_reset_counts_from_the_level_of_then_on() -> None:
    scans = ready()
    scans.run(24)
    scans.level("T1", FULL_01MM - 300)
    scans.run(17)
    assert scans.alarm("T1-drawn")
    scans.scan("T1.reset")
    scans.run(5)
    assert not scans.alarm("T1-drawn")
    scans.level("T1", FULL_01MM - 500)
    scans.run(17)
    assert scans.alarm("T1-drawn")


def test_what_a_valve_lets_out_raises_no_alarm() -> None:
    scans = ready()
    assert scans.press("B1") == [True]
    for n in range(100):
        scans.level("T1", FULL_01MM - 4 * n)
        scans.run(1)
    scans.scan("B.panel_close")
    scans.level("T1", FULL_01MM - 400 - 50)  # while it closes
    scans.run(60)
    assert not scans.alarm("T1-drawn")


def test_the_watch_begins_when_stroke_and_filter_are_over() -> None:
    scans = ready()
    scans.press("B1")
    scans.scan()
    scans.scan("B.panel_close")
    scans.run(22)
    assert scans.states["T1.highest"] == 0
    scans.run(1)
    assert scans.states["T1.highest"] == 15 * FULL_01MM


def test_a_vessel_without_a_watch_of_its_own_falls_by_20_mm_and_one_that_has_no_valve_by_itself() -> None:
    site = whole_yard()
    site = replace(
        site,
        vessels=tuple(replace(v, frozen=None) if v.tag == "T5" else v for v in site.vessels),
        valves=tuple(replace(v, vessel="T5") if v.tag == "C6" else v for v in site.valves),
    )
    scans = ready(site)
    scans.run(24)
    scans.level("T5", FULL_01MM - 199)
    scans.run(17)
    assert not scans.alarm("T5-drawn")
    scans.level("T5", FULL_01MM - 200)
    scans.run(17)
    assert scans.alarm("T5-drawn")
    assert "alarm.T6-drawn" not in scans.outputs


def test_a_bypass_may_not_last_longer_than_the_site_says() -> None:
    most = ready().scheme.program.inputs["site.bypass_ms"]
    bypass_of = whole_yard().bypass
    assert bypass_of is not None
    assert (most.low, most.high) == (1, bypass_of.at_most_ns // NS_PER_MS)
