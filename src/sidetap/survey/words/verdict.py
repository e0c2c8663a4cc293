"""How far something is known, in one of few words, the same in text and report."""

from dataclasses import dataclass
from enum import StrEnum

REACH = 8.0  # a limit beyond so many times the most that was seen is told aside; common practice, no source

# what can't be told apart below a limit, and parts from there on
_PARTS = {
    10: "binary numbers and decimal digits (BCD) differ only there",
    10_000: "32 bits and twice four decimal digits differ only there",
    32_768: "numbers with and without a sign differ only there, and below 0",
    65_536: "one register and two, 16 bit and 32, differ only there",
}


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


def beyond(limit: float) -> str:
    """Return what differs from a limit of decoded numbers on."""
    return _PARTS[min(_PARTS, key=lambda known: abs(known - limit))]
