"""Levels for people: two lines a vessel, then what there is of each product; 80 columns, plain characters only.

Entries of the contract's document in, with what a reading knows beside them; lines of text out. Everything that the
bar shows is said in words or numbers as well. A value that isn't usable is dashes, never a number; what it was, and
when, stands below it, and it is in no total.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from textwrap import wrap
from typing import Any
from zoneinfo import ZoneInfo

from sidetap.errors import BadInput
from sidetap.measure import LevelReading, Rate
from sidetap.quantity import (
    NS_PER_MS,
    NS_PER_S,
    Rounding,
    Texts,
    format_duration,
    format_number,
    round_fraction,
    to_si,
)
from sidetap.site import Site, Vessel
from sidetap.site.model import QuietHours

_WIDTH = 80
_GAP = 2
_BAR = 20
_LIQUID, _EMPTY, _UNKNOWN = "#", ".", "?"
_INDENT = 3  # of a vessel's second line
_NARROWEST = 20  # of a column that wraps
_NOTHING = "--"
_BESIDE = " ± "
_HARD_SPACE = "\N{NO-BREAK SPACE}"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LEGEND = (
    "Bar and %: of the height up to the vessel's top; # liquid, . empty, ? unknown; t trip, l low, h high. Normal: "
    "between low and high. ±: at k = 2, some 95 %."
)


@dataclass(frozen=True, slots=True)
class Row:
    """A vessel: its entry of the contract's document, and what its reading knows beside it.

    level_01mm: rounded down, as trips compare it; None unless usable. rate: None where it isn't known. to_trip_ns:
    until the trip at that rate. note: what the watch on frozen values says.
    """

    vessel: Vessel
    entry: dict[str, Any]
    level_01mm: int | None
    rate: Rate | None
    to_trip_ns: int | None
    note: str


@dataclass(frozen=True, slots=True)
class View:
    """The rows of a site at one moment. dated: its clock counts from 1970, not from a recording's own start."""

    site: Site
    rows: Sequence[Row]
    now_ns: int
    dated: bool


def of_reading(site: Site, reading: LevelReading, entry: dict[str, Any]) -> Row:
    """Return the row of a reading and its entry."""
    vessel, level, trip_ns = site.vessel(reading.vessel), reading.level_01mm, reading.to_trip_ns
    return Row(vessel, entry, level, reading.rate, trip_ns, reading.watch_text)


