"""Prices and partitions against slow second ways of working them out."""

import math
from collections.abc import Iterator, Sequence

import numpy as np
import pytest
from survey_lines import device_block

from sidetap.survey.answers import block_of
from sidetap.survey.evidence import ORDERS
from sidetap.survey.evidence.codelength import SYMBOLS, counted_bits, symbols
from sidetap.survey.evidence.ways import Reading, Way
from sidetap.survey.values.hypotheses import ORDER_BITS, Hypothesis, hypotheses
from sidetap.survey.values.segments import EVIDENCE_WEIGHTS, partitions


def price_of(numbers: Sequence[int]) -> float:
    """Return the bits of numbers by the law of `codelength`, one at a time."""
    n = len(numbers)
    kinds: dict[tuple[int, bool], int] = {}
    for r in numbers:
        kind = (abs(r).bit_length(), r < 0)
        kinds[kind] = kinds.get(kind, 0) + 1
    entropy = n * math.log2(n) - sum(k * math.log2(k) for k in kinds.values())
    raw = sum(max(abs(r).bit_length() - 1, 0) for r in numbers)
    return entropy + 0.5 * math.log2(n + 1) * (len(kinds) - 1) + 3 * len(kinds) + raw


@pytest.mark.parametrize("size", [1, 3, 900, 2**20, 2**40])
def test_numbers_cost_what_the_law_says(size: int) -> None:
    random = np.random.default_rng(size)
    columns = random.integers(-size, size + 1, (200, 5))
    columns[:, 0] = 0
    columns[:, 1] = np.abs(columns[:, 1])
    columns[random.random(200) < 0.5, 2] = 0
    columns[:3, 3] = [size, -size, 2 ** (size.bit_length() - 1)]
    counts = np.array([np.bincount(symbols(column), minlength=SYMBOLS) for column in columns.T])
    assert counted_bits(counts) == pytest.approx([price_of(column.tolist()) for column in columns.T])


def breaks(held: Hypothesis, order: str) -> bool:
    """Whether a value is in another order than its device; of digits only the order of words counts."""
    if held.kind == "mod10k32":
        return held.order.startswith("high") != order.startswith("high")
    return bool(held.order) and held.order != order


def every_partition(held: Sequence[Hypothesis], at: int, size: int) -> Iterator[tuple[int, ...]]:
    """Yield all ways to lay hypotheses side by side from a register on."""
    if at == size:
        yield ()
    for k, h in enumerate(held):
        if h.start == at:
            yield from ((k, *rest) for rest in every_partition(held, at + h.width, size))


@pytest.mark.parametrize("seed", range(4))
def test_partitions_weigh_as_when_each_is_looked_at(seed: int) -> None:
    words, _ = device_block(np.random.default_rng(seed), 60)
    t_ns = np.arange(60)
    parts = [block_of(1, "holding-register", 0, t_ns, part) for part in (words[:, :3], words[:, 1:5])]
    blocks = [(b.count, hypotheses(b)) for b in parts]
    found = partitions(blocks)
    for w, weight in enumerate(EVIDENCE_WEIGHTS):
        weights = []  # by order: of all partitions of each block, and of those with each hypothesis
        for order in ORDERS:
            by_block = []
            for size, held in blocks:
                score = [-(h.prior_bits + weight * h.change_bits + 7.2 * breaks(h, order)) for h in held]
                ways = [(sum(score[k] for k in way), way) for way in every_partition(held, 0, size)]
                top = max(bits for bits, _ in ways)
                whole = sum(2 ** (bits - top) for bits, _ in ways)
                part = [sum(2 ** (bits - top) for bits, way in ways if k in way) / whole for k in range(len(held))]
                by_block.append((top + math.log2(whole), part, max(ways)[1]))
            weights.append((sum(t for t, _, _ in by_block) - ORDER_BITS[order], by_block))
        top = max(total for total, _ in weights)
        share = [2 ** (total - top) for total, _ in weights]
        for b, partition in enumerate(found):
            mixed = np.sum([s * np.array(by[b][1]) for s, (_, by) in zip(share, weights, strict=True)], axis=0)
            assert partition.probabilities[w] == pytest.approx(mixed / sum(share), abs=1e-9)
            if weight == 1.0:
                best = weights[int(np.argmax(share))][1][b][2]
                assert sum(blocks[b][1][k].prior_bits for k in partition.best) == pytest.approx(
                    sum(blocks[b][1][k].prior_bits for k in best)
                )


def test_moments_shared_with_a_neighbour_are_no_evidence_for_one_number() -> None:
    """Two registers renewed at the same moments: the 32-bit reading pays for them twice, as two readings do."""
    random = np.random.default_rng(3)
    steps = np.where(random.random((400, 3)) < [[0.1, 0.1, 1.0]], random.integers(1, 4, (400, 3)), 0)
    steps[:, 1] = steps[:, 0]
    words = (5000 + np.cumsum(steps, axis=0)).astype(np.uint16)
    block = block_of(1, "holding-register", 0, np.arange(400), words)
    reading = Reading(Way.WHOLE, "high-word-first")
    (pair,) = (h for h in hypotheses(block) if h.encoding == "uint32-high-word-first" and h.start == 0)
    turned, rows = int(block.evidence.turned[0]), block.evidence.rows
    share = turned / rows
    when = -rows * (share * math.log2(share) + (1 - share) * math.log2(1 - share))
    assert pair.change_bits == pytest.approx(block.evidence.change_bits(reading)[0] + when)
