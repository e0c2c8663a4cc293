"""Which partition of a device's registers into values explains their words best, and how sure that is.

Hypotheses about each block of a device in, a probability for each of them and the best partition out. All partitions
are weighed at once, exactly: with two sums over the registers, one from the left and one from the right, the weight
of all partitions that use a hypothesis is one product (forward-backward). The word order of a device is unknown but
mostly the same for all its values: the sums are made once for each order, in which values of another order cost
extra, and mixed by how well each order does over all blocks.

A plain probability of this kind is too sure of itself, because no code fits a real line. So it is computed with the
evidence of the changes taken at its full weight, at a tenth and at a hundredth, and the least of the three counts.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sidetap.survey.evidence import ORDERS
from sidetap.survey.evidence.codelength import Floats, Ints
from sidetap.survey.values.hypotheses import ORDER_BITS, Hypothesis

EVIDENCE_WEIGHTS = (1.0, 0.1, 0.01)
_OTHER_ORDER = 7.2  # bits: 1 % of a device's 32-bit values break its own order; common practice, no source
_NEVER = -1e18
_TIES = 1e-9  # of what is equally likely, the simplest


@dataclass(frozen=True, slots=True)
class Partition:
    """What is thought of one block.

    probabilities: [weights of the evidence, hypotheses]. best: indices of the best partition, from left to right.
    start, end: registers of each hypothesis; greatest: its probability at the weight that favours it.
    """

    probabilities: Floats
    best: tuple[int, ...]
    start: Ints
    end: Ints
    greatest: Floats

    def beside(self, chosen: int, least: float) -> list[int]:
        """Return the other hypotheses about registers of one, those that have at least so much probability."""
        overlaps = (self.start < self.end[chosen]) & (self.start[chosen] < self.end) & (self.greatest >= least)
        overlaps[chosen] = False
        found: list[int] = np.flatnonzero(overlaps).tolist()
        return found


def partitions(blocks: Sequence[tuple[int, Sequence[Hypothesis]]]) -> list[Partition]:
    """Return the partition of each block of one device, given its number of registers and its hypotheses."""
    sums = [_sums(size, held) for size, held in blocks]
    order_bits = np.array([ORDER_BITS[order] for order in ORDERS])
    totals = np.sum([s.total for s in sums], axis=0) - order_bits  # [weights, orders]
    share = 2.0 ** np.maximum(totals - totals.max(axis=1, keepdims=True), -1000)
    share /= share.sum(axis=1, keepdims=True)
    found = []
    for (size, held), s in zip(blocks, sums, strict=True):
        probabilities = (share[:, :, None] * s.probabilities).sum(axis=1)
        start = np.array([h.start for h in held])
        end = start + np.array([h.width for h in held])
        best = _best(size, held, probabilities.mean(axis=0))
        found.append(Partition(probabilities, best, start, end, probabilities.max(axis=0)))
    return found


def _breaks(hypothesis: Hypothesis, order: str) -> bool:
    """Whether a value is not in the device's order; digits know nothing of exchanged bytes."""
    if hypothesis.kind == "mod10k32":
        return hypothesis.order.removesuffix("-swapped") != order.removesuffix("-swapped")
    return hypothesis.order not in ("", order)


def _best(size: int, held: Sequence[Hypothesis], likely: Floats) -> tuple[int, ...]:
    """Return the partition that has the most of what is likely over all weights, register by register."""
    gain = likely * np.array([h.width for h in held]) + _TIES * np.array([-h.prior_bits for h in held])
    best, chosen = np.zeros(size + 1), np.full(size + 1, -1, dtype=np.int64)
    start = np.array([h.start for h in held])
    end = start + np.array([h.width for h in held])
    for place in range(1, size + 1):
        own = np.flatnonzero(end == place)
        ways = best[start[own]] + gain[own]
        chosen[place] = own[ways.argmax()]
        best[place] = ways.max()
    return _path(held, chosen)


@dataclass(frozen=True, slots=True)
class _Sums:
    """Of one block, for every weight of the evidence and every order of the device.

    probabilities: of each hypothesis [weights, orders, hypotheses]. total: log2 of the weight of all partitions.
    """

    probabilities: Floats
    total: Floats


def _sums(size: int, held: Sequence[Hypothesis]) -> _Sums:
    score = _scores(held)
    start = np.array([h.start for h in held])
    end = start + np.array([h.width for h in held])
    shape = (*score.shape[:2], size + 1)
    left, right = np.full(shape, _NEVER), np.full(shape, _NEVER)
    left[..., 0] = right[..., size] = 0.0
    for place in range(1, size + 1):
        own = np.flatnonzero(end == place)
        left[..., place] = _log_sum(left[..., start[own]] + score[..., own])
    for place in range(size - 1, -1, -1):
        own = np.flatnonzero(start == place)
        right[..., place] = _log_sum(score[..., own] + right[..., end[own]])
    total = left[..., size]
    likely = left[..., start] + score + right[..., end] - total[..., None]
    return _Sums(2.0 ** np.minimum(0.0, likely), total)


def _scores(held: Sequence[Hypothesis]) -> Floats:
    """Return what speaks for each hypothesis, in bits [weights, orders, hypotheses]."""
    prior = np.array([h.prior_bits for h in held])
    changes = np.array([h.change_bits for h in held])
    breaks = np.array([[_OTHER_ORDER if _breaks(h, order) else 0.0 for h in held] for order in ORDERS])
    weights = np.array(EVIDENCE_WEIGHTS)[:, None, None]
    return np.asarray(-(prior + weights * changes + breaks[None]), dtype=np.float64)


def _path(held: Sequence[Hypothesis], chosen: Ints) -> tuple[int, ...]:
    """Return the best partition from left to right."""
    path: list[int] = []
    end = len(chosen) - 1
    while end > 0:
        path.append(int(chosen[end]))
        end = held[chosen[end]].start
    return tuple(reversed(path))


def _log_sum(logs: Floats) -> Floats:
    """Return log2 of the sum along the last axis, given log2 of each."""
    top = logs.max(axis=-1)
    return np.asarray(top + np.log2((2.0 ** np.maximum(logs - top[..., None], -1000.0)).sum(axis=-1)))
