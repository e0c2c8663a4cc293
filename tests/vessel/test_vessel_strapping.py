"""Strapping tables: read exactly, linear between rows, and refused with the line that is wrong."""

from fractions import Fraction

import pytest

from sidetap.quantity import from_si
from sidetap.vessel import StrappingProblem, parse_strapping

TABLE = "level_m,volume_gal\n0.15,1981\n0.3,4951\n4,78420\n4.5,88295\n"


def test_rows_are_hit_exactly_and_linear_between() -> None:
    table = parse_strapping(TABLE)
    gallon = 0.003785411784
    assert table.volume_m3(0.15) / gallon == pytest.approx(1981, rel=1e-14)
    assert table.volume_m3(4.5) / gallon == pytest.approx(88295, rel=1e-14)
    assert table.volume_m3(4.321) / gallon == pytest.approx(78420 + 0.642 * 9875, rel=1e-12)  # worked by hand
    assert table.area_m2(4.5) == table.area_m2(4.2)


@pytest.mark.parametrize(
    "text",
    [
        TABLE.replace("\n", "\r\n"),
        "\ufeff" + TABLE,
        TABLE.rstrip("\n"),
        TABLE + "\n\n",
        "level_mm,volume_gal\n150,1981\n300,4951\n4000,78420\n4500,88295",
    ],
)
def test_the_same_table_written_otherwise(text: str) -> None:
    assert parse_strapping(text).rows == parse_strapping(TABLE).rows


def test_other_units() -> None:
    table = parse_strapping("level_ft,volume_L\n1,1000\n2,2000\n")
    assert table.rows[0].level_m == Fraction(3048, 10_000)
    assert from_si(table.rows[1].volume_m3, "m3") == 2


@pytest.mark.parametrize(
    ("text", "place", "says"),
    [
        ("", (1, 1), "no header"),
        ("level,volume\n", (1, 1), "no header.*levels in m cm mm ft in, volumes in m3 L gal bbl"),
        ("level_gal,volume_m\n1,2\n2,3\n", (1, 1), "no header"),
        ("level_m,volume_gal\n1,1\n", (1, 1), "1 rows"),
        ("level_m,volume_gal\n1,1\n2\n", (3, 1), "1 cells"),
        ("level_m,volume_gal\n1,1\n2,2,\n", (3, 1), "3 cells"),
        ("level_m,volume_gal\n1,1\n2,nan\n", (3, 3), "'nan' is not a number"),
        ("level_m,volume_gal\n1,1\n2,1e9\n", (3, 3), "not a number"),
        ("level_m,volume_gal\n1,1\n2,２\n", (3, 3), "'２' is not a number"),
        ("level_m,volume_gal\n1,1\n2," + "9" * 5000 + "\n", (3, 3), "not a number"),
        ("level_m,volume_gal\n-1,1\n2,2\n", (2, 1), "below zero"),
        ("level_m,volume_gal\n1,1\n2,2\n2,3\n", (4, 1), "level doesn't rise"),
        ("level_m,volume_gal\n1,1\n2.5,2\n3.75,2\n", (4, 6), "not monotone"),
        ("level_m,volume_gal\n" + "".join(f"{n},{n}\n" for n in range(20_001)), (20_002, 1), "over 20000 rows"),
    ],
)
def test_a_table_that_cannot_be_used_is_refused_with_its_place(text: str, place: tuple[int, int], says: str) -> None:
    with pytest.raises(StrappingProblem, match=says) as caught:
        parse_strapping(text)
    assert (caught.value.line, caught.value.column) == place
