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

from collections.abc import Sequence

import numpy as np

from sidetap.survey.relations import chance
from sidetap.survey.relations.power import ROOT_3, Law, Registers, find_law, power_factors, usable
from sidetap.survey.relations.relation import Relation, RelationKind, Tied
from sidetap.survey.relations.roles import APPARENT, CURRENT, ENERGY_FIT, FREQUENCY, LINE, REACTIVE, VOLTAGE, Roles
from sidetap.survey.relations.series import Floats, Sheet, occasions
from sidetap.survey.values import Device, Kind, Status, Value

_FEWEST_OCCASIONS = 3


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
    roles = Roles(registers)
    roles.give(LINE if law.line_voltages else VOLTAGE, *law.voltages)
    roles.give(CURRENT, *law.currents)
    voltages, currents = roles.true[list(law.voltages)], np.abs(roles.true[list(law.currents)])
    if law.line_voltages:
        voltages = voltages / ROOT_3
    powers = roles.take_powers((voltages * currents).sum(axis=0), _factors(registers, law))
    _take_rest(roles, law, voltages, currents)  # before the phases: a line voltage could pass for a power factor
    for own in voltages * currents:
        roles.take_powers(own, power_factors(registers), " of a phase")
    energies = roles.take_energies({APPARENT: (voltages * currents).sum(axis=0), **powers})
    hertz = roles.take_mains()
    extra = []
    if REACTIVE in powers and len(law.power) == 1:
        extra.append("the squares of active and reactive power add up to that of the apparent power")
    counters = ((registers.values[n].register, name) for n, name in energies)
    extra += [f"register {register} only rises, as fast as the {name} says" for register, name in counters]
    if hertz is not None:
        extra.append(f"register {roles.listed(FREQUENCY)} stays at {hertz} Hz")
    counting = [_energy(sheet.device, roles, n, name) for n, name in energies]
    return [_power(sheet.device, roles, law, extra, moved, likely), *counting]


def nothing_but_a_meter(device: Device, relations: Sequence[Relation]) -> str | None:
    """Return what shows that everything a device tells belongs to a power meter; None where anything may be a level.

    A value that never moved may be the level of a vessel at rest: it counts against, unless it is surely a text
    or bits, or a register that only ever held 0 or 1.
    """
    for relation in relations:
        if relation.kind is RelationKind.METER and relation.devices == (device.device,):
            known = {(tied.table, tied.register) for tied in relation.registers}
            if all((v.table, v.register) in known or _tells_no_quantity(v) for v in device.values):
                return f"{relation.evidence[0].lower()}{relation.evidence[1:].removesuffix('.')}"  # as findings' are
    return None


def _tells_no_quantity(value: Value) -> bool:
    flag = value.width == 1 and value.min is not None and value.max is not None and 0 <= value.min <= value.max <= 1
    sure = value.status is Status.SETTLED and (value.kind is Kind.TEXT or value.encoding == "bits16")
    return sure or flag


def _size(registers: Registers, law: Law) -> Floats:
    """Return the power that the law gives [answers]."""
    return np.asarray(np.sqrt((registers.true[list(law.power)] ** 2).sum(axis=0)))


def _factors(registers: Registers, law: Law) -> list[int]:
    return power_factors(registers) if law.factor is None else [law.factor]


def _take_rest(roles: Roles, law: Law, voltages: Floats, currents: Floats) -> None:
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


def _tied(device: int, roles: Roles, of: dict[int, str]) -> tuple[Tied, ...]:
    values = roles.registers.values
    return tuple(
        Tied(device, values[n].table, values[n].register, values[n].encoding, role) for n, role in sorted(of.items())
    )


def _sentence(roles: Roles, law: Law) -> str:
    values = roles.registers.values
    volts, amperes = (", ".join(str(values[n].register) for n in t) for t in (law.voltages, law.currents))
    factor = "" if law.factor is None else f" × power factor (register {values[law.factor].register})"
    root = " / √3" if law.line_voltages else ""
    if len(law.power) == 2:
        power = f"root of the added squares of registers {' and '.join(str(values[n].register) for n in law.power)}"
    else:
        power = f"{roles.of.get(law.power[0], 'power')} in register {values[law.power[0]].register}"
    return (
        f"The sum of voltage (registers {volts}) × current (registers {amperes}){factor}{root} gives the "
        f"{power} within {max(law.misfit, 1e-4):.2%}"
    )


def _power(device: int, roles: Roles, law: Law, extra: Sequence[str], moved: int, likely: float) -> Relation:
    """Return the relation that ties all registers with a role; extra: what else speaks for a meter."""
    power = _size(roles.registers, law)
    low, high = np.quantile(power, (0.02, 0.98))
    also = f" Beside that {'; '.join(extra)}." if extra else ""
    return Relation(
        RelationKind.METER if extra else RelationKind.POWER,
        _tied(device, roles, roles.of),
        f"Device {device} holds the numbers of a three-phase power meter."
        if extra
        else f"Registers of device {device} fit together as those of a three-phase power meter do.",
        f"{_sentence(roles, law)}, in {len(power)} answers over which that power moved between {low:.6g} and "
        f"{high:.6g} on {moved} occasions.{also} The chance of the first among the {law.tried:,} products tried is "
        f"{chance.in_words(likely)}.",
        "These registers tell nothing about levels."
        if extra
        else "If it is one, they tell nothing about levels; no second law shows it.",
        likely,
    )


def _energy(device: int, roles: Roles, counter: int, name: str) -> Relation:
    series = roles.true[counter]
    values = roles.registers.values
    of = {counter: roles.of[counter]}
    of |= {n: role for n, role in roles.of.items() if name in (role, f"power in register {values[n].register}")}
    return Relation(
        RelationKind.ENERGY,
        _tied(device, roles, of),
        f"Register {values[counter].register} of device {device} counts the energy of its {name}.",
        f"It never fell in {len(series)} answers, and rose by {series[-1] - series[0]:.6g}, within "
        f"{ENERGY_FIT:.0%} of what the {name} adds up to, all the way.",
        "It is a counter of energy and tells nothing about levels.",
        chance.LARGEST,
    )
