"""Which register of a power meter is what, once its first law is found.

Values of a device and predictions of what a meter computes in, roles out, register by register. A register gets a
role only where it follows what is predicted, in size and in movement; size alone is no evidence, but for three line
voltages at once and the mains frequency. Each register gets one role at most.
"""

import math
from itertools import combinations

import numpy as np

from sidetap.survey.relations.power import (
    FIT,
    FOLLOWS,
    NEAR,
    SMALLEST_LEG,
    Registers,
    correlations,
    decimal,
    factor,
    held_against,
)
from sidetap.survey.relations.series import Floats

_FOLLOWS_ROUNDED = 0.6  # where no more is left than rounding
_ROUNDED, _ROUNDED_SIZE = 1.2, 0.002
_MAINS_HZ, _MAINS_SCALES, _MAINS_NEAR = (50.0, 60.0), (1.0, 10.0, 100.0, 1000.0), 0.01
ENERGY_FIT = 0.02
_FEWEST_STEPS = 10  # last digits that a counter must rise by

VOLTAGE, CURRENT, FACTOR, FREQUENCY = "voltage", "current", "power factor", "mains frequency"
ACTIVE, REACTIVE, APPARENT, LINE = "active power", "reactive power", "apparent power", "line voltage"
EITHER = "active or reactive power"  # which of two, their squares don't tell


class Roles:
    """Who has which role, and which registers are left."""

    def __init__(self, registers: Registers) -> None:
        self.registers = registers
        self.true = registers.true
        self.of: dict[int, str] = {}
        self.left = list(range(len(registers.values)))

    def give(self, role: str, *registers: int) -> None:
        """Give a role to registers that have none."""
        for n in registers:
            self.of[n] = role
            self.left.remove(n)

    def listed(self, role: str) -> str:
        """Return the addresses of the registers that have a role."""
        return ", ".join(str(self.registers.values[n].register) for n, r in sorted(self.of.items()) if r == role)

    def take(self, role: str, predicted: Floats) -> bool:
        """Give a role to the registers that follow a prediction (kW and W are two); return whether any does."""
        fits = self._fitting(predicted)
        self.give(role, *fits)
        return bool(fits)

    def _fitting(self, predicted: Floats) -> list[int]:
        """Return the registers that are what is predicted, but for a power of ten, and move as it does."""
        if not self.left or not predicted.any():
            return []
        seen = np.abs(self.true[self.left])
        follows = correlations(predicted[None], seen)[0]
        ratio, misfit = held_against(predicted[None], seen)
        with np.errstate(all="ignore"):
            off = np.abs(seen - (10.0 ** np.rint(np.log10(ratio)))[:, None] * predicted)
        rounded = _ROUNDED * self.registers.rounding[self.left] + _ROUNDED_SIZE * np.median(seen, axis=1)
        close = (follows >= FOLLOWS) | ((follows >= _FOLLOWS_ROUNDED) & (np.quantile(off, 0.95, axis=1) <= rounded))
        return [n for n, fits in zip(self.left, close & decimal(ratio) & (misfit <= FIT), strict=True) if fits]

    def take_powers(self, apparent: Floats, factors: list[int], of: str = "") -> dict[str, Floats]:
        """Give their roles to power factor, active and reactive power; return what is predicted of the latter two."""
        self.take(APPARENT + of, apparent)
        for n in [n for n in factors if n in self.left]:
            active = apparent * factor(self.registers, n)
            self.left.remove(n)
            found = self.take(ACTIVE + of, active)
            self.left.append(n)
            if found:
                self.give(FACTOR + of, n)
                reactive = np.sqrt(np.maximum(apparent**2 - active**2, 0.0))
                return {ACTIVE: active} | ({REACTIVE: reactive} if self.take(REACTIVE + of, reactive) else {})
        return self._take_legs(apparent, of)

    def _take_legs(self, apparent: Floats, of: str) -> dict[str, Floats]:
        """Give their roles to two neighbouring registers whose squares add up to the apparent power's."""
        for first, second in combinations(sorted(self.left), 2):
            if second - first >= NEAR:
                continue
            sides = np.abs(self.true[[first, second]])
            sum_of_squares = np.sqrt((sides**2).sum(axis=0))
            follows = correlations(apparent[None], sum_of_squares[None])[0, 0]
            ratio, misfit = held_against(apparent[None], sum_of_squares[None])
            both_count = sides.std(axis=1).min() > 0 and sides.max(axis=1).min() >= SMALLEST_LEG * sides.max()
            if both_count and misfit[0] <= FIT and follows >= FOLLOWS and decimal(ratio)[0]:
                self.give(EITHER + of, first, second)
                places = (self.registers.values[n].register for n in (first, second))
                return {f"power in register {place}": side for place, side in zip(places, sides, strict=True)}
        return {}

    def take_triple(self, role: str, predicted: tuple[Floats, Floats, Floats]) -> None:
        """Give a role to three registers an equal stride apart, each within 1 % of its prediction's size.

        Three at once, in a row, at the right size: that is evidence even where sampling hides how they follow.
        """
        place = {(v.table, v.register): n for n, v in enumerate(self.registers.values) if n in self.left}
        sizes = [float(np.median(p)) for p in predicted]
        for (table, register), first in place.items():
            for stride in range(1, 25):
                triple = [first, *(place.get((table, register + k * stride), -1) for k in (1, 2))]
                if min(triple) < 0:
                    continue
                ratio = np.median(np.abs(self.true[triple]), axis=1) / sizes
                steady = (self.true[triple].std(axis=1) < 0.06 * np.abs(self.true[triple].mean(axis=1))).all()
                if steady and decimal(ratio).all() and np.ptp(np.log(ratio)) < FIT:
                    self.give(role, *triple)
                    return

    def take_mains(self) -> int | None:
        """Give its role to the register that stays at 50 or 60 Hz, and moves a little; return the frequency."""
        for n in self.left:
            for hertz in _MAINS_HZ:
                for scale in _MAINS_SCALES:
                    if np.abs(self.true[n] / (hertz * scale) - 1).max() <= _MAINS_NEAR:
                        self.give(FREQUENCY, n)
                        return round(hertz)
        return None

    def take_energies(self, powers: dict[str, Floats]) -> list[tuple[int, str]]:
        """Give their roles to counters that rise as a power says; return each with that power."""
        t_s = self.registers.t_s
        if t_s is None or len(t_s) < 2 or t_s[-1] <= t_s[0]:
            return []
        found = []
        for n in list(self.left):
            series = self.true[n]
            rise = float(series[-1] - series[0])
            steps = rise / max(2 * self.registers.rounding[n], 1e-300)
            if (np.diff(series) < 0).any() or steps < _FEWEST_STEPS:
                continue
            for name, power in powers.items():
                used = np.concatenate([[0.0], np.cumsum((power[1:] + power[:-1]) / 2 * np.diff(t_s))])
                if not used[-1] > 0:
                    continue
                exponent = math.log10(rise / used[-1] * 3.6)  # a joule is 1 / 3.6 of a thousandth of a watt-hour
                ratio_off = abs(exponent - round(exponent))
                shape_off = float(np.abs((series - series[0]) / rise - used / used[-1]).max())
                if ratio_off <= math.log10(1 + ENERGY_FIT + 1 / steps) and shape_off <= ENERGY_FIT + 1 / steps:
                    self.give(f"energy of the {name}", n)
                    found.append((n, name))
                    break
        return found
