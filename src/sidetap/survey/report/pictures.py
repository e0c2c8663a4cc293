"""Health -> pictures: who was asked when, which registers moved when, how gaps and turnarounds are spread.

Nothing is told by colour alone: what went wrong hangs below its line and what went well stands above it, silences are
hatched, and movement is a tone from light to dark.
"""

from collections.abc import Sequence

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from sidetap.line import reference
from sidetap.survey.health import LineHealth, Spread
from sidetap.survey.health.text import duration
from sidetap.survey.report.scales import TimeAxis, round_numbers
from sidetap.survey.report.svg import Picture
from sidetap.survey.words import elapsed

_WIDTH, _LEFT, _RIGHT = 1080, 150, 30
_LANE, _GAP = 34, 8
_COLUMNS = 450
_ROW = 13
_MOST_ROWS = 160
_TONES = (0.02, 0.1, 0.3, 0.6)  # shares of a span's answers: from here on the next tone
_SILENT_S = 2  # a shorter silence is no silence of the line
_BARS = 60
_LOADS = (0.05, 0.1, 0.2, 0.5, 1.0)

_TABLES = {3: "holding-register", 4: "input-register", 23: "holding-register"}
_Numbers = NDArray[np.int64]


def _axis(health: LineHealth) -> TimeAxis:
    spans = health.spans
    end_ns = spans.start_ns + spans.number * spans.width_ns
    return TimeAxis(spans.start_ns, end_ns, _LEFT, _WIDTH - _LEFT - _RIGHT)


