"""Quantities as a site or a screen shows them: units, decimals, the direction of the one rounding."""

from dataclasses import dataclass
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidetap.quantity import (
    EIGHTHS,
    FLOW_DECIMALS,
    LEVEL_DECIMALS,
    MASS_DECIMALS,
    SIXTEENTHS,
    UNITS,
    VOLUME_DECIMALS,
    Dimension,
    Rounding,
    Texts,
    format_feet_inches,
    format_level,
    format_number,
    parse_quantity,
    to_si,
)


@dataclass(frozen=True)
class Units:
    level: str = "ft-in"
    volume: str = "gal"
    flow: str = "gpm"
    mass: str = "lb"


US = Texts(Units())
LEVEL_M, TOP_M = Fraction("3.48"), Fraction("7.315")


@pytest.mark.parametrize(
    ("inches", "sixteenths", "eighths"),
    [  # the first three and their sixteenths are the usual traps of the carry; worked by hand
        ("11.984375", "1 ft 0 in", "1 ft 0 in"),
        ("11.9375", "0 ft 11 15/16 in", "1 ft 0 in"),
        ("143.96875", "12 ft 0 in", "12 ft 0 in"),
        ("11.93", "0 ft 11 15/16 in", "0 ft 11 7/8 in"),
        ("137.0625", "11 ft 5 1/16 in", "11 ft 5 1/8 in"),
        ("137.0624", "11 ft 5 1/16 in", "11 ft 5 in"),
        ("0.5", "0 ft 0 1/2 in", "0 ft 0 1/2 in"),
        ("-11.984375", "-1 ft 0 in", "-1 ft 0 in"),
    ],
)
def test_sixteenths_on_paper_and_eighths_on_a_screen(inches: str, sixteenths: str, eighths: str) -> None:
    level_m = to_si(Fraction(inches), "in")
    assert US.level(level_m, TOP_M) == sixteenths
    assert Texts(Units(), EIGHTHS).level(level_m, TOP_M) == eighths


def test_the_eighth_stands_still_under_a_millimetre_of_noise() -> None:
    """3480 mm lie 0.2 mm over 11 ft 5 in; the next eighths are 3.2 mm away, and the borders half of that."""
    screen = Texts(Units(), EIGHTHS)
    shown = {screen.level(LEVEL_M + Fraction(noise, 1000), TOP_M) for noise in (-1, 0, 1)}
    assert shown == {"11 ft 5 in"}
    assert len({US.level(LEVEL_M + Fraction(noise, 1000), TOP_M) for noise in (-1, 0, 1)}) > 1


@pytest.mark.parametrize(
    ("form", "text"),
    [
        ("m", "3.480 m"),
        ("cm", "348.0 cm"),
        ("mm", "3,480 mm"),
        ("ft", "11.42 ft"),
        ("in", "137.0 in"),
        ("ft-in", "11 ft 5 in"),
        ("%", "47.6 %"),  # 3.480 of 7.315
    ],
)
def test_a_level_in_every_form(form: str, text: str) -> None:
    assert Texts(Units(level=form)).level(LEVEL_M, TOP_M) == text


@pytest.mark.parametrize(
    ("kind", "unit", "value_si", "text"),
    [  # a cubic metre is 264.172 05 gal, 6.289 811 bbl (NIST SP 811, appendix B.8, inverted); a ton 2204.622 6 lb
        ("volume", "gal", 1, "264 gal"),
        ("volume", "L", 1, "1,000 L"),
        ("volume", "m3", 1, "1.00 m3"),
        ("volume", "bbl", 1, "6.3 bbl"),
        ("mass", "lb", 1000, "2,205 lb"),
        ("mass", "kg", 1000, "1,000 kg"),
        ("mass", "t", 1000, "1.00 t"),
        ("flow", "gpm", Fraction(1, 60), "264 gpm"),
        ("flow", "L/min", Fraction(1, 60), "1,000 L/min"),
        ("flow", "m3/h", Fraction(1, 60), "60.0 m3/h"),
    ],
)
def test_the_other_quantities_in_every_unit(kind: str, unit: str, value_si: Fraction | int, text: str) -> None:
    assert getattr(Texts(Units(**{kind: unit})), kind)(value_si) == text


