"""Which made-up devices are judged: a case names a device wholly, so that any one can be made again.

Numbers in, devices out. Cases take turns in length and scenario; what is left is up to the random generator, which
starts anew for each case from its seed and number.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from registers import apart, ours
from registers.form import Unit

Generator = Literal["ours", "apart"]
GENERATORS: tuple[Generator, ...] = get_args(Generator)

DURATIONS_S = (600, 3600, 28_800)
_SCENARIOS: tuple[ours.Scenario, ...] = get_args(ours.Scenario)
_PERIODS_S = (0.5, 1.0, 2.0, 5.0)
_FEWEST_PERIODS_S = {28_800: 2.0}  # a line that is recorded for a shift is polled no faster


@dataclass(frozen=True, slots=True)
class Case:
    """One device and its record. seed, number: where its random generator starts."""

    generator: Generator
    seed: int
    number: int
    duration_s: int
    period_s: float
    scenario: ours.Scenario
    faults: bool

    @property
    def name(self) -> str:
        """What finds it again: generator, seed and number, "faulty" where codes for "no value" come."""
        return f"{self.generator} {self.seed}/{self.number}{' faulty' if self.faults else ''}"

    def unit(self) -> Unit:
        """Make the device; scenarios are an idea of the first generator alone."""
        random = np.random.default_rng([self.seed, self.number])
        length = {"duration_s": self.duration_s, "period_s": self.period_s}
        if self.generator == "ours":
            return ours.unit(random, **length, faults=self.faults, scenario=self.scenario)
        return apart.unit(random, **length, faults=self.faults)


def cases(
    generator: Generator, seed: int, count: int, *, faults: bool, durations_s: tuple[int, ...] = DURATIONS_S
) -> Iterator[Case]:
    """Yield cases of one generator, always the same ones for a seed."""
    for number in range(count):
        yield case(generator, seed, number, faults=faults, durations_s=durations_s)


def case(
    generator: Generator, seed: int, number: int, *, faults: bool, durations_s: tuple[int, ...] = DURATIONS_S
) -> Case:
    """Return the case of a number."""
    duration_s = durations_s[number % len(durations_s)]
    scenario = _SCENARIOS[number // len(durations_s) % len(_SCENARIOS)]
    period_s = float(np.random.default_rng([seed, number, 1]).choice(_PERIODS_S))
    period_s = max(period_s, _FEWEST_PERIODS_S.get(duration_s, 0.0))
    return Case(generator, seed, number, duration_s, period_s, scenario, faults)
