"""A value as it stands at a key -> what it means, so that "60 cm" and "0.60 m" are one thing.

Only values that the reader has accepted come in.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from sidetap.quantity import UNITS, Dimension, Rounding, parse_quantity, round_fraction
from sidetap.site.facts import parse_fact
from sidetap.site.keys import Choice, Duration, Fact, Key, Length, Number, Quantity, Range, Texts, WordOrInner


def meaning(key: Key, value: Any) -> Any:
    """Return what the value at a key means, to be compared; that of the default where it is None."""
    if value is None:
        value = default(key)
        if value is None:
            return None
    match key.form:
        case Quantity(dimension):
            return parse_quantity(value, dimension)
        case Length():
            return round_fraction(parse_quantity(value, Dimension.LENGTH) * 10_000, Rounding.NEAREST)
        case Duration():
            return parse_quantity(value, Dimension.TIME)
        case Range():
            return tuple(_in_its_dimension(text) for text in value)
        case Number():
            return Fraction(value)
        case Texts(Fact()):
            return frozenset(parse_fact(text) for text in value)
        case Texts():
            return frozenset(value)
    return value


def default(key: Key) -> Any:
    """Return the value that holds where a key isn't there; None where that is told in words alone ("a tip")."""
    word = key.default.strip('"')
    match key.form:
        case Choice() | WordOrInner() if word != key.default:
            return word
        case Quantity() | Length() | Duration() if word[:1].isdigit():
            return word
        case Number() if word:
            return Fraction(word)
    return None


def _in_its_dimension(text: str) -> tuple[Dimension, Fraction]:
    """Return a quantity with the dimension that its own unit has."""
    for dimension in {unit.dimension for unit in UNITS.values()}:
        try:
            return dimension, parse_quantity(text, dimension)
        except ValueError:
            continue
    raise ValueError(text)
