"""How likely registers that have nothing to do with one another would fit so well: upper bounds, never a promise.

A count of independent occasions and a closeness in, a probability out. What was tried counts: who looks at a million
pairs finds one that fits to one in a million.
"""

import math

LARGEST = 1e-4  # a relation that chance alone brings more often, among all that were tried, is not told
_SMALLEST = 1e-12  # smaller numbers promise more than anybody knows


def of_correlation(follows: float, occasions: int, tried: int) -> float:
    """Return how likely one of so many tried pairs follows the other so closely by chance.

    follows: the correlation. Every occasion on which a series moved has a beginning and an end, and counts as two
    independent numbers; of n pairs of independent normal numbers |r| > ρ has the probability
    (1 - ρ²)^((n - 2) / 2) at most (exact for n = 4; from memory).
    """
    free = 2 * occasions - 2
    if free <= 0:
        return 1.0
    return float(min(1.0, tried * max(1 - follows**2, 0.0) ** (free / 2)))


def of_hits(hits: int, times: int, share: float, tried: int) -> float:
    """Return how likely one of so many tried pairs has at least so many hits, each with a chance of share.

    >>> round(of_hits(3, 4, 0.5, 1), 4)
    0.3125
    """
    share = min(max(share, 0.0), 1.0)
    tail = sum(math.comb(times, k) * share**k * (1 - share) ** (times - k) for k in range(hits, times + 1))
    return min(1.0, tried * tail)


def in_words(chance: float) -> str:
    """Return a chance as "less than one in ...", rounded to the careful side.

    >>> in_words(0.00004)
    'less than one in 10,000'
    """
    parts = 10 ** min(12, max(0, math.floor(-math.log10(max(chance, _SMALLEST)))))
    return f"less than one in {parts:,}"
