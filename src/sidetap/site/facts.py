"""A fact of a promise, as people write it ("T1 below 1.0 m") -> a ``Fact`` of the model.

Only its form is looked at; whether there is such a thing, and whether that can be said of it, is for ``checks``.
"""

from __future__ import annotations

from difflib import get_close_matches

from sidetap.quantity import Dimension, Rounding, parse_quantity, round_fraction
from sidetap.site.keys import ABOVE, BELOW, FACT_STATES
from sidetap.site.model import Fact

STATES = tuple(dict.fromkeys(state for states in FACT_STATES.values() for state in states))
HIGHEST_01MM = 300_000  # of any level in a site file
_LIKE = '"T1 below 1.0 m"'


class NoFact(ValueError):
    """A text that is no fact: what is wrong with it, and what to do."""

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(problem)
        self.problem, self.remedy = problem, remedy


def parse_fact(text: str) -> Fact:
    """Return the fact that a text tells; NoFact where it tells none."""
    tag, state, level = [*text.split(None, 2), "", "", ""][:3]
    if not state:
        raise NoFact("no fact", f'Write "TAG STATE", like "HC-B off" or {_LIKE}.')
    if state not in STATES:
        near = get_close_matches(state[:40].casefold(), STATES, 1, 0.75)
        meant = f" Did you mean {near[0]}?" if near else ""
        raise NoFact(f"{state[:40]!r} is no state of anything", f"States are {', '.join(STATES)}.{meant}")
    if state not in (BELOW, ABOVE):
        if level:
            raise NoFact(f"{level[:40]!r} after {state}", f"Write {tag} {state}; each fact is a text of its own.")
        return Fact(tag, state)
    if not level:
        raise NoFact(f"{state} what level", f"Write a length with its unit, like {_LIKE}.")
    try:
        level_01mm = parse_quantity(level, Dimension.LENGTH) * 10_000
    except ValueError as problem:
        raise NoFact(str(problem), f"Write it like {_LIKE}.") from None
    if not 0 < level_01mm <= HIGHEST_01MM:
        raise NoFact(f"{level} is outside 0.1 mm to 30 m", f"Write it like {_LIKE}.")
    return Fact(tag, state, round_fraction(level_01mm, Rounding.NEAREST))
