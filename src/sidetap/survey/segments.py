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

from sidetap.survey.codelength import Floats
from sidetap.survey.hypotheses import ORDER_BITS, ORDERS, Hypothesis

EVIDENCE_WEIGHTS = (1.0, 0.1, 0.01)
_OTHER_ORDER = 7.2  # bits: 1 % of a device's 32-bit values break its own order; common practice, no source
_NEVER = -1e18


@dataclass(frozen=True, slots=True)
class Partition:
    """What is thought of one block.

    probabilities: [weights of the evidence, hypotheses]. best: indices of the best partition, from left to right.
    """

    probabilities: Floats
    best: tuple[int, ...]


def partitions(blocks: Sequence[tuple[int, Sequence[Hypothesis]]]) -> list[Partition]:
    """Return the partition of each block of one device, given its number of registers and its hypotheses."""
    results = [_weighed(blocks, weight) for weight in EVIDENCE_WEIGHTS]
    return [
        Partition(np.stack([probabilities[b] for probabilities, _ in results]), results[0][1][b])
        for b in range(len(blocks))
    ]


def _weighed(
    blocks: Sequence[tuple[int, Sequence[Hypothesis]]], weight: float
) -> tuple[list[Floats], list[tuple[int, ...]]]:
    by_order = [[_sums(size, held, weight, order) for size, held in blocks] for order in ORDERS]
    totals = np.array([sum(s[1] for s in sums) - ORDER_BITS[o] for o, sums in zip(ORDERS, by_order, strict=True)])
    share = 2.0 ** np.maximum(totals - totals.max(), -1000)
    share /= share.sum()
    mixed = [np.sum([share[o] * by_order[o][b][0] for o in range(len(ORDERS))], axis=0) for b in range(len(blocks))]
    best = by_order[int(np.argmax(share))]
    return mixed, [sums[2] for sums in best]


def _sums(size: int, held: Sequence[Hypothesis], weight: float, order: str) -> tuple[Floats, float, tuple[int, ...]]:
    """Return each hypothesis' probability under a device order, log2 of the total weight, the best partition."""
    score = [
        -(h.prior_bits + weight * h.change_bits + (_OTHER_ORDER if h.order and h.order != order else 0.0))
        for h in held
    ]
    starting: list[list[int]] = [[] for _ in range(size + 1)]
    ending: list[list[int]] = [[] for _ in range(size + 1)]
    for k, h in enumerate(held):
        starting[h.start].append(k)
        ending[h.start + h.width].append(k)

    left = [_NEVER] * (size + 1)
    best = [_NEVER] * (size + 1)
    left[0] = best[0] = 0.0
    chosen = [-1] * (size + 1)
    for end in range(1, size + 1):
        left[end] = _log_sum([left[held[k].start] + score[k] for k in ending[end]])
        chosen[end] = max(ending[end], key=lambda k: best[held[k].start] + score[k])
        best[end] = best[held[chosen[end]].start] + score[chosen[end]]
    right = [_NEVER] * (size + 1)
    right[size] = 0.0
    for start in range(size - 1, -1, -1):
        right[start] = _log_sum([score[k] + right[start + held[k].width] for k in starting[start]])

    total = left[size]
    probabilities = np.array(
        [2.0 ** min(0.0, left[h.start] + score[k] + right[h.start + h.width] - total) for k, h in enumerate(held)]
    )
    path: list[int] = []
    end = size
    while end > 0:
        path.append(chosen[end])
        end = held[chosen[end]].start
    return probabilities, total, tuple(reversed(path))


def _log_sum(logs: list[float]) -> float:
    top = max(logs)
    return top + float(np.log2(sum(2.0 ** max(x - top, -1000.0) for x in logs)))
