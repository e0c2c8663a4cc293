"""The ways a register may stand for a quantity: reading = (decoded - zero) × scale + offset, and how likely each is.

A unit in, laws out. Most transmitters send a unit of the quantity in decimal parts; some send the distance from
above, a share of a span, a current or a pressure, whose scale or offset nobody can know beforehand. All shares
below: common practice, no source. The conventional metre of water is 9806.65 Pa (ISO 80000-4:2019, annex, from
memory), the inch of water 25.4 mm of it.
"""

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction

import numpy as np

from sidetap.quantity import Dimension, unit
from sidetap.survey.matching.fields import Floats


class Form(StrEnum):
    """What is known of a law beforehand."""

    UNIT = "unit"  # scale and offset known
    SHIFTED = "shifted"  # scale known, offset free: another datum
    ULLAGE = "ullage"  # scale known and below 0, offset free: the distance from above
    SPAN = "span"  # a share of a span, a loop's current: zero known, scale free
    AFFINE = "affine"  # both free: a pressure at a nozzle of unknown height, a current of unknown range


@dataclass(frozen=True, slots=True)
class Law:
    """reading in unit = (decoded - zero) × scale + offset, as far as known; share: how likely beforehand.

    full: of SPAN, what a whole span is in decoded values; None where that isn't known either.
    """

    form: Form
    scale: float
    offset: float
    share: float
    zero: float = 0.0
    full: float | None = None


# how levels are told: in their unit, from another datum, from above, as a share of a span, or in some other way
_UNIT_SHARE, _SHIFTED_SHARE, _ULLAGE_SHARE, _SPAN_SHARE, _AFFINE_SHARE = 0.62, 0.02, 0.10, 0.18, 0.08

_Sent = tuple[Fraction, float, tuple[int, ...]]  # a unit's size in SI, its share, decimals sent as a whole number


def _size(name: str) -> Fraction:
    return unit(name).factor


_WATER_MM = Fraction(980_665, 100_000)  # Pa
_WATER_IN = _WATER_MM * Fraction(254, 10)

_WHOLE_NUMBERS: dict[Dimension, tuple[_Sent, ...]] = {
    Dimension.LENGTH: (
        (_size("m"), 0.46, (1, 2, 2, 3, 3, 3, 3, 4, 4)),
        (_size("ft"), 0.36, (0, 1, 1, 2, 2, 2, 3)),
        (_size("in"), 0.11, (0, 0, 1, 1, 1, 1, 1, 1, 2, 3)),
        (_size("in") / 8, 0.02, (0,)),
        (_size("in") / 16, 0.05, (0,)),
    ),
    Dimension.SHARE: ((_size("%"), 0.9, (0, 1, 2, 3)),),
    Dimension.VOLUME: (
        (_size("gal"), 0.4, (0, 1, 2)),
        (_size("L"), 0.25, (-1, 0, 1)),
        (_size("m3"), 0.25, (0, 1, 2, 3)),
        (_size("bbl"), 0.1, (0, 1, 2)),
    ),
    Dimension.PRESSURE: (
        (_size("kPa"), 0.35, (0, 1, 2, 3)),
        (_size("bar"), 0.25, (1, 2, 3, 4)),  # the mbar and its tenth are among these
        (_size("psi"), 0.25, (0, 1, 2, 3)),
        (_WATER_MM, 0.05, (0, 1)),
        (_WATER_IN, 0.10, (0, 1, 2)),
    ),
    Dimension.TEMPERATURE: ((_size("C"), 0.7, (0, 1, 2)), (_size("F"), 0.3, (0, 1, 2))),
}
# as floats, units are sent whole; a share also as 0 to 1
_FLOATS: dict[Dimension, tuple[_Sent, ...]] = {
    Dimension.LENGTH: (
        (_size("m"), 0.35, (0,)),
        (_size("ft"), 0.37, (0,)),
        (_size("in"), 0.15, (0,)),
        (_size("mm"), 0.08, (0,)),
        (_size("cm"), 0.05, (0,)),
    ),
    Dimension.SHARE: ((_size("%"), 0.75, (0,)), (_size("%"), 0.15, (-2,))),
    Dimension.VOLUME: (
        (_size("gal"), 0.4, (0,)),
        (_size("L"), 0.25, (0,)),
        (_size("m3"), 0.25, (0,)),
        (_size("bbl"), 0.1, (0,)),
    ),
    Dimension.PRESSURE: (
        (_size("kPa"), 0.35, (0,)),
        (_size("bar"), 0.2, (0,)),
        (_size("bar") / 1000, 0.1, (0,)),
        (_size("psi"), 0.2, (0,)),
        (_size("Pa"), 0.05, (0,)),
        (_WATER_MM, 0.04, (0,)),
        (_WATER_IN, 0.06, (0,)),
    ),
    Dimension.TEMPERATURE: ((_size("C"), 0.7, (0,)), (_size("F"), 0.3, (0,))),
}
_SHIFT = {_size("C"): unit("C").shift, _size("F"): unit("F").shift}  # the two scales differ in size too

# zero and full of what tells a share of a span: per cent, its decimals, a loop's current; None: any whole scale
_WHOLE_SPANS = (
    (0.0, 100.0, 0.08),
    (0.0, 1000.0, 0.22),
    (0.0, 10_000.0, 0.22),
    (0.0, 100_000.0, 0.04),
    (4000.0, 16_000.0, 0.26),
    (400.0, 1600.0, 0.02),
    (0.0, None, 0.16),
)
_FLOAT_SPANS = ((0.0, 100.0, 0.50), (0.0, 1.0, 0.10), (4.0, 16.0, 0.30), (0.0, None, 0.10))
_CURRENTS = ((4000.0, 16_000.0), (4.0, 16.0))  # µA as whole numbers, mA as floats

