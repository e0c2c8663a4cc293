"""A day of a full line: 60 devices that answer 125 registers each, as fast as the line can carry them.

A line speed in; words and times out, an hour at a time. Registers are those of made-up devices of both generators
side by side; a few such rows of 125 serve all devices, each from another moment on: what a device costs does not
depend on its neighbours.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import cycle

import numpy as np
from numpy.typing import NDArray

from registers import apart, ours
from registers.encoding import Words

DEVICES, REGISTERS = 60, 125
DAY_S, HOUR_S = 86_400, 3600
_PATTERNS = 6
_BITS_A_CHARACTER = 11  # 8E1
_CHARACTERS = 8 + 5 + 2 * REGISTERS  # of a request and its answer (MODBUS Application Protocol V1.1b3, 6.3)
_SILENT_CHARACTERS, _SILENCE_S = 3.5, 0.00175  # the latter above 19200 baud (MODBUS over Serial Line V1.02, 2.5.1.1)
_LATE_S = 0.005  # what a device takes to answer; common practice, no source


@dataclass(frozen=True, slots=True)
class Answers:
    """What one device answered within an hour: times [answers] and words [answers, registers]."""

    device: int
    t_ns: NDArray[np.int64]
    words: Words


def cycle_s(baud: int) -> float:
    """Return how long one round of 60 polls takes, in s."""
    character_s = _BITS_A_CHARACTER / baud
    silence_s = _SILENT_CHARACTERS * character_s if baud <= 19_200 else _SILENCE_S
    return DEVICES * (_CHARACTERS * character_s + 2 * silence_s + _LATE_S)


class Day:
    """The words of a day at a line speed, made beforehand: what is measured is what is done with them."""

    def __init__(self, baud: int, seed: int) -> None:
        self.cycle_s = cycle_s(baud)
        self.rounds = int(DAY_S / self.cycle_s)
        random = np.random.default_rng(seed)
        self._patterns = [self._pattern(random) for _ in range(_PATTERNS)]

    def hours(self) -> Iterator[list[Answers]]:
        """Yield what all devices answered, hour by hour."""
        a_device_ns = round(self.cycle_s * 1e9 / DEVICES)
        each = int(HOUR_S / self.cycle_s)
        for first in range(0, self.rounds, each):
            own = np.arange(first, min(first + each, self.rounds))
            start_ns = np.rint(own * self.cycle_s * 1e9).astype(np.int64)
            yield [
                Answers(
                    n + 1, start_ns + n * a_device_ns, self._patterns[n % _PATTERNS][(own + 97 * n) % self.rounds]
                )
                for n in range(DEVICES)
            ]

    def _pattern(self, random: np.random.Generator) -> Words:
        """Return 125 registers side by side, of devices that take turns in who made them."""
        parts: list[Words] = []
        for generator in cycle((ours.unit, apart.unit)):
            words = generator(random, duration_s=DAY_S, period_s=self.cycle_s).words
            parts.append(words[np.arange(self.rounds) % len(words)])  # polls that never came are filled in
            if sum(part.shape[1] for part in parts) >= REGISTERS:
                break
        return np.ascontiguousarray(np.concatenate(parts, axis=1)[:, :REGISTERS])
