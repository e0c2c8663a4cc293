"""`sidetap doctor`: dips beside what a line reported -> offset, gain, the likely cause, and the point's release."""

import json
import sys
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from rich.padding import Padding
from rich.table import Table

from sidetap.cli.doctor_release import check_name, enter_releases
from sidetap.cli.paragraphs import page, paragraph
from sidetap.cli.progress import watched
from sidetap.errors import BadInput, Refused, printable
from sidetap.line import Parser, Settings, Transaction
from sidetap.line.recording import read as read_recording
from sidetap.measure.doctor import (
    Beside,
    Diagnosis,
    Hearing,
    assign,
    diagnose,
    doctor_document,
    error_rows,
    show_volume,
    words_for,
)
from sidetap.quantity import NS_PER_S, Texts
from sidetap.site import Site, Vessel, load_or_refuse
from sidetap.survey import read as read_readings

_INDENT = 2


def doctor(
    site: Annotated[Path, typer.Argument(help="The site file.")],
    recording: Annotated[Path, typer.Argument(help="A recording of the line, with times: .pcapng or .csv.")],
    readings: Annotated[
        Path, typer.Argument(help="A CSV time_s|time,name,value,unit[,device][,tolerance][,kind] of dips.")
    ],
    release: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", help="Enter in the site file, on this person's word, the points the dips release."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Compare levels with what people dipped; name what is wrong, and whether a point may guard a valve."""
    if release is not None:
        check_name(release)
    loaded = load_or_refuse(site)
    noted, unknown = assign(loaded, read_readings(readings, ZoneInfo(loaded.time_zone)), readings)
    hearing = Hearing(loaded, noted)
    _listen(loaded, recording, readings, hearing)
    found = diagnose(hearing.comparisons())
    entered: list[str] = []
    refused: Refused | None = None
    if release is not None:
        try:
            entered = enter_releases(loaded, found, release)
        except Refused as problem:  # what the dips say is told all the same
            refused = problem
    if as_json:
        sys.stdout.write(json.dumps(doctor_document(found, loaded.show.volume), allow_nan=False) + "\n")
    else:
        _print(loaded, found, unknown, entered)
    if refused is not None:
        raise refused


def _listen(site: Site, path: Path, readings: Path, hearing: Hearing) -> None:
    """Feed what was heard around the readings; refuse a recording that none of them lies in."""
    if len(site.lines) > 1:
        raise BadInput(str(site.path), "a recording is of one line, and this site has several", "Use a site of one.")
    source = read_recording(path)
    parser = Parser(source.settings or Settings(site.lines[0].baud, site.lines[0].framing))
    earliest_ns = latest_ns = None
    heard = False
    for chunk in watched(source):
        if chunk.t_ns is None:
            raise BadInput(str(path), "a recording without times", "Record with times (.pcapng).")
        earliest_ns = chunk.t_ns if earliest_ns is None else min(earliest_ns, chunk.t_ns)
        latest_ns = chunk.t_ns if latest_ns is None else max(latest_ns, chunk.t_ns)
        if hearing.wants(chunk.t_ns):
            heard = True
            parser.receive(chunk)
            _drain(parser, hearing)
    parser.close()
    _drain(parser, hearing)
    if not heard and earliest_ns is not None and latest_ns is not None:
        span = f"{earliest_ns / NS_PER_S:.3f} to {latest_ns / NS_PER_S:.3f} s"
        raise BadInput(
            str(readings),
            f"all readings lie outside the record (it runs from {span})",
            "Write time_s on the recording's clock, or local times in a column time.",
        )


def _drain(parser: Parser, hearing: Hearing) -> None:
    while (event := parser.next_event()) is not None:
        if isinstance(event, Transaction):
            hearing.receive(event)


# -- text ------------------------------------------------------------------------------------------------------------


def _print(site: Site, found: list[Diagnosis], unknown: list[str], entered: list[str]) -> None:
    console = page()
    for number, diagnosis in enumerate(found):
        if number:
            console.print()
        words = words_for(diagnosis, site.show.volume)
        title = f"{diagnosis.vessel.tag} {diagnosis.vessel.name}, {diagnosis.point.tag}: {words.headline}"
        paragraph(console, title, hang=_INDENT, style="bold")
        if diagnosis.dips or diagnosis.displays:
            console.print(Padding(_readings_table(site, diagnosis), (0, 0, 0, _INDENT), expand=False))
        for sentence in filter(None, (*words.evidence, words.next, words.release)):
            paragraph(console, sentence, _INDENT, hang=_INDENT)
        rows = error_rows(diagnosis)
        if rows:
            paragraph(console, "What this fault does to the volume:", _INDENT)
            console.print(Padding(_error_table(site, rows, diagnosis.vessel), (0, 0, 0, _INDENT), expand=False))
    if unknown:
        console.print()
        paragraph(console, f"Not in the site file, so not used: {', '.join(unknown)}.")
    if entered:
        console.print()
        paragraph(console, f"Entered in {printable(str(site.path))}: {', '.join(entered)}.")


def _readings_table(site: Site, diagnosis: Diagnosis) -> Table:
    table = _table(("", "read", "line", "differs", "stated ±", "in volume"))
    for kind, readings in (("dip", diagnosis.dips), ("display", diagnosis.displays)):
        for each in readings:
            table.add_row(kind, *_cells(site, each, diagnosis.vessel))
    return table


def _cells(site: Site, each: Beside, vessel: Vessel) -> tuple[str, ...]:
    reported, error = each.comparison.reported_m, each.volume_error_m3
    assert reported is not None  # noqa: S101  # what is beside the line has a level there
    return (
        _level(site, float(each.comparison.noted.value), vessel),
        _level(site, reported, vessel),
        f"{round(each.difference * 1000, 1) + 0.0:+.1f} mm",
        f"{each.stated * 1000:.1f} mm",
        "–" if error is None else show_volume(error, site.show.volume, signed=True),
    )


def _error_table(site: Site, rows: list[tuple[str, float, float, float | None]], vessel: Vessel) -> Table:
    table = _table(("at", "true", "line", "in volume"))
    for place, true, reported, error in rows:
        shown = "no such level" if error is None else show_volume(error, site.show.volume, signed=True)
        table.add_row(place, _level(site, true, vessel), _level(site, reported, vessel), shown)
    return table


def _table(headers: tuple[str, ...]) -> Table:
    table = Table(box=None, pad_edge=False)
    for number, header in enumerate(headers):
        table.add_column(header, justify="right" if number else "left", no_wrap=True)
    return table


def _level(site: Site, level_m: float, vessel: Vessel) -> str:
    return Texts(site.show).level(round(level_m, 4), vessel.top_01mm / 10_000)
