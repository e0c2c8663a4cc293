"""What people write down in a made-up yard: readings rounded as displays and tapes round, with people's mistakes.

A vessel and a moment in, a row of a readings file out. Times are off by up to five seconds; a mistake is a wrong
digit, swapped digits, a moved point, metres in a column of feet, or another vessel's level.
"""

from dataclasses import dataclass

import numpy as np

from registers.trial_words import Floats
from registers.trial_yards import FT_M, IN_M, NS, Vessel, Yard

CLOCK_OFF_S = 5.0
DIP_NOISE_M = 0.003
CLEAR_S = 15.0


@dataclass(frozen=True, slots=True)
class Format:
    """How a person writes a value down. size_m: metres in a unit, of lengths; step: of the last digit, in units."""

    unit: str
    step: float
    size_m: float | None = None


LENGTHS = (
    Format("ft", 0.1, FT_M),
    Format("ft", 0.01, FT_M),
    Format("in", 1.0, IN_M),
    Format("ft-in", 1 / 12, FT_M),
    Format("m", 0.01, 1.0),
    Format("m", 0.001, 1.0),
    Format("cm", 1.0, 0.01),
    Format("mm", 1.0, 0.001),
)
TAPES = (Format("mm", 1.0, 0.001), Format("m", 0.001, 1.0), Format("cm", 1.0, 0.01), Format("ft-in", 1 / 12, FT_M))


@dataclass(frozen=True, slots=True)
class Manner:
    """How one name is read: shown = level in m × scale + offset, in the format's unit; dip: at the vessel itself."""

    form: Format
    scale: float
    offset: float
    dip: bool = False

    @property
    def rounding_m(self) -> float:
        """Half of the last digit, in metres of level."""
        return abs(self.form.step / 2 / self.scale)


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a readings file, and whether a mistake is in it."""

    t_s: float  # since the start of the record, as typed
    value: str
    unit: str
    device: int | None
    dip: bool
    mistake: str = ""


def manner(random: np.random.Generator, vessel: Vessel, *, dip: bool) -> Manner:
    """Return how a vessel is read: mostly in lengths, sometimes in what its own display shows."""
    law = vessel.law
    if dip:
        form = TAPES[random.integers(len(TAPES))]
        return Manner(form, 1 / _size(form), 0.0, dip=True)
    if law.span_m and law.family == "percent" and random.random() < 0.35:
        form = Format("%", float(random.choice([1.0, 0.1, 0.1, 0.01])))
        return Manner(form, 100 / law.span_m, 0.0)
    if law.family == "pressure" and law.unit and random.random() < 0.35:
        steps = {"kPa": (0.1, 0.01), "bar": (0.001, 0.01), "psi": (0.01, 0.1)}[law.unit]
        form = Format(law.unit, float(random.choice(steps)))
        return Manner(form, law.scale, law.offset)
    form = LENGTHS[random.integers(len(LENGTHS))]
    return Manner(form, 1 / _size(form), 0.0)


def _size(form: Format) -> float:
    if form.size_m is None:
        raise ValueError(form.unit)
    return form.size_m


def written(value: float, form: Format) -> str:
    """Return a value as it is written down, rounded to the nearest."""
    if form.unit == "ft-in":
        inches = round(value * 12)
        return f"{inches // 12} ft {inches % 12} in"
    return f"{value:.{max(0, -round(np.log10(form.step)))}f}"


def level_at(vessel: Vessel, t_s: float) -> float:
    """Return a vessel's level [m] at a moment of the record [s]."""
    return float(np.interp(t_s, np.arange(len(vessel.level_m)), vessel.level_m))


def reading(random: np.random.Generator, vessel: Vessel, how: Manner, t_s: float, *, hint: int | None = None) -> Row:
    """Return a reading taken at a moment; the time typed is off by up to 5 s."""
    level = level_at(vessel, t_s)
    level += random.normal(0, DIP_NOISE_M if how.dip else vessel.display_noise_m)
    last = len(vessel.level_m) - 1.0
    typed = float(np.clip(t_s + random.uniform(-CLOCK_OFF_S, CLOCK_OFF_S), 0, last))
    value = written(level * how.scale + how.offset, how.form)
    return Row(round(typed) if random.random() < 0.7 else round(typed, 1), value, how.form.unit, hint, how.dip)


