"""What to read next, and why, in words, with the values to expect in the reader's unit.

What explains the readings in, one instruction out. Nothing is decided here.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sidetap.quantity import NS_PER_S
from sidetap.survey.matching.fields import Field
from sidetap.survey.matching.promises import APART, Promise
from sidetap.survey.matching.twins import Twin
from sidetap.survey.matching.weighing import Held, Weighed

SHOWN = 0.001  # rivals less probable than this are not told

_TELLING = 4.0  # noises that two levels must lie apart for one reading to tell them


@dataclass(frozen=True, slots=True)
class _Way:
    """A register and its law, as far as words need them."""

    field: Field
    scale: float
    offset: float

    def level(self, t_ns: int | None) -> float:
        """Return the level that it tells about a time, or last; NaN where none."""
        decoded = float(self.field.good[-1]) if t_ns is None else self.field.at(t_ns)[0]
        return self.scale * decoded + self.offset

    def place(self, beside: "_Way | None" = None) -> str:
        """Return where it reads; beside another way to read the same register, how."""
        words = f"device {self.field.device} register {self.field.candidate.register}"
        if beside is None or self.field.key[:3] != beside.field.key[:3]:
            return words
        if self.field is beside.field:
            return f"{words} times {self.scale:.6g}"
        return f"{words} read as {self.field.encoding}"


def instruction(
    weighed: Weighed, found: Sequence[Promise], alike: Sequence[Twin], t_ns: int | None, start_ns: int, name: str
) -> str:
    """Return what to read next for a name.

    alike: twins of the first promise. t_ns: the moment of the record that would have settled it, if any.
    """
    first = found[0]
    unit, noise = weighed.case.unit, first.noise if math.isfinite(first.noise) else first.allowed
    lead = _way(first.lead)
    other = _rival(found, alike)
    back = _back(lead, other, t_ns, start_ns, noise, weighed)
    if not first.moved:
        few = {0: "no reading that fits", 1: "one reading"}
        why = few.get(first.fitting, "readings that lie so close together")
        apart = _number(APART * noise, weighed)
        return (
            f"Read {name} again when its level has moved by {apart} {unit} or more: {why} can't tell a moving level "
            f"from one that stands still ({lead.place()} so far).{back}"
        )
    if other is None or (other.field is lead.field and not alike):
        return (
            f"Read {name} once more when its level is as high or as low as it gets: {lead.place()} is sure, how many "
            f"{unit} a count is worth is not yet.{back}"
        )
    now = _both(lead, other, None, noise, weighed)
    if now is not None:
        return f"Read {name} again now; as at the end of this record, {now}."
    both = f"{lead.place()} and {other.place(lead)}"
    if back:
        return f"Read {name} again when {both} have parted by {_number(_TELLING * noise, weighed)} {unit}.{back}"
    return (
        f"Read {name} again once {both} tell different levels: all along this record they hardly did. Or follow "
        f"the wires: which transmitter hangs at {name}?"
    )


def _way(held: Held) -> _Way:
    return _Way(held.field, held.scale, held.offset)


def _rival(found: Sequence[Promise], alike: Sequence[Twin]) -> _Way | None:
    """Return what the answer must be told from first: a twin, another register, another scale."""
    if alike:
        return _Way(*alike[0])
    others = [p.lead for p in found[1:] if p.confidence >= SHOWN]
    elsewhere = [h for h in others if h.field is not found[0].lead.field]
    return next((_way(h) for h in (*elsewhere, *others)), None)


def _back(lead: _Way, other: _Way | None, t_ns: int | None, start_ns: int, noise: float, weighed: Weighed) -> str:
    """Return what a reading in the record would have shown."""
    if t_ns is None:
        return ""
    when = f"{(t_ns - start_ns) / NS_PER_S:.0f} s into this record"
    told = None if other is None else _both(lead, other, t_ns, noise, weighed)
    if told is not None:
        return f" A reading {when} would have settled it: {told}."
    level = lead.level(t_ns)
    if math.isnan(level):
        return ""
    return f" A reading {when}, about {_number(level, weighed)} {weighed.case.unit}, would have settled it."


def _both(one: _Way, two: _Way, t_ns: int | None, noise: float, weighed: Weighed) -> str | None:
    """Return what either way expects, then or at the record's end; None where that is nearly the same."""
    mine, its = one.level(t_ns), two.level(t_ns)
    if not abs(mine - its) >= _TELLING * noise:
        return None
    unit = weighed.case.unit
    return (
        f"if it shows about {_number(mine, weighed)} {unit} it is {one.place(two)}, "
        f"if about {_number(its, weighed)} {unit} it is {two.place(one)}"
    )


def _number(value: float, weighed: Weighed) -> str:
    """Return a value to the place to which people read it."""
    places = int(np.clip(math.ceil(-math.log10(2 * weighed.case.rounding) - 1e-9), 0, 4))
    return f"{value:.{places}f}"
