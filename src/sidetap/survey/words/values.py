"""A survey's values -> what to say of each: where, what came, read as what, how far it is known, what to do next.

Nothing here decides: verdicts repeat the survey's, and a limit that the value won't come near is told aside.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sidetap.line import decode, reference
from sidetap.survey.survey import Survey
from sidetap.survey.values import Candidate, Device, Kind, Status, Value
from sidetap.survey.words.times import lasting
from sidetap.survey.words.verdict import SETTLED, Sure, Verdict, beyond, may_reach
from sidetap.survey.words.vocabulary import (
    bytes_as_taken,
    decimals,
    either,
    encoding_words,
    number,
    quoted,
    sureness,
    trend_words,
    wire_bytes,
)

_MOST_OTHERS = 2
_SOON_H = 48.0  # further off, "at this rate" is no forecast
_WIDEST = 4  # registers of a number


@dataclass(frozen=True, slots=True)
class ValueWords:
    """All that is said of one value. Empty words where there is nothing to say.

    taken: the bytes in the order in which they make the number, where that is not how they came. aside: what holds
    only far beyond what was seen. way, others: how it is read, and how else it may be, for pictures. decimals: that
    its numbers deserve.
    """

    value: Value
    reference: str
    wire: str
    encoding: str
    taken: str
    now: str
    span: str
    trend: str
    faults: str
    verdict: Verdict
    sureness: str
    instruction: str
    aside: str
    way: Candidate | None
    others: tuple[Candidate, ...]
    decimals: int


def device_words(device: Device) -> list[ValueWords]:
    """Return what is said of a device's values, in their order."""
    return [_value_words(device, value) for value in device.values]


def survey_words(found: Survey) -> list[ValueWords]:
    """Return what is said of all values."""
    return [words for device in found.devices for words in device_words(device)]


def _value_words(device: Device, value: Value) -> ValueWords:
    shown = [x for x in (value.first, value.last, value.min, value.max) if not isinstance(x, str)]
    places = decimals(shown)
    others = _others(device, value)
    verdict = _verdict(value, others)
    moved = value.min is not None and value.min != value.max
    return ValueWords(
        value,
        reference(value.table, value.register),
        wire_bytes(value.last_words),
        encoding_words(value.encoding),
        bytes_as_taken(value.encoding, value.last_words) or "",
        quoted(value.last) if isinstance(value.last, str) else number(value.last, places),
        f"{number(value.min, places)} .. {number(value.max, places)}" if moved else "",
        _trend(value, places),
        _faults(value),
        verdict,
        sureness(value.confidence),
        _instruction(value, verdict, others, places),
        _aside(value, verdict),
        _own(device, value),
        tuple(others),
        places,
    )


def _trend(value: Value, places: int) -> str:
    if value.kind is Kind.TEXT or value.min is None:
        return ""
    return "never changed" if value.min == value.max else trend_words(value.trend_per_h, places)


def _faults(value: Value) -> str:
    if not value.faults:
        return ""
    codes = either([wire_bytes(words) for words in value.fault_words]) if value.fault_words else ""
    return f'{value.faults:,} answers hold a code for "no value"{codes and f": {codes}"}'


def _own(device: Device, value: Value) -> Candidate | None:
    """Return the way in which a value is read, with the longest series there is."""
    ways = [
        c
        for c in device.candidates
        if (c.block.table, c.register, c.hypothesis.encoding) == (value.table, value.register, value.encoding)
    ]
    return max(ways, key=lambda c: len(c.block.words), default=None)


def _others(device: Device, value: Value) -> list[Candidate]:
    """Return the other ways to read the registers that are left, those of this place first."""
    if value.status is Status.SETTLED:
        return []
    found: list[Candidate] = []
    for one in sorted(device.values, key=lambda v: v.register != value.register):
        if one.table == value.table and _overlap(one, value):
            found += [c for c in _ways(device, one) if _covers(c, value) and c not in found]
    return found[:_MOST_OTHERS]


def _overlap(one: Value, other: Value) -> bool:
    """Return whether two values lie so close that a way to read the one may take in the other."""
    return abs(one.register - other.register) < _WIDEST


