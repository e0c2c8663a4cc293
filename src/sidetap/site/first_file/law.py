"""From a match's law (reading = decoded × scale + offset) to a point and a way to a level, as site files have them.

Of the ways that a site file knows, those that give the very same level as the match are chosen, whichever says most
plainly what the register is: a height, a distance from above, a share of a span. A pressure is only ever proposed:
its level would follow the product's density, which no listening tells.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from sidetap.quantity import UNITS, Dimension, convert, from_si, to_si, unit
from sidetap.site.first_file.decimals import exact, plain, shortest
from sidetap.site.first_file.told import Answer, Reading
from sidetap.site.levels import STANDARD_GRAVITY
from sidetap.site.model import LevelKind

_OWN_SHARE = Fraction(1, 2000)  # of the span seen: what rounding a law may change; a match promises ten times that
_BLIND_SHARE = Fraction(1, 10**7)  # of the number itself, where the span seen isn't known
_SAME = Fraction(1, 10**9)  # two doubles that mean one factor
_PLACES = range(5)  # decimal places that a unit is sent in as a whole number; common practice, no source
_SHARE_PLACES = range(3)  # the same of a percentage
_SENT_LENGTHS = ("m", "cm", "mm", "ft", "in")
_SENT_PRESSURES = ("kPa", "psi", "bar", "Pa")
_REFERENCES_M = (Fraction(1, 10_000), 40)  # what the site file takes as a reference height, and as a span
_SPANS_M = (Fraction(1, 10_000), 30)
_PRODUCTS_KG_PER_M3 = (600, 2000)  # liquids of such yards, from light fuels to heavy fertilisers; from memory


@dataclass(frozen=True, slots=True)
class Law:
    """A point's reading and how it becomes a level.

    reading = decoded × scale + offset, in unit. reference, span: the level key of that kind, None where the kind has
    none or nobody knows it. why: sentences for a person. lowest: the level (in the match's unit) that the register
    says at 0, where that is above the vessel's datum, and None elsewhere.
    """

    unit: str
    scale: Fraction
    offset: Fraction
    kind: LevelKind
    reference: str | None
    span: str | None
    why: tuple[str, ...]
    lowest: str | None = None

    def reading(self, decoded: float) -> Fraction:
        """Return the point's reading for a decoded value."""
        return exact(decoded) * self.scale + self.offset


def law_of(answer: Answer, best: Reading, seen: tuple[float, float] | None) -> Law | str:
    """Return the law of a match's answer, or why no level can be made of it.

    seen: lowest and highest decoded value of the record.
    """
    own = answer.unit or "m"
    dimension = unit(own).dimension
    if dimension is Dimension.VOLUME:
        return "The readings are volumes: a site file makes volumes from levels. Take readings of the level instead."
    if dimension not in (Dimension.LENGTH, Dimension.PRESSURE, Dimension.SHARE):
        return f"Readings in {own} are no level."
    scale, offset = _rounded(exact(best.scale), exact(best.offset), seen)
    sent = _sent(exact(best.scale), own)
    if dimension is Dimension.PRESSURE:
        why = "The readings are pressures; the level needs the sensor's height and the product's density."
        return _in_sent_unit(sent or (own, scale), offset, own, LevelKind.PRESSURE, (why,))
    if dimension is Dimension.SHARE:
        why = "The readings are a share of a span; the level needs that span."
        return _in_sent_unit(sent or (own, scale), offset, own, LevelKind.PERCENT, (why,))
    if scale < 0 and _REFERENCES_M[0] <= to_si(offset, own) <= _REFERENCES_M[1]:
        return _ullage(sent or (own, scale), offset, own)
    if sent is not None:
        return _in_sent_unit(sent, offset, own, LevelKind.HEIGHT, _height_words(sent, offset, own))
    is_float = best.encoding.startswith("float")
    pressures = _pressures(scale, own, offset, is_float)
    if offset == 0 and scale > 0 and not (is_float and pressures):
        share = _share(scale, own, seen, is_float)
        if share is not None:
            return share
    return _no_unit(scale, offset, own, pressures)


def _rounded(scale: Fraction, offset: Fraction, seen: tuple[float, float] | None) -> tuple[Fraction, Fraction]:
    """Return scale and offset with the digits that show in a level."""
    span = abs(exact(seen[1]) - exact(seen[0])) if seen is not None else Fraction(0)
    if seen is None or span == 0:
        return shortest(scale, abs(scale) * _BLIND_SHARE), shortest(offset, abs(offset) * _BLIND_SHARE)
    allowed = span * abs(scale) * _OWN_SHARE / 2
    largest = max(abs(exact(end)) for end in seen)
    return shortest(scale, allowed / largest), shortest(offset, allowed)


def _sent(scale: Fraction, own: str) -> tuple[str, Fraction] | None:
    """Return the unit that the device sends and its scale, a power of ten, where the whole scale is just that."""
    same = [own, *(u for u in (*_SENT_LENGTHS, *_SENT_PRESSURES) if unit(u).dimension is unit(own).dimension)]
    for place in _PLACES:  # the fewest places first: 1 mm, and not 0.001 m
        power = Fraction(10) ** -place
        for name in same:
            factor = unit(name).factor / unit(own).factor
            if abs(abs(scale) - factor * power) <= abs(scale) * _SAME:
                return name, power if scale > 0 else -power
    return None


def _in_sent_unit(
    sent: tuple[str, Fraction], offset: Fraction, own: str, kind: LevelKind, why: tuple[str, ...]
) -> Law:
    name, scale = sent
    here = convert(offset, own, name)
    return Law(
        name, scale, shortest(here, abs(here) * _BLIND_SHARE), kind, None, None, why, _lowest(scale, offset, own)
    )


def _lowest(scale: Fraction, offset: Fraction, own: str) -> str | None:
    return f"{plain(offset)} {own}" if scale > 0 and offset > 0 else None


def _height_words(sent: tuple[str, Fraction], offset: Fraction, own: str) -> tuple[str, ...]:
    if sent[1] < 0:
        return ("The decoded value falls where the level rises, and no height from above fits: look at it again.",)
    if offset == 0:
        return ("The register sends the level itself.",)
    return (
        f"The register sends a height, but {plain(abs(offset))} {own} "
        f"{'below' if offset > 0 else 'above'} what people read: its datum is another than theirs.",
    )


def _ullage(sent: tuple[str, Fraction], offset: Fraction, own: str) -> Law:
    name, scale = sent
    reference = f"{plain(offset)} {own}"
    why = (
        f"The decoded value falls where the level rises: a distance from above, and {reference} over the vessel's "
        f"datum as the readings have it. Measure that height.",
    )
    return Law(name, -scale, Fraction(0), LevelKind.ULLAGE, reference, None, why)


def _share(scale: Fraction, own: str, seen: tuple[float, float] | None, is_float: bool) -> Law | None:
    """Return the law as a share of a span, where the values seen can be one."""
    if seen is None or seen[0] < 0:
        return None
    highest = exact(seen[1])
    places = (-2, 0) if is_float else _SHARE_PLACES
    for place in places:
        power = Fraction(10) ** -place
        share, whole_span = highest * power, scale / power * 100
        if 10 < share <= 100 and _SPANS_M[0] <= to_si(whole_span, own) <= _SPANS_M[1]:
            span = f"{plain(whole_span)} {own}"
            why = (
                f"The scale is that of no unit of length. As {plain(power)} % of a span the values seen end at "
                f"{plain(shortest(share, Fraction(1, 20)))} %, and the span would be {span}: ask for the "
                f"transmitter's span. The level is the same in any case.",
            )
            return Law("%", power, Fraction(0), LevelKind.PERCENT, None, span, why)
    return None


def _no_unit(scale: Fraction, offset: Fraction, own: str, pressures: list[tuple[str, Fraction, Fraction]]) -> Law:
    why = [
        "The scale is that of no unit of length: the readings alone tell it, and it is as good as they are. Look for "
        "the transmitter's span, current or pressure range."
    ]
    for name, power, density in pressures:
        kg_per_m3 = plain(shortest(density, Fraction(1, 2)))
        lb_per_gal = plain(shortest(from_si(density, "lb/gal"), Fraction(1, 200)))
        times = "" if power == 1 else f" × {plain(power)}"
        keys = f'unit = "{name}", scale = {plain(power)}, no offset; level.as = "pressure"'
        why.append(
            f"If it sends {name}{times}, it is a pressure, of a product of {kg_per_m3} kg/m3 ({lb_per_gal} lb/gal) "
            f"over a sensor {plain(offset)} {own} above the datum. Where the label and the product's certificate say "
            f"so, write {keys}, level.sensor_height: then the level follows the density, and check keeps the trip "
            f"above the sensor."
        )
    return Law(own, scale, offset, LevelKind.HEIGHT, None, None, tuple(why), _lowest(scale, offset, own))


def _pressures(scale: Fraction, own: str, offset: Fraction, is_float: bool) -> list[tuple[str, Fraction, Fraction]]:
    """Return the units of pressure that the register may send (name, power of ten, density of the product in kg/m³).

    Hydrostatics: level = sensor + p / (density × g), so that the scale is 1 / (density × g).
    """
    if scale <= 0 or offset < 0:
        return []
    metres = to_si(scale, own)
    found: list[tuple[str, Fraction, Fraction]] = []
    for name in _SENT_PRESSURES:
        for place in (0,) if is_float else _PLACES:
            power = Fraction(10) ** -place
            density = UNITS[name].factor * power / (metres * STANDARD_GRAVITY)
            told = any(density == other for _, _, other in found)  # bar and kPa are powers of ten apart
            if _PRODUCTS_KG_PER_M3[0] <= density <= _PRODUCTS_KG_PER_M3[1] and not told:
                found.append((name, power, density))
    return found[:2]
