"""What is counted of changes, against slow second ways, and however the answers come in portions."""

import struct
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from survey_lines import encode, level_mm

from sidetap.survey.evidence import Evidence, fault_codes
from sidetap.survey.evidence.codelength import SYMBOLS
from sidetap.survey.evidence.ways import DECIMALS, READINGS, Reading, Way

Words = NDArray[np.uint16]


def restless(seed: int, rows: int, registers: int) -> Words:
    """Return registers that move, rest, repeat and hold codes for "no value"."""
    random = np.random.default_rng(seed)
    words = (1000 + np.cumsum(random.integers(-3, 4, (rows, registers)), axis=0)).astype(np.uint16)
    words[random.random(words.shape) < 0.02] = 0xFFFF
    words[random.random(rows) < 0.3] = 0
    words[random.random(words.shape) < 0.01] = 0x7FC0
    words[rows // 3 : rows // 2] = words[rows // 3]
    return words


def same(one: Evidence, other: Evidence) -> bool:
    """Whether two have counted the same, of what is still alive."""
    own = all(
        np.array_equal(getattr(one, name), getattr(other, name))
        for name in ("answers", "rows", "turned", "flips", "carries", "restless")
    )
    for reading in READINGS:
        alive = one.alive(reading)
        if not np.array_equal(alive, other.alive(reading)):
            return False
        if not alive.any():
            continue
        a, b = one.tally(reading), other.tally(reading)
        for name in ("changes", "bends", "faults", "bursts", "wraps"):
            own &= np.array_equal(getattr(a, name)[alive], getattr(b, name)[alive])
    return own


@pytest.mark.parametrize("seed", range(3))
def test_however_answers_come_the_counts_are_the_same(seed: int) -> None:
    words = restless(seed, 210, 4)
    whole = Evidence(4)
    whole.add(words)
    one_by_one = Evidence(4)
    for row in words:
        one_by_one.add(row[None])
    cut = Evidence(4)
    for part in np.split(words, np.sort(np.random.default_rng(seed).choice(210, 20, replace=False))):
        cut.add(part)
    assert same(whole, one_by_one)
    assert same(whole, cut)


def counted(numbers: Sequence[int]) -> NDArray[np.int64]:
    """Return how often each sign and power of two comes among changes, one at a time."""
    counts = np.zeros(SYMBOLS, dtype=np.int64)
    for before, after in pairwise(numbers):
        change = after - before
        counts[2 * abs(change).bit_length() + (change < 0)] += 1
    return counts


def test_changes_are_counted_as_one_would_by_hand() -> None:
    """Two's complement, IEEE 754 and decimal digits by the struct module and Python's own numbers."""
    level = np.rint(level_mm(np.random.default_rng(3), 500) * 40).astype(np.int64) + 70_000
    level = level[np.flatnonzero(np.diff(level, prepend=-1))]  # a row that repeats the one before is not counted
    wide = [struct.pack(">I", v) for v in level.tolist()]
    words = np.array([struct.unpack(">HH", b) for b in wide], dtype=np.uint16)
    evidence = Evidence(2)
    evidence.add(words)
    rows = [0, *level.tolist()]  # the first answer is no change
    rows[0] = rows[1]
    assert np.array_equal(evidence.tally(Reading(Way.WHOLE, "high-word-first")).changes[0], counted(rows))
    floats = (level / 777).astype(np.float32).astype(np.float64)
    evidence = Evidence(2)
    evidence.add(encode(floats, "float32", "low-word-first"))
    bits = [struct.unpack(">i", struct.pack(">f", f))[0] for f in floats.tolist()]
    assert np.array_equal(evidence.tally(Reading(Way.FLOAT, "low-word-first")).changes[0], counted([bits[0], *bits]))
    short = [round(v) for v in (level % 9999).tolist()]
    evidence = Evidence(1)
    evidence.add(np.array([[int(str(v), 16)] for v in short], dtype=np.uint16))
    assert np.array_equal(evidence.tally(Reading(Way.BCD)).changes[0], counted([short[0], *short]))


def test_a_short_decimal_is_one_and_a_noisy_float_is_none() -> None:
    level = np.round(level_mm(np.random.default_rng(1), 300) / 1000, 2)
    evidence = Evidence(2)
    evidence.add(encode(level, "float32"))
    alive = [bool(evidence.alive(Reading(Way.DECIMAL, "high-word-first", d))[0]) for d in DECIMALS]
    assert alive == [False, False, True, True]
    evidence.add(encode(np.array([np.pi]), "float32"))
    assert not any(evidence.alive(Reading(Way.DECIMAL, "high-word-first", d))[0] for d in DECIMALS)


def test_a_code_is_one_only_when_it_is_jumped_to() -> None:
    """All ones and the ends of a range stand for "no value"; common practice, no source."""
    rising = np.arange(65500, 65536, dtype=np.uint16)[:, None]
    assert not fault_codes("uint16", rising).any()
    lost = np.array([[3000], [0xFFFF], [3001], [0x8000], [0x8000], [3002]], dtype=np.uint16)
    assert fault_codes("uint16", lost).tolist() == [False, True, False, True, True, False]
    assert not fault_codes("bits16", lost).any()
    assert not fault_codes("uint16", np.full((5, 1), 9999, dtype=np.uint16)).any()  # always that: a setting
    nan = encode(np.array([1.5, np.nan, np.inf, -999.0, 1.6, 3.4028235e38]), "float32", "low-word-first")
    assert fault_codes("float32-low-word-first", nan).tolist() == [False, True, True, True, False, True]
    bcd = np.array([[0x1234], [0xFFFF], [0x1235]], dtype=np.uint16)
    assert fault_codes("bcd16", bcd).tolist() == [False, True, False]


def test_faults_are_passed_over_and_counted() -> None:
    level = level_mm(np.random.default_rng(5), 400).astype(np.int64)
    level = level[np.flatnonzero(np.diff(level, prepend=-1))]
    words = level.astype(np.uint16)[:, None]
    lost = np.insert(words, 50, np.full((3, 1), 0xFFFF), axis=0)
    good, with_faults = Evidence(1), Evidence(1)
    good.add(words)
    with_faults.add(np.insert(lost, 100, 0x7FFF, axis=0))
    reading = Reading(Way.WORD)
    more = with_faults.tally(reading).changes[0] - good.tally(reading).changes[0]
    assert more[1:].sum() == 0
    assert with_faults.tally(reading).faults[0] == 4
    assert with_faults.tally(reading).bursts[0] == 4
    assert with_faults.answers == good.answers + 4


def test_a_fault_that_turns_into_another_is_counted() -> None:
    """IEEE 754 has many codes that are no number; one sensor sends one of them."""
    words = encode(np.full(40, 1.5), "float32", "low-word-first")
    words[10:20, 1] = 0xFFFF
    words[10:20, 0] = np.arange(10)
    evidence = Evidence(2)
    evidence.add(words)
    tally = evidence.tally(Reading(Way.FLOAT, "low-word-first"))
    assert (tally.bursts[0], tally.faults[0], tally.stray[0]) == (2, 10, 9)


def test_faults_of_neighbours_at_once_are_paid_for_once() -> None:
    words = encode(level_mm(np.random.default_rng(6), 400), "uint16")
    words[50:60] = words[200:230] = 0x8000
    alone, four = Evidence(1), Evidence(4)
    alone.add(words)
    four.add(words.repeat(4, axis=1))
    reading = Reading(Way.WORD)
    bursts = alone.tally(reading).bursts[0] * np.log2(alone.rows + 1)
    saved = alone.change_bits(reading)[0] - four.change_bits(reading)[0]
    assert saved == pytest.approx(bursts * 3 / 4)


def test_moves_below_the_step_of_a_fixed_point_are_counted() -> None:
    small = np.float32(0.001) * (1 + np.arange(60) * np.float32(1e-6))
    evidence = Evidence(2)
    evidence.add(encode(small.astype(np.float64), "float32"))
    tally = evidence.tally(Reading(Way.FIXED, "high-word-first"))
    assert tally.hidden[0] > 50
    assert tally.finer[0] > 50 * 10


def test_what_costs_hopelessly_more_is_given_up_at_the_first_review_only() -> None:
    random = np.random.default_rng(7)
    words = np.column_stack([1000 + np.cumsum(random.integers(-2, 3, 1100)) for _ in range(2)]).astype(np.uint16)
    words = words[np.flatnonzero((np.diff(words.astype(int), axis=0, prepend=0) != 0).any(axis=1))]
    reading = Reading(Way.WHOLE, "high-word-first")
    evidence = Evidence(2)
    evidence.add(words[:511])
    assert evidence.alive(reading)[0]
    evidence.add(words[511:])
    assert not evidence.alive(reading)[0]
    assert np.isinf(evidence.change_bits(reading)[0])
    assert np.isfinite(evidence.change_bits(Reading(Way.WORD))).all()
