"""A survey's values -> what to say of each: where, what came, read as what, how far it is known, what to do next.

Nothing here decides: verdicts repeat the survey's, and a limit that the value won't come near is told aside.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sidetap.line import decode, reference
from sidetap.survey.survey import Survey
from sidetap.survey.values import Candidate, Device, Kind, Status, Value
from sidetap.survey.words.rivals import Ways, agree_below, way_words
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

_LIKELIER = 0.5  # a share below says nothing for the first of several
_SOON_H = 48.0  # further off, "at this rate" is no forecast


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
    ways = Ways(device)
    return [_value_words(ways, value) for value in device.values]


def survey_words(found: Survey) -> list[ValueWords]:
    """Return what is said of all values."""
    return [words for device in found.devices for words in device_words(device)]


def _value_words(ways: Ways, value: Value) -> ValueWords:
    shown = [x for x in (value.first, value.last, value.min, value.max) if not isinstance(x, str)]
    places = decimals(shown)
    others = ways.others(value)
    verdict = _verdict(value, others)
    moved = value.min is not None and value.min != value.max
    return ValueWords(
        value,
        reference(value.table, value.register),
        wire_bytes(value.last_words),
        _encoding(value),
        bytes_as_taken(value.encoding, value.last_words) or "",
        quoted(value.last) if isinstance(value.last, str) else number(value.last, places),
        f"{number(value.min, places)} .. {number(value.max, places)}" if moved else "",
        _trend(value, places),
        _faults(value),
        verdict,
        sureness(value.confidence) if value.confidence >= _LIKELIER else "",
        _instruction(value, verdict, others, places),
        _aside(value, verdict),
        ways.own(value),
        tuple(others),
        places,
    )


def _encoding(value: Value) -> str:
    """Return how it is read; of single bits, which are set."""
    words = encoding_words(value.encoding)
    if value.encoding != "bits16" or not isinstance(value.last, int):
        return words
    bits = [str(n) for n in range(16) if value.last >> n & 1]
    return f"{words}, set: {' '.join(bits) if bits else 'none'} (0 is the lowest)"


def _trend(value: Value, places: int) -> str:
    if value.kind is Kind.TEXT or value.min is None:
        return ""
    return "never changed" if value.min == value.max else trend_words(value.trend_per_h, places)


def _faults(value: Value) -> str:
    if not value.faults:
        return ""
    codes = either([wire_bytes(words) for words in value.fault_words]) if value.fault_words else ""
    return f'{value.faults:,} answers hold a code for "no value"{codes and f": {codes}"}'


def _verdict(value: Value, others: Sequence[Candidate]) -> Verdict:
    if value.status is not Status.SETTLED:
        if not others:
            return Verdict(Sure.OPEN, "open")
        names = [encoding_words(value.encoding), *(way_words(c, value) for c in others)]
        return Verdict(Sure.AMBIGUOUS, f"ambiguous: {either(names)}")
    if value.valid_below is not None and may_reach(value.valid_below, _most(value)):
        return Verdict(Sure.BELOW, f"sure only below {value.valid_below}")
    return SETTLED


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
        if value.kind is Kind.TEXT:
            return "Does it read like a name, a version or a serial number? Then it is text."
        return f"Nothing in this record tells how to read it: {_again(value)}."
    if verdict.sure is not Sure.AMBIGUOUS:
        return ""
    numbers = [number(_plain(value.last), places), *(_last(other) for other in others)]
    if len(set(numbers)) == 1:
        return f"They read the last answer alike{_parting(value, others) or f': {_again(value)}'}."
    names = [encoding_words(value.encoding), *(way_words(other, value) for other in others)]
    by_number: dict[str, list[str]] = {}
    for now, name in zip(numbers, names, strict=True):
        by_number.setdefault(now, []).append(name)
    told = "; ".join(f"{now} speaks for {either(alike)}" for now, alike in by_number.items())
    if value.kind is Kind.STATUS:
        return f"Look for it in the register list of device {value.device}: {told}."
    if value.kind is Kind.CONSTANT:
        return f"Look for it in the register list, or among the settings, of device {value.device}: {told}."
    return (
        f"Read the display of device {value.device} and compare digits, whatever its decimal point and unit: {told}."
    )


def _again(value: Value) -> str:
    if value.kind is Kind.CONSTANT:
        return "it never changed. Survey again after it has, or look for it in the register list"
    return "survey again when the value has moved through more of its range"


def _parting(value: Value, others: Sequence[Candidate]) -> str:
    """Return from where on what reads alike parts, if a number tells it."""
    limits = [agree_below(value.encoding, other.hypothesis.encoding) for other in others]
    known = [limit for limit in limits if limit is not None]
    if not known or len(known) < len(limits):
        return ""
    below = " and below 0" if 32_768 in known else ""
    return f", and part only from {max(known)} up{below}: survey again when the value has been there"


def _last(way: Candidate) -> str:
    """Return what another way makes of the last answer."""
    start = way.register - way.block.register
    now = decode(way.hypothesis.encoding, [int(w) for w in way.block.words[-1, start : start + len(way.registers)]])
    return quoted(now) if isinstance(now, str) else number(now, decimals([now]))


def _plain(x: float | int | str | None) -> float | int | None:
    return None if isinstance(x, str) else x


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
