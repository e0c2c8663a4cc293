"""`sidetap survey`: a recording -> what is on the line, with evidence: text for an engineer, or one JSON document."""

import json
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from sidetap.cli.progress import watched_batches
from sidetap.errors import BadInput, printable
from sidetap.line import reference
from sidetap.line.columns import NONE
from sidetap.line.recording import read
from sidetap.survey import Finding, PollSummary, Survey, Value, read_events, survey_recording
from sidetap.survey.health.text import device_words, duration, line_words

_WIDTH = 80  # columns at least


def survey(
    recording: Annotated[Path, typer.Argument(help="The recording: .pcapng, .csv or .bin.")],
    events: Annotated[Path | None, typer.Option(help="A CSV time_s,name of what happened in the yard.")] = None,
    report: Annotated[Path | None, typer.Option(help="Write it all as one HTML page with pictures.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Find out what is on a line: who is asked for what, which values travel, and what is wrong."""
    if report is not None:
        _check_place(report, [recording, events])
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


def _check_place(report: Path, inputs: list[Path | None]) -> None:
    """Refuse a place where no report can go, before a long recording is worked on."""
    if report.is_dir() or not report.parent.is_dir():
        raise BadInput(
            str(report), "no file can be written there", "Give the name of a file in a folder that exists."
        )
    if report.exists() and any(given is not None and given.exists() and report.samefile(given) for given in inputs):
        raise BadInput(str(report), "the report would replace a file it is made from", "Give it a name of its own.")


def _show(found: Survey) -> None:
    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=_WIDTH)
    line = found.line
    settings = "settings not stated" if line.settings is None else str(line.settings)
    share = line.explained_bytes / max(line.byte_count, 1)
    console.print(Text(f"Line: {settings}; {line.byte_count:,} bytes, {share:.2%} in whole frames"))
    console.print(
        Text(
            f"{line.requests:,} requests: {line.answered:,} answered, {line.exceptions:,} exceptions, "
            f"{line.damaged:,} damaged, {line.unanswered:,} unanswered (retries counted with their request)"
        )
    )
    health = found.health
    well = {} if health is None else {d.device: d for d in health.exchanges.devices}
    jitter = {} if health is None else {r.poll: r.jitter_us for r in health.exchanges.rhythms if r.periods.number}
    if health is not None:
        for words in line_words(health):
            console.print(Text(words))
    for device in sorted({p.poll.device for p in found.polls}):
        silent = "" if found.answers(device) else ": never answers"
        console.print(Text(f"\nDevice {device}{silent}", style="bold"))
        for poll in found.polls:
            if poll.poll.device == device:
                console.print(Padding(Text(_poll(poll, jitter)), (0, 0, 0, 2)))
        if health is not None and device in well:
            console.print(Padding(Text(device_words(well[device], health.resolution_us)), (0, 0, 0, 2)))
        values = found.values(device)
        if values:
            console.print(Padding(_table(values), (0, 0, 0, 2)))
            for value in values:
                _note(console, value)
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


def _table(values: tuple[Value, ...]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("place")
    table.add_column("read as", overflow="fold")
    table.add_column("last bytes", overflow="fold")
    table.add_column("value", justify="right")
    table.add_column("low .. high", justify="right", overflow="fold")
    table.add_column("how sure")
    for value in values:
        span = "" if value.min is None or value.max == value.min else f"{value.min:g} .. {value.max:g}"
        wire = " ".join(f"{word >> 8:02X} {word & 0xFF:02X}" for word in value.last_words)
        last = "none" if value.last is None else value.last if isinstance(value.last, str) else f"{value.last:g}"
        table.add_row(
            f"{reference(value.table, value.register)}",
            f"{value.encoding.replace('-', ' ')}, {value.kind}",
            wire,
            printable(last),
            span,
            f"{value.status} {min(value.confidence, 0.999):.3f}",
        )
    return table


def _note(console: Console, value: Value) -> None:
    if value.valid_below is not None:
        words = (
            f"{reference(value.table, value.register)}: 16 or 32 bits can't be told apart below {value.valid_below}"
        )
        console.print(Padding(Text(words), (0, 0, 0, 2)))
    # of equal confidence are those that read every answer the same
    different = [a for a in value.alternatives if a.confidence != value.confidence]
    if value.status != "settled" and different:
        others = ", ".join(f"{a.encoding} {a.confidence:.2f}" for a in different[:3])
        words = f"{reference(value.table, value.register)} may also be {others}; it settles when the value moves more"
        console.print(Padding(Text(words), (0, 0, 0, 2)))


def _show_findings(console: Console, findings: tuple[Finding, ...]) -> None:
    console.print(Text(f"\nFindings: {len(findings)}", style="bold"))
    for finding in findings:
        span = finding.span
        when = "" if span is None else f" ({span.from_ns / 1e9:.3f} to {span.to_ns / 1e9:.3f} s)"
        console.print(Padding(Text(f"{finding.severity}: {finding.finding}{when}"), (0, 0, 0, 2)))
        for words in (finding.text, f"Evidence: {finding.evidence}.", f"To settle: {finding.settle}"):
            console.print(Padding(Text(words), (0, 0, 0, 6)))
