"""A geometry beside its strapping table, row by row."""

import pytest

from sidetap.vessel import Box, Shifted, VerticalCylinder, parse_strapping, residuals

# worked by hand: a box of 2 m² whose table says 1 % more, half way up 0.02 m³ too little, and goes on above the box
TABLE = parse_strapping("level_m,volume_L\n0,0\n0.5,1010\n1,2020\n1.5,2980\n2,4040\n2.5,5050\n")


def test_differences_are_told_as_volume_share_and_level() -> None:
    found = residuals(Box(2.0, 1.0, 2.0), TABLE)
    assert [row.level_m for row in found] == [0, 0.5, 1, 1.5, 2, 2.5]
    assert [row.strapping_m3 for row in found] == pytest.approx([0, 1.01, 2.02, 2.98, 4.04, 5.05])
    assert [row.geometry_m3 for row in found] == [0, 1, 2, 3, 4, None]
    assert [row.difference_m3 for row in found[:5]] == pytest.approx([0, -0.01, -0.02, 0.02, -0.04], abs=1e-12)
    assert [row.share for row in found[1:5]] == pytest.approx([-0.01 / 1.01, -0.02 / 2.02, 0.02 / 2.98, -0.04 / 4.04])
    # the table's slopes above the rows: 2.02, 2.02, 1.92, 2.12, 2.02 m²
    assert [row.worth_m for row in found[:5]] == pytest.approx(
        [0, -0.01 / 2.02, -0.02 / 1.92, 0.02 / 2.12, -0.04 / 2.02], abs=1e-12
    )


def test_what_can_not_be_told_is_none() -> None:
    first, *_, last = residuals(Box(2.0, 1.0, 2.0), TABLE)
    assert first.share is None
    assert (last.geometry_m3, last.difference_m3, last.share, last.worth_m) == (None, None, None, None)


def test_a_datum_that_is_wrong_shows_as_the_level_it_is_worth() -> None:
    vessel = VerticalCylinder(3.0, 5.0)
    rows = "".join(f"{level},{vessel.volume_m3(level + 0.05) * 1000:.9f}\n" for level in (0.5, 1.0, 2.0, 4.0))
    table = parse_strapping("level_m,volume_L\n" + rows)
    assert [row.worth_m for row in residuals(vessel, table)] == pytest.approx([-0.05] * 4, abs=1e-9)
    assert [row.worth_m for row in residuals(Shifted(vessel, 0.05), table)] == pytest.approx([0.0] * 4, abs=1e-9)
