"""Open limits against vehicles. The expected figures are worked from the formula by hand, in whole gallons.

400 gpm + 10 % = 440 gpm; stop 440/60 × (1.0 + 0.2 + 3) = 30.8, so 31 gal. Payload 47,000 lb: 4249.5 gal of 11.06 lb,
4404.8 of 10.67, 4034.3 of 11.65. (4249.5 - 31) / 440 = 9 min 35.2 s; 9 min 56.4 s; 9 min 5.9 s.
"""

from fractions import Fraction
from pathlib import Path

import pytest
from yard_copy import EXAMPLE, Planter, copy_yard, planter

from sidetap.quantity import from_si
from sidetap.site import check_limit, load_or_refuse, stop_volume_m3


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    return copy_yard(tmp_path)


@pytest.fixture
def planted(yard: Path) -> Planter:
    return planter(yard)


SITE = load_or_refuse(EXAMPLE / "bay-b.toml")


@pytest.mark.parametrize(
    ("valve", "written", "accepted", "refused"),
    [
        ("B1", "9 min 35 s", "9 min 35 s", "9 min 36 s"),
        ("B2", "9 min 55 s", "9 min 56 s", "9 min 57 s"),
        ("B3", "9 min 5 s", "9 min 5 s", "9 min 6 s"),
    ],
)
def test_acceptance_17_limits_hold_to_the_second(
    planted: Planter, valve: str, written: str, accepted: str, refused: str
) -> None:
    assert planted(f'"{written}"', f'"{accepted}"').problems == ()
    (problem,) = planted(f'"{accepted}"', f'"{refused}"').problems
    assert problem.where == f"valve.{valve}.open_limit"
    assert problem.remedy == f"At most {written}."


def test_acceptance_17_ten_and_a_half_minutes_from_t3_is_refused_with_its_weight(
    planted: Planter,
) -> None:
    (problem,) = planted('"9 min 5 s"', '"10 min 30 s"').problems
    assert "4,620 gal through and 31 gal more" in problem.problem
    assert "54,185 lb, over its payload of 47,000 lb" in problem.problem  # 4651 × 11.65 = 54,184.15, upwards
    assert "already 48,930 lb at nominal flow" in problem.problem


def test_stop_volume_is_rounded_up_to_a_gallon() -> None:
    for valve in SITE.valves:
        assert from_si(stop_volume_m3(SITE.bay("B"), valve), "gal") == 31


def test_the_largest_limit_fits_and_a_nanosecond_more_does_not() -> None:
    for valve in SITE.valves:
        found = check_limit(SITE.bay("B"), valve, SITE.vessel(valve.vessel))
        assert found.fits
        density = SITE.vessel(valve.vessel).density.kg_per_m3
        room = min(SITE.bay("B").vehicle.capacity_m3, SITE.bay("B").vehicle.payload_kg / density)
        flow = SITE.bay("B").flow_m3_per_s * Fraction(11, 10)
        for ns, fits in ((found.largest_ns, True), (found.largest_ns + 1, False)):
            assert (flow * ns / 10**9 + found.stop_m3 <= room) is fits


def test_no_limit_fits_a_tiny_vehicle(planted: Planter) -> None:
    problems = planted('capacity = "5000 gal"', 'capacity = "31 gal"').problems
    remedies = {p.remedy for p in problems if "open_limit" in p.where}
    assert remedies == {"No limit fits this vehicle; check flow, capacity and payload."}
