"""Numbers as a person would write them: no more digits than the evidence carries, never an exponent."""

from decimal import Decimal, localcontext
from fractions import Fraction

from sidetap.quantity import Rounding, round_fraction


def exact(number: float) -> Fraction:
    """Return the decimal that a document's number was written as.

    >>> exact(0.1)
    Fraction(1, 10)
    """
    return Fraction(repr(number))


def shortest(value: Fraction, tolerance: Fraction) -> Fraction:
    """Return the decimal with the fewest places that lies within tolerance of value.

    >>> shortest(Fraction("5.6200556"), Fraction("0.0004"))
    Fraction(281, 50)
    """
    for places in range(-15, 40):
        step = Fraction(10) ** -places
        found = round_fraction(value / step, Rounding.NEAREST) * step
        if abs(found - value) <= tolerance:
            return found
    return value


def plain(value: Fraction) -> str:
    """Return a decimal without an exponent and without zeros at its end.

    >>> plain(Fraction(1, 4000)), plain(Fraction(20))
    ('0.00025', '20')
    """
    with localcontext() as context:
        context.prec = 60
        text = f"{Decimal(value.numerator) / Decimal(value.denominator):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
