"""A survey and its line's health -> what the report says in words and tables: plain data for the page."""

from collections.abc import Sequence
from dataclasses import dataclass

from sidetap.errors import printable
from sidetap.line import reference
from sidetap.line.columns import NONE
from sidetap.quantity import NS_PER_S
from sidetap.survey.findings import Finding, Severity
from sidetap.survey.health import DeviceHealth, LineHealth, Rhythm
from sidetap.survey.health.text import FLAG_NAMES, duration, spread_words
from sidetap.survey.survey import PollSummary, Survey
from sidetap.survey.words import elapsed
from sidetap.survey.words.times import span

_RANK = {Severity.FAULT: 0, Severity.WARNING: 1, Severity.INFO: 2}
_SIGNS = {Severity.FAULT: "■ fault", Severity.WARNING: "▲ warning", Severity.INFO: "○ info"}


@dataclass(frozen=True, slots=True)
class Table:
    """A table. caption says what it shows; numbers: which columns are numbers, set to the right."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int]


@dataclass(frozen=True, slots=True)
class Told:
    """A finding, in the page's words."""

    sign: str
    severity: str
    name: str
    when: str
    text: str
    evidence: str
    settle: str


def facts(found: Survey, health: LineHealth) -> list[tuple[str, str]]:
    """Return the record in short: what, and how much."""
    line, told = found.line, []
    if health.ends_ns is not None:
        start, end = health.ends_ns
        told.append(("Record", f"{span(start, end)} ({elapsed((end - start) / NS_PER_S)} h:min:s)"))
    else:
        told.append(("Record", "without times: order of arrival only"))
    told.append(("Line", "settings not stated" if line.settings is None else str(line.settings)))
    share = line.explained_bytes / max(line.byte_count, 1)
    told.append(("Bytes", f"{line.byte_count:,}, {share:.2%} of them in whole frames"))
    told.append(
        (
            "Requests",
            f"{line.requests:,}: {line.answered:,} answered, {line.exceptions:,} exceptions, "
            f"{line.damaged:,} damaged, {line.unanswered:,} unanswered (a retry counts with its request)",
        )
    )
    load = health.load
    told.append(("Load", "not told without times and settings" if load is None else f"{load:.1%} of the time busy"))
    if health.signal.flags is None:
        told.append(("Flagged bytes", "the record has no flags: wrong parity and noise may hide"))
    else:
        rates = ", ".join(f"{name} {health.signal.rate(letter):.3%}" for letter, name in FLAG_NAMES.items())
        told.append(("Flagged bytes", rates))
    if health.resolution_us is not None:
        told.append(
            (
                "Times",
                f"of delivery, up to about {duration(health.resolution_us)} late; single gaps and turnarounds are "
                "good to that, medians of many a little better",
            )
        )
    return told


def findings(found: Survey, health: LineHealth) -> list[Told]:
    """Return all findings, the gravest first."""
    start_ns = None if health.ends_ns is None else health.ends_ns[0]
    ranked = sorted(found.findings, key=lambda f: (_RANK[f.severity], -1 if f.device is None else f.device))
    return [
        Told(
            _SIGNS[f.severity],
            f.severity.value,
            f.finding,
            _when(f, start_ns),
            printable(f.text),
            printable(f.evidence),
            printable(f.settle),
        )
        for f in ranked
    ]


def _when(finding: Finding, start_ns: int | None) -> str:
    if finding.span is None or start_ns is None:
        return ""
    from_s, to_s = ((t - start_ns) / NS_PER_S for t in (finding.span.from_ns, finding.span.to_ns))
    return f"{elapsed(from_s)} to {elapsed(to_s)} from start"


def devices(found: Survey, health: LineHealth) -> Table:
    """Return each device's tries and what became of them."""
    rows = tuple(
        (
            str(d.device),
            f"{d.tries:,}",
            f"{d.answered:,}",
            f"{d.exceptions:,}",
            f"{d.damaged:,}",
            f"{d.unanswered:,}",
            f"{d.damaged_share:.2%}",
            _flagged(d, health),
            spread_words(d.turnaround, health.resolution_us),
        )
        for d in health.exchanges.devices
        if d.tries or d.unpaired
    )
    heads = (
        "device",
        "tries",
        "answered",
        "exceptions",
        "damaged",
        "unanswered",
        "damaged share",
        "flagged bytes",
        "turnaround: median (5 to 95 %)",
    )
    return Table("Devices; every try counts, retries too", heads, rows, frozenset(range(1, 8)))


