"""Edges at one bit time -> the row of characters that explains them best, and what that explanation costs.

How it works. Each fall may be the start of a character: a start bit (low), then the bits from the lowest up, then a
stop bit (high), as Modbus over Serial Line V1.02, 2.5.1, draws it. Sampled in the middle of every bit, each
fall gives a payload, a verdict on the stop bit, and the next fall at which the next character may start. Which falls
are starts is then found over the whole stretch at once, by dynamic programming over a cost in nats (the negative
logarithm of a likelihood): a character costs its eight bits, an edge by how far it lies from its bit's border, a gap
by its length, an edge that nothing explains a lot. So one wrong sample, or a character that was cut at the start,
never leads the rest astray.

A line may also rest at the level of a start bit: a swapped pair on a receiver that sees rest while nobody drives.
Then a character's start is hidden in the silence before it, and each number of bits before the first rise is tried.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line.edges.bit_time import BitTime
from sidetap.line.edges.stretch import Line

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_PAYLOAD = 8 * np.log(2.0)  # nats: what a character says, while the row is looked for
_FAULT = 6.0  # nats: a stop bit that is low
_BREAK = 2.0  # nats: a line that stays low, on a line that does so
_BREAKS = 8.0  # nats: such a line
STRAY = 5.5  # nats beyond the bit time's logarithm: an edge that nothing explains
_CUT = 1.0  # the same where a character may have been cut by the start of the capture
_GAP_SPAN = np.log(14.0)  # gaps are spread over 14 powers of e
_GAP_SHARES = np.array((0.4, 0.3, 0.3))  # back to back, short pauses, rests; before a row is looked at
_OUTLIERS = 0.03  # share of edges that lie anywhere
_ASTRAY = 0.25  # bit times off a bit's border
_AT_ONCE = 1 << 15  # starts worked on together: bounds memory


@dataclass(frozen=True, slots=True, eq=False)
class Characters:
    """The characters of a stretch, in order.

    start_ns: when each starts. payload: its bits between start and stop bit, the first sent lowest.
    whole: whether its stop bit was high. gap: bit times from its end to the next start, infinite for the last.
    edges: of the stretch. strays: those that no character explains. astray: those of characters that lie far from
    the borders of bits.
    cost: nats for where all edges are; what the payloads say is not in it.
    """

    start_ns: Floats
    payload: Ints
    whole: NDArray[np.bool_]
    gap: Floats
    edges: int
    strays: int
    astray: int
    cost: float

    def __len__(self) -> int:
        return len(self.payload)


@dataclass(frozen=True, slots=True, eq=False)
class _Starts:
    """Where characters may start. own: the first edge that each uses up; first: the first edge after its start."""

    t_ns: Floats
    own: Ints
    first: Ints


def explain(line: Line, bit: BitTime, bits: int) -> Characters:
    """Return the characters of so many bits, start and first stop bit included, that explain a line best."""
    starts = _starts(line, bit.bit_ns, bits)
    count = len(starts.t_ns)
    payload, whole, broken, end, astray, cost = _read(line, bit, bits, starts)
    following = np.searchsorted(starts.t_ns, starts.t_ns + (bits - 0.5) * bit.bit_ns)
    log_bit = float(np.log(bit.bit_ns))
    own = np.append(starts.own, len(line.t_ns))
    at = np.append(starts.t_ns, np.inf)
    gap = (at[following] - starts.t_ns) / bit.bit_ns - bits
    densities = _gap_densities(gap, bit.spread)
    gap_cost = log_bit - np.log(densities @ _GAP_SHARES)
    hidden = np.append(starts.own == starts.first, False)
    hidden_follows, last = hidden[following], following == count
    # the rise that a hidden start is reckoned from lies on its bit's border by that, not by luck
    by_reckoning = np.log(bits - 1.0) - float(_edge_cost(np.zeros(1), bit.spread)[0]) - log_bit
    gap_cost = np.where(last, 0.0, gap_cost + np.where(hidden_follows, by_reckoning, 0.0))
    stray = np.maximum(own[following] - end, 0)
    accept = cost + gap_cost + stray * (STRAY + log_bit)
    accept += np.where(broken, _BREAK, _PAYLOAD + np.where(whole, 0.0, _FAULT))
    cut = at[:-1] < (line.t_ns[0] if len(line.t_ns) else 0.0) + bits * bit.bit_ns
    skip = np.diff(own) * (np.where(cut, _CUT, STRAY) + log_bit)
    best, taken = _shortest(accept, skip, following)
    chain = _chain(taken, following)
    if count:
        best += float(own[0]) * (_CUT + log_bit)
    paused = chain[~hidden_follows[chain] & ~last[chain]]
    best += _retold(densities[paused])
    kept = chain[~broken[chain]]
    best += _BREAKS if len(kept) < len(chain) else 0.0
    best -= len(kept) * float(_PAYLOAD)
    strays = len(line.t_ns) - int(np.sum(end[chain] - starts.own[chain]))
    rest = np.diff(starts.t_ns[kept], append=np.inf) / bit.bit_ns - bits
    return Characters(
        starts.t_ns[kept], payload[kept], whole[kept], rest, len(line.t_ns), strays, int(astray[kept].sum()), best
    )


def _gap_densities(gap: Floats, spread: float) -> Floats:
    """Return how likely a gap is for each habit of spacing: back to back, a pause about a bit or so, a rest."""
    rest = np.where(np.isfinite(gap), np.maximum(gap, 0.0), 0.0)
    tight = np.exp(-0.5 * (np.where(np.isfinite(gap), gap, 0.0) / spread) ** 2) / (spread * np.sqrt(2 * np.pi))
    return np.stack((tight, np.exp(-rest / 2.0) / 2.0, np.exp(-_GAP_SPAN) / (1.0 + rest)), axis=1)


def _retold(densities: Floats) -> float:
    """Return by how much the cost of gaps changes when the habits get the shares that they have in this row."""
    shares = _GAP_SHARES
    for _ in range(4):
        each = densities * shares
        counts = (each / each.sum(axis=1, keepdims=True)).sum(axis=0) + _GAP_SHARES
        shares = counts / counts.sum()
    return float(np.log(densities @ _GAP_SHARES).sum() - np.log(densities @ shares).sum())


def _starts(line: Line, bit_ns: float, bits: int) -> _Starts:
    falls = np.arange(line.first_fall, len(line.t_ns), 2)
    at = line.t_ns[falls]
    rises = falls[falls + 1 < len(line.t_ns)] + 1
    resting = rises[line.t_ns[rises] - line.t_ns[rises - 1] > (bits + 0.5) * bit_ns]
    if len(resting) == 0:
        return _Starts(at, falls, falls + 1)
    back = np.arange(1, bits)
    hidden_at = (line.t_ns[resting, None] - back * bit_ns).ravel()
    hidden = np.repeat(resting, len(back))
    at, own, first = (np.concatenate(p) for p in ((at, hidden_at), (falls, hidden), (falls + 1, hidden)))
    order = np.argsort(at, kind="stable")
    return _Starts(at[order], own[order], first[order])


def _read(
    line: Line, bit: BitTime, bits: int, starts: _Starts
) -> tuple[Ints, NDArray[np.bool_], NDArray[np.bool_], Ints, Ints, Floats]:
    """Return for each start: payload, stop bit high, all bits low, edge it ends before, edges astray, edges' cost."""
    parts = [
        _read_some(line, bit, bits, starts.t_ns[n : n + _AT_ONCE], starts.first[n : n + _AT_ONCE])
        for n in range(0, max(len(starts.t_ns), 1), _AT_ONCE)
    ]
    payload, whole, broken, end, astray, cost = (np.concatenate(column) for column in zip(*parts, strict=True))
    return payload, whole, broken, end, astray, cost


