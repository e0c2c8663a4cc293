"""The cause and effect in words: a table a bay, what resets each cause, alarms, products, bypasses, signatures.

Every mark is a word, so that a print in black and white says all there is.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from importlib.metadata import version

from rich.console import Console
from rich.table import Table
from rich.text import Text

from sidetap.cli.paragraphs import joined, page, paragraph, parted
from sidetap.errors import printable
from sidetap.quantity import format_duration
from sidetap.site import Site, site_hash
from sidetap.site.keys import APPROVES_BYPASS, ASKS_FOR_BYPASS
from sidetap.site.matrix import BayMatrix, Matrix, with_numbers

_CAUTION = (
    "No safety system, emergency stop, overfill protection or trade meter. What is signed here is the owner's "
    "decision, taken with people who are licensed to take it; local codes come first."
)
_MARKS = (
    ("closes", "an open valve closes in the scan in which the cause stands, and none opens while it does"),
    ("no start", "no valve opens while the cause stands; an open one stays open"),
    ("off", "the pump permit falls with the valve; it stands only while a valve of the bay has a command"),
    ("blank", "the cause has nothing to do with that valve"),
)
_SIGNATURES = 4
_ABREAST = 4  # valves of one table: what is left of 80 columns for the words is about 30
_MARK = 8  # columns of a mark


def show(site: Site, found: Matrix) -> None:
    """Print the whole of it."""
    console = page()
    paragraph(console, printable(f"{site.name}: cause and effect"), style="bold")
    paragraph(console, f"scheme {found.scheme_hash}")
    paragraph(console, f"site   {site_hash(site)}")
    paragraph(console, printable(f"file   {site.path.name}, told by sidetap {version('sidetap')}"))
    paragraph(console, _CAUTION)
    console.print()
    _labelled(console, _MARKS)
    for of_bay in found.bays:
        _bay(console, of_bay)
    _outside(console, site, found)
    _alarms(console, found)
    _products(console, found)
    _bypass(console, site, found)
    _signatures(console, site, found)


def _heading(console: Console, words: str) -> None:
    console.print()
    paragraph(console, printable(words), style="bold")


def _bay(console: Console, of_bay: BayMatrix) -> None:
    bay = of_bay.bay
    _heading(console, f"Bay {bay.tag} {bay.name}: " + ", ".join(f"{v.tag} from {v.vessel}" for v in of_bay.valves))
    for first in range(0, len(of_bay.valves), _ABREAST):
        if first:
            console.print()
        _print(console, _causes(of_bay, first, first + _ABREAST))
    _heading(console, f"Bay {bay.tag}: what lets a valve open again, on a fresh press")
    for remedy, numbers in _remedies(of_bay):
        paragraph(console, printable(f"{numbers}: {remedy}"), 2, hang=4)


def _causes(of_bay: BayMatrix, first: int, end: int) -> Table:
    """Return the table of some of the bay's valves: so many as there is room for beside the words."""
    table = _grid()
    table.add_column(justify="right", no_wrap=True)
    table.add_column()
    tags = [valve.tag for valve in of_bay.valves[first:end]]
    for _ in (*tags, "pump"):
        table.add_column(min_width=_MARK, max_width=_MARK, overflow="fold")
    table.add_row("", "cause", *tags, "pump", style="bold")
    for row in of_bay.rows:
        effects = row.effects[first:end]
        if any(effects):
            table.add_row(str(row.number), _plain(row.words), *(str(e or "") for e in effects), row.pump)
    return table


def _grid() -> Table:
    return Table(box=None, pad_edge=False, show_header=False, padding=(0, 1, 0, 0))


def _plain(words: str) -> Text:
    """Return words of a site's people as they are: brackets in them are no markup."""
    return Text(joined(printable(words)))


def _labelled(console: Console, lines: Sequence[tuple[str, str]]) -> None:
    """Print sentences, each behind its label."""
    indent = max((len(label) for label, _ in lines), default=0) + 4
    for label, words in lines:
        paragraph(console, printable(words), indent, label=f"  {label}")


