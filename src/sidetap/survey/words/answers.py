"""A match's answers -> what to say of each name: the register, its law, the level now, the rivals, the next reading.

Nothing here decides: verdicts repeat the match's, and a limit that no reading of this unit reaches is told aside.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from fractions import Fraction

from sidetap.errors import printable
from sidetap.quantity import NS_PER_S
from sidetap.survey.matching import Answer, MatchStatus, PersonReading, ReadingKind, Rival
from sidetap.survey.matching.scales import reading_range
from sidetap.survey.survey import Survey
from sidetap.survey.words.times import clock, elapsed
from sidetap.survey.words.verdict import SCALE_OPEN, SETTLED, Sure, Verdict, beyond, may_reach
from sidetap.survey.words.vocabulary import either, encoding_words, number
from sidetap.survey.words.ways import Way, law_words, way

_NOT_HERE = "Check time, unit and vessel of each reading. If they are right, it is not on this line."
_FEW = "One reading alone tells little: take another when the level has moved by a foot or more."
_LARGEST = 65536.0  # a decoded number, where a law is told before any number is known


@dataclass(frozen=True, slots=True)
class Mark:
    """A reading beside the answer. value, tolerance, expected: in unit; expected: None where the record has none."""

    row: int
    t_ns: int
    value: float
    tolerance: float
    kind: ReadingKind
    expected: float | None
    fits: bool
    words: str


@dataclass(frozen=True, eq=False)
class AnswerWords:
    """All that is said of one name. best: None for none. fit: how well the readings lie.

    next: what to do. when: the moment of the record that it speaks of.
    suspects: readings that don't fit, each with what was expected. outside: readings left out. aside: from where on
    nothing is sure, where no level comes near.
    """

    name: str
    answer: Answer
    verdict: Verdict
    best: Way | None
    rivals: tuple[Way, ...]
    marks: tuple[Mark, ...]
    fit: str
    suspects: tuple[str, ...]
    outside: str
    next: tuple[str, ...]
    when: str
    aside: str


def answer_words(
    found: Survey, answer: Answer, readings: Sequence[PersonReading], zone: tzinfo | None = None
) -> AnswerWords:
    """Return what is said of an answer. readings: all of them. zone: in which times of day are told; UTC for None."""
    own = [r for r in readings if r.name == answer.name]
    unit = answer.unit or (own[0].unit if own else "")
    places = max((_decimals(r.rounding) for r in own), default=0)
    best = None if answer.best is None else way(found, answer.best, unit, places)
    rivals = [w for w in (way(found, r, unit, places) for r in answer.rivals) if w is not None]
    marks = [_mark(r, best, answer, places) for r in own if r.row not in answer.outside_readings]
    verdict = _verdict(answer, best, unit, places)
    return AnswerWords(
        printable(answer.name),
        answer,
        verdict,
        best,
        tuple(rivals),
        tuple(marks),
        _fit(marks, best),
        tuple(_suspect(mark, best, zone) for mark in marks if not mark.fits),
        _outside(answer),
        tuple(_next(answer, verdict, best, len(marks))),
        _when(found, answer, zone),
        _aside(answer, verdict, best),
    )


def answer_facts(told: AnswerWords) -> list[tuple[str, str]]:
    """Return what is known of a name's register, each fact with its label; nothing where there is none."""
    best = told.best
    if best is None:
        return []
    taken = f", taken as {best.taken}" if best.taken else ""
    rows = [
        ("from", f"{best.place}, {best.encoding}"),
        ("law", f"{best.law}; {best.chance} sure"),
        ("now", "; ".join(filter(None, (f"{best.wire}{taken} = {best.now}, so {best.level_now}", best.trend)))),
        ("seen", best.span),
        ("fits", told.fit),
        *(("suspect", f"{words}; read it again") for words in told.suspects),
    ]
    return [(label, words) for label, words in rows if words]


def _decimals(rounding: Fraction) -> int:
    """Return the decimals of a number that was rounded by so much at most."""
    places = 0
    while Fraction(1, 10**places) > 2 * rounding and places < 9:
        places += 1
    return places


def _mark(reading: PersonReading, best: Way | None, answer: Answer, places: int) -> Mark:
    return Mark(
        reading.row,
        reading.t_ns,
        float(reading.value),
        float(reading.tolerance),
        reading.kind,
        None if best is None else best.level_at(reading.t_ns),
        best is not None and reading.row not in answer.suspect_readings,
        f"{number(float(reading.value), places)} {reading.unit}",
    )


