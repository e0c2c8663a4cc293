"""How far something is known, in one of few words, the same in text and report."""

from dataclasses import dataclass
from enum import StrEnum

REACH = 8.0  # a limit beyond so many times the most that was seen is told aside; common practice, no source

SIGN_LIMIT = 32768  # from here on 16 bits with a sign and without differ


class Sure(StrEnum):
    """How far; the order is that of a reader's worry."""

    NONE = "none"
    OPEN = "open"
    AMBIGUOUS = "ambiguous"
    SCALE_OPEN = "scale open"
    BELOW = "sure only below"
    SETTLED = "settled"


@dataclass(frozen=True, slots=True)
class Verdict:
    """How far it is known, and that in words."""

    sure: Sure
    words: str


SETTLED = Verdict(Sure.SETTLED, "settled")
SCALE_OPEN = Verdict(Sure.SCALE_OPEN, "register settled, scale open")


def may_reach(limit: float, most: float) -> bool:
    """Return whether a value that was as large as `most` may well come to a limit.

    >>> may_reach(65536, 43219), may_reach(32768, 205)
    (True, False)
    """
    return limit <= REACH * most