def _flagged(device: DeviceHealth, health: LineHealth) -> str:
    if health.signal.flags is None:
        return "not told"
    return f"{device.flagged_bytes / max(device.answer_bytes, 1):.2%}"


def polls(found: Survey, health: LineHealth) -> Table:
    """Return each poll with its rhythm."""
    rhythms = {rhythm.poll: rhythm for rhythm in health.exchanges.rhythms}
    rows = tuple(_poll(summary, rhythms) for summary in found.polls)
    heads = (
        "device",
        "function",
        "what",
        "registers",
        "every",
        "jitter ±",
        "requests",
        "retries",
        "answered",
        "exceptions",
        "damaged",
        "unanswered",
    )
    caption = "Polls; jitter: nine of ten periods lie within ± this of their middle"
    return Table(caption, heads, rows, frozenset(range(4, 12)))


def _poll(summary: PollSummary, rhythms: dict[tuple[int, int, int, int], Rhythm]) -> tuple[str, ...]:
    poll = summary.poll
    key = (
        poll.device,
        poll.function,
        NONE if poll.register is None else poll.register,
        NONE if poll.count is None else poll.count,
    )
    rhythm = rhythms.get(key)
    period = None if summary.period_s is None else summary.period_s * 1e6
    what = "" if poll.table is None else poll.table
    place = ""
    if poll.table is not None and poll.register is not None:
        place = f"{poll.register} × {poll.count} ({reference(poll.table, poll.register)})"
    return (
        str(poll.device),
        f"{poll.function:02d}",
        what,
        place,
        duration(period),
        "not told" if rhythm is None or not rhythm.periods.number else duration(rhythm.jitter_us),
        *(
            f"{number:,}"
            for number in (
                summary.requests,
                summary.retries,
                summary.answered,
                summary.exceptions,
                summary.damaged,
                summary.unanswered,
            )
        ),
    )


def minutes(health: LineHealth) -> Table:
    """Return the line over time, at most 60 rows of it: load, requests, damage, silence."""
    spans, exchanges = health.spans, health.exchanges
    together = max(1, -(-spans.number // 60), 60 * NS_PER_S // spans.width_ns)
    rows = []
    for first in range(0, spans.number, together):
        here = slice(first, first + together)
        carried = int(health.signal.bytes_over_time[here].sum())
        lasts_ns = _within(spans.start_ns + first * spans.width_ns, together * spans.width_ns, health)
        rows.append(
            (
                elapsed((spans.start_ns + first * spans.width_ns - _start(health)) / NS_PER_S)
                if first
                else "0:00:00",
                _load(health, carried, lasts_ns),
                f"{int(exchanges.tries_over_time[:, here].sum()):,}",
                f"{int(exchanges.damaged_over_time[:, here].sum()):,}",
                f"{int(exchanges.unanswered_over_time[:, here].sum()):,}",
                f"{int(exchanges.noise_over_time[here].sum()):,}",
                "silent" if not carried else "",
            )
        )
    heads = ("from start, h:min:s", "load", "tries", "damaged", "unanswered", "bytes in no frame", "")
    caption = f"The line over time, {elapsed(together * spans.width_ns / NS_PER_S)} (h:min:s) a row"
    return Table(caption, heads, tuple(rows), frozenset(range(1, 6)))


def _start(health: LineHealth) -> int:
    return 0 if health.ends_ns is None else health.ends_ns[0]


def _within(start_ns: int, length_ns: int, health: LineHealth) -> int:
    """Return how much of a span lies within the record."""
    if health.ends_ns is None:
        return length_ns
    return max(min(start_ns + length_ns, health.ends_ns[1]) - max(start_ns, health.ends_ns[0]), 1)


def _load(health: LineHealth, carried: int, lasts_ns: int) -> str:
    if health.settings is None:
        return f"{carried * NS_PER_S / lasts_ns:.0f} bytes/s"
    return f"{min(carried * health.settings.character_ns / lasts_ns, 1.0):.1%}"


def listed(words: Sequence[str]) -> str:
    """Return parts of a sentence in a row."""
    return "; ".join(words)
