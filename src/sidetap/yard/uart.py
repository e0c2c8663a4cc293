"""Characters as bits, and a receiver that samples them: levels over time in, bytes with their flags out.

How it works. A character is a start bit (0), the data bits from the lowest up, a parity bit if there is one, and a
stop bit (1). A receiver waits for a fall, samples the middle of every bit, and looks at the stop bit. What it makes
of a line of other settings follows from that and from nothing else: bytes, parity errors, framing errors, breaks.

Levels are 0, 1 and UNDRIVEN, since what a swapped pair makes of a line that nobody drives depends on its bias.
"""

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from functools import cache
from typing import Literal, NamedTuple

NS = 1_000_000_000
UNDRIVEN = 2

GOOD, PARITY, FRAMING, BREAK = ".pfb"

Segment = tuple[int, int]
"""From this time in ns on, the line has this level."""


@dataclass(frozen=True, slots=True)
class Framing:
    """How a character is made up; ``Framing.parse("8E1")``."""

    data_bits: int
    parity: Literal["N", "E", "O"]
    stop_bits: int

    @classmethod
    def parse(cls, text: str) -> "Framing":
        """Return the framing called text, such as 8E1 or 7N2; ValueError when it is none."""
        if len(text) != 3 or text[0] not in "78" or text[1] not in "NEO" or text[2] not in "12":
            raise ValueError(f"{text!r} is not a framing such as 8E1")
        parity: Literal["N", "E", "O"] = "E" if text[1] == "E" else "O" if text[1] == "O" else "N"
        return cls(int(text[0]), parity, int(text[2]))

    @property
    def bits(self) -> int:
        """Bits of one character."""
        return 1 + self.data_bits + (self.parity != "N") + self.stop_bits


@dataclass(frozen=True, slots=True)
class LineSettings:
    """Speed and framing of those who talk on a line."""

    baud: int = 19200
    framing: Framing = field(default_factory=lambda: Framing(8, "E", 1))

    def bits_ns(self, bits: int) -> int:
        """Return how long so many bits take, rounded down to a ns."""
        return bits * NS // self.baud

    def characters_ns(self, count: int) -> int:
        """Return how long so many characters take back to back, rounded down to a ns."""
        return count * self.framing.bits * NS // self.baud

    @property
    def silence_ns(self) -> int:
        """t3.5, the silence that ends a frame (Modbus over Serial Line V1.02, 2.5.1.1): 1.75 ms above 19200 baud."""
        return 1_750_000 if self.baud > 19200 else 7 * self.framing.bits * NS // (2 * self.baud)


@dataclass(frozen=True, slots=True)
class Receiver:
    """How somebody listens.

    inverted: the pair is swapped at this receiver.
    biased: the line is held at rest by bias while nobody drives it, so that a swapped receiver sees a break; without
    bias a fail-safe receiver sees rest either way.
    after_low_stop: "wait" for the line to come to rest, or take the low stop bit for the next "start": both exist.
    """

    settings: LineSettings = field(default_factory=LineSettings)
    inverted: bool = False
    biased: bool = True
    after_low_stop: Literal["wait", "start"] = "wait"

    @property
    def rest(self) -> int:
        """The level this receiver sees while nobody drives the line."""
        return 0 if self.inverted and self.biased else 1

    @property
    def sampled_bits(self) -> int:
        """Bits from the start bit to the first stop bit; a second stop bit is not looked at."""
        framing = self.settings.framing
        return framing.bits - framing.stop_bits + 1


class Run(NamedTuple):
    """Received bytes at the pace of the line: byte i was whole at first_end_ns + i characters of the line."""

    first_end_ns: int
    data: bytes
    flags: str


@cache
def character_bits(framing: Framing) -> tuple[tuple[int, ...], ...]:
    """Return the bits of each of the 256 values, in the order in which they go over the line."""
    rows = []
    for value in range(256):
        data = [value >> n & 1 for n in range(framing.data_bits)]
        parity = {"N": [], "E": [sum(data) & 1], "O": [1 - (sum(data) & 1)]}[framing.parity]
        rows.append((0, *data, *parity, *(1,) * framing.stop_bits))
    return tuple(rows)


def receive(segments: list[Segment], receiver: Receiver) -> list[Run]:
    """Return what a receiver makes of a line that is at rest before the first and after the last segment."""
    times: list[int] = []
    levels: list[int] = []
    last = receiver.rest
    for t_ns, level in segments:
        seen = receiver.rest if level == UNDRIVEN else level ^ receiver.inverted
        if seen != last:
            times.append(t_ns)
            levels.append(seen)
            last = seen

    def level_at(t_ns: int) -> int:
        index = bisect_right(times, t_ns) - 1
        return levels[index] if index >= 0 else receiver.rest

    def next_change_to(level: int, t_ns: int) -> int | None:
        index = bisect_left(times, t_ns)
        while index < len(times) and levels[index] != level:
            index += 1
        return times[index] if index < len(times) else None

    framing, baud = receiver.settings.framing, receiver.settings.baud
    stop = receiver.sampled_bits - 1
    runs: list[Run] = []
    begin = next_change_to(0, 0) if times else None
    while begin is not None:
        bits = [level_at(begin + (2 * n + 1) * NS // (2 * baud)) for n in range(stop + 1)]
        if bits[0]:  # a spike shorter than half a bit: no character
            begin = next_change_to(0, begin + 1)
            continue
        value = sum(bit << n for n, bit in enumerate(bits[1 : 1 + framing.data_bits]))
        flag = GOOD
        if not any(bits):
            flag = BREAK
        elif not bits[stop]:
            flag = FRAMING
        elif framing.parity != "N" and bits[stop - 1] != character_bits(framing)[value][stop - 1]:
            flag = PARITY
        runs.append(Run(begin + receiver.settings.bits_ns(stop + 1), bytes((value,)), flag))
        middle_of_stop = begin + (2 * stop + 1) * NS // (2 * baud)
        if bits[stop]:
            begin = next_change_to(0, middle_of_stop)
        elif flag == FRAMING and receiver.after_low_stop == "start":
            begin += receiver.settings.bits_ns(stop)
        else:
            rest = next_change_to(1, middle_of_stop)
            begin = None if rest is None else next_change_to(0, rest)
    return runs


@cache
def shortcut(line: LineSettings, receiver: Receiver) -> tuple[bytes, bytes] | None:
    """Return what a receiver makes of each value of a clean line: tables of bytes and of flags for bytes.translate.

    None where a character may depend on its neighbours, so that the bits have to be looked at. The tables come from
    ``receive``: there is one truth.
    """
    bits = line.framing.bits
    if (
        receiver.settings.baud != line.baud
        or receiver.inverted
        or receiver.after_low_stop != "wait"
        or receiver.sampled_bits > bits  # it looks into the next character
    ):
        return None
    seen, flags = bytearray(), bytearray()
    for row in character_bits(line.framing):
        segments = [(line.bits_ns(n), bit) for n, bit in enumerate(row)] + [(line.bits_ns(bits), UNDRIVEN)]
        runs = receive(segments, receiver)
        if len(runs) != 1:  # it is done before the character is, and starts again within
            return None
        seen += runs[0].data
        flags += runs[0].flags.encode()
    return bytes(seen), bytes(flags)