# what a reading of each dimension spans at most, in SI units
_RANGE_SI = {
    Dimension.LENGTH: 20.0,
    Dimension.SHARE: 1.2,
    Dimension.VOLUME: 5000.0,
    Dimension.PRESSURE: 500_000.0,
    Dimension.TEMPERATURE: 150.0,
}
_SPANS = (1 / 20, 4 / 5)  # of the range: what a share is of


# how a register that only tells the level by a scale and an offset usually comes to do so
_PRESSURE_SHARE, _LOOP_SHARE = 0.60, 0.15
_HEADS_PA = (1000.0, 100_000.0, 100.0, float(_size("psi")), 1.0, float(_WATER_MM), float(_WATER_IN), 10.0)
_GRAVITY = 9.80665  # m/s²
_DENSITIES = (680.0, 1950.0)  # kg/m³, light fuels to heavy brines
_NOZZLE_M = (-0.3, 1.5)  # a sensor's height above the level's datum
_LOOPS = ((4000.0, 16_000.0), (4.0, 16.0))
_LOOP_OFF = 0.1  # of the reach: how far a loop's zero may lie from the datum's


def affine_density(name: str, scale: Floats, offset: Floats, travel: Floats, least: float) -> Floats:
    """Return how dense scale and offset lie, beforehand, where a register tells a level by both.

    A pressure: its scale is a unit's head of a liquid, its offset the sensor's height. A loop's current whose zero is
    near the datum's. Else anything: what the register's lowest and highest value of the record stand for, a
    distance of travel apart, is uniform over `least`, or as far as the register moves.
    """
    wide = reading_range(name)
    top = np.maximum(least, np.abs(scale) * travel)
    anything = np.where((top <= wide) & (travel > 0), travel / top**2, 0.0)
    if unit(name).dimension is not Dimension.LENGTH:
        return anything
    metre = 1 / float(unit(name).factor)
    rising = scale > 0
    size = np.where(rising, scale, 1.0)
    below, above = (m * metre for m in _NOZZLE_M)
    at_nozzle = rising & (offset >= below) & (offset <= above)
    low, high = (metre / (density * _GRAVITY) for density in reversed(_DENSITIES))
    fits = sum(
        (((size >= low * pa) & (size <= high * pa)).astype(np.float64) for pa in _HEADS_PA), np.zeros(len(scale))
    )
    head = np.where(at_nozzle, fits / (len(_HEADS_PA) * size * math.log(high / low) * (above - below)), 0.0)
    loop = np.zeros(len(scale))
    for zero, full in _LOOPS:
        span, shift = size * full, size * zero + offset
        least_span, most_span = usual_spans(name)
        fits_loop = rising & (span >= least_span) & (span <= most_span) & (np.abs(shift) <= _LOOP_OFF * wide)
        loop += np.where(fits_loop, 1 / (size * math.log(most_span / least_span) * 2 * _LOOP_OFF * wide), 0.0)
    rest = 1 - _PRESSURE_SHARE - _LOOP_SHARE
    return np.asarray(_PRESSURE_SHARE * head + _LOOP_SHARE * loop / len(_LOOPS) + rest * anything, dtype=np.float64)


def reading_range(name: str) -> float:
    """Return how far readings in the unit called name may lie apart at most, in that unit."""
    u = unit(name)
    return _RANGE_SI[u.dimension] / float(u.factor)


def usual_spans(name: str) -> tuple[float, float]:
    """Return the least and the greatest span that a share is of, in the unit called name."""
    low, high = _SPANS
    return low * reading_range(name), high * reading_range(name)


def laws(name: str, *, is_float: bool) -> list[Law]:
    """Return the laws by which a register may stand for readings in the unit called name."""
    own = unit(name)
    known: dict[tuple[float, float], float] = {}
    for size, share, places in (_FLOATS if is_float else _WHOLE_NUMBERS)[own.dimension]:
        for place in places:
            scale = float(size / own.factor) * 10.0**-place
            offset = 0.0
            if own.dimension is Dimension.TEMPERATURE:
                offset = float(_SHIFT[size] * size / own.factor - own.shift)
            key = (scale, offset)
            known[key] = known.get(key, 0.0) + share / len(places)
    found = [Law(Form.AFFINE, 0.0, 0.0, _AFFINE_SHARE)]
    for (scale, offset), share in known.items():
        found.append(Law(Form.UNIT, scale, offset, _UNIT_SHARE * share))
        found.append(Law(Form.SHIFTED, scale, offset, _SHIFTED_SHARE * share))
        found.append(Law(Form.ULLAGE, -scale, 0.0, _ULLAGE_SHARE * share))
    if own.dimension is Dimension.SHARE:
        zero, full = _CURRENTS[is_float]
        whole = 100.0 / full
        found.append(Law(Form.UNIT, whole, -whole * zero, 0.1 * _UNIT_SHARE))
    elif own.dimension is not Dimension.TEMPERATURE:
        found += [
            Law(Form.SPAN, 0.0, 0.0, _SPAN_SHARE * share, zero, full)
            for zero, full, share in (_FLOAT_SPANS if is_float else _WHOLE_SPANS)
        ]
    total = sum(law.share for law in found)
    return [replace(law, share=law.share / total) for law in found]
