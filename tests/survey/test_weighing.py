"""Prices and partitions against slow second ways of working them out."""

import math
from collections.abc import Iterator, Sequence

import numpy as np
import pytest
from survey_lines import device_block, encode, level_mm

from sidetap.line import decode_array
from sidetap.survey.values.codelength import residual_bits
from sidetap.survey.values.hypotheses import ORDER_BITS, ORDERS, Hypothesis, hypotheses, pairs
from sidetap.survey.values.segments import EVIDENCE_WEIGHTS, partitions


def price_of(residuals: Sequence[int], width: int) -> float:
    """Return the bits of residuals by the three laws of `codelength`, one number at a time."""
    n = len(residuals)
    table = 0.5 * math.log2(n + 1)
    kinds: dict[tuple[int, bool], int] = {}
    for r in residuals:
        kind = (abs(r).bit_length(), r < 0)
        kinds[kind] = kinds.get(kind, 0) + 1
    entropy = n * math.log2(n) - sum(k * math.log2(k) for k in kinds.values())
    raw = sum(max(abs(r).bit_length() - 1, 0) for r in residuals)
    buckets = entropy + table * (len(kinds) - 1) + 3 * len(kinds) + raw
    moved, up = sum(r != 0 for r in residuals), sum(r > 0 for r in residuals)

    def which(k: int, whole: int) -> float:
        return 0.0 if k in (0, whole) else -(k * math.log2(k / whole) + (whole - k) * math.log2((whole - k) / whole))

    mean = sum(map(abs, residuals)) / moved if moved else 1.0
    each = math.log2(mean) + (mean - 1) * math.log2(mean / (mean - 1)) if mean > 1 else 0.0
    geometric = which(moved, n) + moved * each + which(up, moved) + 3 * table + 3
    return min(buckets, geometric, which(moved, n) + moved * width + table)


@pytest.mark.parametrize("size", [1, 3, 900, 2**20, 2**40])
def test_residuals_cost_what_the_laws_say(size: int) -> None:
    random = np.random.default_rng(size)
    columns = random.integers(-size, size + 1, (200, 5))
    columns[:, 0] = 0
    columns[:, 1] = np.abs(columns[:, 1])
    columns[random.random(200) < 0.5, 2] = 0
    columns[:3, 3] = [size, -size, 2 ** (size.bit_length() - 1)]
    expected = [price_of(column.tolist(), 32) for column in columns.T]
    assert residual_bits(columns, 32) == pytest.approx(expected)


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
    blocks = [(b.shape[1], hypotheses(b)) for b in (words[:, :3], words[:, 1:5])]
    found = partitions(blocks)
    for w, weight in enumerate(EVIDENCE_WEIGHTS):
        weights = []  # by order: of all partitions of each block, and of those with each hypothesis
        for order in ORDERS:
            by_block = []
            for size, held in blocks:
                score = [
                    -(h.prior_bits + weight * h.change_bits + 7.2 * bool(h.order and h.order != order)) for h in held
                ]
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


def test_pairs_are_decoded_two_by_two() -> None:
    words = np.random.default_rng(1).integers(0, 65536, (50, 4)).astype(np.uint16)
    for encoding in ("uint32-low-word-first", "float32-high-word-first-swapped"):
        side_by_side = [decode_array(encoding, words[:, j : j + 2]) for j in range(3)]
        assert np.array_equal(pairs(words, encoding), np.column_stack(side_by_side), equal_nan=True)


def test_fewer_answers_are_coded_on_request_and_say_the_same() -> None:
    level = level_mm(np.random.default_rng(4), 8000)
    words = np.column_stack([encode(level / 1000, "float32", "low-word-first"), encode(level, "uint16")])
    for most in (512, 4096):
        held = hypotheses(words, most)
        (partition,) = partitions([(3, held)])
        assert [held[k].encoding for k in partition.best] == ["float32-low-word-first", "uint16"]
    few, many = (
        max(h.change_bits for h in hypotheses(words, most) if h.encoding == "uint16") for most in (512, 4096)
    )
    assert few < many / 4
