"""Columns of a made-up device: a quantity, flag, counter, setting or text, as words answer by answer, with its truth.

In come series in some unit; out come columns in the encodings of the contract. How a device spells its numbers
(`Spelling`) is one habit per device, as it is with real ones. All numbers are invented.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from registers.apart_plant import Floats
from registers.apart_words import Words, encoded, limits_of, spelled, text_words

SHORT, LONG, SINGLE, DOUBLE, BCD, TENK, MIXED = "short", "long", "single", "double", "bcd", "10k", "mixed"
_HABITS = (SHORT, LONG, SINGLE, DOUBLE, BCD, TENK, MIXED)
_HABIT_SHARES = (0.34, 0.12, 0.36, 0.03, 0.03, 0.03, 0.09)


@dataclass(frozen=True, slots=True)
class Spelling:
    """How a device spells its numbers: one of the habits above, and its word order."""

    habit: str
    order: str


@dataclass(frozen=True, slots=True)
class Measured:
    """A quantity in some unit at the answers [answers].

    low, high: the range of the instrument. finest: a step that is worth telling. scale, offset: level in m = value ×
    scale + offset, or None. whole: only ever a whole number (counts).
    """

    name: str
    values: Floats
    low: float
    high: float
    finest: float
    scale: float | None = None
    offset: float | None = None
    whole: bool = False


@dataclass(frozen=True, slots=True)
class Column:
    """Registers of one value [answers, width]; truth: decoded [answers], empty for text."""

    name: str
    encoding: str
    analog: bool
    words: Words
    truth: Floats
    scale: float | None = None
    offset: float | None = None


def habit_of(random: np.random.Generator) -> str:
    """Return a way of spelling numbers, as often as it is met (common practice, no source)."""
    return str(random.choice(_HABITS, p=_HABIT_SHARES))


def measured_column(random: np.random.Generator, spelling: Spelling, measured: Measured) -> Column:
    """Return a quantity as a device with these habits sends it."""
    kind = _kind(random, spelling.habit, measured)
    encoding = spelled(kind, spelling.order)
    if kind.startswith("float"):
        words, truth = encoded(encoding, _as_computed(random, measured))
        return Column(measured.name, encoding, True, words, truth, measured.scale, measured.offset)
    decimals = _decimals(random, kind, measured)
    step = 10.0**-decimals
    least, greatest = (np.clip(end / step, *limits_of(kind)) for end in (measured.low, measured.high))
    down = np.floor if random.random() < 0.3 else np.rint
    words, truth = encoded(encoding, np.clip(down(measured.values / step), least, greatest))
    scale = None if measured.scale is None else measured.scale * step
    return Column(measured.name, encoding, True, words, truth, scale, measured.offset)


def number_column(name: str, kind: str, order: str, values: NDArray[np.float64] | NDArray[np.int64]) -> Column:
    """Return a flag, counter or setting in a given kind of number."""
    encoding = spelled(kind, order)
    words, truth = encoded(encoding, values)
    return Column(name, encoding, False, words, truth)


def text_column(text: str, registers: int, answers: int, fill: str) -> Column:
    """Return a text that never changes."""
    words = np.tile(text_words(text, registers, fill), (answers, 1))
    return Column("text", "text", False, words, np.empty(0))


def _kind(random: np.random.Generator, habit: str, measured: Measured) -> str:
    if habit == MIXED:
        habit = str(random.choice(_HABITS[:-1], p=[0.4, 0.2, 0.34, 0.02, 0.02, 0.02]))
    signed = measured.low < 0
    if measured.whole and (habit in (SINGLE, DOUBLE) or (habit == BCD and not _fits("bcd16", measured))):
        habit = SHORT
    if habit == SHORT or (habit == BCD and signed):
        fits = _fits("int16", measured)
        return "int16" if signed or (fits and random.random() < 0.4) else "uint16"
    if habit == LONG or (habit == TENK and signed):
        return "int32" if signed or random.random() < 0.5 else "uint32"
    return {SINGLE: "float32", DOUBLE: "float64", BCD: "bcd16", TENK: "mod10k32"}[habit]


def _fits(kind: str, measured: Measured) -> bool:
    least, greatest = limits_of(kind)
    return least <= measured.low and measured.high <= greatest


def _decimals(random: np.random.Generator, kind: str, measured: Measured) -> int:
    """Return how many decimals a whole number carries: as many as the unit asks for and the kind holds."""
    if measured.whole:
        return 0
    least, greatest = limits_of(kind)
    span = measured.high - measured.low
    useful = [
        places
        for places in range(-2, 5)
        if measured.high * 10.0**places <= greatest
        and measured.low * 10.0**places >= least
        and span * 10.0**places >= 80
        and 10.0**-places >= measured.finest / 30
    ]
    if not useful:
        return int(np.floor(np.log10(greatest / max(abs(measured.high), abs(measured.low)))))
    near = [places for places in useful if 0.09 <= 10.0**-places / measured.finest <= 11]
    return int(random.choice(near or useful))


def _as_computed(random: np.random.Generator, measured: Measured) -> Floats:
    """Return floats as a device's arithmetic leaves them: of every fineness, of a converter's steps, or decimal."""
    shape = random.choice(["free", "converter", "decimal"], p=[0.5, 0.3, 0.2])
    span = measured.high - measured.low
    if shape == "converter":
        step = span / 2 ** int(random.choice([12, 14, 15, 16, 20]))
        step *= random.choice([1.0, 1.0 + random.normal(0, 0.01)], p=[0.25, 0.75])  # most are calibrated one by one
        return np.asarray(measured.low + np.rint((measured.values - measured.low) / step) * step)
    if shape == "decimal":
        places = int(np.clip(np.ceil(-np.log10(measured.finest)), 0, 4))
        return np.round(measured.values, places)
    return measured.values