def _verdict(answer: Answer, best: Way | None, unit: str, places: int) -> Verdict:
    if answer.best is None:
        return Verdict(Sure.NONE, "none")
    if answer.status is MatchStatus.AMBIGUOUS:
        return Verdict(Sure.AMBIGUOUS, f"ambiguous: {_either(answer, unit, places)}")
    if answer.status is MatchStatus.SCALE_OPEN:
        return SCALE_OPEN
    limit = answer.valid_below
    if limit is not None and best is not None and _matters(limit, answer.best, best, unit):
        side = "below" if best.rival.scale > 0 else "above"  # a distance grows as its level falls
        return Verdict(Sure.BELOW, f"sure only {side} {best.told(limit)}")
    return SETTLED


def _matters(limit: float, rival: Rival, best: Way, unit: str) -> bool:
    """Return whether a level may come to a limit: near what was seen, and within what is measured in this unit."""
    decoded = (limit - rival.offset) / rival.scale if rival.scale else 0.0
    return may_reach(decoded, best.most) and abs(limit) <= reading_range(unit)


def _either(answer: Answer, unit: str, places: int) -> str:
    """Return what the answer may be, told by what differs: the register, else the encoding, else the law."""
    if answer.best is None:
        return ""
    first, *others = [answer.best, *answer.rivals]
    if not others:
        return f"{_short(first)} or something else"
    second = others[0]
    names = [_short(first), _short(second)]
    if names[0] == names[1]:
        read = [encoding_words(r.encoding) for r in (first, second)]
        if read[0] == read[1]:
            read = [law_words(r, unit, places, _LARGEST) for r in (first, second)]
        names = [f"{names[0]} as {read[0]}", read[1]]
    more = len(others) - 1
    return either([*names, *([f"{more} other{'s' if more > 1 else ''}"] if more else [])])


def _short(rival: Rival) -> str:
    return f"device {rival.device} register {rival.register}"


def _fit(marks: Sequence[Mark], best: Way | None) -> str:
    good = [mark for mark in marks if mark.fits and mark.expected is not None]
    if best is None or not good:
        return ""
    worst = max(abs(mark.value - mark.expected) for mark in good if mark.expected is not None)
    worst_words = f"off by {best.told(worst)} at most" if worst >= 0.5 * 10.0**-best.decimals else "to the last digit"
    return f"{len(good)} of {len(marks)} reading{'s' if len(marks) > 1 else ''}, {worst_words}"


def _suspect(mark: Mark, best: Way | None, zone: tzinfo | None) -> str:
    if best is None:
        return f"row {mark.row}, {mark.words}"
    return f"row {mark.row} says {mark.words}, expected {best.told(mark.expected)} ({clock(mark.t_ns, zone)})"


def _outside(answer: Answer) -> str:
    if not answer.outside_readings:
        return ""
    rows = ", ".join(map(str, answer.outside_readings))
    return f"Readings outside the record, left out: row {rows} (from 1 after the header). Check their times."


def _next(answer: Answer, verdict: Verdict, best: Way | None, readings: int) -> list[str]:
    if best is None:
        return [_FEW if readings == 1 else _NOT_HERE]
    told = [] if answer.next is None else [answer.next]
    if verdict.sure is Sure.BELOW:
        further, side = ("higher", "below") if best.rival.scale > 0 else ("lower", "above")
        told.append(
            f"Trust no level {_beyond(answer, best)}. Say how high the vessel is (--height), survey again when it "
            f"has been {further}, or take the encoding from the device's register list; until then keep the point's "
            f"valid range {side}."
        )
    return told


def _when(found: Survey, answer: Answer, zone: tzinfo | None) -> str:
    """Return the moment that would have settled it, on every clock that a reader may have."""
    t_ns, start_ns = answer.next_ns, found.history.start_ns
    if t_ns is None or start_ns is None:
        return ""
    return (
        f"{elapsed((t_ns - start_ns) / NS_PER_S)} into this record: {clock(t_ns, zone)}, time_s {t_ns / NS_PER_S:.0f}"
    )


def _beyond(answer: Answer, best: Way) -> str:
    """Return where the answer is not sure, and why."""
    limit = answer.valid_below or 0.0
    decoded = (limit - best.rival.offset) / best.rival.scale if best.rival.scale else 0.0
    return f"from {best.told(limit)} {'up' if best.rival.scale > 0 else 'down'}: {beyond(decoded)}"


def _aside(answer: Answer, verdict: Verdict, best: Way | None) -> str:
    if verdict.sure is Sure.BELOW or answer.valid_below is None or best is None:
        return ""
    return f"not sure {_beyond(answer, best)}"
