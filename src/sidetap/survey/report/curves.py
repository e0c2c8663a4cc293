"""Values over time -> pictures: one value alone, or a level with people's readings and the rivals' levels beside it.

Curves are told apart by their strokes and by numbers at their ends, readings by their shapes; colour only helps.
"""

from collections.abc import Sequence
from math import ceil

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from sidetap.survey.matching import ReadingKind
from sidetap.survey.report.scales import TimeAxis, round_numbers
from sidetap.survey.report.svg import Picture
from sidetap.survey.words import AnswerWords, Mark, Way
from sidetap.survey.words.vocabulary import number

_COLUMNS = 260  # of which each shows its lowest, its middle and its highest value
_GAP = 10  # usual periods without an answer break a curve
_RARE = 0.005  # share at either end that does not stretch the picture by more than its range
_FEWEST = 20  # values of which some can be rare
_SMALL_TICKS, _TICKS = 4, 9
_SMALL_LEVELS, _LEVELS = 5, 8
_LABEL_PX = 13
_LONG, _TOO_LONG = 1e6, 1e10
_DASHES = 5  # kinds of rivals' strokes

_OWN = "curve"

_Times = NDArray[np.int64]
_Floats = NDArray[np.float64]


class _Curve:
    """A value over time, thinned to what a picture can show.

    points: time, middle, lowest, highest, and whether nothing came for long before.
    """

    def __init__(self, t_ns: _Times, values: _Floats) -> None:
        order = np.argsort(t_ns, kind="stable")  # a stepped clock must not draw backwards
        t_ns, values = t_ns[order], values[order]
        self.is_thinned = len(t_ns) > 2 * _COLUMNS
        gaps = np.diff(t_ns, prepend=t_ns[:1])
        usual = float(np.median(gaps[1:])) if len(t_ns) > 1 else 0.0
        starts = np.arange(len(t_ns))
        if self.is_thinned:
            edges = np.linspace(int(t_ns[0]), int(t_ns[-1]), _COLUMNS + 1)[:-1]
            starts = np.unique(np.minimum(np.searchsorted(t_ns, edges), len(t_ns) - 1))
        self.points: list[tuple[int, float, float, float, bool]] = []
        for a, b in zip(starts.tolist(), [*starts[1:].tolist(), len(t_ns)], strict=True):
            some = values[a:b]
            skipped = bool(gaps[a:b].max() > _GAP * usual)
            middle = float(np.median(some))
            self.points.append((int(t_ns[(a + b - 1) // 2]), middle, float(some.min()), float(some.max()), skipped))


class _Plane:
    """Places in a picture for times and values."""

    def __init__(self, axis: TimeAxis, low: float, high: float, top: float, bottom: float) -> None:
        self.axis = axis
        span = (high - low) or max(abs(high), 1.0) * 0.02
        self.low, self.high = low - 0.06 * span, high + 0.06 * span
        self.top, self.bottom = top, bottom

    def y(self, value: float) -> float:
        return self.bottom - (value - self.low) / (self.high - self.low) * (self.bottom - self.top)

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high

    def draw(self, picture: Picture, curve: _Curve, kind: str) -> float | None:
        """Draw a curve, over a band from the lowest to the highest; return where it ends, None if it isn't seen.

        It is broken where nothing came for long and where it leaves the picture.
        """
        strokes: list[list[tuple[float, float]]] = []
        bands: list[list[tuple[float, float, float]]] = []
        broken = True
        for t_ns, middle, low, high, skipped in curve.points:
            if not self.low <= middle <= self.high:
                broken = True
                continue
            if broken or skipped:
                strokes.append([])
                bands.append([])
            broken = False
            x = self.axis.x(t_ns)
            strokes[-1].append((x, self.y(middle)))
            bands[-1].append((x, self.y(min(high, self.high)), self.y(max(low, self.low))))
        if curve.is_thinned and kind == _OWN:
            picture.bands(bands, "band")
        picture.path(strokes, kind)
        return strokes[-1][-1][1] if strokes else None

    def frame(self, picture: Picture, ticks: int, levels: int) -> None:
        """Draw the grid and its numbers."""
        right = self.axis.left + self.axis.width
        for value in round_numbers(self.low, self.high, levels):
            picture.line(self.axis.left, self.y(value), right, self.y(value), "grid")
            picture.text(self.axis.left - 5, self.y(value) + 4, _tick(value), "tick", "end")
        for x, words in self.axis.ticks(ticks):
            picture.line(x, self.top, x, self.bottom, "grid")
            picture.text(x, self.bottom + 14, words, "tick", "middle")


def _tick(value: float) -> str:
    """Return a number on an axis: whole ones with all their digits, where there is room for them."""
    return f"{value:.0f}" if _LONG <= abs(value) < _TOO_LONG else f"{value:.7g}"


def _reach(values: _Floats) -> tuple[float, float]:
    """Return the range to show: all of it, unless a few values lie far outside of what the others do."""
    ordered = np.sort(values)
    few = ceil(_RARE * len(values)) if len(values) >= _FEWEST else 0
    low, high = float(ordered[few]), float(ordered[-1 - few])
    room = high - low
    if room == 0:
        return float(ordered[0]), float(ordered[-1])
    near = ordered[(ordered >= low - room) & (ordered <= high + room)]
    return float(near[0]), float(near[-1])


def value_curve(name: str, t_ns: _Times, values: _Floats, ends_ns: tuple[int, int], places: int) -> Markup:
    """Draw one value over the record, small. values: decoded; what is no number is left out."""
    width, height, left = 340.0, 130.0, 74.0
    good = np.isfinite(values)
    t_ns, values = t_ns[good], values[good]
    axis = TimeAxis(*ends_ns, left, width - left - 22)
    if not len(values):
        return Picture(width, 30, name, "no numbers").markup()
    low, high = _reach(values)
    outside = int(((values < low) | (values > high)).sum())
    words = f"{number(float(values[0]), places)} at first, {number(float(values[-1]), places)} at last, "
    words += f"{number(low, places)} to {number(high, places)}"
    if outside:
        words += f"; {outside} answers outside of the picture"
    picture = Picture(width, height, name, words)
    plane = _Plane(axis, low, high, 8, height - 22)
    plane.frame(picture, _SMALL_TICKS, _SMALL_LEVELS)
    plane.draw(picture, _Curve(t_ns, values), _OWN)
    return picture.markup()


def level_curve(told: AnswerWords, best: Way, ends_ns: tuple[int, int]) -> Markup:
    """Draw a level over the record, the readings as marks, the rivals' levels where they part, the next reading."""
    width, height, left, right = 900.0, 280.0, 60.0, 140.0
    axis = TimeAxis(*ends_ns, left, width - left - right)
    low, high = _reach(best.level)
    values = [mark.value for mark in told.marks]
    low, high = min([low, *values]), max([high, *values])
    room = (high - low) / 2
    for rival in told.rivals:  # rivals may widen the picture, but not so far that the level turns flat
        least, most = _reach(rival.level)
        low, high = min(low, max(least, low - room)), max(high, min(most, high + room))
    picture = Picture(width, height, f"Level of {told.name} over time", _in_words(told, best))
    plane = _Plane(axis, low, high, 22, height - 26)
    plane.frame(picture, _TICKS, _LEVELS)
    picture.text(8, 14, best.unit, "tick")
    picture.text(left + axis.width + 8, plane.bottom + 14, "h:min:s", "tick")
    if told.answer.next_ns is not None:
        x = axis.x(told.answer.next_ns)
        picture.line(x, plane.top, x, plane.bottom, "median")
        middle = min(max(x, left + 110), left + axis.width - 110)
        picture.text(middle, plane.top - 8, "a reading here would have settled it", "tick", "middle")
    ends = []
    for place, rival in reversed(list(enumerate(told.rivals, 2))):
        end = plane.draw(picture, _Curve(rival.t_ns, rival.level), f"rival dash{(place - 2) % _DASHES}")
        ends += _end(end, f"{place}  {_short(rival)}")
    ends += _end(plane.draw(picture, _Curve(best.t_ns, best.level), _OWN), f"1  {_short(best)}")
    for y, words in _spread(ends, plane.top + 6, plane.bottom):
        picture.text(left + axis.width + 8, y + 4, words, "tick")
    for mark in told.marks:
        _mark(picture, plane, mark)
    return picture.markup()


def _short(way: Way) -> str:
    return f"device {way.rival.device} reg. {way.rival.register}"


def _end(y: float | None, words: str) -> list[tuple[float, str]]:
    return [] if y is None else [(y, words)]


def _spread(ends: Sequence[tuple[float, str]], top: float, bottom: float) -> list[tuple[float, str]]:
    """Return labels moved apart so that none covers another, in their order from above."""
    ordered = sorted(ends, key=lambda end: (round(end[0] / _LABEL_PX), end[1]))
    spread: list[tuple[float, str]] = []
    at = top - _LABEL_PX
    for n, (y, words) in enumerate(ordered):
        room = bottom - (len(ordered) - n - 1) * _LABEL_PX
        at = max(min(y, room), at + _LABEL_PX)
        spread.append((at, words))
    return spread


def _mark(picture: Picture, plane: _Plane, mark: Mark) -> None:
    """Draw a reading: a circle off a display, a square by dip, a cross where it doesn't fit."""
    if not plane.holds(mark.value):
        return
    x, y = plane.axis.x(mark.t_ns), plane.y(mark.value)
    title = f"row {mark.row}: {mark.words}"
    picture.line(x, plane.y(mark.value - mark.tolerance), x, plane.y(mark.value + mark.tolerance), "base")
    if not mark.fits:
        picture.path([[(x - 6, y - 6), (x + 6, y + 6)], [(x - 6, y + 6), (x + 6, y - 6)]], "cross")
        picture.text(x + 9, y + 4, f"row {mark.row}", "tick")
    elif mark.kind is ReadingKind.DIP:
        picture.rect(x - 4, y - 4, 8, 8, "dip", title)
    else:
        picture.circle(x, y, 4.5, "display", title)


def _in_words(told: AnswerWords, best: Way) -> str:
    words = [f"{best.span} by {best.place}", *(mark.words for mark in told.marks)]
    words += [f"rival {place}: {rival.span} by {rival.place}" for place, rival in enumerate(told.rivals, 2)]
    return "; ".join(words)
