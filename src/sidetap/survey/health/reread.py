"""Characters that make no frames -> the requests they hold if the line is set otherwise than its listener.

Never guesses a byte: a request counts only when start, stop and parity bits, its form and its check bytes all fit.

How it works. A received character tells the line's level at ten or eleven moments from its falling edge on; the
levels between two characters follow from how a receiver finds the next edge. So the characters of a wrongly set
receiver still hold the line's levels, except for how long some rests and breaks lasted. The characters are laid on
a request of the supposed settings, each length of those rests is tried, and a trial ends at the first bit that can't
be.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from sidetap.line import crc16
from sidetap.line.chunk import BREAK, GOOD, PARITY

REQUEST_BYTES = 8  # of functions 1 to 6 (MODBUS Application Protocol V1.1b3, 6.1-6.6)
_FUNCTIONS = range(1, 7)
_LAST_DEVICE = 247
_MOST_ITEMS = {1: 2000, 2: 2000, 3: 125, 4: 125}
_TRIALS_AT_ONE_PLACE = 4_000  # a place that needs more is given up
_ENOUGH = 20  # requests: more would tell nothing new
_LONGEST_REST = 12  # bits: a request has no longer rest inside, its start and stop bits see to that


@dataclass(frozen=True, slots=True)
class Supposed:
    """How the line may be set. framing as in `Settings`; inverted: against the listener."""

    framing: str
    inverted: bool

    @property
    def character_bits(self) -> int:
        """Bits of one character."""
        return 1 + int(self.framing[0]) + (self.framing[1] != "N") + int(self.framing[2])


@dataclass(frozen=True, slots=True)
class Sample:
    """Received characters in a row. letters: their flags; None where the adapter gives none."""

    data: bytes
    letters: str | None


@dataclass(frozen=True, slots=True)
class Reread:
    """What a supposition makes of a sample: requests (address and PDU) with their number, characters looked at."""

    requests: Counter[bytes]
    characters: int

    @property
    def share(self) -> float:
        """Bytes of the requests found per character looked at."""
        return REQUEST_BYTES * self.requests.total() / max(self.characters, 1)


def reread(sample: Sample, listener: str, supposed: Supposed, trials: int) -> Reread:
    """Return the requests in a sample that a receiver of framing ``listener`` made of a line set as supposed.

    trials: characters laid, before it is given up (some 100,000 a second).
    """
    return _Rereading(sample, listener, supposed).run(trials)


class _Levels(NamedTuple):
    """Levels at consecutive bits as numbers, the earliest in bit 0. known: which are told. size: how many bits."""

    known: int
    high: int
    size: int


@lru_cache(maxsize=65_536)
def _character(value: int, letter: str | None, framing: str) -> _Levels:
    """Return the levels a received character tells, from its start bit to its stop bit."""
    data_bits = int(framing[0])
    known, high, at = (1 << data_bits + 1) - 1, value << 1, data_bits + 1
    if framing[1] != "N":
        expected = value.bit_count() & 1 ^ (framing[1] == "O")
        parity = {GOOD: expected, PARITY: 1 - expected, BREAK: 0}.get(letter or "")
        known |= (parity is not None) << at
        high |= (parity or 0) << at
        at += 1
    known |= (letter is not None) << at
    high |= (letter in (GOOD, PARITY)) << at
    return _Levels(known, high, at + 1)


class _Trial(NamedTuple):
    """The bits of one request, the first start bit in bit 0. known: which are told; ones: which of them are 1."""

    known: int
    ones: int


class _Rereading:
    """One supposition, tried on a sample."""

    def __init__(self, sample: Sample, listener: str, supposed: Supposed) -> None:
        letters: list[str | None] = [None] * len(sample.data) if sample.letters is None else list(sample.letters)
        self._characters = [_character(value, letters[n], listener) for n, value in enumerate(sample.data)]
        self._inverted = supposed.inverted
        self._size = supposed.character_bits
        self._end = self._size * REQUEST_BYTES
        self._all = (1 << self._end) - 1
        self._data_bits, self._parity = int(supposed.framing[0]), supposed.framing[1]
        stop = self._data_bits + 1 + (self._parity != "N")
        ones = sum(1 << number * self._size + n for number in range(REQUEST_BYTES) for n in range(stop, self._size))
        starts = sum(1 << number * self._size for number in range(REQUEST_BYTES))
        self._empty = _Trial(starts | ones, ones)
        self._left = 0

    def run(self, trials: int) -> Reread:
        found: Counter[bytes] = Counter()
        at, spent = 0, 0
        while at < len(self._characters) and spent < trials and found.total() < _ENOUGH:
            self._left = _TRIALS_AT_ONE_PLACE
            hit = self._request_at(at)
            spent += _TRIALS_AT_ONE_PLACE - self._left
            if hit is None:
                at += 1
                continue
            request, at = hit
            found[request] += 1
        return Reread(found, at)

    def _with(self, trial: _Trial, at: int, levels: _Levels) -> _Trial | None:
        """Return the trial with levels from bit ``at`` on; None when the line can't have had them."""
        known = levels.known << at & self._all
        ones = (levels.high ^ levels.known if self._inverted else levels.high) << at & known
        if (trial.ones ^ ones) & trial.known & known:
            return None
        return _Trial(trial.known | known, trial.ones | ones)

    def _request_at(self, at: int) -> tuple[bytes, int] | None:
        """Return the request whose first seen edge is that of a character, and which character comes after it."""
        if not self._inverted:
            return self._lay(self._empty, at, 0, 0)
        for edge in range(1, self._size):  # the start bit is seen as rest, and so is each 0 of the data after it
            trial = self._with(self._empty, 0, _rest(edge, 1))
            hit = None if trial is None else self._lay(trial, at, edge, 0)
            if hit is not None:
                return hit
        return None

    def _lay(self, trial: _Trial, at: int, edge: int, done: int) -> tuple[bytes, int] | None:
        """Lay a character with its falling edge on a bit of the trial, and go on with those behind it."""
        self._left -= 1
        if self._left < 0 or at >= len(self._characters):
            return None
        levels = self._characters[at]
        laid = self._with(trial, edge, levels)
        if laid is None:
            return None
        stop = edge + levels.size - 1
        while done < REQUEST_BYTES and (done + 1) * self._size - 1 <= stop:
            value = self._byte(laid, done)
            if value is not None and not _may_be(done, value):
                return None
            done += 1
        if done == REQUEST_BYTES:
            request = self._request(laid)
            return None if request is None else (request, at + 1)
        low_or_high = levels.high >> levels.size - 1 if levels.known >> levels.size - 1 else None
        for start, follow in self._next_edges(laid, stop, low_or_high):
            hit = self._lay(follow, at + 1, start, done)
            if hit is not None:
                return hit
        return None

    def _next_edges(self, trial: _Trial, stop: int, level: int | None) -> Iterator[tuple[int, _Trial]]:
        """Yield where the next character may start, with the levels until there; level: of the stop bit."""
        if level != 1:
            yield stop, trial  # some receivers take a low stop bit for the next start
        last_rise = stop if level == 1 else min(stop + _LONGEST_REST, self._end)
        for rise in range(stop + (level == 0), last_rise + 1):  # others wait until the line has come to rest
            lows = self._with(trial, stop, _rest(rise - stop, 0))
            if lows is None:
                return
            for fall in range(rise + 1, min(rise + _LONGEST_REST, self._end) + 1):
                highs = self._with(lows, rise, _rest(fall - rise, 1))
                if highs is None:
                    break
                follow = self._with(highs, fall, _rest(1, 0))
                if follow is not None:
                    yield fall, follow

    def _byte(self, trial: _Trial, number: int) -> int | None:
        """Return a byte of the request; None where its bits are not all known, -1 where its parity can't be."""
        start = number * self._size + 1
        all_known = (1 << self._data_bits) - 1
        known, value = trial.known >> start & all_known, trial.ones >> start & all_known
        unknown = all_known ^ known
        place = start + self._data_bits
        if self._parity != "N" and trial.known >> place & 1:
            odd = (value.bit_count() + (trial.ones >> place) & 1) ^ (self._parity == "O")
            if not unknown:
                return -1 if odd else value
            if unknown.bit_count() == 1:
                return value | unknown if odd else value
        return None if unknown else value

    def _request(self, trial: _Trial) -> bytes | None:
        values = [self._byte(trial, n) for n in range(REQUEST_BYTES)]
        if any(value is None or value < 0 for value in values):
            return None
        frame = bytes(value or 0 for value in values)
        if crc16(frame[:-2]) != int.from_bytes(frame[-2:], "little"):
            return None
        most = _MOST_ITEMS.get(frame[1])
        return frame[:-2] if most is None or 1 <= int.from_bytes(frame[4:6], "big") <= most else None


@lru_cache(maxsize=256)
def _rest(size: int, level: int) -> _Levels:
    """Return so many bits of one level."""
    bits = (1 << size) - 1
    return _Levels(bits, bits * level, size)


def _may_be(place: int, value: int) -> bool:
    if place == 0:
        return 1 <= value <= _LAST_DEVICE
    return value in _FUNCTIONS if place == 1 else value >= 0
