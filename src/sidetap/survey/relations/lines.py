"""A line between two registers, and which law of arithmetic it is: equal, opposite, two scales of one temperature ...

Two series in, scale and offset out, and a name where scale and offset are those of two units. A name is given only
where the scale is known within 1 % and every answer still lies as close with exactly that scale.
"""

import math
from dataclasses import dataclass
from enum import Enum, auto

import numpy as np

from sidetap.quantity import UNITS, Dimension
from sidetap.survey.relations.series import Flags, Floats

_TRIMMED = 0.98
_KNOWN = 0.01
_WORSE = 1.3
_CERTAIN_ZERO = 0.05
_SAME_UNITS = (Dimension.LENGTH, Dimension.VOLUME, Dimension.PRESSURE, Dimension.MASS)
_KELVIN = 273.15  # 0 °C (BIPM, SI brochure)


class Law(Enum):
    """What a line or a curve may be; the first ones say more than the last."""

    SAME = auto()  # equal, but for a power of ten or two units
    SUM = auto()  # opposite: their sum stays the same
    CELSIUS_FAHRENHEIT = auto()
    CELSIUS_KELVIN = auto()
    CURRENT_SHARE = auto()  # 4 to 20 mA for 0 to 100 % (IEC 60381-1; from memory)
    SHIFTED = auto()  # equal, but for a constant
    PROPORTIONAL = auto()
    LINEAR = auto()
    CURVE = auto()


@dataclass(frozen=True, slots=True)
class Line:
    """y = scale × x + offset. left: what 98 % of the answers lie within. names: pairs of units with that ratio."""

    scale: float
    offset: float
    left: float
    names: tuple[str, ...] = ()


def fit(x: Floats, y: Floats) -> tuple[Line, Flags]:
    """Return the line through most answers (least squares, the worst 2 % left out), and which answers those are."""
    inner = np.ones(len(x), dtype=np.bool_)
    scale, offset, left = 0.0, 0.0, 0.0
    for _ in range(2):
        dx, dy = x - x[inner].mean(), y - y[inner].mean()
        squares = float((dx[inner] ** 2).sum())
        if squares == 0:
            return Line(0.0, float(y.mean()), math.inf), inner
        scale = float((dx[inner] * dy[inner]).sum()) / squares
        off = np.abs(dy - scale * dx)
        left = float(np.quantile(off, _TRIMMED))
        offset = float(y[inner].mean() - scale * x[inner].mean())
        inner = off <= left
    return Line(scale, offset, left), inner


def law_of(line: Line, x: Floats, y: Floats, rounding: float, moved: int) -> tuple[Law, Line]:
    """Return what a line is, and the line with the exact scale where it has a name.

    rounding: what the last digits of both allow, in units of y. moved: on how many occasions.
    """
    span = float(np.ptp(np.quantile(y, (0.02, 0.98))))
    known = max(2 * line.left / span / math.sqrt(moved), 1e-6)  # each occasion tells the scale anew
    if known <= _KNOWN:
        named = [
            (law, exact)
            for factor, laws, names in _FACTORS
            if (exact := _exact(line, factor, names, x, y, known, rounding)) is not None
            and (law := _law(exact, laws, max(line.left, rounding))) is not None
        ]
        if named:
            return min(named, key=lambda found: (found[0].value, abs(found[1].scale / line.scale - 1)))
    # where zero lies is known the less, the farther the answers lie from it
    middle = abs(float(x.mean())) * abs(line.scale)
    unsure = line.left * (1 + 2 * middle / span)
    if line.scale > 0 and abs(line.offset) <= unsure <= _CERTAIN_ZERO * abs(float(y.mean())):
        return Law.PROPORTIONAL, line
    return Law.LINEAR, line


def _exact(
    line: Line, factor: float, names: tuple[str, ...], x: Floats, y: Floats, known: float, rounding: float
) -> Line | None:
    """Return the line with exactly this factor, powers of ten aside; None where the answers contradict."""
    exponent = round(math.log10(abs(line.scale) / factor))
    scale = math.copysign(factor * 10.0**exponent, line.scale)
    if abs(scale / line.scale - 1) > known:
        return None
    rest = y - scale * x
    offset = float(np.median(rest))
    left = float(np.quantile(np.abs(rest - offset), _TRIMMED))
    return Line(scale, offset, left, names) if left <= _WORSE * max(line.left, rounding) else None


def _law(line: Line, laws: dict[Law, tuple[float, ...]], tolerance: float) -> Law | None:
    """Return the law whose offset the line has, powers of ten aside; None where it has none of them."""
    if Law.SAME in laws:
        if line.scale < 0:
            return Law.SUM
        if abs(line.offset) <= 2 * tolerance:
            return Law.SAME
    if line.scale < 0:
        return None
    for law, offsets in laws.items():
        for offset in offsets:
            if line.offset * offset > 0:
                whole = offset * 10.0 ** round(math.log10(line.offset / offset))
                if abs(line.offset - whole) <= 2 * tolerance < abs(whole) / 10:
                    return law
    return Law.SHIFTED if Law.SAME in laws else None


def _factors() -> list[tuple[float, dict[Law, tuple[float, ...]], tuple[str, ...]]]:
    """Return every factor from 1 to 10 that has a name, what it may be with which offsets, and of which units."""
    names: dict[float, dict[Dimension, str]] = {1.0: {}}
    for dimension in _SAME_UNITS:
        own = [u for u in UNITS.values() if u.dimension is dimension]
        for a, b in ((a, b) for a in own for b in own):
            ratio = float(a.factor / b.factor)
            mantissa = ratio / 10.0 ** math.floor(math.log10(ratio) + 1e-9)
            if mantissa > 1 + 1e-9:
                key = next((k for k in names if math.isclose(k, mantissa, rel_tol=1e-9)), mantissa)
                names.setdefault(key, {}).setdefault(dimension, f"{a.name} and {b.name}")
    found: list[tuple[float, dict[Law, tuple[float, ...]], tuple[str, ...]]] = [
        (factor, {Law.SAME: ()}, tuple(own.values())) for factor, own in names.items()
    ]
    found[0][1][Law.CELSIUS_KELVIN] = (_KELVIN, -_KELVIN)
    found.append((1.8, {Law.CELSIUS_FAHRENHEIT: (32.0,)}, ()))
    found.append((10 / 1.8, {Law.CELSIUS_FAHRENHEIT: (-32 / 1.8,)}, ()))
    found.append((1.6, {Law.CURRENT_SHARE: (4.0,)}, ()))
    found.append((6.25, {Law.CURRENT_SHARE: (-25.0,)}, ()))
    return found


_FACTORS = _factors()
