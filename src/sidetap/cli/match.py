"""`sidetap match`: a recording and people's readings -> the register behind each name, or what to read next."""

import json
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from sidetap.cli.progress import watched_batches
from sidetap.errors import BadInput
from sidetap.line import reference
from sidetap.line.recording import read as read_recording
from sidetap.quantity import NS_PER_S
from sidetap.site import Site, load_or_refuse
from sidetap.survey import Answer, PersonReading, Survey, outside_of, read, survey_recording
from sidetap.survey import match as match_readings

_WIDTH = 80  # columns at least
_CALENDAR_FROM_NS = 10**9 * NS_PER_S  # 2001; a clock that shows less counts from the record's own start


def match(
    recording: Annotated[Path, typer.Argument(help="The recording: .pcapng or .csv.")],
    readings: Annotated[Path, typer.Argument(help="A CSV time_s,name,value,unit of what people read.")],
    site: Annotated[
        Path | None, typer.Option(help="A site file: its time zone is that of the readings; its points are compared.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Find the registers behind readings that people took."""
    known = None if site is None else load_or_refuse(site)
    noted = read(readings, None if known is None else ZoneInfo(known.time_zone))
    source = read_recording(recording)
    found = survey_recording(source, (), watched_batches(source))
    _refuse_if_all_outside(readings, noted, found)
    answers = match_readings(found, noted)
    if as_json:
        sys.stdout.write(json.dumps({"answers": [a.document() for a in answers]}, allow_nan=False) + "\n")
        return
    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=_WIDTH)
    for answer in answers:
        _show(console, answer, known)


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
    if t_ns < _CALENDAR_FROM_NS:
        return seconds
    return f"{seconds}, {datetime.fromtimestamp(t_ns // NS_PER_S, UTC):%Y-%m-%d %H:%M:%S} UTC"


def _show(console: Console, answer: Answer, site: Site | None) -> None:
    console.print(Text(f"{answer.name}: {answer.status}", style="bold"))
    for words in _words(answer, site):
        console.print(Padding(Text(words), (0, 0, 0, 2)))


def _words(answer: Answer, site: Site | None) -> list[str]:
    best = answer.best
    outside = []
    if answer.outside_readings:
        rows = ", ".join(map(str, answer.outside_readings))
        outside = [f"Readings outside the record, left out: row {rows} (from 1 after the header). Check their times."]
    if best is None:
        what = "any reading that is left" if outside else "the readings"
        return [*outside, f"No register of this recording explains {what}."]
    place = f"device {best.device} {best.table} {best.register} ({reference(best.table, best.register)})"
    sign = "+" if best.offset >= 0 else "-"
    law = f"{answer.unit} = decoded × {best.scale:.6g} {sign} {abs(best.offset):.6g}"
    words = [*outside, f"{place}, {best.encoding}", f"{law}; confidence {min(best.confidence, 0.9999):.4f}"]
    if answer.valid_below is not None:
        words.append(f"16 or 32 bits can't be told apart below {answer.valid_below:.6g} {answer.unit}")
    if answer.suspect_readings:
        rows = ", ".join(map(str, answer.suspect_readings))
        words.append(f"Readings that don't fit: row {rows} (from 1 after the header). Read them again.")
    words += [
        f"Rival: device {r.device} {r.table} {r.register}, {r.encoding}, {r.confidence:.3f}" for r in answer.rivals
    ]
    if answer.next is not None:
        words.append(f"Next: {answer.next}")
    if answer.next_ns is not None:
        words.append(f"A reading at {answer.next_ns / 1e9:.3f} s of this record would have settled it.")
    if site is not None:
        words += _compared(answer, site)
    return words


def _compared(answer: Answer, site: Site) -> list[str]:
    """Return whether the site file reads the vessel of that name from the same register."""
    best = answer.best
    for vessel in site.vessels:
        if best is not None and vessel.tag == answer.name:
            point = site.point(vessel.level.point)
            same = (point.device, point.table, point.register) == (best.device, best.table, best.register)
            word = "the same" if point.encoding == best.encoding else f"the same register, there as {point.encoding}"
            place = f"{point.tag}, device {point.device} {point.table} {point.register}"
            return [f"The site file reads it from {place}: {word if same else 'ANOTHER register'}."]
    return []