MISTAKES = ("digit", "swapped", "point", "unit", "vessel")


def mistaken(random: np.random.Generator, yard: Yard, vessel: Vessel, how: Manner, row: Row) -> Row | None:
    """Return a row with a mistake that matters: off by more than 2.5 roundings; None where none came to pass."""
    true = _number(row.value)
    for _ in range(12):
        kind = str(random.choice(MISTAKES))
        text = _changed(random, kind, yard, vessel, how, row)
        if text is None:
            continue
        off = abs(_number(text) - true)
        if off > 2.5 * (how.form.step / 2):
            return Row(row.t_s, text, row.unit, row.device, row.dip, kind)
    return None


def _changed(random: np.random.Generator, kind: str, yard: Yard, vessel: Vessel, how: Manner, row: Row) -> str | None:
    text = row.value
    digits = [n for n, c in enumerate(text) if c.isdigit()]
    if kind == "digit":
        at = digits[random.integers(len(digits))]
        return text[:at] + str(random.integers(10)) + text[at + 1 :]
    if kind == "swapped":
        pairs = [n for n in digits if n + 1 in digits and text[n] != text[n + 1]]
        if not pairs:
            return None
        at = pairs[random.integers(len(pairs))]
        return text[:at] + text[at + 1] + text[at] + text[at + 2 :]
    if kind == "point":
        if "." not in text or " " in text:
            return None
        at = text.index(".")
        moved = text.replace(".", "")
        to = at + int(random.choice([-1, 1]))
        return moved[:to] + "." + moved[to:] if 0 < to < len(moved) else moved
    if kind == "unit":
        if how.form.size_m is None or " " in text:
            return None
        other = 1.0 if how.form.unit != "m" else FT_M
        return written(_number(text) * how.form.size_m / other, how.form)
    others = [v for v in yard.vessels if v is not vessel and v.unit is not None]
    if not others:
        return None
    other_vessel = others[random.integers(len(others))]
    return written(level_at(other_vessel, row.t_s) * how.scale + how.offset, how.form)


def _number(text: str) -> float:
    if "ft" in text:
        feet, _, inches = text.partition(" ft ")
        return float(feet) + float(inches.removesuffix(" in")) / 12
    return float(text)


def table(yard: Yard, name: str, rows: list[Row]) -> str:
    """Return a readings file of one name."""
    lines = ["time_s,name,value,unit,device,tolerance,kind"]
    for row in rows:
        at = yard.start_ns / NS + row.t_s
        hint = "" if row.device is None else str(row.device)
        lines.append(f"{at:.1f},{name},{row.value},{row.unit},{hint},,{'dip' if row.dip else 'display'}")
    return "\n".join(lines) + "\n"


def calm_seconds(vessel: Vessel, start_ns: int) -> Floats:
    """Return the seconds of the record at which a display shows a level: well clear of codes for "no value"."""
    seconds = np.arange(20, len(vessel.level_m) - 20, dtype=np.float64)
    return np.asarray(seconds[to_next_code_s(vessel, start_ns, seconds) > CLEAR_S])


def to_next_code_s(vessel: Vessel, start_ns: int, seconds: Floats) -> Floats:
    """Return how far each second is from one at which the vessel's device tells no level; endless without any."""
    unit = vessel.unit
    told = [] if unit is None else [np.isnan(f.truth) for f in unit.fields if f.level_scale is not None]
    if unit is None or not np.any(told):
        return np.full(len(seconds), np.inf)
    bad = (unit.t_ns[np.any(told, axis=0)] - start_ns) / NS
    after = np.searchsorted(bad, seconds)
    sides = (bad[np.minimum(after, len(bad) - 1)], bad[np.maximum(after - 1, 0)])
    return np.asarray(np.min([np.abs(seconds - side) for side in sides], axis=0))
