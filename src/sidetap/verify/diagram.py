"""A counter-example as a timing diagram: what went in above, what the scheme did with it below, in clock times.

A replayed course and the names of its signals -> the text of one SVG picture, always the same bytes for the same
course. Nothing in it is told by colour: it is black on white, prints in grey, and every limit, level and mark has its
words. Its title and description say what it shows to who doesn't see it.

Theory of operation. What matters in such a course are a few moments, some of them ten minutes apart and some of them
a tenth of a second. So time is to scale within a stretch of a few seconds in which nothing changes, and a longer one
is cut short: a gap in every line, with the time that is left out written under it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

from sidetap.errors import printable
from sidetap.promises.model import CRASH
from sidetap.quantity import NS_PER_MS, format_duration
from sidetap.scheme import Value
from sidetap.site.model import SharedOnlyAbove, Site
from sidetap.verify.replay import Replayed
from sidetap.verify.story import Step, clock

LEFT, RIGHT, TOP = 290, 40, 64  # px: room for names, and around the lines
ROW, TALL, HEADING = 34, 92, 30
PX_PER_S = 12
LEAST_PX, MOST_PX = 16, 72  # of a stretch in which nothing changes; a longer one is cut
LABEL_PX = 74  # between two clock times on the axis
STARTING_MS = 1000  # what the scheme says before the first levels have come is of the start, and of no story
_UNTOLD = (".total", ".account", ".bypass_left_ms", ".left_ms", ".full", ".pump", ".openings", ".last")
_STYLE = (
    "text{font:12px sans-serif;fill:#000}.h{font-weight:bold}.s{fill:none;stroke:#000;stroke-width:2}"
    ".g{stroke:#bbb;stroke-width:1}.l{stroke:#000;stroke-width:1;stroke-dasharray:2 3}"
    ".b{stroke:#000;stroke-width:3;stroke-dasharray:8 4}.w{fill:#fff;stroke:none}.t{font-size:10px}"
)


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the picture. limits: level and words, of a level's line only."""

    name: str
    words: str
    values: tuple[Value, ...]
    is_level: bool = False
    limits: tuple[tuple[int, str], ...] = ()

    @property
    def height(self) -> int:
        """What it takes of the page, in px."""
        return TALL if self.is_level else ROW


def diagram(
    site: Site,
    scans: Sequence[Replayed],
    signals: tuple[Sequence[str], Sequence[str]],
    broken: tuple[str, str],
    story: Sequence[Step] = (),
) -> str:
    """Return the picture of a course whose last scan breaks a promise.

    signals: inputs and outputs to draw, by name. broken: the promise with its subject, and what was seen. story: the
    same in words, for the description.
    """
    if not scans:
        raise ValueError("no scan, no picture")
    above = [_input(site, name, scans) for name in signals[0]]
    below = [_output(site, name, scans) for name in signals[1] if not _is_detail(name)]
    started = next((n for n, scan in enumerate(scans) if scan.now_ms > STARTING_MS), 0)
    below = [row for row in below if any(value != row.values[-1] for value in row.values[started:])]
    return "\n".join(_Page(scans, above, below, broken, story).lines()) + "\n"


def _is_detail(name: str) -> bool:
    """Return whether an output is a reason or a count, which the words beside a picture tell better."""
    return ".block." in name or name.endswith(_UNTOLD)


def _input(site: Site, name: str, scans: Sequence[Replayed]) -> Row:
    values = tuple(scan.inputs[name] for scan in scans)
    tag, _, word = name.rpartition(".")
    if word == "level":
        return Row(name, f"{tag} level", values, is_level=True, limits=_limits(site, tag))
    return Row(name, _input_words(site, name), values)


def _input_words(site: Site, name: str) -> str:
    """Return what an input is called, with what it means where that isn't plain."""
    if name == CRASH:
        return "station crashes"
    for bay in site.bays:
        if name == bay.close_key:
            return f"{name} (off: pressed)"
        if name == bay.open_key:
            return f"{name} (on: pressed)"
        if name == f"{bay.tag}.choice":
            return f"{name}: number of the valve"
    for valve in site.valves:
        if name in (valve.closed_switch, valve.open_switch):
            return f"{name} (on: {valve.tag} {'closed' if name == valve.closed_switch else 'open'})"
    off = next((wired.when_off for wired in site.inputs if wired.tag == name), "")
    return f"{name} (off: {off})" if off else name


