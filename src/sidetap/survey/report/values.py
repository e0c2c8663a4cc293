"""What is said of values -> rows and pictures of the page."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from sidetap.survey.report.curves import value_curve
from sidetap.survey.values import Candidate, Kind
from sidetap.survey.words import Sure, ValueWords, Verdict
from sidetap.survey.words.vocabulary import encoding_words

_MOST_CURVES = 60
_MOVING = (Kind.MEASUREMENT, Kind.COUNTER, Kind.STATUS)
_SIGNS = {
    Sure.SETTLED: "●",
    Sure.BELOW: "◐",
    Sure.SCALE_OPEN: "◐",
    Sure.AMBIGUOUS: "◇",
    Sure.OPEN: "○",
    Sure.NONE: "×",
}


@dataclass(frozen=True, slots=True)
class VerdictMark:
    """A verdict with its sign."""

    sign: str
    words: str
    short: str


@dataclass(frozen=True, slots=True)
class ValueRow:
    """A row of the table of values; notes stand below it."""

    device: str
    place: str
    verdict: VerdictMark
    encoding: str
    wire: str
    taken: str
    now: str
    span: str
    trend: str
    notes: tuple[str, ...]


def marked(verdict: Verdict) -> VerdictMark:
    """Return a verdict with its sign."""
    return VerdictMark(_SIGNS[verdict.sure], verdict.words, verdict.words.partition(":")[0])


def rows(values: Sequence[ValueWords]) -> list[ValueRow]:
    """Return a row for each value."""
    return [_row(words) for words in values]


def _row(words: ValueWords) -> ValueRow:
    value = words.value
    whole = words.verdict.words if words.verdict.sure is Sure.AMBIGUOUS else ""
    return ValueRow(
        str(value.device),
        f"{value.register} ({words.reference})",
        marked(words.verdict),
        words.encoding if value.kind is Kind.TEXT else f"{words.encoding}; {value.kind}",
        words.wire,
        words.taken,
        words.now,
        words.span,
        words.trend,
        tuple(note for note in (whole, words.faults, words.instruction) if note),
    )


def beyond(values: Sequence[ValueWords]) -> list[str]:
    """Return what holds only far beyond what was seen, once for all registers of a device that share it."""
    places: dict[tuple[int, str], list[str]] = {}
    for words in values:
        if words.aside:
            places.setdefault((words.value.device, words.aside), []).append(words.reference)
    return [f"Device {device}, {', '.join(references)}: {aside}" for (device, aside), references in places.items()]


def curves(values: Sequence[ValueWords], ends_ns: tuple[int, int]) -> tuple[list[tuple[str, str, Markup]], int]:
    """Return pictures with their captions, the unsettled first, and how many values that move got none."""
    moving = [words for words in values if words.value.kind in _MOVING and words.way is not None]
    moving.sort(key=lambda words: list(Sure).index(words.verdict.sure))
    drawn: list[tuple[str, str, Markup]] = []
    for n, words in enumerate(moving):
        if len(drawn) >= _MOST_CURVES:
            return drawn, len(moving) - n
        drawn += [picture for way in (words.way, *words.others) if (picture := _curve(words, way, ends_ns))]
    return drawn, 0


def _curve(words: ValueWords, way: Candidate | None, ends_ns: tuple[int, int]) -> tuple[str, str, Markup] | None:
    if way is None or way.block.t_ns is None or way.hypothesis.kind == "text":
        return None
    series = np.asarray(way.decoded(), dtype=np.float64)
    where = f"device {words.value.device}, {words.value.register} ({words.reference})"
    read = encoding_words(way.hypothesis.encoding)
    caption = f"if {read}" if words.others else read
    return where, caption, value_curve(f"{where}, {caption}", way.block.t_ns, series, ends_ns, words.decimals)
