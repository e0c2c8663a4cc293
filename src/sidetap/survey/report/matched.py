"""What is said of matched names -> what the page shows of each: words, tables, a picture."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

from markupsafe import Markup

from sidetap.errors import printable
from sidetap.quantity import NS_PER_S
from sidetap.survey.report.curves import level_curve
from sidetap.survey.report.document import Table
from sidetap.survey.report.values import VerdictMark, marked
from sidetap.survey.survey import Survey
from sidetap.survey.words import AnswerWords, Mark, Way, answer_facts, clock, elapsed
from sidetap.survey.words.times import span
from sidetap.survey.words.vocabulary import number


@dataclass(frozen=True, slots=True)
class Section:
    """One name on the page."""

    name: str
    verdict: VerdictMark
    best: Way | None
    best_rivals: tuple[Way, ...]
    outside: str
    picture: Markup | None
    told: tuple[tuple[str, str], ...]
    next: tuple[str, ...]
    when: str
    ways: Table | None
    readings: Table


def content(
    found: Survey, told: Sequence[AnswerWords], recording: str, readings: str, zone: tzinfo | None
) -> dict[str, object]:
    """Return what the page shows."""
    start_ns, end_ns = found.history.start_ns, found.history.end_ns
    ends = None if start_ns is None or end_ns is None else (start_ns, end_ns)
    facts = [("Readings", f"{sum(len(t.marks) for t in told)}, for {len(told)} names; from {printable(readings)}")]
    if ends is not None:
        lasts = elapsed((ends[1] - ends[0]) / NS_PER_S)
        facts.insert(0, ("Record", f"{span(*ends, zone)} ({lasts} h:min:s)"))
    return {
        "recording": printable(recording),
        "facts": facts,
        "answers": [_section(t, ends, zone) for t in told],
    }


def _section(told: AnswerWords, ends_ns: tuple[int, int] | None, zone: tzinfo | None) -> Section:
    best = told.best
    return Section(
        told.name,
        marked(told.verdict),
        best,
        told.rivals,
        told.outside,
        None if best is None or ends_ns is None else level_curve(told, best, ends_ns),
        (*answer_facts(told), *((("aside", told.aside),) if told.aside else ())),
        told.next,
        told.when,
        _ways(best, told.rivals, told.answer.next_ns) if best is not None and told.rivals else None,
        _readings(told.marks, best, zone),
    )


def _ways(best: Way, rivals: Sequence[Way], next_ns: int | None) -> Table:
    heads = ["", "from", "read as", "how likely", "last bytes", "decoded", "level", "law"]
    rows = [_way(n, way) for n, way in enumerate((best, *rivals), 1)]
    if next_ns is not None:
        heads.append("at the moment to read")
        rows = [(*row, way.told(way.level_at(next_ns))) for row, way in zip(rows, (best, *rivals), strict=True)]
    caption = "The answer (1) and its rivals: what each would mean"
    return Table(caption, tuple(heads), tuple(rows), frozenset({3, 4, 5, 6, 8}))


def _way(place: int, way: Way) -> tuple[str, ...]:
    encoding = f"{way.encoding}: {way.taken}" if way.taken else way.encoding
    return (str(place), way.place, encoding, way.chance, way.wire, way.now, way.level_now, way.law)


def _readings(marks: Sequence[Mark], best: Way | None, zone: tzinfo | None) -> Table:
    heads = ("row", "when", "how", "read", "by the register", "off by", "")
    rows = tuple(
        (
            str(mark.row),
            clock(mark.t_ns, zone),
            mark.kind.value,
            mark.words,
            "none" if best is None else best.told(mark.expected),
            "" if best is None or mark.expected is None else number(mark.value - mark.expected, best.decimals),
            "" if mark.fits else "does not fit",
        )
        for mark in marks
    )
    return Table("Readings; rows count from 1 after the header", heads, rows, frozenset({3, 4, 5}))
