"""A three-phase power meter gives itself away: its own numbers fit together. The law that is looked for first.

One device's values side by side in; three voltages, three currents and the power that they make out, or None. The law
(IEEE Std 1459, sinusoidal case; from memory): the sum of voltage × current over the phases is the apparent power, and
times the power factor the active power; with line voltages the sum is divided by the root of 3. A meter sends each
number in any decimal scale (W or kW, tenths of a volt), so all factors are free by a power of ten.

How it works. Three registers an equal stride apart, steady and alike, may be voltages; three at the same stride may
be currents. At most 8 of the former with 24 of the latter each, and 12 power factors, are multiplied out and held
against every register at once (matrices of 96 answers): at most 2,500 products, whatever the device. Registers at
rest fit anything, so the power must move, and the law must follow it within a quarter of that movement and within
1 % of its size. Every register is first divided by its largest size, so that nothing overflows.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.survey.relations.series import Flags, Floats, Sheet
from sidetap.survey.values import Value

FIT = 0.01
FOLLOWS = 0.97  # correlation: what is left is a quarter of the movement
ROOT_3 = math.sqrt(3.0)
NEAR, SMALLEST_LEG = 6, 0.05  # values apart, and share of the other: of active and reactive power
_FACTOR_SCALES = (1.0, 100.0, 1000.0, 10_000.0)
_LOWEST_FACTOR = 0.2
_ABOVE_ONE = 1.0005
_ANSWERS = 96
_FEWEST_ANSWERS, _FEWEST_KNOWN = 60, 0.8
_FEWEST_VALUES = 7
_STEADY, _ALIKE = 0.06, 0.15  # of a voltage over the record, and between phases
_CURRENTS_ALIKE = 20.0
_MOST_STRIDE = 24  # registers
_MOST_VOLTAGES, _MOST_CURRENTS, _MOST_FACTORS = 8, 24, 12

Triple = tuple[int, int, int]


@dataclass(frozen=True, slots=True, eq=False)
class Registers:
    """Values of a device in those answers where all are numbers: [values, answers], each divided by its size."""

    values: tuple[Value, ...]
    numbers: Floats
    sizes: Floats
    rounding: Floats
    t_s: Floats | None

    @property
    def true(self) -> Floats:
        """The numbers as they were told."""
        return np.asarray(self.numbers * self.sizes[:, None])


@dataclass(frozen=True, slots=True)
class Law:
    """voltages × currents (× factor) = power × a power of ten.

    power: one register, or active and reactive power, whose squares add up to that of the apparent power. misfit: of
    the power, root mean square. follows: correlation. tried: how many products were held against registers.
    """

    voltages: Triple
    currents: Triple
    factor: int | None
    power: tuple[int, ...]
    misfit: float
    follows: float
    line_voltages: bool
    tried: int


def usable(sheet: Sheet) -> Registers | None:
    """Return the values that are numbers in most answers; None where there are too few of them or of answers."""
    known = np.isfinite(sheet.numbers)
    some = np.flatnonzero((known.mean(axis=1) > _FEWEST_KNOWN) & (np.nan_to_num(sheet.numbers) != 0).any(axis=1))
    rows = np.flatnonzero(known[some].all(axis=0))
    if len(some) < _FEWEST_VALUES or len(rows) < _FEWEST_ANSWERS:
        return None
    numbers = sheet.numbers[np.ix_(some, rows)]
    sizes = np.maximum(np.abs(numbers).max(axis=1), np.finfo(np.float64).tiny)
    values = tuple(sheet.values[n] for n in some)
    return Registers(
        values, numbers / sizes[:, None], sizes, sheet.rounding[some], None if sheet.t_s is None else sheet.t_s[rows]
    )


def find_law(registers: Registers) -> Law | None:
    """Return the closest law with a power factor, else for the apparent power, else for the squares of two powers."""
    numbers = registers.numbers
    numbers = numbers[:, np.unique(np.linspace(0, numbers.shape[1] - 1, _ANSWERS).astype(np.int64))]
    groups = _phases(registers)
    if not groups:
        return None
    units = np.array([registers.sizes[list(v)] * registers.sizes[list(i)] for v, i in groups])
    unit = units.max(axis=1)
    apparent = sum(
        numbers[[v[k] for v, _ in groups]] * numbers[[i[k] for _, i in groups]] * (units[:, k] / unit)[:, None]
        for k in range(3)
    )
    factors = power_factors(registers)
    legs, sums, sum_sizes = _squares(registers, numbers)
    tried = len(groups) * ((1 + len(factors)) * len(numbers) + len(legs))
    best: Law | None = None
    for factor in (None, *factors):
        products = apparent if factor is None else apparent * numbers[factor]
        powers = [(n,) for n in range(len(numbers))] + (legs if factor is None else [])
        series = np.concatenate([numbers, sums]) if factor is None else numbers
        sizes = np.concatenate([registers.sizes, sum_sizes]) if factor is None else registers.sizes
        follows = correlations(products, series)
        group, power = np.nonzero(follows >= FOLLOWS)
        scale, misfit = held_against(products[group], series[power])
        scale = scale * sizes[power] / (unit[group] * (1.0 if factor is None else registers.sizes[factor]))
        plain = decimal(scale)
        fits = np.flatnonzero((misfit <= FIT) & (plain | decimal(scale * ROOT_3)))
        for n in fits[np.argsort(misfit[fits])].tolist():
            voltages, currents = groups[group[n]]
            law = Law(
                voltages=voltages,
                currents=currents,
                factor=factor,
                power=powers[power[n]],
                misfit=float(misfit[n]),
                follows=float(follows[group[n], power[n]]),
                line_voltages=not plain[n],
                tried=tried,
            )
            used = [*law.voltages, *law.currents, *law.power, *([] if factor is None else [factor])]
            if len(set(used)) == len(used):
                best = law if best is None else min(best, law, key=_says_less)
                break
    return best


def _says_less(law: Law) -> tuple[bool, bool, float]:
    """Return what is greater for a law that says less: two registers for one power, no factor, a worse fit."""
    return len(law.power) > 1, law.factor is None, law.misfit


def _phases(registers: Registers) -> list[tuple[Triple, Triple]]:
    """Return what may be three voltages and three currents."""
    numbers = registers.numbers
    middle = np.median(np.abs(numbers), axis=1) * registers.sizes
    spread = numbers.std(axis=1)
    moves = (spread > 0) & (middle > 0)
    steady = moves & (numbers.min(axis=1) > 0) & (spread < _STEADY * numbers.mean(axis=1))
    found: list[tuple[Triple, Triple]] = []
    tried = 0
    for triples in _in_threes(registers, moves):
        least, most = middle[triples].min(axis=1), middle[triples].max(axis=1)
        currents = triples[most <= _CURRENTS_ALIKE * least]
        for voltage in triples[steady[triples].all(axis=1) & (most <= (1 + _ALIKE) * least)]:
            if tried == _MOST_VOLTAGES:
                return found
            tried += 1
            others = currents[~np.isin(currents, voltage).any(axis=1)]
            near = np.argsort(np.abs(others[:, 0] - voltage[0]), kind="stable")[:_MOST_CURRENTS]
            v = (int(voltage[0]), int(voltage[1]), int(voltage[2]))
            found += [(v, (int(a), int(b), int(c))) for a, b, c in others[near]]
    return found


def _in_threes(registers: Registers, moves: Flags) -> Iterator[NDArray[np.int64]]:
    """Yield all that moves in threes of equal width at equal strides, the least stride first [threes, 3]."""
    kinds: dict[tuple[str, int], list[int]] = {}
    for n in np.flatnonzero(moves).tolist():
        kinds.setdefault((registers.values[n].table, registers.values[n].width), []).append(n)
    for stride in range(1, _MOST_STRIDE + 1):
        for (_, width), members in kinds.items():
            if stride < width or len(members) < 3:
                continue
            first = np.array([registers.values[n].register for n in members])
            at = np.full(int(first.max()) + 2 * stride + 1, -1)
            at[first] = members
            triples = np.stack([at[first], at[first + stride], at[first + 2 * stride]], axis=1)
            yield triples[(triples >= 0).all(axis=1)]


def _squares(registers: Registers, numbers: Floats) -> tuple[list[tuple[int, ...]], Floats, Floats]:
    """Return neighbours that may be active and reactive power, the roots of their added squares, and its sizes."""
    pairs = [
        (n, m)
        for n in range(len(numbers))
        for m in range(n + 1, min(n + NEAR, len(numbers)))
        if SMALLEST_LEG <= registers.sizes[n] / registers.sizes[m] <= 1 / SMALLEST_LEG
    ]
    if not pairs:
        return [], np.empty((0, numbers.shape[1])), np.empty(0)
    both = np.array(pairs)
    sizes = registers.sizes[both].max(axis=1)
    shares = registers.sizes[both] / sizes[:, None]
    return list(pairs), np.hypot(*(numbers[both[:, k]] * shares[:, k, None] for k in range(2))), sizes


def power_factors(registers: Registers) -> list[int]:
    """Return what may be power factors (at most 1, in decimal parts), those that come closest to 1 first."""
    middle = np.median(np.abs(registers.numbers), axis=1) * registers.sizes
    shares = {}
    for n, (size, usual) in enumerate(zip(registers.sizes.tolist(), middle.tolist(), strict=True)):
        scale = next((s for s in _FACTOR_SCALES if size <= _ABOVE_ONE * s and usual >= _LOWEST_FACTOR * s), None)
        if scale is not None:
            shares[n] = usual / scale
    return sorted(shares, key=lambda n: -shares[n])[:_MOST_FACTORS]


def factor(registers: Registers, n: int) -> Floats:
    """Return a power factor as a share of 1 [answers]."""
    size = float(registers.sizes[n])
    scale = next((s for s in _FACTOR_SCALES if size <= _ABOVE_ONE * s), size)
    return np.asarray(np.abs(registers.numbers[n]) * size / scale)


def correlations(some: Floats, others: Floats) -> Floats:
    """Return how closely series follow each other, whichever way [some, others]; 0 for what doesn't move."""
    scaled = []
    for numbers in (some, others):
        middle = numbers - numbers.mean(axis=1, keepdims=True)
        size = np.sqrt((middle**2).sum(axis=1, keepdims=True))
        scaled.append(np.divide(middle, size, out=np.zeros_like(middle), where=size > 0))
    return np.asarray(np.abs(scaled[0] @ scaled[1].T))


def held_against(products: Floats, numbers: Floats) -> tuple[Floats, Floats]:
    """Return each series / its product, and the misfit of that (root mean square of the series' own)."""
    with np.errstate(all="ignore"):
        cross, squares, own = (products * numbers).sum(axis=1), (products**2).sum(axis=1), (numbers**2).sum(axis=1)
        return cross / squares, np.sqrt(np.maximum(1 - cross**2 / (squares * own), 0.0))


def decimal(scale: Floats) -> Flags:
    """Return whether a factor is a power of ten within 1 %."""
    with np.errstate(all="ignore"):
        exponent = np.log10(np.abs(scale))
        return np.asarray(np.abs(exponent - np.rint(exponent)) <= math.log10(1 + FIT))
