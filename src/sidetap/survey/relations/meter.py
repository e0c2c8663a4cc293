"""Everything else that a power meter tells, once its first law is found; and whether all of a device is that meter.

A device's values side by side in, relations and, register by register, roles out. The laws (IEEE Std 1459, sinusoidal
case; from memory), each by phase and over all three:
  active power    P = S × power factor
  reactive power  P² + Q² = S²
  line voltage    the root of Va² + Vb² + Va·Vb where the phases are a third of a turn apart
  neutral current the root of a² + b² + c² - ab - bc - ca, alike
  energy          rises as fast as its power says
A register gets a role only where the law follows its movement; size alone is no evidence, but for three line voltages
at once and the mains frequency. Only a device all of whose values have a role is called a meter and nothing else.
"""

import math
from collections.abc import Sequence
from itertools import combinations

import numpy as np

from sidetap.survey.relations import chance
from sidetap.survey.relations.power import (
    FIT,
    FOLLOWS,
    NEAR,
    ROOT_3,
    SMALLEST_LEG,
    Law,
    Registers,
    correlations,
    decimal,
    factor,
    find_law,
    held_against,
    power_factors,
    usable,
)
from sidetap.survey.relations.relation import Relation, RelationKind, Tied
from sidetap.survey.relations.series import Floats, Sheet, occasions
from sidetap.survey.values import Device, Kind, Value

_FEWEST_OCCASIONS = 5
_FOLLOWS_ROUNDED = 0.6  # where no more is left than rounding
_ROUNDED, _ROUNDED_SIZE = 1.2, 0.002
_MAINS_HZ, _MAINS_SCALES, _MAINS_NEAR = (50.0, 60.0), (1.0, 10.0, 100.0, 1000.0), 0.01
_ENERGY_FIT = 0.02
_FEWEST_STEPS = 10  # last digits that a counter must rise by

VOLTAGE, CURRENT, FACTOR, FREQUENCY = "voltage", "current", "power factor", "mains frequency"
ACTIVE, REACTIVE, APPARENT, LINE = "active power", "reactive power", "apparent power", "line voltage"
EITHER = "active or reactive power"  # which of two, their squares don't tell


class _Roles:
    """Who has which role, and which registers are left."""

    def __init__(self, registers: Registers) -> None:
        self.registers = registers
        self.true = registers.true
        self.of: dict[int, str] = {}
        self.left = list(range(len(registers.values)))

    def give(self, role: str, *registers: int) -> None:
        for n in registers:
            self.of[n] = role
            self.left.remove(n)

    def listed(self, role: str) -> str:
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
                if ratio_off <= math.log10(1 + _ENERGY_FIT + 1 / steps) and shape_off <= _ENERGY_FIT + 1 / steps:
                    self.give(f"energy of the {name}", n)
                    found.append((n, name))
                    break
        return found


def meter(sheet: Sheet) -> list[Relation]:
    """Return what ties the registers of a three-phase meter, if the values of a device hold one."""
    registers = usable(sheet)
    law = None if registers is None else find_law(registers)
    if registers is None or law is None:
        return []
    power = _size(registers, law)
    low, high = np.quantile(power, (0.02, 0.98))
    moved = int(occasions(power[None], np.array([high - low]) / 8)[0])
    likely = chance.of_correlation(law.follows, moved, law.tried)
    if moved < _FEWEST_OCCASIONS or likely > chance.LARGEST:
        return []
    roles = _Roles(registers)
    roles.give(LINE if law.line_voltages else VOLTAGE, *law.voltages)
    roles.give(CURRENT, *law.currents)
    voltages, currents = roles.true[list(law.voltages)], np.abs(roles.true[list(law.currents)])
    if law.line_voltages:
        voltages = voltages / ROOT_3
    powers = roles.take_powers((voltages * currents).sum(axis=0), _factors(registers, law))
    _take_rest(roles, law, voltages, currents)  # before the phases: a line voltage could pass for a power factor
    for own in voltages * currents:
        roles.take_powers(own, power_factors(registers), " of a phase")
    power_registers = dict(roles.of)
    energies = roles.take_energies({APPARENT: (voltages * currents).sum(axis=0), **powers})
    hertz = roles.take_mains()
    extra = []
    if REACTIVE in powers and len(law.power) == 1:
        extra.append("the squares of active and reactive power add up to that of the apparent power")
    counters = ((registers.values[n].register, name) for n, name in energies)
    extra += [f"register {register} only rises, as fast as the {name} says" for register, name in counters]
    if hertz is not None:
        extra.append(f"register {roles.listed(FREQUENCY)} stays at {hertz} Hz")
    found = [_power(sheet.device, roles, law, power_registers, moved, likely)]
    found += [_energy(sheet.device, roles, law, n, name) for n, name in energies]
    if extra:
        found.append(_corroborated(sheet.device, roles, law, extra, likely))
    return found


