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
Places = NDArray[np.int64]

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
            parts.append(_Part(own, t_s, without_codes(np.array(series))))
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
    low, high = np.quantile(bridged(numbers), (0.02, 0.98), axis=1)
    return Sheet(device, tuple(values), t_s, numbers, last_digits(numbers) / 2, np.asarray(high - low))


def without_codes(numbers: Floats) -> Floats:
    """Return series [values, answers] with NaN where they are no quantity: too large, or a code for "no value".

    A code is one same number in a quarter of the answers at most, apart from all others by more than those span. A
    pump that seldom stands loses its zeros by that: nobody misses them.
    """
    with np.errstate(invalid="ignore"):
        numbers = np.where(np.abs(numbers) < _LARGEST, numbers, np.nan)
    for sign in (1.0, -1.0, 1.0, -1.0):
        ordered = np.sort(sign * numbers, axis=1)  # what is unknown comes last
        count = np.count_nonzero(np.isfinite(ordered), axis=1)
        last = np.take_along_axis(ordered, np.maximum(count - 1, 0)[:, None], axis=1)
        coded = np.count_nonzero(ordered == ordered[:, :1], axis=1)
        following = np.take_along_axis(ordered, np.minimum(coded, np.maximum(count - 1, 0))[:, None], axis=1)
        apart = (following - ordered[:, :1] > last - following)[:, 0]
        apart &= (coded < count) & (coded <= _MOST_CODED * numbers.shape[1])
        numbers = np.where(apart[:, None] & (sign * numbers == ordered[:, :1]), np.nan, numbers)
    return numbers


def last_digits(numbers: Floats) -> Floats:
    """Return the step in which each series [values, answers] is told: of its decimal grid, or else of a float32.

    >>> last_digits(np.array([[20.5, 21.0, 23.5], [0.25, 0.125, np.nan]]))
    array([0.5  , 0.125])
    """
    largest = np.where(np.isfinite(numbers), numbers, -np.inf).max(axis=1, keepdims=True)
    filled = np.where(np.isfinite(numbers), numbers, np.where(np.isfinite(largest), largest, 0.0))
    largest = np.abs(filled).max(axis=1)
    found = largest * _ULP
    left = np.ones(len(numbers), dtype=np.bool_)
    for decimals in range(_DECIMALS):
        scaled = filled * 10.0**decimals
        whole = np.rint(scaled)
        on_grid = (np.abs(scaled - whole) <= 2 * _ULP * np.abs(scaled) + 1e-9).all(axis=1)
        on_grid &= left & (largest * 10.0**decimals < 2**31)
        if on_grid.any():
            steps = np.gcd.reduce(np.diff(whole[on_grid].astype(np.int64), axis=1), axis=1)
            found[on_grid] = np.maximum(steps, 1) / 10.0**decimals
            left &= ~on_grid
    return np.asarray(found)


def bridged(numbers: Floats) -> Floats:
    """Return series [values, answers] with every gap filled straight; 0 where nothing is known."""
    gaps = ~np.isfinite(numbers)
    if not gaps.any():
        return numbers
    filled, place = numbers.copy(), np.arange(numbers.shape[1])
    for row in np.flatnonzero(gaps.any(axis=1)):
        known = ~gaps[row]
        filled[row, gaps[row]] = (
            np.interp(place[gaps[row]], place[known], numbers[row, known]) if known.any() else 0.0
        )
    return filled


def occasions(numbers: Floats, amounts: Floats) -> Places:
    """Return on how many occasions each series moved by its amount or more, one after another [values].

    numbers: without gaps [values, answers]. An occasion ends where the series rests or turns back. The record is
    looked at in 128 parts of equal length, by the mean of each.
    """
    values, answers = numbers.shape
    if answers < _PARTS or not values:
        return np.zeros(values, dtype=np.int64)
    bounds = np.linspace(0, answers, _PARTS + 1).astype(np.int64)
    steps = np.diff(np.add.reduceat(numbers, bounds[:-1], axis=1) / np.diff(bounds), axis=1)
    ways = np.where(np.abs(steps) > _STILL * amounts[:, None], np.sign(steps), 0.0)
    begins = np.ones_like(ways, dtype=np.bool_)  # of a run of steps the same way
    begins[:, 1:] = ways[:, 1:] != ways[:, :-1]
    starts = np.flatnonzero(begins)
    moved = np.abs(np.add.reduceat(steps.ravel(), starts))
    row = starts // steps.shape[1]
    counted = (moved >= amounts[row]) & (ways.ravel()[starts] != 0) & (amounts[row] > 0)
    return np.bincount(row[counted], minlength=values)
