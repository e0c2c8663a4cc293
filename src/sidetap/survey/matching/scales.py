"""The ways a register may stand for a quantity: reading = decoded × scale + offset, with how likely each is.

A unit in, laws out. Most transmitters send a unit of the quantity in decimal parts; some send the distance from
above, a share of a span, a current or a pressure, whose scale or offset nobody can know beforehand. All shares
below: common practice, no source.
"""

from dataclasses import dataclass
from enum import StrEnum

from sidetap.quantity import Dimension, unit


class Form(StrEnum):
    """What is known of a law beforehand."""

    UNIT = "unit"  # scale and offset known
    SHIFTED = "shifted"  # scale known, offset free: another datum, or (scale below 0) the distance from above
    FREE = "free"  # through zero, scale free: a share of a span
    AFFINE = "affine"  # both free: a pressure, a current


@dataclass(frozen=True, slots=True)
class Law:
    """reading in unit = decoded × scale + offset, as far as known; share: how likely beforehand."""

    form: Form
    scale: float
    offset: float
    share: float


_UNIT_SHARE, _SHIFTED_SHARE, _ULLAGE_SHARE, _FREE_SHARE, _AFFINE_SHARE = 0.66, 0.04, 0.08, 0.14, 0.08

# dimension -> (unit, share, decimal places sent as a whole number)
_WHOLE_NUMBERS: dict[Dimension, tuple[tuple[str, float, tuple[int, ...]], ...]] = {
    Dimension.LENGTH: (
        ("m", 0.35, (1, 2, 3, 4)),
        ("ft", 0.35, (0, 1, 2, 3)),
        ("in", 0.30, (0, 1, 2, 3)),
    ),
    Dimension.SHARE: (("%", 1.0, (0, 1, 2)),),
    Dimension.VOLUME: (("gal", 0.4, (0, 1, 2)), ("L", 0.3, (0, 1)), ("m3", 0.3, (0, 1, 2, 3))),
    Dimension.PRESSURE: (("kPa", 0.4, (0, 1, 2, 3)), ("bar", 0.3, (1, 2, 3, 4)), ("psi", 0.3, (0, 1, 2, 3))),
    Dimension.TEMPERATURE: (("C", 0.7, (0, 1, 2)), ("F", 0.3, (0, 1, 2))),
}
# as floats, units are sent whole; a share also as 0 to 1
_FLOATS: dict[Dimension, tuple[tuple[str, float, tuple[int, ...]], ...]] = {
    Dimension.LENGTH: (
        ("m", 0.35, (0,)),
        ("ft", 0.35, (0,)),
        ("in", 0.15, (0,)),
        ("mm", 0.1, (0,)),
        ("cm", 0.05, (0,)),
    ),
    Dimension.SHARE: (("%", 0.8, (0,)), ("%", 0.2, (-2,))),
    Dimension.VOLUME: (("gal", 0.4, (0,)), ("L", 0.3, (0,)), ("m3", 0.3, (0,))),
    Dimension.PRESSURE: (("kPa", 0.4, (0,)), ("bar", 0.25, (0,)), ("psi", 0.25, (0,)), ("Pa", 0.1, (0,))),
    Dimension.TEMPERATURE: (("C", 0.7, (0,)), ("F", 0.3, (0,))),
}
# what a reading of each dimension spans at most, in SI units
_RANGE_SI = {
    Dimension.LENGTH: 20.0,
    Dimension.SHARE: 1.0,
    Dimension.VOLUME: 500.0,
    Dimension.PRESSURE: 500_000.0,
    Dimension.TEMPERATURE: 150.0,
}


def reading_range(name: str) -> float:
    """Return how far readings in the unit called name may lie apart at most, in that unit."""
    u = unit(name)
    return _RANGE_SI[u.dimension] / float(u.factor)


def laws(name: str, *, is_float: bool) -> list[Law]:
    """Return the laws by which a register may stand for readings in the unit called name."""
    own = unit(name)
    known: dict[tuple[float, float], float] = {}
    for source, share, places in (_FLOATS if is_float else _WHOLE_NUMBERS)[own.dimension]:
        sent = unit(source)
        for place in places:
            scale = float(sent.factor / own.factor) * 10.0**-place
            offset = float(sent.shift * sent.factor / own.factor - own.shift)
            key = (scale, offset)
            known[key] = known.get(key, 0.0) + share / len(places)
    found = []
    for (scale, offset), share in known.items():
        found.append(Law(Form.UNIT, scale, offset, _UNIT_SHARE * share))
        found.append(Law(Form.SHIFTED, scale, 0.0, _SHIFTED_SHARE * share))
        found.append(Law(Form.SHIFTED, -scale, 0.0, _ULLAGE_SHARE * share))
    found.append(Law(Form.FREE, 0.0, 0.0, _FREE_SHARE))
    found.append(Law(Form.AFFINE, 0.0, 0.0, _AFFINE_SHARE))
    return found
