"""Quantities as people write them: "9 min 35 s", "11 ft 5 in", "0.60 m"; read exactly, printed back."""

import re
import unicodedata
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise

from sidetap.quantity.units import NS_PER_S, UNITS, Dimension, to_si

_TERM = re.compile(r"\s*([+-]?\d+(?:\.\d+)?|[+-]?\.\d+)(?:\s+(\d+)/(\d+))?\s*([A-Za-z%][A-Za-z0-9/%]*)", re.ASCII)
_COMMA = re.compile(r"[\d.]*,[\d.,]*")
_LONGEST = 80  # characters: a quantity is a short text, and Fraction() of an endless one would take for ever


class Rounding(StrEnum):
    """The direction of the one rounding a conversion does."""

    NEAREST = "nearest"  # displays: half goes away from zero
    DOWN = "down"  # levels that trips compare: towards minus infinity
    UP = "up"  # predictions of what may overflow: towards plus infinity
    EXACT = "exact"  # no rounding: a remainder is an error


def round_fraction(value: Fraction, rounding: Rounding) -> int:
    """Return value as a whole number, rounded in the direction named; ValueError when EXACT and not whole."""
    whole, rest = divmod(value.numerator, value.denominator)
    if rest == 0 or rounding is Rounding.DOWN:
        return whole
    if rounding is Rounding.UP:
        return whole + 1
    if rounding is Rounding.EXACT:
        raise ValueError(f"{float(value)} is not a whole number")
    twice = 2 * rest
    return whole + (1 if twice > value.denominator or (twice == value.denominator and whole >= 0) else 0)


def parse_quantity(text: str, dimension: Dimension) -> Fraction:
    """Return text as an exact number of the dimension's SI unit.

    One or more terms, each a number (with an optional fraction in inches, "5 3/16 in") and a unit of that
    dimension; the terms add up, and only the first may have a sign, which holds for all of them. ValueError says
    what could not be read.

    >>> parse_quantity("11 ft 5 in", Dimension.LENGTH)
    Fraction(17399, 5000)
    >>> parse_quantity("-1 kPa", Dimension.PRESSURE)
    Fraction(-1000, 1)
    """
    known = " ".join(u.name for u in UNITS.values() if u.dimension is dimension)
    if len(text) > _LONGEST:
        raise ValueError(f"{text[:20]!r}... is too long for a quantity")
    strange = odd_characters(text)
    if strange:
        raise ValueError(f"{text!r} has {strange}; write it with plain letters and digits")
    comma = _COMMA.search(text)
    if comma is not None:  # a thousand to some, a decimal point to others
        raise ValueError(f"{comma[0]!r} in {text!r} has a comma; write 1600 for a thousand, 1.6 with a point")
    terms: list[tuple[Fraction, str]] = []
    negative = False
    position = 0
    while position < len(text.rstrip()):
        match = _TERM.match(text, position)
        if match is None:
            raise ValueError(f"{text!r} is not a quantity; write a number and a unit of: {known}")
        number, above, below, name = match.groups()
        if name not in UNITS or UNITS[name].dimension is not dimension:
            raise ValueError(f"{name!r} in {text!r} is not one of: {known}")
        if terms and number[0] in "+-":
            raise ValueError(f"{text!r} has a sign inside; only the whole may have one")
        if not terms:
            negative = number[0] == "-"
        value = Fraction(number.lstrip("+-"))
        if above is not None:
            if int(below) not in (2, 4, 8, 16, 32, 64) or int(above) >= int(below):
                raise ValueError(f"{above}/{below} in {text!r} is no part of an inch on a tape")
            value += Fraction(int(above), int(below))
        if any(name == other for _, other in terms):
            raise ValueError(f"{text!r} has {name!r} twice")
        terms.append((value, name))
        position = match.end()
    if not terms:
        raise ValueError(f"no quantity here; write a number and a unit of: {known}")
    sizes = [UNITS[name].factor for _, name in terms]
    if sizes != sorted(sizes, reverse=True):
        raise ValueError(f"{text!r} has the smaller unit first; write the larger one first")
    for (_, larger), (value, name) in pairwise(terms):
        if to_si(value, name) >= UNITS[larger].factor:
            raise ValueError(f"{text!r} has more than one {larger} in {name}; carry it over")
    if len(terms) == 1:
        value, name = terms[0]
        return to_si(-value if negative else value, name)
    total = sum((to_si(value, name) for value, name in terms), Fraction(0))
    return -total if negative else total


