"""Every factor of the table of units against published ones, by rational arithmetic."""

from fractions import Fraction

import fluids.constants
import pytest

from sidetap.quantity import UNITS, convert, from_si, to_si

# Exact, by definition. NIST Handbook 44, appendix C: inch 25.4 mm, foot 12 in, US gallon 231 cubic inches and also
# 3.785 411 784 L, avoirdupois pound 453.592 37 g, petroleum barrel 42 gal. NIST SP 811, appendix B.8: litre
# 0.001 m³, metric ton 1000 kg, bar 1e5 Pa; B.9 and table 4 of the SI brochure: min 60 s, h 3600 s, d 86 400 s; K = °C
# + 273.15, K = (°F + 459.67) / 1.8. Read from memory.
EXACT = {
    "in": "0.0254",
    "ft": "0.3048",
    "gal": "0.003785411784",
    "bbl": "0.158987294928",
    "L": "0.001",
    "lb": "0.45359237",
    "t": "1000",
    "bar": "100000",
    "min": "60",
    "h": "3600",
    "d": "86400",
    "C": "274.15",
}

# NIST SP 811, appendix B.8, factors of seven digits as printed there, from memory: gallon, barrel, psi, gal/min to
# m³/s, lb/gal to kg/m³, in/s (here a minute) to m/s, pound
PRINTED = [
    ("gal", 1, "3.785412E-3"),
    ("bbl", 1, "1.589873E-1"),
    ("psi", 1, "6.894757E+3"),
    ("gpm", 1, "6.309020E-5"),
    ("lb/gal", 1, "1.198264E+2"),
    ("in/min", 60, "2.540000E-2"),
    ("lb", 1, "4.535924E-1"),
    ("L/min", 60, "1.000000E-3"),
    ("m3/h", 3600, "1.000000E+0"),
    ("kg/L", 1, "1.000000E+3"),
    ("mm/min", 60, "1.000000E-3"),
]


@pytest.mark.parametrize("name", EXACT)
def test_exact_by_definition(name: str) -> None:
    assert to_si(1, name) == Fraction(EXACT[name])
    assert from_si(Fraction(EXACT[name]), name) == 1


@pytest.mark.parametrize(("name", "count", "printed"), PRINTED)
def test_as_printed_to_seven_digits(name: str, count: int, printed: str) -> None:
    assert f"{float(to_si(count, name)):.6E}".replace("E-0", "E-").replace("E+0", "E+") == printed


def test_degrees_fahrenheit() -> None:
    # SP 811, appendix B.8: T/K = (t/°F + 459.67)/1.8; 212 °F is 100 °C and 0 °F is 255.372 K
    assert to_si(212, "F") == Fraction("373.15")
    assert convert(212, "F", "C") == 100
    assert float(to_si(0, "F")) == pytest.approx(255.372, abs=5e-4)


@pytest.mark.parametrize(
    ("name", "constant"),
    [
        ("in", fluids.constants.inch),
        ("ft", fluids.constants.foot),
        ("gal", fluids.constants.gallon),
        ("bbl", fluids.constants.bbl),
        ("lb", fluids.constants.pound),
        ("psi", fluids.constants.psi),
        ("bar", fluids.constants.bar),
        ("L", fluids.constants.liter),
        ("min", fluids.constants.minute),
        ("h", fluids.constants.hour),
        ("d", fluids.constants.day),
    ],
)
def test_as_another_library_has_it(name: str, constant: float) -> None:
    assert float(to_si(1, name)) == pytest.approx(constant, rel=1e-14)


def test_a_gallon_is_231_cubic_inches_in_every_way_round() -> None:
    assert to_si(1, "gal") == 231 * to_si(1, "in") ** 3
    assert convert(convert(7, "gal", "bbl"), "bbl", "L") == Fraction(7) * Fraction("3.785411784")
    assert convert(1, "gpm", "L/min") == Fraction("3.785411784")
    assert to_si(1, "lb/gal") * to_si(1, "gal") == to_si(1, "lb")


def test_every_unit_is_checked_above_or_is_a_power_of_ten() -> None:
    checked = set(EXACT) | {name for name, *_ in PRINTED} | {"F"}
    for unit in UNITS.values():
        power = unit.factor if unit.factor >= 1 else 1 / unit.factor
        assert unit.name in checked or set(str(power)) <= {"1", "0"}, unit.name
        assert unit.shift == 0 or unit.name in ("C", "F")
