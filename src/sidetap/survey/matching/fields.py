"""The ways to read a line's registers, and what each read when people noted something.

Devices in, one `Table` of fields a device out: every register under every encoding that its words allow, with how
likely that is before any reading is looked at. A line may have 100,000 fields. At first only the answers about the
readings are decoded, all fields of an encoding at once; the whole series only of the few that explain something.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sidetap.line import decode_array
from sidetap.quantity import NS_PER_S
from sidetap.survey.answers import Block
from sidetap.survey.values import Candidate, Device

TYPED_TIME_NS = 5 * NS_PER_S  # a typed time is good to this

Floats = NDArray[np.float64]
Times = NDArray[np.int64]

_ANY_ENCODING = 0.02  # share of the prior spread evenly over all ways to read a device's registers
_IMPOSSIBLE = 1e-12  # ways to read registers that are less probable than this explain nothing
_NO_QUANTITY = ("text", "bits16")
_LARGEST = 1e10  # no quantity is told by such numbers
_DECIMALS = range(4)
_PARTS = 5  # a counter rises in each of so many parts of its record
_MOMENT_NS = 10 * NS_PER_S
_AT_ONCE = 6000  # fields
_MOST_DROPPED, _FAR_FROM_ZERO = 0.2, 0.1  # share of answers; of what it usually reads
_MEAN_BEND = 0.798 * 6**0.5 * 0.8  # of a second difference of noise, its largest tenth left out, in deviations
_FEWEST_FOR_JITTER = 8
_DENSE = 3  # answers about a typed time that tell their own spread
_BENT = 0.25  # of the change between two answers: a level may have moved so unevenly meanwhile
_TWO_DRAWS = 1.5  # the display's instant and what is left of the answers' own noise in their median
_SOME = 200  # values looked at for the place they are rounded to


@dataclass(frozen=True, slots=True)
class _About:
    """The answers that tell what was read about a typed time.

    Either `rows` are at least three within its uncertainty, and `share` is None: then their median counts and half of
    their spread. Or they are the two around it: then what lies between them counts, `share` of the way, and `moved`
    of their difference; where only one of the two holds a value, that one, if it is `near` enough.
    """

    rows: slice
    share: float | None = None
    moved: float = 0.0
    near: tuple[bool, bool] = (False, False)

    def told(self, read: Floats) -> tuple[Floats, Floats]:
        """Return value and spread [fields] of what was read in the rows [rows, fields]; NaN where nothing."""
        if self.share is None:
            return _middle(read)
        one, two = read[0], read[-1]
        value = one + self.share * (two - one)
        spread = self.moved * np.abs(two - one)
        lone = np.where(np.isfinite(one), one if self.near[0] else np.nan, two if self.near[1] else np.nan)
        missing = ~np.isfinite(value)
        return np.where(missing, lone, value), np.where(missing, 0.0, spread)


def _middle(read: Floats) -> tuple[Floats, Floats]:
    """Return the median of each column and half of its range, what is no value left out."""
    ordered = np.sort(read, axis=0)  # what is no value comes last
    count = np.isfinite(ordered).sum(axis=0)
    low, lower, upper, high = (
        np.take_along_axis(ordered, np.maximum(place, 0)[None], axis=0)[0]
        for place in (0 * count, (count - 1) // 2, count // 2 - (count == 0), count - 1)
    )
    return (lower + upper) / 2, np.where(count > 0, (high - low) / 2, 0.0)


class Answered:
    """When a block was read, in order of time: t_ns [answers]; order: the places of all answers in that order."""

    def __init__(self, t_ns: Times) -> None:
        self.order = None if (t_ns[1:] >= t_ns[:-1]).all() else np.argsort(t_ns, kind="stable")
        self.t_ns = t_ns if self.order is None else t_ns[self.order]
        self._known: dict[int, _About | None] = {}

    def about(self, t_ns: int) -> _About | None:
        """Return the answers that tell what was read about a typed time; None outside of the record."""
        if t_ns not in self._known:
            self._known[t_ns] = self._find(t_ns)
        return self._known[t_ns]

    def _find(self, t_ns: int) -> _About | None:
        first = int(np.searchsorted(self.t_ns, t_ns - TYPED_TIME_NS, side="left"))
        end = int(np.searchsorted(self.t_ns, t_ns + TYPED_TIME_NS, side="right"))
        if end - first >= _DENSE:
            return _About(slice(first, end))
        last = len(self.t_ns) - 1
        if end == first and (first == 0 or first > last):
            return None
        place = min(max(int(np.searchsorted(self.t_ns, t_ns)), 1), max(last, 1))
        rows = slice(place - 1, place + 1)
        times = self.t_ns[rows]
        gap = max(int(times[-1] - times[0]), 1)
        share = min(max((t_ns - int(times[0])) / gap, 0.0), 1.0)
        moved = min(max(TYPED_TIME_NS / gap, _BENT), 1.0)
        near = (abs(int(times[0]) - t_ns) <= TYPED_TIME_NS, abs(int(times[-1]) - t_ns) <= TYPED_TIME_NS)
        return _About(rows, share, moved, near)


@dataclass(frozen=True, eq=False)
class Field:
    """One way to read registers of a device. prior: how likely within its device, before any reading was noted."""

    candidate: Candidate
    prior: float
    answered: Answered

    @property
    def block(self) -> Block:
        """The block it lies in."""
        return self.candidate.block

    @property
    def device(self) -> int:
        """The device's address."""
        return self.candidate.block.device

    @property
    def encoding(self) -> str:
        """As the contract spells it."""
        return self.candidate.hypothesis.encoding

    @property
    def is_float(self) -> bool:
        """Whether it tells a float."""
        return self.encoding.startswith("float")

    @property
    def key(self) -> tuple[int, str, int, str]:
        """Device, table, register and encoding."""
        return (self.device, self.block.table, self.candidate.register, self.encoding)

    @property
    def t_ns(self) -> Times:
        """When it was read, in order of time [answers]."""
        return self.answered.t_ns

    @cached_property
    def series(self) -> Floats:
        """What it read [answers]; NaN where that was no value."""
        series = self.candidate.decoded()
        series = np.where(np.abs(series) < _LARGEST, series, np.nan)
        if self.answered.order is not None:
            series = series[self.answered.order]
        series[_dropped(series)] = np.nan
        return series

    @cached_property
    def good(self) -> Floats:
        """What it read, answers without a value left out."""
        return self.series[np.isfinite(self.series)]

    @cached_property
    def ends(self) -> Floats:
        """The least and the greatest value of the record."""
        return np.array([self.good.min(), self.good.max()])

    @cached_property
    def usual(self) -> Floats:
        """The range without its rarest twentieth at either end, where unknown codes for "no value" may be."""
        some = np.sort(self.good[:: max(1, len(self.good) // _SOME)])
        return some[[len(some) // 20, -1 - len(some) // 20]]

    @cached_property
    def restless(self) -> float:
        """How far it usually moves within some seconds, up and down."""
        known = np.isfinite(self.series)
        t_ns, good = self.t_ns[known], self.good
        if len(good) < 2:
            return 0.0
        apart = max(1, int(_MOMENT_NS / max(float(np.median(np.diff(t_ns))), 1.0)))
        moves = np.sort(np.abs(good[apart:] - good[:-apart]))
        return float(moves[: max(1, len(moves) * 19 // 20)].mean()) if len(moves) else 0.0

    @cached_property
    def jitter(self) -> float:
        """Its noise from one answer to the next, as a standard deviation: what a display shows is one instant's."""
        some = self.good[: 3 * _SOME] if len(self.good) < 6 * _SOME else self.good[len(self.good) // 2 :][: 3 * _SOME]
        return float(_jitter(some[:, None])[0]) if len(some) >= _FEWEST_FOR_JITTER else 0.0

    @cached_property
    def only_rises(self) -> bool:
        """Whether it rises again and again all along its record and hardly ever falls, as counters do."""
        steps = np.diff(self.good[:: max(1, len(self.good) // _SOME)])
        if len(steps) < _PARTS or (steps < 0).sum() > 1:
            return False
        return all((part > 0).any() for part in np.array_split(steps, _PARTS))

    @cached_property
    def never_falls(self) -> bool:
        """Whether it hardly ever falls, as totals do, which stand still for hours."""
        return bool((np.diff(self.good) < 0).sum() <= 1)

    @cached_property
    def step(self) -> float:
        """The size of one count; of floats, the decimal place to which they are rounded, 0 where they are not."""
        if not self.is_float:
            return 1.0
        some = self.good[:: max(1, len(self.good) // _SOME)]
        return float(_rounded_to(some[None, :])[0])

    def at(self, t_ns: int) -> tuple[float, float]:
        """Return the value about a typed time, and half of how far it moves within the time's uncertainty.

        NaN where there is none: before the first and after the last value, or when all about that time are faults.
        """
        about = self.answered.about(t_ns)
        if about is None:
            return math.nan, 0.0
        value, spread = about.told(self.series[about.rows][:, None])
        return float(value[0]), math.sqrt(float(spread[0]) ** 2 + 3 * _TWO_DRAWS * self.jitter**2)


def _dropped(series: Floats) -> NDArray[np.bool_]:
    """Return where a series drops to exactly 0 and jumps back, far from where it was: 0 as a code for "no value"."""
    zero = series == 0
    if not zero.any() or zero.mean() > _MOST_DROPPED:
        return np.zeros(len(series), dtype=np.bool_)
    known = np.flatnonzero(np.isfinite(series) & ~zero)
    if not len(known):
        return np.zeros(len(series), dtype=np.bool_)
    places = np.flatnonzero(zero)
    after = np.searchsorted(known, places)
    before = series[known[np.maximum(after - 1, 0)]]
    behind = series[known[np.minimum(after, len(known) - 1)]]
    far = _FAR_FROM_ZERO * float(np.quantile(np.abs(series[known]), 0.9))
    dropped = np.zeros(len(series), dtype=np.bool_)
    dropped[places[(np.abs(before) > far) & (np.abs(behind) > far)]] = True
    return dropped


def _jitter(rows: Floats) -> Floats:
    """Return the noise of columns of consecutive values, by their second differences, the largest left out."""
    bends = np.sort(np.abs(rows[2:] - 2 * rows[1:-1] + rows[:-2]), axis=0)
    kept = bends[: max(1, len(bends) * 9 // 10)]
    return np.asarray(kept.mean(axis=0) / _MEAN_BEND, dtype=np.float64)


def _rounded_to(values: Floats) -> Floats:
    """Return the decimal place to which each row of floats is rounded; 0 where it is to none, NaN left out."""
    step = np.zeros(len(values))
    known = np.zeros(len(values), dtype=np.bool_)
    for decimals in _DECIMALS:
        scaled = values * 10.0**decimals
        off = np.abs(scaled - np.rint(scaled))
        whole = ((off <= np.abs(scaled) * 2.0**-22 + 1e-9) | np.isnan(values)).all(axis=1)
        step[whole & ~known] = 10.0**-decimals
        known |= whole
    return step


@dataclass(frozen=True, slots=True)
class Table:
    """Fields of a line, and what they read about some moments.

    prior [fields]: how likely each is beforehand within its device. floats [fields]: which tell floats. values,
    spread [fields, moments]: what it read (NaN where nothing) and half of how far a display may have shown it to move
    within the moment's uncertainty. step [fields]: the size of one count, as far as these values tell.
    """

    fields: tuple[Field, ...]
    prior: Floats
    floats: NDArray[np.bool_]
    values: Floats
    spread: Floats
    step: Floats

    def by_encoding(self) -> list[list[int]]:
        """Return the places of the fields, those of one block and encoding together."""
        return _by_encoding(self.fields)

    def of(self, which: NDArray[np.int64], moments: NDArray[np.int64]) -> "Table":
        """Return some fields at some moments."""
        kept = tuple(self.fields[n] for n in which.tolist())
        values, spread = (part[which[:, None], moments] for part in (self.values, self.spread))
        return Table(kept, self.prior[which], self.floats[which], values, spread, self.step[which])


def together(tables: Sequence[Table]) -> list[Table]:
    """Return the same fields in few tables, none of them too large to look at at once."""
    found: list[list[Table]] = [[]]
    for table in tables:
        if sum(len(t.fields) for t in found[-1]) + len(table.fields) > _AT_ONCE:
            found.append([])
        found[-1].append(table)
    return [
        Table(
            tuple(f for t in some for f in t.fields),
            *(np.concatenate([getattr(t, name) for t in some]) for name in Table.__slots__[1:]),
        )
        for some in found
        if some
    ]


def tables(devices: Sequence[Device], moments: Sequence[int]) -> list[Table]:
    """Return the fields of every device that has any with times, a table for each."""
    found = []
    for device in devices:
        best: dict[tuple[str, int, str], Candidate] = {}
        for candidate in device.candidates:
            encoding = candidate.hypothesis.encoding
            if candidate.block.t_ns is None or encoding in _NO_QUANTITY or candidate.probability < _IMPOSSIBLE:
                continue
            key = (candidate.block.table, candidate.register, encoding)
            known = best.get(key)
            if known is None or candidate.probability > known.probability:
                best[key] = candidate
        if best:
            found.append(_table(list(best.values()), moments))
    return found


def _table(candidates: Sequence[Candidate], moments: Sequence[int]) -> Table:
    total = sum(c.probability for c in candidates) or 1.0
    even = _ANY_ENCODING / len(candidates)
    answered = {id(c.block): Answered(c.block.t_ns) for c in candidates if c.block.t_ns is not None}
    fields = tuple(
        Field(c, (1 - _ANY_ENCODING) * c.probability / total + even, answered[id(c.block)]) for c in candidates
    )
    values = np.full((len(fields), len(moments)), np.nan)
    spread = np.zeros_like(values)
    for own in _by_encoding(fields):
        _read_about(fields, own, moments, values, spread)
        jitter = _jitter(decoded_rows([fields[n] for n in own], _consecutive(len(fields[own[0]].t_ns))))
        spread[own] = shown(spread[own], np.nan_to_num(jitter)[:, None])
    floats = np.array([f.is_float for f in fields])
    step = np.where(floats, _rounded_to(values), 1.0)
    return Table(fields, np.array([f.prior for f in fields]), floats, values, spread, step)


def _consecutive(answers: int) -> slice:
    """Return some answers that follow each other, out of the middle."""
    first = max(0, answers // 2 - _SOME // 4)
    return slice(first, first + _SOME // 2)


def shown(spread: Floats, jitter: Floats) -> Floats:
    """Return half of how far a display may have shown a value to move: its movement, and its noise at that instant.

    A spread counts as uniform, so its third root of a variance; what is read meanwhile has a noise of its own too.
    """
    return np.asarray(np.sqrt(spread**2 + 3 * _TWO_DRAWS * jitter**2), dtype=np.float64)


def _by_encoding(fields: Sequence[Field]) -> list[list[int]]:
    found: dict[tuple[int, str], list[int]] = {}
    for n, field in enumerate(fields):
        found.setdefault((id(field.block), field.encoding), []).append(n)
    return list(found.values())


def decoded_rows(fields: Sequence[Field], rows: slice | NDArray[np.int64]) -> Floats:
    """Return what fields of one block and encoding read in some answers, in order of time [rows, fields].

    NaN where that is no number; codes for "no value" are not looked for.
    """
    first = fields[0]
    order = first.answered.order
    words = first.block.words[rows if order is None else order[rows]]
    starts = np.array([f.candidate.hypothesis.start for f in fields])
    width = first.candidate.hypothesis.width
    beside = words[:, starts[:, None] + np.arange(width)].reshape(-1, width)
    read = decode_array(first.encoding, beside).astype(np.float64).reshape(len(words), len(fields))
    read[~(np.abs(read) < _LARGEST)] = np.nan
    return read


def _read_about(
    fields: Sequence[Field], own: Sequence[int], moments: Sequence[int], values: Floats, spread: Floats
) -> None:
    """Fill in what fields of one block and encoding read about each moment."""
    first = fields[own[0]]
    some = [fields[n] for n in own]
    for m, moment in enumerate(moments):
        about = first.answered.about(moment)
        if about is not None:
            values[own, m], spread[own, m] = about.told(decoded_rows(some, about.rows))
