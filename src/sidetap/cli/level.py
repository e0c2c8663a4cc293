"""`sidetap level`: the levels of a site, from a recording at a moment of it, or from the running station."""

import json
import re
import sys
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer
from rich.console import Console
from rich.table import Table

from sidetap.cli.progress import watched
from sidetap.errors import BadInput
from sidetap.line import Chunk, Parser, Settings, Transaction
from sidetap.line.recording import Recording, read
from sidetap.measure import Meter, levels_document
from sidetap.quantity import NS_PER_S, Rounding, convert, format_level, format_number, round_fraction
from sidetap.site import Site, load_or_refuse

_BAR_WIDTH = 10
_SECONDS = re.compile(r"[+-]?\d{1,12}(\.\d{1,12})?")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_AFTER_END_NS = 60 * NS_PER_S
_EARLIEST_EPOCH_S = 946_684_800  # 2000-01-01: a recording whose times are earlier counts from its own start


def level(
    site: Annotated[Path, typer.Argument(help="The site file.")],
    recording: Annotated[
        Path | None, typer.Argument(help="A recording of the line; without it the running station is asked.")
    ] = None,
    at: Annotated[
        str | None, typer.Option("--at", metavar="T", help="Seconds of the record, or ISO 8601; its end by default.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Show every vessel's level and volume with quality, age and uncertainty."""
    loaded = load_or_refuse(site)
    if recording is None:
        if at is not None:
            raise BadInput("--at", "only a recording has a past", "Name the recording, or leave --at out.")
        from sidetap.station.client import snapshot  # only this branch needs the station

        document = {"levels": snapshot(site)["levels"]}
    else:
        document = _of_recording(loaded, recording, at)
    if as_json:
        sys.stdout.write(json.dumps(document, allow_nan=False) + "\n")
    else:
        _print_table(loaded, document["levels"])


# -- a recording -----------------------------------------------------------------------------------------------------


def _of_recording(site: Site, path: Path, at: str | None) -> dict[str, Any]:
    source = read(path)
    if len(site.lines) > 1:
        raise BadInput(str(site.path), "a recording is of one line, and this site has several", "Use a site of one.")
    now_ns = None if at is None else _moment_ns(at, site, source)
    line = site.lines[0]
    parser, meter = Parser(source.settings or Settings(line.baud, line.framing)), Meter(site)
    last_ns: int | None = None
    latest_ns = earliest_ns = None
    for chunk in watched(source):
        if chunk.t_ns is None:
            raise BadInput(
                str(path), "a recording without times", "A level needs an age; record with times (.pcapng)."
            )
        earliest_ns = chunk.t_ns if earliest_ns is None else min(earliest_ns, chunk.t_ns)
        latest_ns = chunk.t_ns if latest_ns is None else max(latest_ns, chunk.t_ns)
        if now_ns is not None and chunk.t_ns > now_ns:
            continue  # not a break: a clock that was set back may come to the moment later
        last_ns = chunk.t_ns
        _feed(parser, meter, chunk)
    parser.close()
    _drain(parser, meter)
    if now_ns is not None and earliest_ns is not None and latest_ns is not None:
        _must_lie_within(now_ns, earliest_ns, latest_ns)
    moment = now_ns if now_ns is not None else last_ns or 0
    return levels_document(site, (meter.level(vessel.tag, moment) for vessel in site.vessels))


def _must_lie_within(now_ns: int, earliest_ns: int, latest_ns: int) -> None:
    """Refuse a moment that the recording says nothing of; some seconds after its end its last values are only old."""
    if not earliest_ns <= now_ns <= latest_ns + _AFTER_END_NS:
        span = f"{earliest_ns / NS_PER_S:.3f} to {latest_ns / NS_PER_S:.3f} s"
        raise BadInput("--at", "it lies outside the recording", f"This one runs from {span}.")


def _feed(parser: Parser, meter: Meter, chunk: Chunk) -> None:
    parser.receive(chunk)
    _drain(parser, meter)


def _drain(parser: Parser, meter: Meter) -> None:
    while (event := parser.next_event()) is not None:
        if isinstance(event, Transaction):
            meter.receive(event)


def _moment_ns(text: str, site: Site, source: Recording) -> int:
    """Return a moment on the recording's clock, from seconds or from a local or absolute ISO 8601 time."""
    if _SECONDS.fullmatch(text) is not None:
        return round_fraction(Fraction(text) * NS_PER_S, Rounding.NEAREST)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise BadInput("--at", f"{text[:40]!r} is no time", "Write seconds of the record or ISO 8601.") from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(site.time_zone))
    first = next((chunk.t_ns for chunk in source.chunks if chunk.t_ns is not None), None)
    if first is not None and first < _EARLIEST_EPOCH_S * NS_PER_S:
        raise BadInput(
            "--at", "this recording counts from its own start, not in dates", "Write seconds of the record."
        )
    return (moment - _EPOCH) // timedelta(microseconds=1) * 1000


# -- text ------------------------------------------------------------------------------------------------------------


def _print_table(site: Site, levels: list[dict[str, Any]]) -> None:
    console = Console(highlight=False, markup=False, width=None if sys.stdout.isatty() else 80)
    table = Table(box=None, pad_edge=False)
    for header in ("vessel", "", "level", "volume", "±", "quality", "age"):
        table.add_column(header, justify="left" if header in ("vessel", "", "quality") else "right", no_wrap=True)
    for entry in levels:
        table.add_row(*_cells(site, entry))
    console.print(table)
    for entry in levels:
        for note in _notes(site, entry):
            console.print(f"{entry['vessel']}: {note}", soft_wrap=True)


def _cells(site: Site, entry: dict[str, Any]) -> tuple[str, ...]:
    unit = site.show.volume
    vessel = site.vessel(entry["vessel"])
    litres, age = entry["volume_L"], entry["age_s"]
    gallons_u = entry["uncertainty_gal"]
    return (
        f"{vessel.tag} {vessel.name}",
        _bar(entry["level_mm"], vessel.top_01mm),
        entry["level_text"] or "–",
        f"{_volume(litres, 'L', unit)} {unit}" if litres is not None else "–",
        _volume(gallons_u, "gal", unit) if gallons_u is not None else "–",
        entry["quality"],
        "–" if age is None else f"{_seconds(age)} s",
    )


def _bar(level_mm: float | None, top_01mm: int) -> str:
    if level_mm is None:
        return "?" * _BAR_WIDTH
    full = round(level_mm * 10 / top_01mm * _BAR_WIDTH)
    return "█" * full + "░" * (_BAR_WIDTH - full)


def _volume(value: float, source: str, target: str) -> str:
    return format_number(convert(Fraction(value), source, target), 1 if target in ("m3", "bbl") else 0)


def _seconds(value: float) -> str:
    return format_number(Fraction(str(value)), 1)


def _notes(site: Site, entry: dict[str, Any]) -> list[str]:
    notes = [entry["reason"]] if entry["reason"] else []
    at_most, last_good = entry["volume_at_most_gal"], entry["last_good"]
    if at_most is not None:
        notes.append(f"at most {format_number(Fraction(at_most))} gal")
    if entry["level_mm"] is None and last_good is not None:
        was = format_level(round(last_good["level_mm"] * 10), site.show.level)
        ago = "" if entry["age_s"] is None else f", {_seconds(entry['age_s'])} s before"
        notes.append(f"the last good level was {was}{ago}")
    return notes