@pytest.mark.parametrize(
    ("form", "text"),
    [("ft-in", "-0.91 in/min"), ("ft", "-0.91 in/min"), ("in", "-0.91 in/min"), ("m", "-23.1 mm/min")],
)
def test_a_rate_goes_with_the_form_of_the_level(form: str, text: str) -> None:
    # 400 gpm out of a vertical vessel of 9.144 m are 1.514 165 m³/min over 65.669 m² = 23.06 mm/min; worked by hand
    assert Texts(Units(level=form)).rate(-to_si(400, "gpm") / Fraction("65.669")) == text


@pytest.mark.parametrize(
    ("rounding", "level", "volume"),
    [
        (Rounding.DOWN, "11 ft 5 in", "1 gal"),
        (Rounding.NEAREST, "11 ft 5 in", "1 gal"),
        (Rounding.UP, "11 ft 5 1/16 in", "2 gal"),
    ],
)
def test_the_direction_of_the_rounding_is_the_callers(rounding: Rounding, level: str, volume: str) -> None:
    assert US.level(LEVEL_M, TOP_M, rounding) == level
    assert US.volume(to_si(Fraction("1.4"), "gal"), rounding) == volume


def test_an_uncertainty_stands_beside_its_value_rounded_up() -> None:
    assert US.volume_with(to_si(60_371, "gal"), to_si(Fraction("188.1"), "gal")) == "60,371 ± 189 gal"
    assert US.volume_with(to_si(60_371, "gal"), to_si(188, "gal")) == "60,371 ± 188 gal"
    assert Texts(Units(mass="t")).mass_with(1000, Fraction("10.1")) == "1.00 ± 0.02 t"


def test_rounding_goes_by_value_below_zero_too() -> None:
    assert format_number(Fraction("-1.4"), 0, Rounding.DOWN) == "-2"
    assert format_number(Fraction("-1.6"), 0, Rounding.UP) == "-1"
    assert format_number(Fraction("-0.4"), 0, Rounding.NEAREST) == "0"
    with pytest.raises(ValueError, match="whole"):
        format_number(Fraction("0.5"), 0, Rounding.EXACT)


@given(st.fractions(-100, 100), st.sampled_from([SIXTEENTHS, EIGHTHS, 32]), st.sampled_from(Rounding))
def test_feet_and_inches_read_back_within_a_part(length_m: Fraction, parts: int, rounding: Rounding) -> None:
    part = to_si(Fraction(1, parts), "in")
    if rounding is Rounding.EXACT:
        length_m = round(length_m / part) * part
    again = parse_quantity(format_feet_inches(length_m, parts, rounding), Dimension.LENGTH)
    assert (again / part).denominator == 1
    if rounding is Rounding.EXACT:
        assert again == length_m
    elif rounding is Rounding.NEAREST:
        assert abs(again - length_m) * 2 <= part
    else:
        assert 0 <= (again - length_m) * (1 if rounding is Rounding.UP else -1) < part


@given(st.floats(0, 1e6))
def test_a_float_is_converted_exactly_and_rounded_once(volume_m3: float) -> None:
    gallons = Fraction(volume_m3) / Fraction("0.003785411784")
    shown = Fraction(US.volume(volume_m3).removesuffix(" gal").replace(",", ""))
    assert abs(shown - gallons) <= Fraction(1, 2)


def test_what_is_no_number_is_no_text() -> None:
    with pytest.raises(ValueError, match=r"."):
        US.volume(float("nan"))


def test_every_unit_of_a_display_is_one_of_the_table() -> None:
    for decimals, dimension in (
        (VOLUME_DECIMALS, Dimension.VOLUME),
        (FLOW_DECIMALS, Dimension.FLOW),
        (MASS_DECIMALS, Dimension.MASS),
    ):
        assert all(UNITS[name].dimension is dimension for name in decimals)
    assert {name for name in LEVEL_DECIMALS if name not in UNITS} == {"ft-in"}


def test_a_level_without_a_vessel_has_its_forms_too() -> None:
    assert format_level(34_798, "ft-in", EIGHTHS) == "11 ft 5 in"
    assert format_level(34_805, rounding=Rounding.DOWN) == "3.480 m"