def _covers(way: Candidate, value: Value) -> bool:
    mine = range(value.register, value.register + value.width)
    return way.block.table == value.table and not set(mine).isdisjoint(way.registers)


def _ways(device: Device, value: Value) -> list[Candidate]:
    """Return the alternatives of a value, the likeliest first, but for those that read every answer the same."""
    found = []
    for other in value.alternatives:
        if other.confidence == value.confidence and _kind(other.encoding) != _kind(value.encoding):
            continue  # of equal confidence are those that read alike; but two word orders part at the next change
        ways = [c for c in device.candidates if c.hypothesis.encoding == other.encoding and _covers(c, value)]
        if ways:
            found.append(max(ways, key=lambda c: c.probability))
    return found


def _kind(encoding: str) -> str:
    return encoding.partition("-")[0]


def _verdict(value: Value, others: Sequence[Candidate]) -> Verdict:
    if value.status is not Status.SETTLED:
        if not others:
            return Verdict(Sure.OPEN, "open")
        names = [encoding_words(value.encoding), *(_way_words(c, value) for c in others)]
        return Verdict(Sure.AMBIGUOUS, f"ambiguous: {either(names)}")
    if value.valid_below is not None and may_reach(value.valid_below, _most(value)):
        return Verdict(Sure.BELOW, f"sure only below {value.valid_below}")
    return SETTLED


def _way_words(way: Candidate, value: Value) -> str:
    words = encoding_words(way.hypothesis.encoding)
    if way.register == value.register:
        return words
    return f"part of {words}, from {reference(way.block.table, way.register)} on"


def _most(value: Value) -> float:
    """Return the largest number seen; a constant is a setting that won't grow."""
    return 0.0 if value.max is None or value.kind in (Kind.CONSTANT, Kind.STATUS) else float(value.max)


def _instruction(value: Value, verdict: Verdict, others: Sequence[Candidate], places: int) -> str:
    if verdict.sure is Sure.BELOW and value.valid_below is not None:
        limit = value.valid_below
        return (
            f"Trust no number from {limit} up: {beyond(limit)}. Survey again when the value has passed {limit}"
            f"{_in_about(value, limit)}, or take it from the device's register list."
        )
    if verdict.sure is Sure.OPEN:
        return f"Nothing in this record tells how to read it{_until(value)}."
    if verdict.sure is not Sure.AMBIGUOUS:
        return ""
    readings = [(encoding_words(value.encoding), number(_plain(value.last), places))]
    for other in others:
        start = other.register - other.block.register
        words = [int(w) for w in other.block.words[-1, start : start + len(other.registers)]]
        now = decode(other.hypothesis.encoding, words)
        readings.append((_way_words(other, value), _number_of(now)))
    if len({now for _, now in readings}) == 1:
        return f"They read the last answer alike{_until(value)}."
    told = "; ".join(f"{now} speaks for {name}" for name, now in readings)
    if value.kind in (Kind.CONSTANT, Kind.STATUS):
        return f"Look for it in the register list, or among the settings, of device {value.device}: {told}."
    return (
        f"Read the display of device {value.device} and compare digits, whatever its decimal point and unit: {told}."
    )


def _until(value: Value) -> str:
    if value.kind is Kind.CONSTANT:
        return ": it never changed. Survey again after it has, or look for it among the settings in the manual"
    return ": survey again when the value has moved through more of its range"


def _plain(x: float | int | str | None) -> float | int | None:
    return None if isinstance(x, str) else x


def _number_of(now: float | int | str | None) -> str:
    if isinstance(now, str):
        return quoted(now)
    return number(now, decimals([now]))


def _in_about(value: Value, limit: float) -> str:
    """Return when a rising value comes to a limit, if it goes on so and soon."""
    last = _plain(value.last)
    if last is None or value.trend_per_h is None or value.trend_per_h <= 0 or last >= limit:
        return ""
    hours = (limit - last) / value.trend_per_h
    return f" (at this rate in about {lasting(hours)})" if hours <= _SOON_H else ""


def _aside(value: Value, verdict: Verdict) -> str:
    if verdict.sure is Sure.BELOW or value.valid_below is None or value.kind is Kind.TEXT:
        return ""
    return f"from {value.valid_below} up nothing is sure: {beyond(value.valid_below)}"
