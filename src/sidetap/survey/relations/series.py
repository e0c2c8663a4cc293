"""Values of a device -> series of numbers at common moments, few enough to be held against each other.

How it works. Every value that is told as a number is decoded at 512 answers at most, spread evenly over its block.
Blocks of one device that are polled at different times are brought to the moments of the block with the most values,
straight between two answers. Codes for "no value" are left out. Where a recording has no times only the values of one
block stand side by side, answer by answer.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidetap.quantity import NS_PER_S
from sidetap.survey.answers import Block
from sidetap.survey.values import Candidate, Device, Kind, Value

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

MOST_ANSWERS = 512
MOST_VALUES = 400  # of one device, first come
_FEWEST_ANSWERS = 20
_LARGEST = 1e12  # a number beyond this is no quantity of a yard
_NO_BITS = ("text", "bits16")
_MOST_CODED = 0.25  # share of answers
_DECIMALS = 5
_ULP = 2.0**-23
_PARTS, _STILL = 128, 1 / 16  # of a record, for movement; of an amount, by which a part may differ at rest


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """Values side by side. t_s: moments [answers]; None without times. numbers: [values, answers], NaN where none.

    rounding: half of each value's last digit [values]. spans: how far the middle 96 % of its answers reach [values].
    """

    device: int
    values: tuple[Value, ...]
    t_s: Floats | None
    numbers: Floats
    rounding: Floats
    spans: Floats


def numeric(device: Device) -> dict[tuple[str, int], Candidate]:
    """Return the candidate behind each value of a device that is told as a number, by table and register."""
    held = {(c.block.table, c.register, c.hypothesis.encoding): c for c in device.candidates}
    return {
        (v.table, v.register): held[v.table, v.register, v.encoding]
        for v in device.values
        if not v.encoding.startswith(_NO_BITS)
        and v.kind not in (Kind.TEXT, Kind.CONSTANT)
        and (v.table, v.register, v.encoding) in held
    }


def sheets(device: Device, candidates: dict[tuple[str, int], Candidate]) -> list[Sheet]:
    """Return the values of a device that ever change, side by side: one sheet, or one a block without times.

    candidates: those behind the values (`numeric`).
    """
    values = [v for v in device.values if (v.table, v.register) in candidates][:MOST_VALUES]
    blocks: dict[int, tuple[Block, list[Value]]] = {}
    for value in values:
        block = candidates[value.table, value.register].block
        blocks.setdefault(id(block), (block, []))[1].append(value)
    parts: list[_Part] = []
    for block, own in blocks.values():
        thin, t_s = _thinned(block)
        if len(thin.words) >= _FEWEST_ANSWERS:
            series = [replace(candidates[v.table, v.register], block=thin).decoded() for v in own]
            parts.append(_Part(own, t_s, np.array([without_codes(s) for s in series])))
    joined = [_sheet(device.device, p.values, None, p.numbers) for p in parts if p.t_s is None]
    timed = [(p, p.t_s) for p in parts if p.t_s is not None]
    if timed:
        leading = max(timed, key=lambda p: len(p[0].values))[1]
        held = [v for p, _ in timed for v in p.values]
        numbers = [n if t_s is leading else at(leading, t_s, n) for p, t_s in timed for n in p.numbers]
        joined.append(_sheet(device.device, held, leading, np.array(numbers)))
    return joined


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """The values of one block."""

    values: list[Value]
    t_s: Floats | None
    numbers: Floats


def _thinned(block: Block) -> tuple[Block, Floats | None]:
    rows = np.unique(np.linspace(0, len(block.words) - 1, MOST_ANSWERS).astype(np.int64))
    t_ns = None if block.t_ns is None else block.t_ns[rows]
    return replace(block, words=block.words[rows], t_ns=t_ns), None if t_ns is None else t_ns / NS_PER_S


def at(wanted: Floats, t_s: Floats, numbers: Floats) -> Floats:
    """Return numbers at the wanted moments, straight between the answers around; NaN outside of them."""
    known = np.isfinite(numbers)
    if not known.any():
        return np.full(len(wanted), np.nan)
    return np.interp(wanted, t_s[known], numbers[known], left=np.nan, right=np.nan)


def _sheet(device: int, values: Sequence[Value], t_s: Floats | None, numbers: Floats) -> Sheet:
    low, high = np.nanquantile(np.where(_known(numbers)[:, None], numbers, 0.0), (0.02, 0.98), axis=1)
    rounding = np.array([last_digit(row[np.isfinite(row)]) for row in numbers]) / 2
    return Sheet(device, tuple(values), t_s, numbers, rounding, np.asarray(high - low))


def _known(numbers: Floats) -> Flags:
    return np.asarray(np.isfinite(numbers).any(axis=1))


def without_codes(series: Floats) -> Floats:
    """Return a series with NaN where it is no quantity: too large a number, or a code for "no value".

    A code is one same number in a quarter of the answers at most, apart from all others by more than those span. A
    pump that seldom stands loses its zeros by that: nobody misses them.
    """
    with np.errstate(invalid="ignore"):
        series = np.where(np.abs(series) < _LARGEST, series, np.nan)
    for _ in range(2):
        known = np.sort(series[np.isfinite(series)])
        if not len(known):
            return series
        for code, rest in ((known[0], known[known > known[0]]), (known[-1], known[known < known[-1]])):
            if not len(rest):
                return series
            apart = float(np.abs(rest - code).min()) > max(float(np.ptp(rest)), np.finfo(np.float64).tiny)
            if apart and len(rest) < len(known) <= len(rest) + _MOST_CODED * len(series):
                series = np.where(series == code, np.nan, series)
    return series


def last_digit(series: Floats) -> float:
    """Return the step in which a series is told: of its decimal grid, if all of it lies on one, else of a float32.

    >>> last_digit(np.array([20.5, 21.0, 23.5]))
    0.5
    """
    if not len(series):
        return 0.0
    largest = float(np.abs(series).max())
    for decimals in range(_DECIMALS):
        scaled = series * 10.0**decimals
        whole = np.rint(scaled)
        if largest * 10.0**decimals < 2**31 and (np.abs(scaled - whole) <= 2 * _ULP * np.abs(scaled) + 1e-9).all():
            steps = np.diff(whole.astype(np.int64))
            return float(max(np.gcd.reduce(steps), 1)) / 10.0**decimals
    return largest * _ULP


def occasions(series: Floats, amount: float) -> int:
    """Return on how many occasions a series moved by an amount or more, one after another.

    An occasion ends where the series rests or turns back. The record is looked at in 128 parts of equal length, by
    the mean of each.
    """
    known = series[np.isfinite(series)]
    if len(known) < _PARTS or amount <= 0:
        return 0
    means = np.array([part.mean() for part in np.array_split(known, _PARTS)])
    steps = np.diff(means)
    ways = np.where(np.abs(steps) > _STILL * amount, np.sign(steps), 0.0)
    starts = np.flatnonzero(np.diff(ways, prepend=0.0) != 0)
    moved = np.abs(np.add.reduceat(steps, starts)) if len(starts) else np.empty(0)
    return int(((moved >= amount) & (ways[starts] != 0)).sum())