def nothing_but_a_meter(device: Device, relations: Sequence[Relation]) -> str | None:
    """Return what shows that everything a device tells belongs to a power meter; None where anything may be a level.

    A value that never moved may be the level of a vessel at rest: it counts against, unless it is a text or bits,
    or a register that only ever held 0 or 1.
    """
    for relation in relations:
        if relation.kind is RelationKind.METER and relation.devices == (device.device,):
            known = {(tied.table, tied.register) for tied in relation.registers}
            if all((v.table, v.register) in known or _tells_no_quantity(v) for v in device.values):
                return relation.evidence
    return None


def _tells_no_quantity(value: Value) -> bool:
    flag = value.width == 1 and value.min is not None and value.max is not None and 0 <= value.min <= value.max <= 1
    return value.kind is Kind.TEXT or value.encoding == "bits16" or flag


def _size(registers: Registers, law: Law) -> Floats:
    """Return the power that the law gives [answers]."""
    return np.asarray(np.sqrt((registers.true[list(law.power)] ** 2).sum(axis=0)))


def _factors(registers: Registers, law: Law) -> list[int]:
    return power_factors(registers) if law.factor is None else [law.factor]


def _take_rest(roles: _Roles, law: Law, voltages: Floats, currents: Floats) -> None:
    """Give their roles to what is made of voltages and currents alone."""
    if law.line_voltages:
        roles.take_triple(VOLTAGE, (voltages[0], voltages[1], voltages[2]))
    else:
        following = np.roll(voltages, -1, axis=0)
        between = np.sqrt(voltages**2 + following**2 + voltages * following)
        roles.take_triple(LINE, (between[0], between[1], between[2]))
        roles.take("mean line voltage", between.mean(axis=0))
    roles.take("mean voltage", voltages.mean(axis=0))
    roles.take("mean current", currents.mean(axis=0))
    a, b, c = currents
    roles.take("neutral current", np.sqrt(np.maximum(a * a + b * b + c * c - a * b - b * c - c * a, 0.0)))


def _tied(device: int, roles: _Roles, of: dict[int, str]) -> tuple[Tied, ...]:
    values = roles.registers.values
    return tuple(
        Tied(device, values[n].table, values[n].register, values[n].encoding, role) for n, role in sorted(of.items())
    )


def _sentence(roles: _Roles, law: Law) -> str:
    values = roles.registers.values
    volts, amperes = (", ".join(str(values[n].register) for n in t) for t in (law.voltages, law.currents))
    factor = "" if law.factor is None else f" × power factor (register {values[law.factor].register})"
    root = " / √3" if law.line_voltages else ""
    if len(law.power) == 2:
        power = f"root of the added squares of registers {' and '.join(str(values[n].register) for n in law.power)}"
    else:
        power = f"{roles.of.get(law.power[0], 'power')} in register {values[law.power[0]].register}"
    return (
        f"the sum of voltage (registers {volts}) × current (registers {amperes}){factor}{root} gives the "
        f"{power} within {max(law.misfit, 1e-4):.2%}"
    )


def _power(device: int, roles: _Roles, law: Law, of: dict[int, str], moved: int, likely: float) -> Relation:
    power = _size(roles.registers, law)
    low, high = np.quantile(power, (0.02, 0.98))
    sentence = _sentence(roles, law)
    return Relation(
        RelationKind.POWER,
        _tied(device, roles, of),
        f"Device {device} holds the numbers of a three-phase power meter.",
        f"{sentence[0].upper()}{sentence[1:]}, in {len(power)} answers over which that power moved between {low:.6g} "
        f"and {high:.6g} on {moved} occasions; {len(of)} registers fit the same meter. The chance of that among the "
        f"{law.tried:,} products tried is {chance.in_words(likely)}.",
        "These registers tell nothing about levels.",
        likely,
    )


def _energy(device: int, roles: _Roles, law: Law, counter: int, name: str) -> Relation:
    series = roles.true[counter]
    values = roles.registers.values
    of = {counter: roles.of[counter]}
    of |= {n: role for n, role in roles.of.items() if name in (role, f"power in register {values[n].register}")}
    return Relation(
        RelationKind.ENERGY,
        _tied(device, roles, of),
        f"Register {values[counter].register} of device {device} counts the energy of its {name}.",
        f"It never fell in {len(series)} answers, and rose by {series[-1] - series[0]:.6g}, within "
        f"{_ENERGY_FIT:.0%} of what the {name} adds up to, all the way.",
        "It is a counter of energy and tells nothing about levels.",
        chance.LARGEST,
    )


def _corroborated(device: int, roles: _Roles, law: Law, extra: list[str], likely: float) -> Relation:
    """Return the relation that ties everything that was given a role, once more than one law holds."""
    return Relation(
        RelationKind.METER,
        _tied(device, roles, roles.of),
        f"Device {device} is a three-phase power meter.",
        "; ".join([_sentence(roles, law), *extra]),
        "Where these are all of its values, nothing in it is a level.",
        likely,
    )