def of_snapshot(site: Site, snapshot: dict[str, Any]) -> View:
    """Return the view of a running station's snapshot; BadInput where it runs another site."""
    if [vessel["tag"] for vessel in snapshot["vessels"]] != [vessel.tag for vessel in site.vessels]:
        raise BadInput(
            str(site.path), "the running station has other vessels", "Give the file it runs, or restart it."
        )
    rows = [
        Row(
            vessel=site.vessel(vessel["tag"]),
            entry=entry,
            level_01mm=vessel["level_01mm"],
            rate=None if vessel["rate"] is None else Rate(**vessel["rate"]),
            to_trip_ns=None if vessel["to_trip_ms"] is None else vessel["to_trip_ms"] * NS_PER_MS,
            note=vessel["watch_text"],
        )
        for vessel, entry in zip(snapshot["vessels"], snapshot["levels"], strict=True)
    ]
    now = datetime.fromisoformat(snapshot["utc"]) - _EPOCH
    return View(site, rows, now // timedelta(microseconds=1) * 1000, dated=True)


def lines(view: View) -> Iterator[str]:
    """Yield the text, line by line, without line ends."""
    texts = Texts(view.site.show)
    yield from wrap(f"{view.site.name}, {_moment(view, view.now_ns, dated=True)}", _WIDTH)
    yield from _quiet(view)
    yield ""
    head = ("vessel", "level", f"volume, {view.site.show.volume}", "%", "quality", "age")
    table = _Table((head, *(_cells(row, texts) for row in view.rows)), right=(1, 2, 3, 5))
    yield from table.line(0)
    for number, row in enumerate(view.rows, 1):
        yield from table.line(number)
        bar = f"{'':{_INDENT}}{_bar(row)}  "
        for place, words in enumerate(_phrases(_words(view, row, texts), _WIDTH - len(bar))):
            yield f"{bar if place == 0 else '':{len(bar)}}{words}"
    yield ""
    yield from _totals(view, texts)
    yield ""
    yield from wrap(_LEGEND, _WIDTH)


def _quiet(view: View) -> Iterator[str]:
    """Yield the quiet hours that the moment lies in: they, and no fault, are why levels are old."""
    now = _local(view, view.now_ns)
    minute = 60 * now.hour + now.minute
    for rule in view.site.rules:
        if view.dated and isinstance(rule, QuietHours):
            begin, end = rule.from_minute, rule.to_minute
            if begin <= minute < end or (end < begin and not end <= minute < begin):
                hours = " to ".join(f"{at // 60:02}:{at % 60:02}" for at in (begin, end))
                yield f"quiet hours, {hours}: levels are not polled"


# -- a vessel --------------------------------------------------------------------------------------------------------


def _cells(row: Row, texts: Texts) -> tuple[str, ...]:
    vessel, entry = row.vessel, row.entry
    level, litres, age = row.level_01mm, entry["volume_L"], entry["age_s"]
    return (
        f"{vessel.tag} {vessel.name}",
        entry["level_text"] or _NOTHING,
        _NOTHING
        if litres is None
        else _bare(texts.volume_with(_m3(litres, "L"), _m3(entry["uncertainty_gal"], "gal"))),
        _NOTHING if level is None else texts.share(level, vessel.top_01mm),
        entry["quality"],
        _NOTHING if age is None else _span(round(age * NS_PER_S), Rounding.UP),
    )


def _bar(row: Row) -> str:
    """Return the height of a vessel lying down, its bottom on the left."""
    top, level = row.vessel.top_01mm, row.level_01mm
    if level is None:
        cells = [_UNKNOWN] * _BAR
    else:
        full = round(_BAR * level / top)
        cells = [_LIQUID] * full + [_EMPTY] * (_BAR - full)
    vessel = row.vessel
    # the trip last: where two marks fall together, the graver one stays
    for mark, limit in (("h", vessel.high_01mm), ("l", vessel.low_01mm), ("t", vessel.trip.below_01mm)):
        cells[min(_BAR * limit // top, _BAR - 1)] = mark
    return f"[{''.join(cells)}]"


def _words(view: View, row: Row, texts: Texts) -> Iterator[str]:
    reason, at_most, last = row.entry["reason"], row.entry["volume_at_most_gal"], row.entry["last_good"]
    if row.level_01mm is not None:
        yield _place(row.vessel, row.level_01mm)
        yield from _change(row, texts)
    if reason:
        yield reason
    if row.note and row.note != reason:
        yield row.note
    if at_most is not None:
        yield f"at most {texts.volume(_m3(at_most, 'gal'), Rounding.UP)}"
    if row.level_01mm is None and last is not None:
        yield _was(view, row.vessel, last, texts)


def _place(vessel: Vessel, level_01mm: int) -> str:
    if level_01mm < vessel.trip.below_01mm:
        return "below the trip"
    if level_01mm < vessel.low_01mm:
        return "below low"
    return "above high" if level_01mm > vessel.high_01mm else "normal"


def _change(row: Row, texts: Texts) -> Iterator[str]:
    rate = row.rate
    if rate is None:
        return
    speed, flow = abs(rate.level_m_per_s), abs(rate.volume_m3_per_s)
    if speed <= rate.level_u_m_per_s:
        yield "steady"
        return
    yield f"{'falling' if rate.level_m_per_s < 0 else 'rising'} {texts.rate(speed)} ({texts.flow(flow)})"
    if row.to_trip_ns is not None:
        yield f"trip in {_span(row.to_trip_ns, Rounding.DOWN)}"


def _was(view: View, vessel: Vessel, last: dict[str, Any], texts: Texts) -> str:
    """Return the last good level, with the stock it meant, and when that was."""
    level_m, t_ns = Fraction(str(last["level_mm"])) / 1000, round(Fraction(str(last["t_s"])) * NS_PER_S)
    volume = vessel.geometry.volume_m3(float(level_m))
    level = texts.level(level_m, Fraction(vessel.top_01mm, 10_000))
    return f"was {level}, {texts.volume(volume)}, at {_moment(view, t_ns, dated=False)}"


# -- totals ----------------------------------------------------------------------------------------------------------


def _totals(view: View, texts: Texts) -> Iterator[str]:
    """Yield what there is of each product, over what is usable, and what is left out."""
    show = view.site.show
    products = dict.fromkeys(row.vessel.product for row in view.rows)
    head = ("product", f"volume, {show.volume}", f"mass, {show.mass}", "in")
    parts = [_total([row for row in view.rows if row.vessel.product == product], texts) for product in products]
    table = _Table((head, *((product, *part) for product, part in zip(products, parts, strict=True))), right=(1, 2))
    for number in range(len(products) + 1):
        yield from table.line(number)


def _total(rows: Sequence[Row], texts: Texts) -> tuple[str, str, str]:
    usable = [row for row in rows if row.entry["volume_L"] is not None]
    without = ", ".join(f"{row.vessel.tag} ({row.entry['quality']})" for row in rows if row not in usable)
    where = ", ".join(row.vessel.tag for row in usable)
    told = "; ".join(filter(None, (where, f"without {without}" if without else "")))
    if not usable:
        return _NOTHING, _NOTHING, told
    volumes = [_m3(row.entry["volume_L"], "L") for row in usable]
    uncertain = [_m3(row.entry["uncertainty_gal"], "gal") for row in usable]
    return (
        _bare(texts.volume_with(sum(volumes, Fraction(0)), math.hypot(*uncertain))),
        _mass(texts, usable, volumes, uncertain),
        told,
    )


def _mass(texts: Texts, rows: Sequence[Row], volumes: Sequence[Fraction], uncertain: Sequence[Fraction]) -> str:
    """Return a mass; with its uncertainty only where that of every density is known.

    Vessels err each for itself, but a density is common to them all, so its part adds up.
    """
    densities = [row.vessel.density for row in rows]
    masses = [volume * density.kg_per_m3 for volume, density in zip(volumes, densities, strict=True)]
    total = sum(masses, Fraction(0))
    if not all(density.uncertainty for density in densities):
        return _bare(texts.mass(total))
    own = math.hypot(*(u * density.kg_per_m3 for u, density in zip(uncertain, densities, strict=True)))
    common = sum(float(mass * density.uncertainty) for mass, density in zip(masses, densities, strict=True))
    return _bare(texts.mass_with(total, math.hypot(own, common)))


# -- parts -----------------------------------------------------------------------------------------------------------


def _phrases(phrases: Iterable[str], width: int) -> list[str]:
    """Return phrases on as few lines as they need; only one longer than a line is broken."""
    joined = "; ".join(one if len(one) > width else one.replace(" ", _HARD_SPACE) for one in phrases)
    return [line.replace(_HARD_SPACE, " ") for line in wrap(joined, width)]


def _bare(text: str) -> str:
    """Return a quantity without its unit, which stands at the column's head."""
    return text.rpartition(" ")[0]


def _m3(value: float, unit: str) -> Fraction:
    return to_si(Fraction(str(value)), unit)


def _span(duration_ns: int, rounding: Rounding) -> str:
    """Return a duration for people: in tenths of a second, from a minute on seconds, from an hour on minutes."""
    seconds = Fraction(duration_ns, NS_PER_S)
    if seconds < 60:
        return f"{format_number(seconds, 1, rounding)} s"
    step = 1 if seconds < 3600 else 60
    return format_duration(round_fraction(seconds / step, rounding) * step * NS_PER_S)


def _moment(view: View, t_ns: int, *, dated: bool) -> str:
    """Return a time at the site; its date and zone only where asked for, or where they aren't those of now."""
    if not view.dated:
        return f"{format_number(Fraction(t_ns, NS_PER_S), 3)} s of the record"
    then, now = _local(view, t_ns), _local(view, view.now_ns)
    day = f"{then:%Y-%m-%d} " if dated or then.date() != now.date() else ""
    name = f" {then:%Z}" if dated or then.utcoffset() != now.utcoffset() else ""
    return f"{day}{then:%H:%M:%S}{name}"


def _local(view: View, t_ns: int) -> datetime:
    return (_EPOCH + timedelta(microseconds=t_ns // 1000)).astimezone(ZoneInfo(view.site.time_zone))


class _Table:
    """Rows of cells -> lines of 80 columns. A first cell that is too long gets its own line, a last one wraps.

    right: columns that stand to the right, and with every ± below the other.
    """

    def __init__(self, rows: Sequence[Sequence[str]], right: Sequence[int]) -> None:
        columns = [
            _below(column) if place in right else column for place, column in enumerate(zip(*rows, strict=True))
        ]
        rows = list(zip(*columns, strict=True))
        self._rows, self._right = rows, right
        widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
        rest = sum(widths[1:-1]) + _GAP * (len(widths) - 1)
        last = widths[-1] if len(widths) - 1 in right else min(widths[-1], _NARROWEST)
        widths[0] = min(widths[0], max(_WIDTH - rest - last, 0))
        self._widths = widths

    def line(self, number: int) -> Iterator[str]:
        """Yield the lines of a row."""
        first, *others = self._rows[number]
        if len(first) > self._widths[0]:
            yield from wrap(first, _WIDTH)
            first = ""
        cells = [
            f"{cell:>{width}}" if place in self._right else f"{cell:{width}}"
            for place, (cell, width) in enumerate(zip((first, *others), self._widths, strict=True))
        ]
        text = (" " * _GAP).join(cells).rstrip()
        if len(text) <= _WIDTH:
            yield text
            return
        before = (" " * _GAP).join(cells[:-1])
        for place, words in enumerate(wrap(others[-1], max(_WIDTH - len(before) - _GAP, _NARROWEST))):
            yield f"{before if place == 0 else '':{len(before)}}{'':{_GAP}}{words}"


def _below(column: Sequence[str]) -> Sequence[str]:
    """Return a column, its head first, with what stands behind a ± made equally long."""
    head, *cells = column
    width = max((len(cell.partition(_BESIDE)[2]) for cell in cells if _BESIDE in cell), default=0)
    if width == 0:
        return column
    parts = [cell.partition(_BESIDE) for cell in cells]
    return [head, *(f"{value}{beside or ' ' * len(_BESIDE)}{u:>{width}}" for value, beside, u in parts)]
