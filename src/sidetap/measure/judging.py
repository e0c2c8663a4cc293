"""One answer's registers -> a level, or why there is none. Pure; exact until somebody rounds.

The order is that of trust: the conditions in the same answer, the number itself, its valid range, then what sensor
and vessel can say at all. A number outside the valid range is a fault's code or a slip, unless it names a level that
the vessel can have: then it is the sensor's end that is told, with the side it lies on.

Theory of operation. From decoded value to level every law is a straight line with exact coefficients, so a ``Judge``
multiplies it out once per vessel into whole numbers: level = (a × p + b × q) / (d × q) for a decoded value p / q.
Comparing and rounding down then are whole-number work, some microseconds of it, and as exact as fractions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from sidetap.line import decoder, width
from sidetap.quantity import Quality, format_level, format_number, from_si, to_si
from sidetap.site.levels import level_m
from sidetap.site.model import Condition, LevelKind, Point, Vessel

_GOOD = Quality.GOOD  # looked up once: every good answer needs it


@dataclass(frozen=True, slots=True)
class Sample:
    """What one whole answer says: a level with quality GOOD, or none, with the quality and the reason.

    exact: the level in m as numerator and denominator, not reduced; level_01mm, metres: rounded down, and as a float
    for formulas. at_most_m: with BELOW_SENSOR, the level under which the true one lies.
    """

    exact: tuple[int, int] | None
    quality: Quality
    reason: str = ""
    at_most_m: Fraction | None = None
    level_01mm: int = 0
    metres: float = 0.0

    @property
    def level_m(self) -> Fraction | None:
        """The level in m, exactly; None where there is none."""
        return None if self.exact is None else Fraction(*self.exact)


def judge(vessel: Vessel, point: Point, first: int, words: Sequence[int]) -> Sample:
    """Return what the words of an answer, registers from first on, say about the vessel's level."""
    return Judge(vessel, point).judge(first, words)


def holds_point(point: Point, first: int, count: int) -> bool:
    """Return whether an answer of count registers from first holds the point and all that it is judged by."""
    low, end = _span(point)
    return first <= low and end <= first + count