def _read_some(
    line: Line, bit: BitTime, bits: int, at: Floats, first: Ints
) -> tuple[Ints, NDArray[np.bool_], NDArray[np.bool_], Ints, Ints, Floats]:
    middles = at[:, None] + (np.arange(bits) + 0.5) * bit.bit_ns
    passed = np.searchsorted(line.t_ns, middles.ravel(), side="right").reshape(middles.shape)
    high = (passed - 1 - line.first_fall) & 1
    payload = high[:, 1:-1] @ (1 << np.arange(bits - 2))
    end = passed[:, -1]
    past_end = middles[:, -1] > (line.t_ns[-1] if len(line.t_ns) else 0.0)  # what follows is not in the capture
    whole = (high[:, -1] == 1) | past_end
    broken = (passed[:, 0] == end) & (high[:, -1] == 0)
    index = first[:, None] + np.arange(bits + 1)
    inside = index < end[:, None]
    offset = (line.t_ns[np.minimum(index, len(line.t_ns) - 1)] - at[:, None]) / bit.bit_ns
    off = offset - np.rint(offset)
    astray = (inside & (np.abs(off) > _ASTRAY)).sum(axis=1)
    cost = np.where(inside, _edge_cost(off, bit.spread), 0.0).sum(axis=1)
    cost += (end - first) * np.log(bit.bit_ns)
    cost += np.where(high[:, 0] == 1, _FAULT, 0.0)  # a spike, no start bit
    return payload, whole, broken, end, astray, cost


def _edge_cost(off: Floats, spread: float) -> Floats:
    """Return what edges cost that lie so many bit times off, when both they and their character's start jitter."""
    cost: Floats = -np.log(
        (1 - _OUTLIERS) / (spread * np.sqrt(2 * np.pi)) * np.exp(-0.5 * (off / spread) ** 2) + _OUTLIERS
    )
    return cost


def _shortest(accept: Floats, skip: Floats, following: Ints) -> tuple[float, list[bool]]:
    """Return the least cost from the first start to the end, and whether each start is taken on its best way."""
    count = len(accept)
    best = [0.0] * (count + 1)
    taken = [False] * count
    a, s, f = accept.tolist(), skip.tolist(), following.tolist()
    after = 0.0
    for n in range(count - 1, -1, -1):
        use, leave = a[n] + best[f[n]], s[n] + after
        taken[n] = use <= leave
        after = best[n] = use if use <= leave else leave
    return after, taken


def _chain(taken: list[bool], following: Ints) -> Ints:
    chain: list[int] = []
    f = following.tolist()
    n, count = 0, len(taken)
    while n < count:
        if taken[n]:
            chain.append(n)
            n = f[n]
        else:
            n += 1
    return np.array(chain, dtype=np.int64)
