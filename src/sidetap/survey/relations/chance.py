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
    independent numbers. Of n pairs of independent normal numbers |r| > ρ has at most the probability
    (1 - ρ²)^((n - 2) / 2): r is the cosine of an angle between random directions in n - 1 dimensions (from memory).
    """
    free = 2 * occasions - 2
    if free <= 0:
        return 1.0
    return float(min(1.0, tried * max(1 - follows**2, 0.0) ** (free / 2)))


def in_words(chance: float) -> str:
    """Return a chance as "less than one in ...", rounded to the careful side.

    >>> in_words(0.00004)
    'less than one in 10,000'
    """
    parts = 10 ** min(12, max(0, math.floor(-math.log10(max(chance, _SMALLEST)))))
    return f"less than one in {parts:,}"