def _output(site: Site, name: str, scans: Sequence[Replayed]) -> Row:
    values = tuple(scan.outputs[name] for scan in scans)
    tag, _, word = name.rpartition(".")
    return Row(name, f"valve {tag} (on: open)" if word == "command" else name, values)


def _limits(site: Site, tag: str) -> tuple[tuple[int, str], ...]:
    """Return the levels of a vessel at which the scheme does something, or a promise of the site's own looks."""
    trip = site.vessel(tag).trip
    found = [(trip.below_01mm, "trip"), (trip.reset_above_01mm, "reset")]
    for rule in site.rules:
        if isinstance(rule, SharedOnlyAbove) and rule.vessel == tag:
            found += [(rule.level_01mm, f"{rule.tag} opens"), (rule.close_below_01mm, f"{rule.tag} closes")]
    for promise in site.promises:
        levels = [f for f in (*promise.when, *promise.then) if f.subject == tag and f.state in ("below", "above")]
        found += [(fact.level_01mm, f"{promise.tag} {fact.state}") for fact in levels]
    return tuple(sorted(found))


class _Page:
    def __init__(
        self,
        scans: Sequence[Replayed],
        above: Sequence[Row],
        below: Sequence[Row],
        broken: tuple[str, str],
        story: Sequence[Step],
    ) -> None:
        self._scans, self._above, self._below = scans, above, below
        self._broken, self._story = broken, story
        self._moments = self._changes()
        self._x, self._cuts = self._placed()
        self._width = self._x[self._moments[-1]] + MOST_PX + RIGHT
        rows = sum(row.height for row in (*above, *below))
        self._bottom = TOP + 2 * HEADING + rows
        self._height = self._bottom + 74

    def _changes(self) -> list[int]:
        """Return the scans, by number, at which something drawn changes; the first and the last among them."""
        rows = (*self._above, *self._below)
        last = len(self._scans) - 1
        moved = {n for row in rows for n, (a, b) in enumerate(pairwise(row.values), 1) if a != b}
        return sorted({0, last, *moved})

    def _placed(self) -> tuple[dict[int, int], list[tuple[int, int, int]]]:
        """Return where each moment is drawn, and the cuts: from where to where, and how long in ms."""
        x = {self._moments[0]: LEFT}
        cuts = []
        for before, after in pairwise(self._moments):
            ms = self._scans[after].now_ms - self._scans[before].now_ms
            wide = max(LEAST_PX, ms * PX_PER_S // 1000)
            x[after] = x[before] + min(wide, MOST_PX)
            if wide > MOST_PX:
                cuts.append((x[before], x[after], ms))
        return x, cuts

    # -- drawing -----------------------------------------------------------------------------------------------------

    def lines(self) -> Iterator[str]:
        """Yield the lines of the picture."""
        promise, seen = self._broken
        yield (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self._width}" height="{self._height}" '
            f'viewBox="0 0 {self._width} {self._height}" role="img" aria-labelledby="title desc">'
        )
        yield f'<title id="title">{_text(f"{promise} is broken: a timing diagram")}</title>'
        told = "; ".join(f"{clock(step.t_ms)} {step.what}" for step in self._story)
        yield f'<desc id="desc">{_text(f"{seen}. {told}")}</desc>'
        yield f"<style>{_STYLE}</style>"
        yield f'<rect class="w" width="{self._width}" height="{self._height}"/>'
        yield _words(10, 22, f"{promise} is broken", "h")
        yield _words(10, 42, seen)
        yield from self._grid()
        y = TOP
        for heading, rows in (("what comes in", self._above), ("what the scheme does", self._below)):
            yield _words(10, y + 20, heading, "h")
            y += HEADING
            for row in rows:
                yield from self._row(row, y)
                y += row.height
        yield from self._axis()
        yield "</svg>"

    def _grid(self) -> Iterator[str]:
        for moment in self._moments[:-1]:
            at = self._x[moment]
            yield f'<line class="g" x1="{at}" y1="{TOP + HEADING}" x2="{at}" y2="{self._bottom}"/>'
        at = self._x[self._moments[-1]]
        yield f'<line class="b" x1="{at}" y1="{TOP}" x2="{at}" y2="{self._bottom}"/>'
        yield _words(at + 6, TOP + 12, "broken")
        yield _words(at + 6, TOP + 26, "here")

    def _row(self, row: Row, y: int) -> Iterator[str]:
        yield _words(10, y + row.height // 2 + 6, row.words)
        if row.is_level:
            yield from self._level(row, y)
        elif all(isinstance(value, bool) for value in row.values):
            yield _words(LEFT - 26, y + 13, "on", "t")
            yield _words(LEFT - 26, y + ROW - 5, "off", "t")
            yield self._stepped(row, {False: y + ROW - 8, True: y + 10})
        else:
            yield from self._numbers(row, y)
        for start, end, _ in self._cuts:
            middle = (start + end) // 2
            yield f'<rect class="w" x="{middle - 4}" y="{y + 2}" width="8" height="{row.height - 2}"/>'

    def _stepped(self, row: Row, height_of: dict[Value, int]) -> str:
        """Return a line that stands at the height of each value and steps at the moments of its changes."""
        first = self._moments[0]
        path = [f"M{self._x[first]} {height_of[row.values[first]]}"]
        for before, moment in pairwise(self._moments):
            path.append(f"H{self._x[moment]}")
            if row.values[moment] != row.values[before]:
                path.append(f"V{height_of[row.values[moment]]}")
        path.append(f"h{MOST_PX // 2}")
        return f'<path class="s" d="{" ".join(path)}"/>'

    def _numbers(self, row: Row, y: int) -> Iterator[str]:
        """Yield a number's line: at one height, crossed at each change, its value written behind."""
        middle = y + ROW - 10
        yield self._stepped(row, dict.fromkeys(row.values, middle))
        for value, moment in self._values(row):
            at = self._x[moment]
            yield f'<path class="s" d="M{at} {middle - 5} V{middle + 5}"/>'
            yield _words(at + 4, middle - 5, str(value), "t")

    def _level(self, row: Row, y: int) -> Iterator[str]:
        levels = [int(value) for value in row.values]
        shown = [*levels, *(at for at, _ in row.limits)]
        low, high = min(shown), max(shown)
        scale = (TALL - 34) / max(1, high - low)
        height_of: dict[Value, int] = {at: y + TALL - 12 - round((at - low) * scale) for at in shown}
        right = self._x[self._moments[-1]] + MOST_PX // 2
        free = y + TALL + 12
        for at, words in row.limits:
            line = height_of[at]
            yield f'<line class="l" x1="{LEFT}" y1="{line}" x2="{right}" y2="{line}"/>'
            free = min(free - 11, line + 4)  # names of limits that lie close together make room for each other
            yield _words(LEFT - 118, free, f"{words} {_metres(at)}", "t")
        yield self._stepped(row, height_of)
        for value, moment in self._values(row):
            yield _words(self._x[moment] + 4, height_of[value] - 4, _metres(int(value)), "t")

    def _values(self, row: Row) -> Iterator[tuple[Value, int]]:
        """Yield each value with the moment from which it stands, where there is room to write it."""
        free = 0
        for before, moment in pairwise([self._moments[0], *self._moments]):
            new = moment == self._moments[0] or row.values[moment] != row.values[before]
            if new and self._x[moment] >= free:
                free = self._x[moment] + 48
                yield row.values[moment], moment

    def _axis(self) -> Iterator[str]:
        y, last = self._bottom, self._moments[-1]
        yield f'<line class="s" x1="{LEFT}" y1="{y}" x2="{self._x[last] + MOST_PX // 2}" y2="{y}"/>'
        yield _words(10, y + 20, "clock time", "h")
        free = LEFT - LABEL_PX
        for moment in self._moments:
            at = self._x[moment]
            yield f'<line class="s" x1="{at}" y1="{y}" x2="{at}" y2="{y + 6}"/>'
            room = at >= free + LABEL_PX and (moment == last or at <= self._x[last] - LABEL_PX)
            if room or moment == last:
                yield _words(at - 24, y + 20, clock(self._scans[moment].now_ms), "t")
                free = at
        for start, end, ms in self._cuts:
            middle = (start + end) // 2
            yield f'<path class="s" d="M{middle - 7} {y + 6} l6 -12 M{middle + 1} {y + 6} l6 -12"/>'
            yield _words(middle - 28, y + 36, format_duration(ms * NS_PER_MS), "t")
        yield _words(10, y + 56, "Time is to scale but where a gap in the lines says how much is left out.", "t")


def _metres(level_01mm: int) -> str:
    return f"{level_01mm // 10_000}.{level_01mm % 10_000:04d} m"


def _text(text: str) -> str:
    return escape(printable(text))


def _words(x: int, y: int, text: str, kind: str = "") -> str:
    named = f' class="{kind}"' if kind else ""
    return f'<text x="{x}" y="{y}"{named}>{_text(text)}</text>'