def odd_characters(text: str) -> str:
    """Return the first character of text that is none of ASCII, with its name, as words; "" when there is none.

    >>> odd_characters("７ ft")
    "'７' (FULLWIDTH DIGIT SEVEN)"
    """
    odd = next((character for character in text if not character.isascii()), None)
    return "" if odd is None else f"{odd!r} ({unicodedata.name(odd, 'a character without a name')})"


def parse_duration_ns(text: str) -> int:
    """Return a duration such as "9 min 35 s" in whole ns; ValueError when it is none or not a whole ns."""
    return round_fraction(parse_quantity(text, Dimension.TIME) * NS_PER_S, Rounding.EXACT)


def parse_length_01mm(text: str, rounding: Rounding = Rounding.NEAREST) -> int:
    """Return a length such as "0.60 m" or "11 ft 5 in" in whole tenths of a millimetre, rounded as named.

    >>> parse_length_01mm("11 ft 5 in")
    34798
    """
    return round_fraction(parse_quantity(text, Dimension.LENGTH) * 10_000, rounding)


def format_duration(duration_ns: int) -> str:
    """Return a duration in the largest units that tell it exactly: days down to ns, zeros left out.

    >>> format_duration(575 * 10**9)
    '9 min 35 s'
    """
    sign = "-" if duration_ns < 0 else ""
    seconds, rest = divmod(abs(duration_ns), NS_PER_S)
    parts = []
    for name, size in (("d", 86_400), ("h", 3600), ("min", 60), ("s", 1)):
        count, seconds = divmod(seconds, size)
        if count:
            parts.append(f"{count} {name}")
    for name, size in (("ms", 1_000_000), ("us", 1000), ("ns", 1)):
        count, rest = divmod(rest, size)
        if count:
            parts.append(f"{count} {name}")
    return sign + (" ".join(parts) or "0 s")


def format_feet_inches(length_m: Fraction, denominator: int = 16, rounding: Rounding = Rounding.NEAREST) -> str:
    """Return a length as feet, inches and a fraction of an inch, rounded as named to 1/denominator in.

    The carry goes through: 11.984375 in is 1 ft 0 in.

    >>> format_feet_inches(parse_quantity("11.9375 in", Dimension.LENGTH))
    '0 ft 11 15/16 in'
    """
    parts = round_fraction(length_m / to_si(1, "in") * denominator, rounding)
    sign = "-" if parts < 0 else ""
    inches, fraction = divmod(abs(parts), denominator)
    feet, inches = divmod(inches, 12)
    shown = Fraction(fraction, denominator)
    tail = f" {shown.numerator}/{shown.denominator}" if shown else ""
    return f"{sign}{feet} ft {inches}{tail} in"


def format_number(value: Fraction | int, decimals: int = 0, rounding: Rounding = Rounding.NEAREST) -> str:
    """Return value rounded as named to so many decimals, thousands set apart by commas.

    >>> format_number(Fraction(120742, 2))
    '60,371'
    """
    scaled = round_fraction(Fraction(value) * 10**decimals, rounding)
    sign = "-" if scaled < 0 else ""
    whole, rest = divmod(abs(scaled), 10**decimals)
    return f"{sign}{whole:,}" + (f".{rest:0{decimals}d}" if decimals else "")
