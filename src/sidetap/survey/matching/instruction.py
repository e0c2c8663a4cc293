"""What to read next, and why, in words, with the values to expect in the reader's unit.

What explains the readings in, one instruction out. Nothing is decided here.
"""

import math
from collections.abc import Sequence

import numpy as np

from sidetap.quantity import NS_PER_S
from sidetap.survey.matching.fields import Field
from sidetap.survey.matching.promises import APART, Promise
from sidetap.survey.matching.weighing import Held, Weighed

_TELLING = 4.0  # noises that two levels must lie apart for one reading to tell them


def instruction(weighed: Weighed, found: Sequence[Promise], t_ns: int | None, start_ns: int, name: str) -> str:
    """Return what to read next for a name; t_ns: the moment of the record that would have settled it."""
    first = found[0]
    unit = weighed.case.unit
    noise = first.noise if math.isfinite(first.noise) else first.allowed
    place = _place(first.lead)
    if not first.moved:
        few = {0: "no reading that fits", 1: "one reading"}
        why = few.get(first.fitting, "readings that lie so close together")
        apart = _number(APART * noise, weighed)
        words = (
            f"Read {name} again when its level has moved by {apart} {unit} or more: {why} can't tell a moving level "
            f"from one that stands still ({place} so far)."
        )
        return words + _back(weighed, found, t_ns, start_ns, noise)
    other = _rival(found)
    if other is None:
        words = (
            f"Read {name} once more when its level is as high or as low as it gets: {place} is sure, how many "
            f"{unit} a count is worth is not yet."
        )
        return words + _back(weighed, found, t_ns, start_ns, noise)
    now = _both(first.lead, other, None, noise, weighed)
    if now is not None:
        return f"Read {name} again now: {now}."
    back = _back(weighed, found, t_ns, start_ns, noise)
    if back:
        words = f"Read {name} again when {place} and {_place(other, first.lead)} have parted by "
        return f"{words}{_number(_TELLING * noise, weighed)} {unit} or more.{back}"
    return (
        f"Read {name} again once {place} and {_place(other, first.lead)} tell different levels: all along this "
        f"record they hardly did. Or follow the wires: which transmitter hangs at {name}?"
    )


def apart(first: Promise, alike: Sequence[tuple[Field, float, float]], name: str) -> str:
    """Return what tells twins apart: nothing in this record does."""
    places = sorted({f"device {field.device} register {field.candidate.register}" for field, _, _ in alike})
    return (
        f"Read {name} again once {_place(first.lead)} and {places[0]} tell different levels: all along this record "
        f"they rose and fell alike. Or follow the wires: which transmitter hangs at {name}?"
    )


def _rival(found: Sequence[Promise]) -> Held | None:
    """Return the explanation that the answer must be told from; None where only the scale is open."""
    first = found[0].lead
    for other in found[1:]:
        if other.lead.field is not first.field:
            return other.lead
    return None


def _back(weighed: Weighed, found: Sequence[Promise], t_ns: int | None, start_ns: int, noise: float) -> str:
    """Return what a reading in the record would have shown."""
    if t_ns is None:
        return ""
    when = f"{(t_ns - start_ns) / NS_PER_S:.0f} s into this record"
    other = _rival(found)
    told = None if other is None else _both(found[0].lead, other, t_ns, noise, weighed)
    if told is None:
        level = _at(found[0].lead, t_ns)
        if math.isnan(level):
            return ""
        return f" A reading {when}, about {_number(level, weighed)} {weighed.case.unit}, would have settled it."
    return f" A reading {when} would have settled it: {told}."


def _both(one: Held, two: Held, t_ns: int | None, noise: float, weighed: Weighed) -> str | None:
    """Return what either explanation expects, then or at the record's end; None where that is nearly the same."""
    mine, its = (_at(h, int(h.field.t_ns[-1]) if t_ns is None else t_ns) for h in (one, two))
    if not abs(mine - its) >= _TELLING * noise:
        return None
    unit = weighed.case.unit
    return (
        f"if it shows about {_number(mine, weighed)} {unit} it is {_place(one)}, "
        f"if about {_number(its, weighed)} {unit} it is {_place(two, one)}"
    )


def _at(held: Held, t_ns: int) -> float:
    decoded, _ = held.field.at(t_ns)
    return held.scale * decoded + held.offset


def _place(held: Held, beside: Held | None = None) -> str:
    """Return where an explanation reads; beside another one of the same register, by its encoding."""
    words = f"device {held.field.device} register {held.field.candidate.register}"
    if beside is not None and held.field.key[:3] == beside.field.key[:3]:
        return f"{words} read as {held.field.encoding}"
    return words


def _number(value: float, weighed: Weighed) -> str:
    """Return a value to the place to which people read it."""
    places = int(np.clip(math.ceil(-math.log10(2 * weighed.case.rounding) - 1e-9), 0, 4))
    return f"{value:.{places}f}"
