"""`sidetap survey`: a recording -> what is on the line, with evidence: text for an engineer, or one JSON document."""

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from sidetap.cli.paragraphs import page, paragraph
from sidetap.cli.progress import watched_batches
from sidetap.cli.report_place import check_report_place
from sidetap.line import reference
from sidetap.line.columns import NONE
from sidetap.line.recording import read
from sidetap.survey import Finding, PollSummary, Relation, Survey, read_events, survey_recording
from sidetap.survey.health.text import device_words as device_health_words
from sidetap.survey.health.text import duration, line_words
from sidetap.survey.values import Device, Kind
from sidetap.survey.words import Sure, ValueWords, device_words, relation_words
from sidetap.survey.words.times import span

_INDENT, _BELOW = 2, 10
_BYTES = 11  # columns for the bytes of two registers; more stand below
_HEADS = ("1-based  0-based", "last bytes", "now", "low .. high", "trend")


def survey(
    recording: Annotated[Path, typer.Argument(help="The recording: .pcapng, .csv or .bin.")],
    events: Annotated[Path | None, typer.Option(help="A CSV time_s,name of what happened in the yard.")] = None,
    report: Annotated[Path | None, typer.Option(help="Write it all as one HTML page with pictures.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Find out what is on a line: who is asked for what, which values travel, and what is wrong."""
    if report is not None:
        check_report_place(report, [recording, events])
    noted = [] if events is None else read_events(events)
    source = read(recording)
    found = survey_recording(source, noted, watched_batches(source))
    if report is not None and found.health is not None:
        from sidetap.survey.report import write_report  # templates take a moment to load, and few ask for them

        write_report(found, found.health, report, recording=recording.name)
    if as_json:
        sys.stdout.write(json.dumps(found.document(), allow_nan=False) + "\n")
    else:
        _show(found)


def _show(found: Survey) -> None:
    console = page()
    line = found.line
    settings = "settings not stated" if line.settings is None else str(line.settings)
    share = line.explained_bytes / max(line.byte_count, 1)
    paragraph(console, f"Line: {settings}; {line.byte_count:,} bytes, {share:.2%} in whole frames")
    paragraph(
        console,
        f"{line.requests:,} requests: {line.answered:,} answered, {line.exceptions:,} exceptions, "
        f"{line.damaged:,} damaged, {line.unanswered:,} unanswered (retries counted with their request)",
    )
    health = found.health
    well = {} if health is None else {d.device: d for d in health.exchanges.devices}
    jitter = {} if health is None else {r.poll: r.jitter_us for r in health.exchanges.rhythms if r.periods.number}
    if health is not None:
        for words in line_words(health):
            paragraph(console, words)
    known = {device.device: device for device in found.devices}
    for number in sorted({p.poll.device for p in found.polls}):
        console.print()
        silent = "" if found.answers(number) else ": never answers"
        paragraph(console, f"Device {number}{silent}", style="bold")
        for poll in found.polls:
            if poll.poll.device == number:
                paragraph(console, _poll(poll, jitter), _INDENT, hang=2)
        if health is not None and number in well:
            paragraph(console, device_health_words(well[number], health.resolution_us), _INDENT, hang=2)
        if number in known and known[number].values:
            _show_values(console, known[number])
    _show_relations(console, found.relations)
    _show_findings(console, found.findings)


def _poll(poll: PollSummary, jitter: dict[tuple[int, int, int, int], float]) -> str:
    asked = poll.poll
    key = (asked.device, asked.function, _or_none(asked.register), _or_none(asked.count))
    what = f"FC {asked.function:02d}"
    if asked.table is not None and asked.register is not None:
        what += f" {asked.table} {asked.register} × {asked.count} ({reference(asked.table, asked.register)})"
    pace = "" if poll.period_s is None else f" every {poll.period_s:.3g} s"
    if pace and key in jitter:
        pace += f" ± {duration(jitter[key])}"
    counts = [f"{poll.requests:,} requests", f"{poll.answered:,} answered"]
    counts += [
        f"{number:,} {name}"
        for number, name in (
            (poll.exceptions, "exceptions"),
            (poll.damaged, "damaged"),
            (poll.unanswered, "unanswered"),
            (poll.retries, "retries"),
        )
        if number
    ]
    return f"{what}{pace}: {', '.join(counts)}"


def _or_none(number: int | None) -> int:
    return NONE if number is None else number


def _show_values(console: Console, device: Device) -> None:
    """Print a device's values: a row of numbers each, and below it how far it is known and what to do next."""
    values = device_words(device)
    rows = [_HEADS, *(_row(words) for words in values)]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    wide = _INDENT + sum(widths) + 2 * (len(widths) - 1) > console.width  # then the trend stands below each row
    head, *lines = [_in_columns(row[:-1] if wide else row, widths) for row in rows]
    paragraph(console, head, _INDENT, style="bold")
    for words, line in zip(values, lines, strict=True):
        paragraph(console, line, _INDENT, hang=_BELOW - _INDENT)
        for told in _below(words, with_trend=wide):
            paragraph(console, told, _BELOW, hang=2)
    for told in _aside(values):
        paragraph(console, told, _INDENT, hang=2)


def _row(words: ValueWords) -> tuple[str, ...]:
    place = f"{words.reference:<7}  {words.value.register:>7}"
    now = "" if isinstance(words.value.last, str) else words.now
    return (place, words.wire if len(words.wire) <= _BYTES else "", now, words.span, words.trend)


def _in_columns(cells: Sequence[str], widths: Sequence[int]) -> str:
    sides = (str.ljust, str.ljust, str.rjust, str.rjust, str.ljust)
    return "  ".join(side(cell, width) for side, cell, width in zip(sides, cells, widths, strict=False)).rstrip()


def _below(words: ValueWords, *, with_trend: bool) -> list[str]:
    value = words.value
    first = [words.now] if isinstance(value.last, str) else []
    if len(words.wire) > _BYTES:
        first.append(f"bytes {words.wire}")
    taken = f", taken as {words.taken}" if words.taken else ""
    seems = ["" if value.kind is Kind.TEXT else str(value.kind), words.trend if with_trend else ""]
    if words.verdict.sure is Sure.AMBIGUOUS:
        share = f" ({words.sureness})" if words.sureness else ""
        told = [words.verdict.words, "; ".join(filter(None, [f"above as the first{share}{taken}", *seems]))]
    else:
        told = ["; ".join(filter(None, [f"{words.verdict.words}: {words.encoding}{taken}", *seems]))]
    return [line for line in (", ".join(first), *told, words.faults, words.instruction) if line]


def _aside(values: Sequence[ValueWords]) -> list[str]:
    """Return what holds only far beyond what was seen, once for all registers that share it."""
    places: dict[str, list[str]] = {}
    for words in values:
        if words.aside:
            places.setdefault(words.aside, []).append(words.reference)
    return [f"{', '.join(references)}: {aside}" for aside, references in places.items()]


def _show_relations(console: Console, relations: tuple[Relation, ...]) -> None:
    if not relations:
        return
    console.print()
    paragraph(console, f"What fits together: {len(relations)}", style="bold")
    for relation in relations:
        first, *others = relation_words(relation)
        paragraph(console, first, 2)
        for words in others:
            paragraph(console, words, 6)


def _show_findings(console: Console, findings: tuple[Finding, ...]) -> None:
    console.print()
    paragraph(console, f"Findings: {len(findings)}", style="bold")
    for finding in findings:
        when = "" if finding.span is None else f" ({span(finding.span.from_ns, finding.span.to_ns)})"
        paragraph(console, f"{finding.severity}: {finding.finding}{when}", 2)
        for words in (finding.text, f"Evidence: {finding.evidence}.", f"To settle: {finding.settle}"):
            paragraph(console, words, 6)