def _folded(counts: _Numbers) -> tuple[_Numbers, int]:
    """Return counts over time with some spans taken together, so that a picture can show them, and how many."""
    together = -(-counts.shape[-1] // _COLUMNS) or 1
    spare = -counts.shape[-1] % together
    padded = np.concatenate([counts, np.zeros((*counts.shape[:-1], spare), dtype=np.int64)], axis=-1)
    folded: _Numbers = padded.reshape(*counts.shape[:-1], -1, together).sum(axis=-1)
    return folded, together


def _time_axis(picture: Picture, axis: TimeAxis, top: float, bottom: float) -> None:
    for x, words in axis.ticks():
        picture.line(x, top, x, bottom, "grid")
        picture.text(x, bottom + 15, words, "tick", "middle")
    picture.text(8, bottom + 15, "h:min:s", "tick")


def bus_timeline(health: LineHealth) -> Markup:
    """Draw the load of the line, and of each device its requests over time with those that failed below."""
    exchanges, axis = health.exchanges, _axis(health)
    lanes = [d.device for d in exchanges.devices if d.tries]
    height = 28 + (len(lanes) + 1) * (_LANE + _GAP) + 24
    load, together = _folded(health.signal.bytes_over_time)
    span_s = together * health.spans.width_ns / 1e9
    name = "Requests per device over time"
    picture = Picture(_WIDTH, height, name, _in_words(health, lanes))
    width = axis.width * together / max(health.spans.number, 1)
    xs = [axis.left + n * width for n in range(len(load))]
    bottom = 20 + (len(lanes) + 1) * (_LANE + _GAP)
    _time_axis(picture, axis, 14, bottom)
    base = 20.0 + _LANE
    _load_lane(picture, health, load, span_s, xs, width, base)
    for device in lanes:
        base += _LANE + _GAP
        tries, _ = _folded(exchanges.tries_over_time[device])
        failed, _ = _folded(exchanges.damaged_over_time[device] + exchanges.unanswered_over_time[device])
        most = max(int(tries.max()), 1)
        share = 0.62 * _LANE
        zero = base - 0.36 * _LANE
        good = np.maximum(tries - failed, 0)
        picture.bars(zip(xs, (good / most * share).tolist(), strict=True), width, zero, "good")
        hang = np.where(failed > 0, np.maximum(failed / most * share, 3.0), 0.0).clip(max=0.36 * _LANE)
        picture.bars(zip(xs, (-hang).tolist(), strict=True), width, zero, "bad")
        picture.line(axis.left, zero, axis.left + axis.width, zero, "base")
        picture.text(axis.left - 8, zero - 2, f"device {device}", "label", "end")
        picture.text(axis.left - 8, zero + 10, f"up to {most / span_s:.3g}/s", "tick", "end")
    _silences(picture, load, span_s, xs, width, 20, bottom)
    return picture.markup()


def _load_lane(
    picture: Picture,
    health: LineHealth,
    load: _Numbers,
    span_s: float,
    xs: Sequence[float],
    width: float,
    base: float,
) -> None:
    settings = health.settings
    if settings is None:
        shares = load / max(int(load.max(initial=0)), 1)
        words = f"up to {load.max(initial=0) / span_s:.0f} bytes/s"
    else:
        busy = load * settings.character_ns / 1e9 / span_s
        top = next((one for one in _LOADS if busy.max(initial=0) <= one), 1.0)
        shares = np.minimum(busy / top, 1.0)
        words = f"0 to {top:.0%}"
        picture.line(xs[0], base - _LANE, _WIDTH - _RIGHT, base - _LANE, "grid")
    picture.bars(zip(xs, (shares * _LANE).tolist(), strict=True), width, base, "load")
    picture.line(_LEFT, base, _WIDTH - _RIGHT, base, "base")
    picture.text(_LEFT - 8, base - _LANE / 2, "load of the line", "label", "end")
    picture.text(_LEFT - 8, base - _LANE / 2 + 12, words, "tick", "end")


def _silences(
    picture: Picture, load: _Numbers, span_s: float, xs: Sequence[float], width: float, top: float, bottom: float
) -> None:
    """Hatch the times in which not one byte came."""
    needed = max(1, round(_SILENT_S / span_s))
    start = None
    for n, silent in enumerate([*(load == 0).tolist(), False]):
        if silent and start is None:
            start = n
        elif not silent and start is not None:
            if n - start >= needed:
                length = f"no byte for about {elapsed((n - start) * span_s)}"
                picture.rect(xs[start], top, (n - start) * width, bottom - top, "silent", length)
            start = None


def _in_words(health: LineHealth, lanes: Sequence[int]) -> str:
    told = [
        f"device {d.device}: {d.tries} requests, {d.damaged} damaged, {d.unanswered} unanswered"
        for d in health.exchanges.devices
        if d.device in lanes
    ]
    return "; ".join(told) or "nobody was asked"


def register_map(health: LineHealth) -> tuple[Markup | None, list[str]]:
    """Draw which register moved when; and tell in words what has no row of its own."""
    axis = _axis(health)
    moves: dict[tuple[int, str, int], tuple[_Numbers, float]] = {}
    known: dict[tuple[int, str], set[int]] = {}
    for block in health.blocks:
        device, function, first, count = block.poll
        table = _TABLES[function]
        known.setdefault((device, table), set()).update(range(first, first + count))
        usual = _per_span(health, block.answers)
        for n in range(count):
            if block.changes[n]:
                changes, most = moves.get((device, table, first + n), (block.over_time[n], usual))
                moves[device, table, first + n] = np.maximum(changes, block.over_time[n]), max(most, usual)
    rows = [(*place, *seen) for place, seen in sorted(moves.items(), key=lambda item: item[0])]
    still = [
        f"device {device}, {table} {_ranges(quiet)}"
        for (device, table), registers in sorted(known.items())
        if (quiet := [n for n in registers if (device, table, n) not in moves])
    ]
    if not rows:
        return None, still
    left_out = rows[_MOST_ROWS:]
    if left_out:
        still.append(f"and {len(left_out)} more registers moved, for which there is no room here")
    rows = rows[:_MOST_ROWS]
    devices = sorted({row[0] for row in rows})
    heads = len({row[:2] for row in rows})
    height = 20 + len(rows) * _ROW + heads * 22 + 24
    summary = "; ".join(
        f"device {d}: registers {_ranges([row[2] for row in rows if row[0] == d])} moved" for d in devices
    )
    picture = Picture(_WIDTH, height, "Registers over time", summary)
    _time_axis(picture, axis, 14, height - 24)
    y = 14.0
    before: tuple[int, str] | None = None
    for device, table, register, changes, usual in rows:
        if (device, table) != before:
            y += 22
            picture.text(8, y - 5, f"device {device}, {table}s", "label")
            before = device, table
        _strip(picture, health, axis, y, changes, usual)
        picture.text(axis.left - 8, y + _ROW - 3, f"{register}  ({reference(table, register)})", "tick", "end")
        y += _ROW
    return picture.markup(), still


def _per_span(health: LineHealth, answers: int) -> float:
    """Return how many answers of a poll a span with traffic holds: movement is shown as a share of them."""
    return max(answers / max(int((health.signal.bytes_over_time > 0).sum()), 1), 1.0)


def _strip(picture: Picture, health: LineHealth, axis: TimeAxis, y: float, changes: _Numbers, usual: float) -> None:
    folded, together = _folded(changes)
    width = axis.width * together / max(health.spans.number, 1)
    tones = np.searchsorted(_TONES, folded / (usual * together), side="right") + 1
    tones[folded == 0] = 0
    start = 0
    for n in range(1, len(tones) + 1):
        if n == len(tones) or tones[n] != tones[start]:
            if tones[start]:
                picture.rect(axis.left + start * width, y, (n - start) * width, _ROW - 2, f"tone{tones[start]}")
            start = n
    picture.line(axis.left, y + _ROW - 1, axis.left + axis.width, y + _ROW - 1, "hair")


def _ranges(numbers: Sequence[int]) -> str:
    """Return numbers with runs taken together: 3, 5 to 9."""
    parts: list[list[int]] = []
    for number in sorted(set(numbers)):
        if parts and number == parts[-1][1] + 1:
            parts[-1][1] = number
        else:
            parts.append([number, number])
    return ", ".join(f"{a}" if a == b else f"{a} to {b}" for a, b in parts)


def histogram(spread: Spread, name: str, *, width: float = 340, height: float = 150) -> Markup:
    """Draw how durations are spread, from their 1st to their 99th percentile; the tails are told in words."""
    number = spread.number
    low, high = spread.quantile_us(0.01), spread.quantile_us(0.99)
    if not number or low is None or high is None:
        return Picture(width, 30, name, "no durations").markup()
    low, high = min(low, 0), max(high, 1000)
    high += (high - low) // 12
    edges = np.linspace(low, high, _BARS + 1)
    values = np.array([us for us, _ in spread.classes])
    weights = np.array([n for _, n in spread.classes])
    inside = (values >= low) & (values <= high)
    counts, _ = np.histogram(values[inside], edges, weights=weights[inside])
    median = spread.quantile_us(0.5)
    beyond = int(weights[~inside].sum())
    summary = f"median {duration(median)}, 5 to 95 %: {duration(spread.quantile_us(0.05))} to "
    summary += f"{duration(spread.quantile_us(0.95))}, {number} in all, {beyond} outside of the picture"
    picture = Picture(width, height, name, summary)
    left, right, top, bottom = 44.0, width - 12, 24.0, height - 34
    most = max(float(counts.max()), 1.0)
    for level in round_numbers(0, most, 3):
        y = bottom - level / most * (bottom - top)
        picture.line(left, y, right, y, "grid")
        picture.text(left - 5, y + 4, f"{level:.0f}", "tick", "end")
    bar = (right - left) / _BARS
    places = zip((left + n * bar for n in range(_BARS)), (counts / most * (bottom - top)).tolist(), strict=True)
    picture.bars(places, bar * 0.9, bottom, "good")
    for ms in round_numbers(low / 1000, high / 1000, 6):
        x = left + (ms * 1000 - low) / (high - low) * (right - left)
        picture.text(x, bottom + 14, f"{ms:g}", "tick", "middle")
    picture.text((left + right) / 2, height - 4, "ms", "tick", "middle")
    if median is not None:
        x = left + (median - low) / (high - low) * (right - left)
        picture.line(x, top - 4, x, bottom, "median")
        picture.text(min(max(x, left + 40), right - 40), top - 8, f"median {duration(median)}", "tick", "middle")
    return picture.markup()
