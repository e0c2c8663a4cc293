"""A bit time -> every way to read a stretch of edges at it, with its cost in nats: polarity, length, framing.

What tells the framings of one length apart is a bit that follows from the others: each character that breaks the rule
costs, and each new character costs less where there are fewer to choose from.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidetap.line.edges.bit_time import BitTime
from sidetap.line.edges.characters import STRAY, Characters, explain
from sidetap.line.edges.checks import Checks, checks
from sidetap.line.edges.measuring import measured
from sidetap.line.edges.stretch import Stretch
from sidetap.line.edges.telling import telling

FRAMINGS: dict[int, tuple[str, ...]] = {10: ("8N1", "7E1", "7O1", "7N2"), 11: ("8N2", "8E1", "8O1")}
"""By the bits from the start bit to the first stop bit that is looked at."""

_FAULT = 4.6  # nats: a character that breaks its framing's rule; one in a hundred on a line that works
_CHECKED_NATS = 60.0  # readings farther behind the best are not searched for check codes


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One way to read a stretch.

    cost: nats, for where all edges are and what the characters say. support: nats, by how much frames whose check
    code fits speak for it; 0 where nobody looked.
    """

    bit: BitTime
    framing: str
    inverted: bool
    characters: Characters
    cost: float
    support: float = 0.0

    @property
    def bits(self) -> int:
        """Bits from the start bit to the first stop bit that is looked at."""
        return next(bits for bits, framings in FRAMINGS.items() if self.framing in framings)

    @property
    def good(self) -> NDArray[np.bool_]:
        """Which characters have a high stop bit and keep the framing's rule."""
        return self.characters.whole & follows(self.characters.payload, self.framing)

    @property
    def checks(self) -> Checks:
        """The Modbus frames among the characters."""
        told = values(self.characters.payload, self.framing)
        return checks(told, self.good, self.characters.gap, int(self.framing[0]))


def follows(payload: NDArray[np.int64], framing: str) -> NDArray[np.bool_]:
    """Return which payloads, eight or nine bits between start and stop bit, keep the rule of a framing."""
    if framing == "8N1":
        return np.full(len(payload), True)
    if framing[1] == "N":  # what stands for the first of two stop bits
        high: NDArray[np.bool_] = (payload >> int(framing[0])) & 1 == 1
        return high
    kept: NDArray[np.bool_] = np.bitwise_count(payload) & 1 == (0 if framing[1] == "E" else 1)
    return kept


def values(payload: NDArray[np.int64], framing: str) -> NDArray[np.int64]:
    """Return the data bits of payloads."""
    return payload & (0xFF if framing[0] == "8" else 0x7F)


def readings(stretch: Stretch, bit: BitTime) -> list[Reading]:
    """Return all ways to read a stretch at a bit time."""
    kept, spikes = stretch.without_spikes(bit.bit_ns)
    spiked = 2 * spikes * float(STRAY + np.log(bit.bit_ns))  # or a bit time that makes spikes of bits would win
    found = []
    for inverted in (False, True):
        line = kept.seen(bit.skew_ns, inverted)
        for bits, framings in FRAMINGS.items():
            characters = explain(line, bit, bits)
            base = characters.cost + spiked
            for framing in framings:
                faults = np.count_nonzero(characters.whole & ~follows(characters.payload, framing))
                says = telling(values(characters.payload, framing), 256 if framing[0] == "8" else 128)
                found.append(Reading(bit, framing, inverted, characters, base + faults * _FAULT + says))
    return found


def measured_anew(stretch: Stretch, one: Reading) -> BitTime:
    """Return a reading's bit time by its whole characters: pauses between them can't mislead that."""
    kept, _ = stretch.without_spikes(one.bit.bit_ns)
    line = kept.seen(one.bit.skew_ns, one.inverted)
    return measured(line, one.bit, one.bits, one.characters.start_ns[one.characters.whole])[0]


def with_checks(found: list[Reading]) -> list[Reading]:
    """Return readings with what the check codes of the frames among their characters say for them."""
    near = min(one.cost for one in found) + _CHECKED_NATS
    return [replace(one, support=one.checks.nats) if one.cost <= near else one for one in found]