class Judge:
    """A vessel and its point, made ready to judge answers."""

    def __init__(self, vessel: Vessel, point: Point) -> None:
        self._vessel, self._point = vessel, point
        self._low, self._end = _span(point)
        self._conditions = [(c, decoder(c.encoding), width(c.encoding)) for c in point.good_when]
        self._decode, self._width = decoder(point.encoding), width(point.encoding)
        zero, one = self._level_of(Fraction(0)), self._level_of(Fraction(1))
        slope = one - zero
        self._d = slope.denominator * zero.denominator
        self._a, self._b = int(slope * self._d), int(zero * self._d)
        self.step_m = abs(float(slope)) if point.encoding.startswith(_WHOLE) else 0.0
        ends = sorted(_decoded_of(point, bound) for bound in point.valid)
        self._valid = tuple((end.numerator, end.denominator) for end in ends)
        # within these the level is good without another look: in 0.1 mm, whole, towards the inside
        low_m, high_m = self._lowest_m(), self._highest_m()
        self._good_01mm = -(-low_m * 10_000 // 1), high_m * 10_000 // 1

    def holds(self, first: int, count: int) -> bool:
        """Return whether an answer of count registers from first holds the point and all that it is judged by."""
        return first <= self._low and self._end <= first + count

    def judge(self, first: int, words: Sequence[int]) -> Sample:
        """Return what the words of an answer, registers from first on, say about the vessel's level."""
        for condition, decode, count in self._conditions:
            start = condition.register - first
            refusal = _refusal(condition, decode(words[start : start + count]))
            if refusal:
                return Sample(None, Quality.BAD, refusal)
        start = self._point.register - first
        decoded = self._decode(words[start : start + self._width])
        if decoded is None:
            return Sample(None, Quality.BAD, f"register {self._point.register} holds no number")
        p, q = decoded.as_integer_ratio()
        (low_p, low_q), (high_p, high_q) = self._valid
        valid = p * low_q >= low_p * q and p * high_q <= high_p * q
        above, below = self._a * p + self._b * q, self._d * q
        floor_01mm = above * 10_000 // below
        low_01mm, high_01mm = self._good_01mm
        if valid and low_01mm <= floor_01mm < high_01mm:
            return Sample((above, below), _GOOD, "", None, floor_01mm, above / below)
        return self._at_an_end(Fraction(decoded), valid, Fraction(above, below))

    def _at_an_end(self, decoded: Fraction, valid: bool, level: Fraction) -> Sample:
        """Return what a level at an end of what can be told comes to, or beyond it."""
        low, high = self._lowest_m(), self._highest_m()
        if valid and low <= level <= high:
            return Sample(level.as_integer_ratio(), Quality.GOOD, "", None, level * 10_000 // 1, float(level))
        if not valid:
            return self._outside(decoded, level)
        source, vessel = self._vessel.level, self._vessel
        if source.kind is LevelKind.PRESSURE and level < low:
            sensor = Fraction(source.sensor_height_01mm, 10_000)
            height = format_level(source.sensor_height_01mm)
            if level <= sensor:
                return _below(max(sensor, _bottom(vessel)), f"the level is at or below the sensor at {height}")
            return _below(low, f"too near to the sensor at {height} to be told from an uncovered one")
        if level < 0:
            return Sample(None, Quality.BAD, f"a level of {_level(level)} is under the vessel's floor")
        if level < low:
            return _below(low, f"{_level(level)} is below the lowest level the vessel has a volume for")
        if source.kind is LevelKind.ULLAGE and level * 10_000 > source.reference_height_01mm - source.blocking_01mm:
            blocking = format_level(source.blocking_01mm)
            reason = f"nearer to the sensor than its blocking distance of {blocking}"
            return Sample(None, Quality.ABOVE_RANGE, reason)
        reason = f"a level of {_level(level)} is above the vessel's top at {format_level(vessel.top_01mm)}"
        return Sample(None, Quality.ABOVE_TOP, reason)

    def _outside(self, decoded: Fraction, level: Fraction) -> Sample:
        """Return what a number outside the valid range says: on which side the level lies, or nothing."""
        point = self._point
        shown = decoded * point.scale + point.offset
        outside = f"{_number(shown)} {point.unit} is outside the valid {_range(point)}"
        source = self._vessel.level
        lowest, highest = sorted(level_m(source, self._vessel.density, bound) for bound in point.valid)
        floor_01mm = source.sensor_height_01mm if source.kind is LevelKind.PRESSURE else 0
        if Fraction(floor_01mm, 10_000) <= level < lowest:
            return _below(max(lowest, _bottom(self._vessel)), f"{outside}: below the sensor's range")
        if highest < level <= self._top():
            return Sample(None, Quality.ABOVE_RANGE, f"{outside}: above the sensor's range")
        return Sample(None, Quality.BAD, outside)

    def _level_of(self, decoded: Fraction) -> Fraction:
        point = self._point
        return level_m(
            self._vessel.level, self._vessel.density, to_si(decoded * point.scale + point.offset, point.unit)
        )

    def _lowest_m(self) -> Fraction:
        """Return the lowest level that the sensor can tell and the vessel has a volume for.

        A pressure that a reading's uncertainty can't tell from none says only that the sensor may be uncovered.
        """
        source, bottom = self._vessel.level, _bottom(self._vessel)
        if source.kind is not LevelKind.PRESSURE:
            return bottom
        return max(bottom, Fraction(source.sensor_height_01mm + self._vessel.uncertainty.reading_01mm, 10_000))

    def _highest_m(self) -> Fraction:
        source = self._vessel.level
        if source.kind is not LevelKind.ULLAGE:
            return self._top()
        return min(self._top(), Fraction(source.reference_height_01mm - source.blocking_01mm, 10_000))

    def _top(self) -> Fraction:
        return Fraction(self._vessel.top_01mm, 10_000)


_WHOLE = ("uint", "int", "bcd", "bits", "mod10k")  # encodings of whole numbers: one count is one step of the level


def _span(point: Point) -> tuple[int, int]:
    spans = [(point.register, point.encoding), *((c.register, c.encoding) for c in point.good_when)]
    return min(register for register, _ in spans), max(register + width(encoding) for register, encoding in spans)


def _decoded_of(point: Point, bound: Fraction) -> Fraction:
    """Return the decoded value at which the point's reading is at a bound of its valid range."""
    return (from_si(bound, point.unit) - point.offset) / point.scale


def _bottom(vessel: Vessel) -> Fraction:
    """Return the lowest level that has a volume: the decimal that was written, not the float nearest to it."""
    return Fraction(repr(vessel.geometry.bottom_m))


def _below(limit_m: Fraction, reason: str) -> Sample:
    return Sample(None, Quality.BELOW_SENSOR, reason, at_most_m=limit_m)


def _refusal(condition: Condition, value: int | float | None) -> str:
    """Return why a condition does not hold, "" when it does."""
    if value is None:
        return f"register {condition.register} holds no number"
    if condition.equals is not None and value != condition.equals:
        return f"{_says(condition, value)}, not {_number(condition.equals)}"
    if condition.at_least is not None and value < condition.at_least:
        return f"{_says(condition, value)}, under {_number(condition.at_least)}"
    if condition.at_most is not None and value > condition.at_most:
        return f"{_says(condition, value)}, over {_number(condition.at_most)}"
    return ""


def _says(condition: Condition, value: int | float) -> str:
    return f"register {condition.register} says {_number(Fraction(value))}"


def _number(value: Fraction) -> str:
    return format_number(value, 0 if value.denominator == 1 else 2)


def _range(point: Point) -> str:
    low, high = (_number(from_si(bound, point.unit)) for bound in point.valid)
    return f"{low} to {high} {point.unit}"


def _level(level: Fraction) -> str:
    return format_level(int(level * 10_000 // 1))
