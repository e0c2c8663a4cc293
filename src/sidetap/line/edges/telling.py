"""What it costs to tell a row of things, in nats: the common currency of all explanations of a capture."""

from math import lgamma

import numpy as np
from numpy.typing import NDArray

_NEW = 16.0  # how many things' worth of weight stays with those not seen yet
_LENGTH_BIN = 0.1  # of the natural logarithm of a run's length


def telling(things: NDArray[np.int64], kinds: int) -> float:
    """Return what a row of things out of so many kinds costs, when those seen before get cheaper as they repeat.

    Told by their counts so far, or each as likely as any other, whichever is less; saying which costs a bit.
    """
    plain = len(things) * float(np.log(kinds))
    _, counts = np.unique(things, return_counts=True)
    each = _NEW / kinds
    repeats = lgamma(len(things) + _NEW) - lgamma(_NEW) - sum(lgamma(n + each) for n in counts.tolist())
    return min(plain, repeats + len(counts) * lgamma(each)) + float(np.log(2.0))


def telling_runs(runs_ns: NDArray[np.float64]) -> float:
    """Return what runs cost when all one knows is that some lengths are commoner: the yardstick for characters."""
    logs = np.log(np.maximum(runs_ns, 1.0))
    bins = np.floor((logs - logs.min()) / _LENGTH_BIN).astype(np.int64)
    return telling(bins, int(bins.max()) + 1) + float((logs + np.log(_LENGTH_BIN)).sum())
