"""One answer's registers -> a level, or why there is none. Pure; exact until somebody rounds.

The order is that of trust: the conditions in the same answer, the number itself, its valid range, then what sensor
and vessel can say at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from sidetap.line import decode_exact, width
from sidetap.quantity import Quality, format_level, format_number, from_si, to_si
from sidetap.site.levels import level_m
from sidetap.site.model import Condition, LevelKind, Point, Vessel


@dataclass(frozen=True, slots=True)
class Sample:
    """What one whole answer says: a level in m with quality GOOD, or none, with the quality and the reason.

    at_most_m: with BELOW_SENSOR, the level under which the true one lies.
    """

    level_m: Fraction | None
    quality: Quality
    reason: str = ""
    at_most_m: Fraction | None = None


def holds_point(point: Point, first: int, count: int) -> bool:
    """Return whether an answer of count registers from first holds the point and all that it is judged by."""
    spans = [(point.register, point.encoding), *((c.register, c.encoding) for c in point.good_when)]
    return all(first <= register and register + width(encoding) <= first + count for register, encoding in spans)


def judge(vessel: Vessel, point: Point, first: int, words: Sequence[int]) -> Sample:
    """Return what the words of an answer, registers from first on, say about the vessel's level."""
    for condition in point.good_when:
        refusal = _refusal(condition, _decoded(condition.register, condition.encoding, first, words))
        if refusal:
            return Sample(None, Quality.BAD, refusal)
    decoded = _decoded(point.register, point.encoding, first, words)
    if decoded is None:
        return Sample(None, Quality.BAD, f"register {point.register} holds no number")
    shown = decoded * point.scale + point.offset
    reading = to_si(shown, point.unit)
    low, high = point.valid
    if not low <= reading <= high:
        return Sample(None, Quality.BAD, f"{_number(shown)} {point.unit} is outside the valid {_range(point)}")
    return _in_vessel(vessel, reading)


def _in_vessel(vessel: Vessel, reading: Fraction) -> Sample:
    source = vessel.level
    level = level_m(source, vessel.density, reading)
    if source.kind is LevelKind.PRESSURE and reading <= 0:
        nozzle = Fraction(source.sensor_height_01mm, 10_000)
        return _below(nozzle, f"the level is at or below the sensor at {format_level(source.sensor_height_01mm)}")
    if source.kind is LevelKind.ULLAGE and reading < Fraction(source.blocking_01mm, 10_000):
        blocking = format_level(source.blocking_01mm)
        return Sample(None, Quality.ABOVE_RANGE, f"nearer to the sensor than its blocking distance of {blocking}")
    if level < 0:
        return Sample(None, Quality.BAD, f"a level of {_level(level)} is under the vessel's floor")
    if float(level) < vessel.geometry.bottom_m:
        return _below(Fraction(vessel.geometry.bottom_m), f"{_level(level)} is below the first row of the strapping")
    if level * 10_000 > vessel.top_01mm:
        reason = f"a level of {_level(level)} is above the vessel's top at {format_level(vessel.top_01mm)}"
        return Sample(None, Quality.ABOVE_TOP, reason)
    return Sample(level, Quality.GOOD)


def _below(limit_m: Fraction, reason: str) -> Sample:
    return Sample(None, Quality.BELOW_SENSOR, reason, at_most_m=limit_m)


def _refusal(condition: Condition, value: Fraction | None) -> str:
    """Return why a condition does not hold, "" when it does."""
    if value is None:
        return f"register {condition.register} holds no number"
    says = f"register {condition.register} says {_number(value)}"
    if condition.equals is not None and value != condition.equals:
        return f"{says}, not {_number(condition.equals)}"
    if condition.at_least is not None and value < condition.at_least:
        return f"{says}, under {_number(condition.at_least)}"
    if condition.at_most is not None and value > condition.at_most:
        return f"{says}, over {_number(condition.at_most)}"
    return ""


def _decoded(register: int, encoding: str, first: int, words: Sequence[int]) -> Fraction | None:
    start = register - first
    return decode_exact(encoding, words[start : start + width(encoding)])


def _number(value: Fraction) -> str:
    return format_number(value, 0 if value.denominator == 1 else 2)


def _range(point: Point) -> str:
    low, high = (_number(from_si(bound, point.unit)) for bound in point.valid)
    return f"{low} to {high} {point.unit}"


def _level(level: Fraction) -> str:
    return format_level(int(level * 10_000 // 1))
