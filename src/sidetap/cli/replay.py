"""`sidetap replay`: the scheme over an old recording: which loads would have gone differently, and why.

The recording is heard by the runner for records; what is made of its levels is the business of `hindsight`.
"""

import json
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import numpy as np
import typer
from rich.console import Console
from rich.progress import Progress

from sidetap.cli.answered import answers
from sidetap.cli.paragraphs import page, paragraph
from sidetap.cli.progress import watched_batches
from sidetap.errors import BadInput, printable
from sidetap.hindsight import Change, Draw, Hindsight, Levels, Outcome, Series, Ticket, look_back
from sidetap.line import Batch, Settings, listen
from sidetap.line.recording import Recording, read
from sidetap.quantity import CALENDAR_FROM_NS, NS_PER_MS, NS_PER_S, Texts, format_duration
from sidetap.site import Site, load_or_refuse
from sidetap.site.cause_effect import compile_site

_CAUTIONS = (
    "This is what the scheme would have done with the levels as they are in the record. A load that it had refused "
    "or closed would have left more in its vessel, and people would have done something else next: neither is in it. "
    "Nor is anything that the line doesn't tell: stop circuits, hoses, probes and selectors count as healthy, panels "
    "as there, trips as reset by a person as soon as they can be."
)
_FROM_LEVELS = (
    "Loads are seen by how fast levels fell, each taken for a ticket of its own, its start and end right to a few "
    "seconds. A draw during a delivery into the same vessel, or one that fits no bay's flow, is not seen as a load."
)
_LATE_NS = NS_PER_S
_VERDICTS = {"same": "the same", "refused": "refused", "closed-early": "closed early", "unknown": "not judged"}


