"""A counter-example as a timing diagram: what went in above, what the scheme did with it below, in clock times.

A replayed course and the names of its signals -> the text of one SVG picture, always the same bytes for the same
course. Nothing in it is told by colour: it is black on white, prints in grey, and every limit, level and mark has its
words. Its title and description say what it shows to who doesn't see it.

Theory of operation. What matters in such a course are a few moments, some of them ten minutes apart and some of them
a tenth of a second, and a few levels, some of them metres apart and some a millimetre. So the picture keeps their
order and tells them in words, and gives up scale: every moment has room for its clock time, every level for its
words. A time in which nothing changes for some seconds is cut short: a gap in every line, with how long it lasts
written beneath.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape
from itertools import pairwise
from textwrap import wrap

from sidetap.errors import printable
from sidetap.quantity import NS_PER_MS, format_duration
from sidetap.scheme import Value
from sidetap.site.model import Site
from sidetap.verify.diagram_rows import Row, rows_in, rows_out
from sidetap.verify.replay import Replayed
from sidetap.verify.story import Step, clock

LEFT, RIGHT = 330, 56  # px: room for words, and for what stands behind the last moment
LEAST_WIDTH = 640
ROW, LEVEL, HEADING, LINE = 34, 14, 30, 15
PX_PER_S = 12
LEAST_PX, MOST_PX = 16, 92  # of a stretch in which nothing changes; a longer one is cut
LETTER_PX, SMALL_PX = 6.7, 5.6  # a letter of the two sizes, rather too wide than too narrow: fonts differ
CLOCK_PX = 74  # a clock time that stands upright
READING = (
    "Read times and levels, don't measure them: order is kept, short times are drawn longer, and a gap in the lines "
    "lasts as long as is written beneath it.",
    "The story's clock starts at 06:00:00. It is of a checked model, not of a plant.",
)
_STYLE = (
    "text{font:12px sans-serif;fill:#000}.h{font-weight:bold}.s{fill:none;stroke:#000;stroke-width:2}"
    ".g{stroke:#bbb;stroke-width:1}.l{stroke:#000;stroke-width:1;stroke-dasharray:2 3}"
    ".b{stroke:#000;stroke-width:3;stroke-dasharray:8 4}.w{fill:#fff;stroke:none}.t{font-size:10px}"
    ".e{font-size:10px;text-anchor:end}.m{font-size:10px;text-anchor:middle}"
)


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
    above, below = rows_in(site, scans, signals[0]), rows_out(site, scans, signals[1])
    return "\n".join(_Page(site.name, scans, above, below, broken, story).lines()) + "\n"


class _Page:
    def __init__(
        self,
        site: str,
        scans: Sequence[Replayed],
        above: Sequence[Row],
        below: Sequence[Row],
        broken: tuple[str, str],
        story: Sequence[Step],
    ) -> None:
        self._scans, self._above, self._below = scans, above, below
        promise, seen = broken
        self._title = f"{promise} is broken"
        told = "; ".join(f"{clock(step.t_ms)} {step.what}" for step in story)
        self._description = f"{site}: {seen}. {told}"
        self._moments = self._changes()
        self._x, self._cuts = self._placed()
        self._last = self._x[self._moments[-1]]
        self._width = max(LEAST_WIDTH, self._last + RIGHT)
        self._heading = self._wrapped(f"{site}: {self._title}", LETTER_PX)
        self._seen = self._wrapped(seen, LETTER_PX)
        self._top = 20 + (len(self._heading) + len(self._seen)) * LINE
        self._bottom = self._top + 2 * HEADING + sum(_height(row) for row in (*above, *below))

    def _wrapped(self, text: str, letter_px: float) -> list[str]:
        return wrap(printable(text), int((self._width - 20) / letter_px))

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
        notes = [line for note in READING for line in self._wrapped(note, SMALL_PX)]
        axis_px = CLOCK_PX + (LINE if self._cuts else 0)
        height = self._bottom + axis_px + 14 + len(notes) * LINE
        yield (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self._width}" height="{height}" '
            f'viewBox="0 0 {self._width} {height}" role="img" aria-labelledby="title desc">'
        )
        yield f'<title id="title">{_text(f"{self._title}: a timing diagram")}</title>'
        yield f'<desc id="desc">{_text(self._description)}</desc>'
        yield f"<style>{_STYLE}</style>"
        yield f'<rect class="w" width="{self._width}" height="{height}"/>'
        for n, line in enumerate((*self._heading, *self._seen)):
            yield _words(10, 22 + n * LINE, line, "h" if n < len(self._heading) else "")
        yield from self._grid()
        y = self._top
        for heading, rows in (("what comes in", self._above), ("what the scheme does", self._below)):
            yield _words(10, y + 20, heading, "h")
            y += HEADING
            for row in rows:
                yield from self._row(row, y)
                y += _height(row)
        yield from self._axis()
        for n, note in enumerate(notes):
            yield _words(10, self._bottom + axis_px + 14 + n * LINE, note, "t")
        yield "</svg>"

    def _grid(self) -> Iterator[str]:
        for moment in self._moments[:-1]:
            at = self._x[moment]
            yield f'<line class="g" x1="{at}" y1="{self._top + HEADING}" x2="{at}" y2="{self._bottom}"/>'
        at = self._last
        yield f'<line class="b" x1="{at}" y1="{self._top}" x2="{at}" y2="{self._bottom}"/>'
        yield _words(at + 6, self._top + 12, "broken")
        yield _words(at + 6, self._top + 26, "here")

    def _row(self, row: Row, y: int) -> Iterator[str]:
        named = _named(row)
        first = y + 20 if row.marks else y + (_height(row) - len(named) * LINE) // 2 + 12
        for n, line in enumerate(named):
            yield _words(10, first + n * LINE, line)
        if row.marks:
            yield from self._level(row, y + 8 + len(named) * LINE)
        elif row.texts:
            yield self._stepped(row, dict.fromkeys(row.values, y + ROW - 10))
        else:
            yield _words(LEFT - 8, y + 13, "on", "e")
            yield _words(LEFT - 8, y + ROW - 5, "off", "e")
            yield self._stepped(row, {False: y + ROW - 8, True: y + 10})
        for start, end, _ in self._cuts:
            middle = (start + end) // 2
            yield f'<rect class="w" x="{middle - 4}" y="{y + 2}" width="8" height="{_height(row) - 2}"/>'
        if row.texts:
            yield from self._numbers(row, y + ROW - 10)

    def _stepped(self, row: Row, height_of: dict[Value, int]) -> str:
        """Return a line that stands at the height of each value and steps at the moments of its changes."""
        first = self._moments[0]
        path = [f"M{self._x[first]} {height_of[row.values[first]]}"]
        for before, moment in pairwise(self._moments):
            path.append(f"H{self._x[moment]}")
            if row.values[moment] != row.values[before]:
                path.append(f"V{height_of[row.values[moment]]}")
        path.append(f"h{RIGHT - 20}")
        return f'<path class="s" d="{" ".join(path)}"/>'

    def _numbers(self, row: Row, middle: int) -> Iterator[str]:
        """Yield what stands along a number's line: a mark at each change, and its value where there is room."""
        free = 0
        for before, moment in pairwise([self._moments[0], *self._moments]):
            if moment != self._moments[0] and row.values[moment] == row.values[before]:
                continue
            at = self._x[moment]
            yield f'<path class="s" d="M{at} {middle - 5} V{middle + 5}"/>'
            if at >= free:
                yield _words(at + 4, middle - 5, row.texts[moment], "t")
                free = at + 4 + int(len(row.texts[moment]) * SMALL_PX)

    def _level(self, row: Row, y: int) -> Iterator[str]:
        """Yield a level's line and its limits, dotted: equally apart, the highest on top, each with its words."""
        height_of: dict[Value, int] = {}
        for n, mark in enumerate(reversed(row.marks)):
            at = y + n * LEVEL + LEVEL // 2
            height_of[mark.level_01mm] = at
            yield _words(LEFT - 8, at + 4, mark.words, "e")
            if mark.is_limit:
                yield f'<line class="l" x1="{LEFT}" y1="{at}" x2="{self._last + RIGHT - 20}" y2="{at}"/>'
        yield self._stepped(row, height_of)

    def _axis(self) -> Iterator[str]:
        y = self._bottom
        yield f'<line class="s" x1="{LEFT}" y1="{y}" x2="{self._last + RIGHT - 20}" y2="{y}"/>'
        yield _words(10, y + 20, "clock time", "h")
        for moment in self._moments:
            at = self._x[moment]
            yield f'<line class="s" x1="{at}" y1="{y}" x2="{at}" y2="{y + 6}"/>'
            told = _text(clock(self._scans[moment].now_ms))
            yield f'<text class="e" transform="translate({at + 4} {y + 10}) rotate(-90)">{told}</text>'
        for start, end, ms in self._cuts:
            middle = (start + end) // 2
            yield f'<path class="s" d="M{middle - 7} {y + 6} l6 -12 M{middle + 1} {y + 6} l6 -12"/>'
            yield _words(middle, y + CLOCK_PX + 8, format_duration(ms * NS_PER_MS), "m")


def _named(row: Row) -> list[str]:
    """Return a row's words, in as many lines as the room to its left asks for."""
    return wrap(printable(row.words), int((LEFT - 44) / LETTER_PX))


def _height(row: Row) -> int:
    """Return what a row takes of the page, in px."""
    words = len(_named(row)) * LINE
    return words + len(row.marks) * LEVEL + 16 if row.marks else max(ROW, words + 4)


def _text(text: str) -> str:
    return escape(printable(text))


def _words(x: int, y: int, text: str, kind: str = "") -> str:
    named = f' class="{kind}"' if kind else ""
    return f'<text x="{x}" y="{y}"{named}>{_text(text)}</text>'
