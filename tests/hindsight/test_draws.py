"""Which bay drew when, from made levels whose truth is known; flows and volumes by hand (see made_levels)."""

from dataclasses import replace
from fractions import Fraction

import pytest
from made_levels import GAL_M3, at_ns, example, levels

from sidetap.hindsight.draws import seen_in
from sidetap.hindsight.stretches import stretches

SITE = example()
HALF_STROKE_S = 3  # of A1 and B1: a draw seen from second 100 on was asked for at second 97


def test_a_draw_is_a_stretch_with_its_flow_and_its_ends() -> None:
    (run,) = stretches(SITE.vessel("T1"), levels(900, {"T1": [(200, 600, -400)]})["T1"])
    still, fall, again = run
    assert abs(fall.start_ns - at_ns(200)) < 3e9
    assert abs(fall.end_ns - at_ns(600)) < 3e9
    assert abs(fall.flow_m3_per_s / GAL_M3 * 60 + 400) < fall.flow_u_m3_per_s / GAL_M3 * 60 < 20
    assert abs(still.flow_m3_per_s) < still.flow_u_m3_per_s
    assert abs(again.flow_m3_per_s) < again.flow_u_m3_per_s
    assert (still.begins_in, fall.begins_in, fall.ends_in, again.ends_in) == (False, True, True, False)


@pytest.mark.parametrize(("gpm", "valve"), [(400, "B1"), (430, "B1"), (200, "A1"), (185, "A1")])
def test_a_fall_is_the_bay_whose_flow_it_fits(gpm: float, valve: str) -> None:
    tickets, changes = seen_in(SITE, levels(900, {"T1": [(200, 600, -gpm)]}))
    (draw,) = [draw for ticket in tickets for draw in ticket.draws]
    assert (draw.valve, draw.others, changes) == (valve, (), [])
    assert abs(draw.start_ns - at_ns(200 - HALF_STROKE_S)) < 3e9
    assert abs(draw.end_ns - at_ns(600 - HALF_STROKE_S)) < 3e9
    assert abs(draw.volume_m3 / GAL_M3 - gpm * 400 / 60) < 30


def test_two_bays_at_once_are_told_apart() -> None:
    tickets, _ = seen_in(SITE, levels(1200, {"T1": [(200, 800, -400), (400, 1000, -200)]}))
    by_valve = {draw.valve: draw for ticket in tickets for draw in ticket.draws}
    assert set(by_valve) == {"A1", "B1"}
    for valve, start_s, end_s in (("B1", 200, 800), ("A1", 400, 1000)):
        assert abs(by_valve[valve].start_ns - at_ns(start_s - HALF_STROKE_S)) < 6e9
        assert abs(by_valve[valve].end_ns - at_ns(end_s - HALF_STROKE_S)) < 6e9


def test_a_delivery_and_a_fall_that_fits_no_bay_are_no_loads() -> None:
    tickets, changes = seen_in(SITE, levels(1500, {"T1": [(200, 500, 450), (700, 1100, -300)]}))
    assert not tickets
    assert [round(change.volume_m3 / GAL_M3 / 50) * 50 for change in changes] == [2250, -2000]


def test_bays_of_one_flow_are_said_to_be_alike() -> None:
    """Bay A pumps as fast as bay B: the levels can't tell which of them it was, and the other one is named."""
    flow = SITE.bay("B").flow_m3_per_s
    alike = replace(
        SITE, bays=tuple(replace(bay, flow_m3_per_s=flow) if bay.tag == "A" else bay for bay in SITE.bays)
    )
    tickets, _ = seen_in(alike, levels(900, {"T1": [(200, 600, -400)]}))
    (draw,) = tickets[0].draws
    assert {SITE.valve(draw.valve).bay, *draw.others} == {"A", "B"}


def test_what_runs_at_an_end_of_the_record_or_into_a_gap_is_cut() -> None:
    made = levels(900, {"T1": [(-100, 300, -400), (600, 2000, -400)]})
    first, last = [ticket.draws[0] for ticket in seen_in(SITE, made)[0]]
    assert (first.begins_in, first.ends_in, last.begins_in, last.ends_in) == (False, True, True, False)
    silent = levels(900, {"T1": [(200, 600, -400)]}, silent=[("T1", 300, 420)])
    before, after = [ticket.draws[0] for ticket in seen_in(SITE, silent)[0]]
    assert (before.begins_in, before.ends_in, after.begins_in, after.ends_in) == (True, False, False, True)


def test_a_small_draw_from_a_wide_vessel_and_no_draw_from_noise() -> None:
    """Sixty gallons a minute for 4 min 35 s take 43 mm off the box; nothing is seen where nothing was drawn."""
    tickets, changes = seen_in(SITE, levels(1200, {"T5": [(300, 575, -60)]}))
    assert [ticket.draws[0].valve for ticket in tickets] == ["C5"]
    assert abs(tickets[0].draws[0].volume_m3 / GAL_M3 - 275) < 10
    assert changes == []


def test_a_leak_is_no_load() -> None:
    _, changes = seen_in(SITE, levels(900, {"T1": [(200, 600, -8)]}))
    assert changes == []


@pytest.mark.parametrize("tolerance", [Fraction(1, 100), Fraction(1, 10)])
def test_the_tolerance_of_a_flow_decides(tolerance: Fraction) -> None:
    strict = replace(SITE, bays=tuple(replace(bay, flow_tolerance=tolerance) for bay in SITE.bays))
    tickets, changes = seen_in(strict, levels(900, {"T1": [(200, 600, -430)]}))
    assert (len(tickets), len(changes)) == ((0, 1) if tolerance < Fraction(1, 20) else (1, 0))
