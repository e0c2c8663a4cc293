"""`sidetap level`: the levels of a site, from a recording at a moment of it, or from the running station.

A recording is heard by the runner for records, up to the moment asked for and not a chunk further, and every answer
that holds a point goes to the same `Meter` that the station has. What is shown is the business of `level_view`.
"""

import json
import re
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import numpy as np
import typer

from sidetap.cli.answered import answers
from sidetap.cli.level_view import View, lines, of_reading, of_snapshot
from sidetap.cli.progress import watched_batches
from sidetap.errors import BadInput
from sidetap.line import Batch, Settings, listen
from sidetap.line.recording import Recording, read
from sidetap.measure import Meter, levels_document
from sidetap.quantity import CALENDAR_FROM_NS, NS_PER_S, Rounding, round_fraction
from sidetap.site import Site, load_or_refuse

_SECONDS = re.compile(r"[+-]?\d{1,12}(\.\d{1,12})?", re.ASCII)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_AFTER_END_NS = 60 * NS_PER_S


def level(
    site: Annotated[Path, typer.Argument(help="The site file.")],
    recording: Annotated[
        Path | None, typer.Argument(help="A recording of the line; without it the running station is asked.")
    ] = None,
    at: Annotated[
        str | None,
        typer.Option(
            "--at", metavar="T", help="Seconds of the record, or ISO 8601 (local to the site); its end by default."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Show every vessel's level and volume with quality, age and uncertainty, and what there is of each product."""
    loaded = load_or_refuse(site)
    if recording is None:
        if at is not None:
            raise BadInput("--at", "only a recording has a past", "Name the recording, or leave --at out.")
        from sidetap.station.client import snapshot  # only this branch needs the station

        shown = snapshot(site)
        document: dict[str, Any] = {"levels": shown["levels"]}
        view = of_snapshot(loaded, shown)
    else:
        document, view = _of_recording(loaded, recording, at)
    if as_json:
        sys.stdout.write(json.dumps(document, allow_nan=False) + "\n")
    else:
        sys.stdout.writelines(f"{line}\n" for line in lines(view))


# -- a recording -----------------------------------------------------------------------------------------------------


def _of_recording(site: Site, path: Path, at: str | None) -> tuple[dict[str, Any], View]:
    source = read(path)
    if len(site.lines) > 1:
        raise BadInput(str(site.path), "a recording is of one line, and this site has several", "Use a site of one.")
    asked_ns = None if at is None else _moment_ns(at, site, source)
    line = site.lines[0]
    heard = _Heard(source, asked_ns)
    meter, devices = Meter(site), np.array([point.device for point in site.points])
    for columns in listen(heard.batches(), source.settings or Settings(line.baud, line.framing), repair=False):
        for transaction in answers(columns, devices):
            meter.receive(transaction)
    now_ns = heard.moment_ns(ZoneInfo(site.time_zone))
    readings = [meter.level(vessel.tag, now_ns) for vessel in site.vessels]
    document = levels_document(site, readings)
    rows = [of_reading(site, reading, entry) for reading, entry in zip(readings, document["levels"], strict=True)]
    return document, View(site, rows, now_ns, heard.dated)


class _Heard:
    """The chunks of a recording up to a moment (None: all), and what its clock says."""

    def __init__(self, source: Recording, asked_ns: int | None) -> None:
        self._source, self._asked_ns = source, asked_ns
        self._earliest_ns = self._latest_ns = self._last_ns = 0
        self._begun = False

    def batches(self) -> Iterator[Batch]:
        """Yield them. Where the clock was set back, the moment may come later, and more than once."""
        asked_ns = self._asked_ns
        for batch in watched_batches(self._source):
            if batch.t_ns is None:
                raise BadInput(
                    str(self._source.path),
                    "a recording without times",
                    "A level needs an age; record with times (.pcapng).",
                )
            least, most = int(batch.t_ns.min()), int(batch.t_ns.max())
            self._earliest_ns = min(self._earliest_ns, least) if self._begun else least
            self._latest_ns = max(self._latest_ns, most) if self._begun else most
            self._begun = True
            taken = batch if asked_ns is None or most <= asked_ns else _until(batch, asked_ns)
            if taken is not None and taken.t_ns is not None:
                self._last_ns = int(taken.t_ns[-1])
                yield taken
            if asked_ns is not None and most > asked_ns and not self._source.clock_stepped:
                return

    def moment_ns(self, zone: ZoneInfo) -> int:
        """Return the moment: the one asked for if the recording says anything of it, else its last chunk's.

        Some seconds after the recording's end its last values are only old.
        """
        if self._asked_ns is None:
            return self._last_ns
        if self._asked_ns < self._earliest_ns:  # and nothing behind it has been heard
            begins = f"{self._earliest_ns / NS_PER_S:.3f} s"
            if self.dated:
                begins = f"{datetime.fromtimestamp(self._earliest_ns // NS_PER_S, zone).isoformat()} ({begins})"
            raise BadInput("--at", "it lies outside the recording", f"This one begins at {begins}.")
        if self._asked_ns > self._latest_ns + _AFTER_END_NS:
            raise BadInput("--at", "it lies outside the recording", f"This one runs {self._span(zone)}.")
        return self._asked_ns

    @property
    def dated(self) -> bool:
        """Whether the clock is one of dates, or counts from the recording's own start."""
        return self._earliest_ns >= CALENDAR_FROM_NS

    def _span(self, zone: ZoneInfo) -> str:
        ends = self._earliest_ns, self._latest_ns
        seconds = " to ".join(f"{end / NS_PER_S:.3f}" for end in ends)
        if not self.dated:
            return f"from {seconds} s"
        dates = " to ".join(datetime.fromtimestamp(end // NS_PER_S, zone).isoformat() for end in ends)
        return f"from {dates} ({seconds} s)"


def _until(batch: Batch, asked_ns: int) -> Batch | None:
    """Return the chunks of a batch that came up to a moment; None without any."""
    assert batch.t_ns is not None, "the caller has looked"  # noqa: S101
    taken = batch.t_ns <= asked_ns
    if not taken.any():
        return None
    sizes = np.diff(batch.ends, prepend=0)
    octets = np.repeat(taken, sizes)
    flags = None if batch.flags is None else batch.flags[octets]
    return Batch(batch.data[octets], np.cumsum(sizes[taken]), batch.t_ns[taken], flags)


# -- a moment --------------------------------------------------------------------------------------------------------


def _moment_ns(text: str, site: Site, source: Recording) -> int:
    """Return a moment on the recording's clock, from seconds or from a local or absolute ISO 8601 time."""
    if _SECONDS.fullmatch(text) is not None:
        return round_fraction(Fraction(text) * NS_PER_S, Rounding.NEAREST)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise BadInput(
            "--at", f"{text[:40]!r} is no time", "Write seconds of the record or ISO 8601: 2026-03-11T09:30:00."
        ) from None
    if moment.tzinfo is None:
        moment = _in_zone(moment, text, ZoneInfo(site.time_zone))
    first = next((int(batch.t_ns[0]) for batch in source.batches if batch.t_ns is not None), None)
    if first is not None and first < CALENDAR_FROM_NS:
        raise BadInput(
            "--at", "this recording counts from its own start, not in dates", "Write seconds of the record."
        )
    return (moment - _EPOCH) // timedelta(microseconds=1) * 1000


def _in_zone(moment: datetime, text: str, zone: ZoneInfo) -> datetime:
    """Return a local time with its zone; BadInput where the clocks were changed just then."""
    first, second = (moment.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return first
    twice = (first.utcoffset() or timedelta()) > (second.utcoffset() or timedelta())
    problem = "came twice: the clocks were changed" if twice else "was left out: the clocks were changed"
    raise BadInput("--at", f"{text[:40]!r} {problem}", f"Write {first.isoformat()} or {second.isoformat()}.")