def _print(console: Console, table: Table) -> None:
    """Print a table without blanks at the ends of its lines."""
    with console.capture() as captured:
        console.print(table)
    for line in captured.get().splitlines():
        console.out(parted(line), highlight=False)


def _remedies(of_bay: BayMatrix) -> Iterable[tuple[str, str]]:
    """Return each remedy once, with the numbers of the causes that it is for."""
    numbers: dict[str, list[int]] = {}
    for row in of_bay.rows:
        for remedy in row.remedies:
            numbers.setdefault(remedy, []).append(row.number)
    for remedy, of_rows in numbers.items():
        yield remedy, _ranges(of_rows)


def _ranges(numbers: Sequence[int]) -> str:
    """Return numbers with runs of three or more shortened.

    >>> _ranges([2, 3, 4, 9, 10])
    '2-4, 9, 10'
    """
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(
        f"{run[0]}-{run[-1]}" if len(run) > 2 else ", ".join(str(number) for number in run) for run in runs
    )


def _outside(console: Console, site: Site, found: Matrix) -> None:
    """Print what closes without the scheme, and what the horn sounds for."""
    _heading(console, "What closes without the scheme")
    lines = [(f"bay {bay.tag}", bay.hard_wired_stop) for bay in site.bays]
    for module in site.modules:
        drops = format_duration(module.drops_out_after_ns)
        words = f"opens its outputs when it has heard nothing for {drops}: valves closed, pump permits off"
        lines.append((module.tag, words))
    if site.watchdog is not None:
        relay = format_duration(site.watchdog.relay_time_ns)
        words = f"its timing relay opens the valves' supply when the station has not moved it for {relay}"
        lines.append(("watchdog", words))
    _labelled(console, lines)
    _heading(console, "The horn sounds when")
    for words in found.horn:
        paragraph(console, printable(words), 2, hang=2)


def _alarms(console: Console, found: Matrix) -> None:
    _heading(console, "Alarms")
    table = _grid()
    for alarm in sorted(found.alarms, key=lambda alarm: alarm.priority != "high"):
        table.add_row(alarm.tag, _plain(with_numbers(alarm.text, alarm.exactly)), alarm.priority)
    _print(console, table)


def _products(console: Console, found: Matrix) -> None:
    _heading(console, "What may follow what on one ticket")
    for follower in found.followers:
        refused = f"; refused: {', '.join(follower.refused)}" if follower.refused else ""
        words = f"after {follower.product}: {', '.join(follower.may) or 'nothing'}{refused}"
        paragraph(console, printable(words), 2, hang=2)


def _bypass(console: Console, site: Site, found: Matrix) -> None:
    bypass = site.bypass
    _heading(console, "What a bypass may set aside")
    if bypass is None:
        paragraph(console, "nothing: this site has no bypass", 2)
        return
    aside = [(of_bay.bay.tag, [row.number for row in of_bay.rows if row.set_aside]) for of_bay in found.bays]
    _labelled(console, [(f"bay {tag}", f"cause {_ranges(numbers)}") for tag, numbers in aside if numbers])
    most, usual = format_duration(bypass.at_most_ns), format_duration(bypass.time_ns)
    words = (
        f"the low trip of {', '.join(bypass.trips)}, one at a time, for {usual} unless they name another time, "
        f"{most} at most. One person asks ({', '.join(ASKS_FOR_BYPASS)}), another approves "
        f"({', '.join(APPROVES_BYPASS)}). It counts in no vote meanwhile; the horn sounds at its end; nothing "
        "else is set aside by anybody."
    )
    paragraph(console, words, 2)


def _signatures(console: Console, site: Site, found: Matrix) -> None:
    _heading(console, f"Signed for scheme {found.scheme_hash[:12]}, site {site_hash(site)[:12]}")
    for _ in range(_SIGNATURES):
        console.print()
        console.out(f"  name {'_' * 18} role {'_' * 10} date {'_' * 10} signature {'_' * 12}", highlight=False)
