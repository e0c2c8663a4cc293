"""What the answers of one poll tell about the meaning of its registers, counted as they come.

Words of consecutive answers in; counts for every way to read every register out. An answer that repeats the one
before in all registers tells no way from another, and is only counted.
"""

import numpy as np
from numpy.typing import NDArray

from sidetap.survey.evidence.codelength import Floats, Ints, binary_entropy
from sidetap.survey.evidence.tally import Tally
from sidetap.survey.evidence.ways import IN_STEPS, READINGS, TOGETHER, Reading, Rows, Way, count

Words = NDArray[np.uint16]

_HALF = 32768
_BITS = np.array([w.bit_count() for w in range(1 << 16)])
_PORTION = 1 << 15  # registers worked on at once, so that they stay in the cache
_FIRST_REVIEW = 512  # rows, then twice as many each time: by rows, so that portions don't show
_HOPELESS = 4000.0  # bits: even a hundredth of that says enough
_FLAG_BITS = 4.0  # which of 16 turned over
_FLAGS = 2.0
_STILL = 3.0
_RAW = 16.0


class Evidence:
    """Counts about a block of registers. answers: how many came; rows: how many differ from the one before.

    turned: answers in which each register changed. flips: bits that turned over in each. carries: how often
    each jumped through its end while the next (0) or the one before (1) took the carry [2, registers]; restless:
    how often that neighbour moved at other times [2, registers].
    """

    def __init__(self, registers: int) -> None:
        self.registers = registers
        self.answers = self.rows = 0
        self.turned = np.zeros(registers, dtype=np.int64)
        self.flips = np.zeros(registers, dtype=np.int64)
        self.carries = np.zeros((2, registers), dtype=np.int64)
        self.restless = np.zeros((2, registers), dtype=np.int64)
        self._tallies = {r: Tally(max(registers - r.width + 1, 0)) for r in READINGS if r.width <= registers}
        self._last: Words | None = None
        self._review = _FIRST_REVIEW

    def add(self, words: Words) -> None:
        """Take in the next answers [answers, registers], one or many."""
        rows = max(_PORTION // self.registers, 1)
        for start in range(0, len(words), rows):
            self._add(words[start : start + rows])

    def _add(self, words: Words) -> None:
        first = self._last is None
        before = words[:1] if self._last is None else self._last
        differs = (np.concatenate([before, words[:-1]]) != words).any(axis=1)
        differs[0] |= first
        own = np.flatnonzero(differs)
        weights = np.diff(own, append=len(words))
        ahead = int(own[0]) if len(own) else len(words)  # answers that repeat the last one of the portion before
        self.answers += len(words)
        if ahead:
            for tally in self._tallies.values():
                tally.repeat(slice(None), ahead)
        if not len(own):
            return
        self._last = words[-1:]
        self._count_rows(before, words[own], weights, first=first)

    def _count_rows(self, before: Words, words: Words, weights: Ints, *, first: bool) -> None:
        while len(words) >= (until := self._review - self.rows):
            self._count_some(before, words[:until], weights[:until], first=first)
            self._give_up()
            self._review *= 2
            before, words, weights, first = words[until - 1 : until], words[until:], weights[until:], False
        if len(words):
            self._count_some(before, words, weights, first=first)

    def _give_up(self) -> None:
        """Give up the ways that cost hopelessly more than reading the same registers one by one.

        The ways to follow a float are one: which of them serves best may change.
        """
        one_by_one = np.cumsum(np.append(0.0, self.change_bits(Reading(Way.WORD))))
        for together in TOGETHER:
            held = [r for r in together if r in self._tallies]
            if held:
                width = held[0].width
                most = one_by_one[width:] - one_by_one[: len(one_by_one) - width] + _HOPELESS
                hopeless = np.min([self.change_bits(r) for r in held], axis=0) > most
                for reading in held:
                    self._tallies[reading].alive[hopeless] = False

    def _count_some(self, before: Words, words: Words, weights: Ints, *, first: bool) -> None:
        self.rows += len(words)
        rows = Rows(words)
        plain = np.concatenate([before.astype(np.int64), rows.plain])
        moving = (np.diff(plain, axis=0) != 0).any(axis=0) | first
        self._count_words(plain)
        answers = int(weights.sum())
        for reading, tally in self._tallies.items():
            series = len(tally.alive)
            active = np.any([moving[place : series + place] for place in range(reading.width)], axis=0)
            still = np.flatnonzero(~active & tally.alive)
            if len(still):
                tally.stay(still, len(words), answers)
            active = np.flatnonzero(active & tally.alive)
            if len(active):
                count(reading, tally, rows, active, weights)

    def _count_words(self, plain: Ints) -> None:
        steps = np.diff(plain, axis=0)
        moved = steps != 0
        self.turned += moved.sum(axis=0)
        self.flips += _BITS[plain[1:] ^ plain[:-1]].sum(axis=0)
        jumped = np.abs(steps) > _HALF
        carry = np.where(jumped, -np.sign(steps), 0)
        for n, (mine, other) in enumerate(((slice(0, -1), slice(1, None)), (slice(1, None), slice(0, -1)))):
            self.carries[n, mine] += ((carry[:, mine] != 0) & (steps[:, other] == carry[:, mine])).sum(axis=0)
            self.restless[n, mine] += (moved[:, other] & ~jumped[:, mine]).sum(axis=0)

    def alive(self, reading: Reading) -> NDArray[np.bool_]:
        """Return where a value may start that is read so [registers - width + 1]; nowhere in too narrow a block."""
        return self._tallies[reading].alive if reading in self._tallies else np.zeros(0, dtype=np.bool_)

    def change_bits(self, reading: Reading) -> Floats:
        """Return what the changes of each value cost when read so, in bits; infinite where it can't be."""
        tally = self._tallies[reading]
        return np.where(tally.alive, tally.change_bits(self.rows, in_steps=reading.way in IN_STEPS), np.inf)

    def tally(self, reading: Reading) -> Tally:
        """Return the counts of one way."""
        return self._tallies[reading]

    def flag_bits(self) -> Floats:
        """Return what the changes of each register cost as a set of flags: when it changed, and which turned over."""
        when = binary_entropy(self.turned, np.full(self.registers, self.rows))
        bits = when + _FLAG_BITS * self.flips + 0.5 * np.log2(max(self.rows, 1)) + _FLAGS
        return np.where(self.turned > 0, bits, _STILL)

    def raw_bits(self) -> Floats:
        """Return what the changes of each register cost when every one is told raw."""
        when = binary_entropy(self.turned, np.full(self.registers, self.rows))
        bits = when + _RAW * self.turned + 0.5 * np.log2(max(self.rows, 1))
        return np.where(self.turned > 0, bits, _STILL)
