"""Exact units and the way people write quantities."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

import sidetap.quantity
from sidetap.quantity import (
    NS_PER_S,
    UNITS,
    Dimension,
    Quality,
    Reading,
    Rounding,
    convert,
    format_duration,
    format_feet_inches,
    format_level,
    format_number,
    from_si,
    parse_duration_ns,
    parse_length_01mm,
    parse_quantity,
    round_fraction,
    to_si,
)


def test_exact_units() -> None:
    # NIST Handbook 44, appendix C: gal = 231 in³ = 3.785 411 784 L, in = 25.4 mm, bbl = 42 gal, lb = 0.453 592 37 kg
    assert to_si(1, "gal") == Fraction("0.003785411784")
    assert convert(1, "gal", "L") == Fraction("3.785411784")
    assert convert(1, "bbl", "gal") == 42
    assert convert(1, "in", "mm") == Fraction("25.4")
    assert convert(1, "ft", "in") == 12
    assert to_si(1, "lb") == Fraction("0.45359237")
    assert float(convert(1, "psi", "kPa")) == pytest.approx(6.894757, abs=5e-7)  # same place, rounded there
    assert float(convert(Fraction("11.06"), "lb/gal", "kg/m3")) == pytest.approx(1325.28, abs=0.01)


def test_temperatures_have_a_shift() -> None:
    # common practice, no source: water freezes at 32 °F = 0 °C, and the scales meet at -40
    assert convert(32, "F", "C") == 0
    assert convert(-40, "F", "C") == -40


def test_units_of_two_kinds_do_not_convert() -> None:
    with pytest.raises(ValueError, match="can't be told in"):
        convert(1, "gal", "m")
    with pytest.raises(KeyError, match="no unit 'furlong'"):
        to_si(1, "furlong")


@given(st.sampled_from(sorted(UNITS)), st.fractions(-1000, 1000))
def test_there_and_back_is_exact(name: str, value: Fraction) -> None:
    assert from_si(to_si(value, name), name) == value


@pytest.mark.parametrize(
    ("inches", "text"),
    [  # feet and inches to 1/16, the carry included; the first three are the usual traps
        ("11.984375", "1 ft 0 in"),
        ("11.9375", "0 ft 11 15/16 in"),
        ("143.96875", "12 ft 0 in"),
        ("0", "0 ft 0 in"),
        ("137", "11 ft 5 in"),
        ("-6.5", "-0 ft 6 1/2 in"),
    ],
)
def test_feet_and_inches_carry(inches: str, text: str) -> None:
    assert format_feet_inches(to_si(Fraction(inches), "in")) == text


@pytest.mark.parametrize(
    ("text", "ns"),
    [
        ("9 min 35 s", 575 * NS_PER_S),
        ("100 ms", NS_PER_S // 10),
        ("1.5 h", 5400 * NS_PER_S),
        ("0 s", 0),
        ("250 us", 250_000),
        ("1 d 2 h", 26 * 3600 * NS_PER_S),
    ],
)
def test_durations(text: str, ns: int) -> None:
    assert parse_duration_ns(text) == ns
    assert parse_duration_ns(format_duration(ns)) == ns


@given(st.integers(-(10**20), 10**20))
def test_durations_print_exactly(ns: int) -> None:
    negative = format_duration(-abs(ns))
    assert parse_duration_ns(format_duration(abs(ns))) == abs(ns)
    assert negative.lstrip("-") == format_duration(abs(ns))


def test_lengths() -> None:
    assert parse_length_01mm("0.60 m") == 6000
    assert parse_length_01mm("11 ft 5 in") == 34798  # 137 in × 25.4 mm
    assert parse_length_01mm("-3 mm") == -30
    assert parse_length_01mm("5 3/16 in", Rounding.DOWN) == 1317  # 131.7625 mm
    assert parse_length_01mm("5 3/16 in", Rounding.UP) == 1318
    assert parse_length_01mm("-1 ft 6 in") == -4572


@pytest.mark.parametrize(
    "text",
    ["", "  ", "5", "m", "5 gal", "5 m 3 m", "1 ft -3 in", "1/0 in", "5 1/0 in", "nan m", "1e3 m", "9" * 100 + " m"],
)
def test_what_is_no_length_says_so(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        parse_length_01mm(text)


def test_an_inexact_nanosecond_is_refused() -> None:
    with pytest.raises(ValueError, match="whole"):
        parse_duration_ns("0.5 ns")


@given(st.fractions(-1000, 1000))
def test_rounding_has_its_direction(value: Fraction) -> None:
    down, up = round_fraction(value, Rounding.DOWN), round_fraction(value, Rounding.UP)
    nearest = round_fraction(value, Rounding.NEAREST)
    assert down <= value <= up
    assert up - down <= 1
    assert abs(nearest - value) <= Fraction(1, 2)


def test_half_goes_away_from_zero() -> None:
    assert round_fraction(Fraction(1, 2), Rounding.NEAREST) == 1
    assert round_fraction(Fraction(-1, 2), Rounding.NEAREST) == -1
    assert round_fraction(Fraction(-3, 2), Rounding.NEAREST) == -2


def test_levels_and_numbers_for_people() -> None:
    assert format_level(34800) == "3.480 m"
    assert format_level(34800, "mm") == "3,480 mm"
    assert format_level(34800, "ft-in") == "11 ft 5 in"
    assert format_level(34800, "ft") == "11.42 ft"
    assert format_number(Fraction("60370.5")) == "60,371"
    assert format_number(Fraction("-0.125"), 2) == "-0.13"


def test_a_reading_can_not_carry_a_number_it_should_not() -> None:
    assert Reading(5, Quality.GOOD, 0).value == 5
    with pytest.raises(ValueError, match="can't have"):
        Reading(5, Quality.OLD, 10)
    with pytest.raises(ValueError, match="can't have"):
        Reading(None, Quality.GOOD, 0)


def test_dimension_of_every_unit_is_one_that_parses() -> None:
    for unit in UNITS.values():
        assert parse_quantity(f"1 {unit.name}", Dimension(unit.dimension)) == to_si(1, unit.name)


def test_public_names() -> None:
    assert all(hasattr(sidetap.quantity, name) for name in sidetap.quantity.__all__)


@pytest.mark.parametrize("text", ["9 ft 7 9/8 in", "7 1/7 in", "7 2/2 in", "7 1/0 in"])
def test_what_no_tape_shows_is_no_fraction(text: str) -> None:
    with pytest.raises(ValueError, match="no part of an inch on a tape"):
        parse_quantity(text, Dimension.LENGTH)