def replay(
    site: Annotated[Path, typer.Argument(help="The site file.")],
    recording: Annotated[Path, typer.Argument(help="A recording of the line, with times.")],
    loads: Annotated[
        Path | None,
        typer.Option(
            metavar="STORE", help="A station's station.db, only read: its real tickets instead of what levels tell."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Run the scheme over an old recording and tell which loads would have gone differently."""
    loaded = load_or_refuse(site)
    if not loaded.valves:
        raise BadInput(str(site), "no valve: there is no scheme to run", "Add bays and valves.")
    real = None if loads is None else _tickets(loaded, loads)  # told in a moment, a long recording is not
    source = _fit(read(recording), loaded)
    levels = _levels(loaded, source)
    if not any(series.good_ns for series in levels.values()):
        raise BadInput(str(recording), "it tells no level of this site", "Name a recording of this site's line.")
    with _progress() as progress:
        found = look_back(loaded, compile_site(loaded), levels, real, progress)
    if as_json:
        sys.stdout.write(json.dumps(found.document(loaded), allow_nan=False) + "\n")
    else:
        _View(loaded, found, real is not None).print(recording)


def _fit(source: Recording, site: Site) -> Recording:
    place = str(source.path)
    if len(site.lines) > 1:
        raise BadInput(str(site.path), "a recording is of one line, and this site has several", "Use a site of one.")
    if source.clock_stepped:
        problem = f"its clock was set back at chunk {source.clock_stepped[0].chunk + 1}"
        raise BadInput(place, problem, "Use a recording, or a part of it, whose times only rise.")
    return source


def _levels(site: Site, source: Recording) -> dict[str, Series]:
    line = site.lines[0]
    levels, devices = Levels(site), np.array([point.device for point in site.points])
    for columns in listen(_timed(source), source.settings or Settings(line.baud, line.framing), repair=False):
        for transaction in answers(columns, devices):
            levels.receive(transaction)
    return levels.of


def _timed(source: Recording) -> Iterator[Batch]:
    for batch in watched_batches(source):
        if batch.t_ns is None:
            raise BadInput(
                str(source.path), "a recording without times", "A load needs times; record with them (.pcapng)."
            )
        yield batch


def _tickets(site: Site, store: Path) -> list[Ticket]:
    """Return the tickets of a station whose valves this site has, as they were worked."""
    from sidetap.station.store import read_loads  # only this branch needs the station

    tickets = []
    for load in read_loads(store):
        draws = []
        for opening in load.openings:
            valve = next((v for v in site.valves if v.tag == opening.valve), None)
            if valve is None or valve.bay != load.bay:
                remedy = "Use the store of a station that ran this yard."
                raise BadInput(str(store), f"ticket {load.ticket} opened {opening.valve}, which is not here", remedy)
            volume_m3 = float(site.bay(load.bay).flow_m3_per_s) * opening.open_ms / 1000
            end_ns = opening.opened_utc_ns + opening.open_ms * NS_PER_MS
            draws.append(Draw(valve.tag, opening.opened_utc_ns, end_ns, volume_m3))
        if draws:
            tickets.append(Ticket(load.bay, tuple(draws), load.ticket))
    return tickets


@contextmanager
def _progress() -> Iterator[Callable[[float], None]]:
    """Show progress on stderr, on a terminal only."""
    console = Console(stderr=True)
    with Progress(console=console, disable=not console.is_terminal, transient=True) as bar:
        task = bar.add_task("stepping", total=1.0)
        yield lambda share: bar.update(task, completed=share)


class _View:
    """The answer in words."""

    def __init__(self, site: Site, found: Hindsight, real: bool) -> None:
        self._site, self._found, self._real = site, found, real
        self._texts = Texts(site.show)
        self._zone = ZoneInfo(site.time_zone)
        self._dated = found.first_ns >= CALENDAR_FROM_NS

    def print(self, recording: Path) -> None:
        """Print it."""
        console, found = page(), self._found
        loads, source = len(found.outcomes), "on its tickets" if self._real else "seen in its levels"
        day = f" of {datetime.fromtimestamp(found.first_ns // NS_PER_S, self._zone):%Y-%m-%d}" if self._dated else ""
        span = f"{self._clock(found.first_ns)} to {self._clock(found.last_ns)}{day}"
        paragraph(console, f"{printable(str(recording))}, {span}: {loads} load{'s' * (loads != 1)} {source}", hang=2)
        console.print()
        for outcome in found.outcomes:
            self._load(console, outcome)
        console.print()
        paragraph(console, self._summary())
        self._changes(console)
        console.print()
        paragraph(console, _CAUTIONS if self._real else f"{_CAUTIONS} {_FROM_LEVELS}")

    def _load(self, console: Console, outcome: Outcome) -> None:
        draw = outcome.draw
        length = format_duration(_whole_seconds(draw.end_ns - draw.start_ns))
        vessel, volume = self._site.valve(draw.valve).vessel, self._texts.volume(draw.volume_m3)
        ticket = "" if outcome.ticket.number is None else f" ticket {outcome.ticket.number}"
        head = f"{self._clock(draw.start_ns)}  {draw.valve} from {vessel}{ticket}, {length}, {volume}"
        paragraph(console, f"{head}: {self._verdict(outcome)}", hang=10)
        if draw.others:
            paragraph(console, f"or it was {' or '.join(draw.others)}: the flows are too much alike", 10)

    def _verdict(self, outcome: Outcome) -> str:
        less = f"{self._texts.volume(outcome.less_m3)} less"
        if outcome.verdict == "unknown":
            return f"not judged: {outcome.why}"
        if outcome.verdict == "refused":
            return f"REFUSED, {less}: {outcome.why}"
        late = outcome.opened_late_ns > _LATE_NS
        opened = f"opened {format_duration(_whole_seconds(outcome.opened_late_ns))} later; " if late else ""
        if outcome.verdict == "closed-early":
            limit = format_duration(self._site.valve(outcome.draw.valve).open_limit_ns)
            why = f"{outcome.why} ({limit})" if outcome.cause == "limit" else outcome.why
            return f"{opened}CLOSED EARLY at {self._clock(outcome.at_ns)}, {less}: {why}"
        return f"opened {format_duration(_whole_seconds(outcome.opened_late_ns))} later" if late else "the same"

    def _summary(self) -> str:
        outcomes = self._found.outcomes
        parts = []
        for verdict, words in _VERDICTS.items():
            of_it = [outcome for outcome in outcomes if outcome.verdict == verdict]
            causes = Counter(outcome.cause for outcome in of_it if outcome.less_m3)
            told = ", ".join(f"{cause} {count}" for cause, count in causes.most_common())
            if of_it:
                parts.append(f"{len(of_it)} {words}{f' ({told})' * bool(told)}")
        less = self._texts.volume(sum(outcome.less_m3 for outcome in outcomes))
        return f"{', '.join(parts) or 'no load'}; {less} less in all. Scheme {self._found.scheme_hash[:16]}."

    def _changes(self, console: Console) -> None:
        for change in self._found.changes:
            paragraph(console, self._change(change), hang=10)

    def _change(self, change: Change) -> str:
        what = "delivered into" if change.volume_m3 > 0 else "fell, with no bay that fits, in"
        span = f"{self._clock(change.start_ns)} to {self._clock(change.end_ns)}"
        return f"{span}  {self._texts.volume(abs(change.volume_m3))} {what} {change.vessel}"

    def _clock(self, t_ns: int) -> str:
        if not self._dated:
            return f"{t_ns / NS_PER_S:.1f} s"
        return f"{datetime.fromtimestamp(t_ns // NS_PER_S, self._zone):%H:%M:%S}"


def _whole_seconds(duration_ns: int) -> int:
    return (duration_ns + NS_PER_S // 2) // NS_PER_S * NS_PER_S
