"""`sidetap match`: a recording and people's readings -> the register behind each name, or what to read next."""

import json
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from rich.console import Console

from sidetap.cli.paragraphs import page, paragraph
from sidetap.cli.progress import watched_batches
from sidetap.cli.report_place import check_report_place
from sidetap.errors import BadInput
from sidetap.line.recording import read as read_recording
from sidetap.quantity import CALENDAR_FROM_NS, NS_PER_S, Dimension, parse_quantity
from sidetap.site import Site, load_or_refuse
from sidetap.survey import Answer, PersonReading, Survey, outside_of, read, survey_recording
from sidetap.survey import match as match_readings
from sidetap.survey.words import AnswerWords, Way, answer_facts, answer_words
from sidetap.survey.words.vocabulary import place

_INDENT, _LABEL = 2, 9
_SHOWN = 60  # characters of an option told back


def match(
    recording: Annotated[Path, typer.Argument(help="The recording: .pcapng or .csv.")],
    readings: Annotated[Path, typer.Argument(help="A CSV time_s,name,value,unit of what people read.")],
    site: Annotated[
        Path | None,
        typer.Option(help="A site file: its time zone is that of the readings, its vessels' heights help."),
    ] = None,
    height: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=LENGTH",
            help='How high a vessel is, as T1="7.315 m"; may be given for several. It settles scales that are open.',
        ),
    ] = None,
    report: Annotated[Path | None, typer.Option(help="Write it all as one HTML page with pictures.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Find the registers behind readings that people took."""
    if report is not None:
        check_report_place(report, [recording, readings, site])
    known = None if site is None else load_or_refuse(site)
    noted = read(readings, None if known is None else ZoneInfo(known.time_zone))
    heights = _heights(height or [], known, noted)
    source = read_recording(recording)
    found = survey_recording(source, (), watched_batches(source))
    _refuse_if_all_outside(readings, noted, found)
    answers = match_readings(found, noted, heights)
    zone = None if known is None else ZoneInfo(known.time_zone)
    words = [answer_words(found, answer, noted, zone) for answer in answers]
    if report is not None:
        from sidetap.survey.report import write_match_report  # templates take a moment to load, and few ask for them

        write_match_report(found, words, report, recording=recording.name, readings=readings.name, zone=zone)
    if as_json:
        sys.stdout.write(json.dumps({"answers": [a.document() for a in answers]}, allow_nan=False) + "\n")
        return
    console = page()
    for told in words:
        _show(console, told, known)


def _heights(given: Sequence[str], known: Site | None, noted: Sequence[PersonReading]) -> dict[str, Fraction]:
    """Return the heights of vessels by name, in m: the site file's tops, and what was given instead."""
    names = list(dict.fromkeys(r.name for r in noted))
    found = {} if known is None else {v.tag: Fraction(v.top_01mm, 10_000) for v in known.vessels}
    for text in given:
        name, _, length = text.rpartition("=")
        if name not in names:
            problem = f"{text[:_SHOWN]!r} names no reading" if name else f"{text[:_SHOWN]!r} is no NAME=LENGTH"
            raise BadInput(
                "--height", problem, f'Write it like {names[0]}="7.315 m"; names here are {", ".join(names)}.'
            )
        try:
            found[name] = parse_quantity(length, Dimension.LENGTH)
        except ValueError as problem:
            raise BadInput("--height", str(problem), f'Write it like {names[0]}="7.315 m".') from None
        if found[name] <= 0:
            raise BadInput("--height", f"{text[:_SHOWN]!r} is no height", "Write a length over 0.")
    return found


def _refuse_if_all_outside(path: Path, noted: Sequence[PersonReading], found: Survey) -> None:
    """Say so when no reading at all can be laid beside the record: "none" would blame the registers for a clock."""
    start_ns, end_ns = found.history.start_ns, found.history.end_ns
    if start_ns is None or end_ns is None or len(outside_of(found, noted)) < len(noted):
        return
    raise BadInput(
        str(path),
        f"all readings lie outside the record (it runs from {_moment(start_ns)} to {_moment(end_ns)})",
        "Write time_s on the recording's clock, or give --site, whose time zone is that of the column time.",
    )


def _moment(t_ns: int) -> str:
    """Return a time of the record; where its clock counts from 1970, the date too."""
    seconds = f"{t_ns / NS_PER_S:.3f} s"
    if t_ns < CALENDAR_FROM_NS:
        return seconds
    return f"{seconds}, {datetime.fromtimestamp(t_ns // NS_PER_S, UTC):%Y-%m-%d %H:%M:%S} UTC"


def _show(console: Console, told: AnswerWords, site: Site | None) -> None:
    paragraph(console, f"{told.name}: {told.verdict.words}", hang=_INDENT, style="bold")
    if told.outside:
        paragraph(console, told.outside, _INDENT)
    if told.best is None:
        what = "any reading that is left" if told.outside else "the readings"
        paragraph(console, f"No register of this recording explains {what}.", _INDENT)
        for words in told.next:
            paragraph(console, words, _INDENT)
        return
    for label, words in _rows(told, site):
        paragraph(console, words, _INDENT + _LABEL, label=f"{'':{_INDENT}}{label}", hang=0 if label == "next" else 2)


def _rows(told: AnswerWords, site: Site | None) -> list[tuple[str, str]]:
    rows = [
        *answer_facts(told),
        *(row for rival in told.rivals for row in _rival(rival)),
        *(("next", words) for words in told.next),
        ("when", told.when),
        ("aside", told.aside),
    ]
    if site is not None:
        rows.append(("site", _compared(told.answer, site)))
    return [(label, words) for label, words in rows if words]


def _rival(rival: Way) -> list[tuple[str, str]]:
    taken = f", taken as {rival.taken}" if rival.taken else ""
    return [
        ("or", f"{rival.chance}: {rival.place}, {rival.encoding}"),
        (" ", f"{rival.wire}{taken} = {rival.now}, would be {rival.level_now}; {rival.law}"),
    ]


def _compared(answer: Answer, site: Site) -> str:
    """Return whether the site file reads the vessel of that name from the same register."""
    best = answer.best
    for vessel in site.vessels:
        if best is not None and vessel.tag == answer.name:
            point = site.point(vessel.level.point)
            same = (point.device, point.table, point.register) == (best.device, best.table, best.register)
            word = "the same" if point.encoding == best.encoding else f"the same register, there as {point.encoding}"
            where = place(point.device, point.table, point.register)
            return f"{point.tag}, {where}: {word if same else 'ANOTHER register'}"
    return ""
