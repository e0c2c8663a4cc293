"""Characters that make no frames -> the requests they hold if the line is set otherwise than its listener.

Never guesses a byte: a request counts only when start, stop and parity bits, its form and its check bytes all fit.

How it works. A received character tells the line's level at ten or eleven moments from its falling edge on; the
levels between two characters follow from how a receiver finds the next edge. So the characters of a wrongly set
receiver still hold the line's levels, except for how long some rests and breaks lasted. The characters are laid on a
request of the supposed settings, each length of those rests is tried, and a trial ends at the first bit that can't be.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from sidetap.line import crc16
from sidetap.line.chunk import BREAK, FRAMING, GOOD, PARITY

REQUEST_BYTES = 8  # of functions 1 to 6 (MODBUS Application Protocol V1.1b3, 6.1-6.6)
_FUNCTIONS = range(1, 7)
_LAST_DEVICE = 247
_MOST_ITEMS = {1: 2000, 2: 2000, 3: 125, 4: 125}
_TRIALS_AT_ONE_PLACE = 4_000  # a place that needs more is given up
_TRIALS = 30_000
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


def reread(sample: Sample, listener: str, supposed: Supposed) -> Reread:
    """Return the requests in a sample that a receiver of framing ``listener`` made of a line set as supposed."""
    return _Rereading(sample, listener, supposed).run()


@lru_cache(maxsize=65_536)
def _levels(value: int, letter: str | None, framing: str) -> tuple[int | None, ...]:
    """Return the levels a character tells, from its start bit to its stop bit; None: untold."""
    bits: list[int | None] = [0, *(value >> n & 1 for n in range(int(framing[0])))]
    if framing[1] != "N":
        expected = value.bit_count() & 1 ^ (framing[1] == "O")
        bits.append({GOOD: expected, PARITY: 1 - expected, BREAK: 0}.get(letter or "", None))
    bits.append(None if letter is None else int(letter not in (FRAMING, BREAK)))
    return tuple(bits)


class _Trial:
    """The bits of one request as far as they are known, by their place from its first start bit on."""

    __slots__ = ("_bits", "_supposed", "end", "size")

    def __init__(self, supposed: Supposed, bits: dict[int, int]) -> None:
        self._supposed = supposed
        self._bits = bits
        self.size = supposed.character_bits
        self.end = self.size * REQUEST_BYTES

    def set(self, place: int, level: int) -> bool:
        """Note a level; False when the line can't have had it there."""
        if place >= self.end:
            return True
        bit = level ^ self._supposed.inverted
        within = place % self.size
        if within == 0:
            return bit == 0
        if within > int(self._supposed.framing[0]) + (self._supposed.framing[1] != "N"):
            return bit == 1
        return self._bits.setdefault(place, bit) == bit

    def copy(self) -> "_Trial":
        return _Trial(self._supposed, self._bits.copy())

    def byte(self, number: int) -> int | None:
        """Return a byte of the request; None where its bits are not all known, -1 where its parity can't be."""
        start = number * self.size + 1
        data_bits = int(self._supposed.framing[0])
        bits = [self._bits.get(start + n) for n in range(data_bits)]
        unknown = [n for n, bit in enumerate(bits) if bit is None]
        parity = self._supposed.framing[1]
        if parity != "N":
            sent = self._bits.get(start + data_bits)
            due = sum(bit or 0 for bit in bits) & 1 ^ (parity == "O")
            if sent is not None and not unknown and sent != due:
                return -1
            if sent is not None and len(unknown) == 1:
                bits[unknown.pop()] = due ^ sent
        return None if unknown else sum((bit or 0) << n for n, bit in enumerate(bits))


class _Rereading:
    def __init__(self, sample: Sample, listener: str, supposed: Supposed) -> None:
        letters: list[str | None] = [None] * len(sample.data) if sample.letters is None else list(sample.letters)
        self._characters = [_levels(value, letters[n], listener) for n, value in enumerate(sample.data)]
        self._supposed = supposed
        self._left = 0

    def run(self) -> Reread:
        found: Counter[bytes] = Counter()
        at, spent = 0, 0
        while at < len(self._characters) and spent < _TRIALS and found.total() < _ENOUGH:
            self._left = _TRIALS_AT_ONE_PLACE
            hit = self._request_at(at)
            spent += _TRIALS_AT_ONE_PLACE - self._left
            if hit is None:
                at += 1
                continue
            request, at = hit
            found[request] += 1
        return Reread(found, at)

    def _request_at(self, at: int) -> tuple[bytes, int] | None:
        """Return the request whose first seen edge is that of a character, and which character comes after it."""
        trial = _Trial(self._supposed, {})
        if not self._supposed.inverted:
            return self._lay(trial, at, 0, 0)
        for edge in range(1, trial.size):  # the start bit is seen as rest, and so is each 0 of the data after it
            if not trial.set(edge - 1, 1):
                return None
            hit = self._lay(trial.copy(), at, edge, 0)
            if hit is not None:
                return hit
        return None

    def _lay(self, trial: _Trial, at: int, edge: int, done: int) -> tuple[bytes, int] | None:
        """Lay a character with its falling edge on a bit of the trial, and go on with those behind it."""
        self._left -= 1
        if self._left < 0 or at >= len(self._characters):
            return None
        levels = self._characters[at]
        for n, level in enumerate(levels):
            if level is not None and not trial.set(edge + n, level):
                return None
        stop = edge + len(levels) - 1
        while done < REQUEST_BYTES and (done + 1) * trial.size - 1 <= stop:
            value = trial.byte(done)
            if value is not None and not _may_be(done, value):
                return None
            done += 1
        if done == REQUEST_BYTES:
            request = _request(trial)
            return None if request is None else (request, at + 1)
        for start, follow in _next_edges(trial, stop, levels[-1]):
            hit = self._lay(follow, at + 1, start, done)
            if hit is not None:
                return hit
        return None


def _next_edges(trial: _Trial, stop: int, level: int | None) -> Iterator[tuple[int, _Trial]]:
    """Yield where the next character may start, with the levels until there; level: of the stop bit."""
    if level != 1:
        yield stop, trial.copy()  # some receivers take a low stop bit for the next start
    last_rise = stop if level == 1 else min(stop + _LONGEST_REST, trial.end)
    lows = trial.copy()
    for rise in range(stop + (level == 0), last_rise + 1):  # the others wait until the line has come to rest
        if rise > stop and not lows.set(rise - 1, 0):
            return
        highs = lows.copy()
        for fall in range(rise + 1, min(rise + _LONGEST_REST, trial.end) + 1):
            if not highs.set(fall - 1, 1):
                break
            follow = highs.copy()
            if follow.set(fall, 0):
                yield fall, follow


def _may_be(place: int, value: int) -> bool:
    if place == 0:
        return 1 <= value <= _LAST_DEVICE
    return value in _FUNCTIONS if place == 1 else value >= 0


def _request(trial: _Trial) -> bytes | None:
    values = [trial.byte(n) for n in range(REQUEST_BYTES)]
    if any(value is None or value < 0 for value in values):
        return None
    frame = bytes(value or 0 for value in values)
    if crc16(frame[:-2]) != int.from_bytes(frame[-2:], "little"):
        return None
    most = _MOST_ITEMS.get(frame[1], 0xFFFF)
    return frame[:-2] if most == 0xFFFF or 1 <= int.from_bytes(frame[4:6], "big") <= most else None
