"""Lengths of runs at one level -> what the bit time may be. Knows of no characters: those decide between the answers.

How it works. On a line of characters nearly all runs are one to ten bit times long, and runs of one bit are common.
So every place where lengths crowd is tried as one, two and three bit times. A least-squares fit of length to whole
numbers of bit times follows, first over short runs, then over long ones that pin the bit time down; it also finds how
much longer low runs last than high ones (slow edges through one threshold do that). What is left over is the jitter.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_BIN = 0.05  # of the natural logarithm of a length
_CROWDS = 8  # places tried
_KEPT = 4  # bit times that characters are looked for at
_FAR = 1.0  # nats a run behind the best fit: not looked at
_SAME = 0.02  # bit times closer than this are one
_LONGEST_RUN = 9.6  # bit times: the longest run inside a character is nine
_CLEAR = 0.35  # bit times off a whole number: more is no measurement of the bit time but a disturbance
_LEAST_JITTER = 0.02  # bit times; so that a perfect capture isn't taken for infinitely sharp
_MOST_SKEW = 0.2  # bit times
_LEAST_RUNS = 4


@dataclass(frozen=True, slots=True)
class BitTime:
    """A bit time with what the fit found beside it.

    bit_ns: the bit time. skew_ns: by how much low runs are longer than their bits. jitter: of one edge, standard
    deviation in bit times. cost: how badly runs fit it, in nats, a number per run length and its jitter.
    """

    bit_ns: float
    skew_ns: float
    jitter: float
    cost: float

    @property
    def spread(self) -> float:
        """Standard deviation of the distance of two edges in bit times, as reckoned with: never quite sharp."""
        return float(np.sqrt(2.0)) * max(self.jitter, _LEAST_JITTER)


def bit_times(runs_ns: Floats, low: NDArray[np.bool_]) -> list[BitTime]:
    """Return the bit times that may be behind runs (low: which of them are at level 0), the best fit first."""
    used = runs_ns > 0
    runs_ns, low = runs_ns[used], low[used]
    if len(runs_ns) < _LEAST_RUNS:
        return []
    sign = np.where(low, 1.0, -1.0)
    fitted: list[BitTime] = []
    for crowd_ns in _crowds(runs_ns):
        for divisor in (1, 2, 3):
            fit = _fit(runs_ns, sign, crowd_ns / divisor)
            if fit is not None and all(abs(fit.bit_ns / known.bit_ns - 1) > _SAME for known in fitted):
                fitted.append(fit)
    fitted.sort(key=lambda fit: fit.cost)
    least = fitted[0].cost if fitted else 0.0
    return [fit for fit in fitted[:_KEPT] if fit.cost <= least + _FAR * len(runs_ns)]


def _crowds(runs_ns: Floats) -> Sequence[float]:
    """Return the lengths that many runs have, nearly."""
    logs = np.log(runs_ns)
    first = float(logs.min())
    bins = ((logs - first) / _BIN).astype(np.int64)
    counts = np.bincount(bins, minlength=int(bins.max()) + 1) if bins.max() < 1000 else np.bincount(bins[bins < 1000])
    smooth = np.convolve(counts, (1, 2, 3, 2, 1), mode="same")
    inner = np.concatenate(([0], smooth, [0]))
    peaks = np.flatnonzero((inner[1:-1] >= inner[:-2]) & (inner[1:-1] > inner[2:]))
    peaks = peaks[np.argsort(-smooth[peaks], kind="stable")][:_CROWDS]
    found = []
    for peak in peaks.tolist():
        near = np.abs(logs - (first + (peak + 0.5) * _BIN)) < 0.13
        found.append(float(np.median(runs_ns[near])))
    return found


def _fit(runs_ns: Floats, sign: Floats, bit_ns: float) -> BitTime | None:
    """Fit runs to whole numbers of bit times near bit_ns; None when there is nothing to fit."""
    skew_ns = 0.0
    for longest in (1.5, 3.5, 6.5, _LONGEST_RUN, _LONGEST_RUN):
        lengths = (runs_ns - skew_ns * sign) / bit_ns
        whole = np.rint(lengths)
        use = (lengths < longest) & (whole >= 1) & (np.abs(lengths - whole) < _CLEAR)
        if np.count_nonzero(use) < _LEAST_RUNS:
            continue
        n, s, x = whole[use], sign[use], runs_ns[use]
        nn, ns, ss, nx, sx = n @ n, n @ s, float(len(n)), n @ x, s @ x
        det = nn * ss - ns * ns
        if det > 0.05 * nn * ss:
            bit_ns, skew_ns = float((nx * ss - sx * ns) / det), float((nn * sx - ns * nx) / det)
        else:
            bit_ns = float(nx / nn)
        limit = _MOST_SKEW * bit_ns
        skew_ns = min(max(skew_ns, -limit), limit)
    lengths = (runs_ns - skew_ns * sign) / bit_ns
    whole = np.rint(lengths)
    short = (lengths < _LONGEST_RUN) & (lengths > 0.25)
    clear = short & (whole >= 1) & (np.abs(lengths - whole) < _CLEAR)
    if np.count_nonzero(clear) < _LEAST_RUNS:
        return None
    # the median: rests between characters are no whole number of bit times, and many
    jitter = 1.4826 * float(np.median(np.abs(lengths - whole)[clear])) / float(np.sqrt(2.0))
    bit = BitTime(bit_ns, skew_ns, jitter, 0.0)
    return replace(bit, cost=_run_cost(runs_ns, sign, bit))


def _run_cost(runs_ns: Floats, sign: Floats, bit: BitTime) -> float:
    """Return what it costs, in nats, to tell the runs one by one as whole numbers of bit times."""
    lengths = (runs_ns - bit.skew_ns * sign) / bit.bit_ns
    whole = np.clip(np.rint(lengths), 0, 11).astype(np.int64)
    share = np.log((np.bincount(whole, minlength=12) + 0.5) / (len(runs_ns) + 6.0))
    z = (lengths - np.rint(lengths)) / bit.spread
    on_grid = 0.97 * np.exp(-0.5 * z * z) / (bit.spread * np.sqrt(2 * np.pi)) + 0.03
    gap = np.log1p(np.maximum(lengths, 0.0)) + np.log(14.0)
    told = np.where(whole == 0, -np.log(0.03), np.where(whole == 11, gap, -np.log(on_grid)))
    return float((told - share[whole]).sum() + len(runs_ns) * np.log(bit.bit_ns))
