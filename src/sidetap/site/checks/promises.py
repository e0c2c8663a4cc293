"""The site's own promises: whether each names things that are there, and says something that a scheme can keep."""

from __future__ import annotations

from collections import defaultdict
from itertools import combinations

from sidetap.quantity import exact_metres
from sidetap.site import model
from sidetap.site.checks.rows import Rows, nearest
from sidetap.site.keys import ABOVE, BELOW, DECIDED, FACT_STATES
from sidetap.site.rows import Row
from sidetap.site.table import names, shorten

_LISTS = ("when", "then")
_OPPOSITES = ({"on", "off"}, {"open", "closed"}, {"ticket", "no-ticket"})


def check_promises(rows: Rows) -> None:
    """Note promises about nothing, and such as no scheme can keep or break."""
    _things(rows)
    for row in rows.promises:
        if row.fine(*_LISTS) and _sound(row, rows):
            _never(row)
            _nothing_new(row)
            _decided(row)


def _facts(row: Row[model.OwnPromise]) -> list[tuple[str, int, model.Fact]]:
    lists = (("when", row.draft.when), ("then", row.draft.then))
    return [(key, member, fact) for key, facts in lists for member, fact in enumerate(facts)]


def _things(rows: Rows) -> None:
    """Require that what a fact is about is there; a thing renamed is one mistake, however often it is named."""
    lost: dict[str, list[tuple[Row[model.OwnPromise], str, int, model.Fact]]] = defaultdict(list)
    known = [tag for kind in FACT_STATES for tag in rows.found[kind]]
    if rows.misspelt & set(FACT_STATES):
        return
    for row in rows.promises:
        for key, member, fact in _facts(row) if row.fine(*_LISTS) else ():
            if fact.subject not in known:
                lost[fact.subject].append((row, key, member, fact))
    for tag, uses in lost.items():
        row, key, member, fact = uses[0]
        also = f"; named {len(uses)} times, up to line {uses[-1][0].table.line_of(uses[-1][1])}" if uses[1:] else ""
        kind = next((kind for kind, found in rows.found.items() if tag in found), "")
        if kind:
            problem, remedy = f"{tag} is a {kind}{also}", f"A fact is about one of these: {', '.join(FACT_STATES)}."
        else:
            likely = next(kind for kind, states in FACT_STATES.items() if fact.state in states)
            problem, remedy = f"no {likely} {shorten(tag)!r}{also}", nearest(tag, rows.found[likely], likely)
        row.table.error(key, problem, remedy, member)


def _sound(row: Row[model.OwnPromise], rows: Rows) -> bool:
    """Note what can't be said of a thing; return whether all can, and every thing is there."""
    sound = True
    for key, member, fact in _facts(row):
        kind = next((kind for kind in FACT_STATES if fact.subject in rows.found[kind]), None)
        unfit = None if kind is None else _unfit(fact, kind, rows)
        if unfit is not None:
            row.table.error(key, *unfit, member)
        sound = sound and kind is not None and unfit is None
    return sound


def _unfit(fact: model.Fact, kind: str, rows: Rows) -> tuple[str, str] | None:
    """Return problem and remedy of a fact that can't be so of a thing of that kind; None where it can."""
    if fact.state not in FACT_STATES[kind]:
        remedy = f"Of {fact.subject} say {' or '.join(FACT_STATES[kind])}."
        return f"{fact.subject} is a {kind}, and no {kind} is {fact.state}", remedy
    vessel = rows.vessel(fact.subject) if fact.state in (BELOW, ABOVE) else None
    if vessel is None or not vessel.fine("shape", "strapping", "datum"):
        return None
    top_01mm = vessel.draft.top_01mm
    if fact.level_01mm < top_01mm:
        return None
    problem = f"{exact_metres(fact.level_01mm)}, and {fact.subject}'s top is at {exact_metres(top_01mm)}"
    return problem, "Name a level inside the vessel."


def _never(row: Row[model.OwnPromise]) -> None:
    """Find conditions that are never so at once: such a promise would hold, and mean nothing."""
    for key in _LISTS:
        facts = [(member, fact) for k, member, fact in _facts(row) if k == key]
        for (_, one), (member, other) in combinations(facts, 2):
            if one == other:
                row.table.error(key, f"{_told(one)} stands there twice", "Name each once.", member)
            elif one.subject == other.subject and _exclude(one, other):
                problem = f"{_told(one)} and {_told(other)} are never so at once"
                remedy = "All facts of a list hold together; write two promises for two cases."
                row.table.error(key, problem, remedy, member)


def _exclude(one: model.Fact, other: model.Fact) -> bool:
    """Return whether two facts of one thing exclude each other. A bad or old level is neither below nor above."""
    states = {one.state, other.state}
    if states == {BELOW, ABOVE}:
        below, above = (one, other) if one.state == BELOW else (other, one)
        return above.level_01mm >= below.level_01mm
    return states in _OPPOSITES or bool(states & {"bad", "old"} and states & {BELOW, ABOVE})


def _nothing_new(row: Row[model.OwnPromise]) -> None:
    """Find what is promised of itself."""
    for member, fact in enumerate(row.draft.then):
        if fact in row.draft.when:
            problem = f"{_told(fact)} is its own condition"
            row.table.error("then", problem, "Leave it out of one of the lists.", member)


def _decided(row: Row[model.OwnPromise]) -> None:
    """Find what nothing decides here: a contact, a level and its quality come from outside."""
    for member, fact in enumerate(row.draft.then):
        if fact.state not in DECIDED and fact not in row.draft.when:
            problem = f"no scheme decides whether {_told(fact)}"
            remedy = f"Write it under when; what can be promised is {names(DECIDED)}."
            row.table.error("then", problem, remedy, member)


def _told(fact: model.Fact) -> str:
    level = f" {exact_metres(fact.level_01mm)}" if fact.state in (BELOW, ABOVE) else ""
    return f"{fact.subject} {fact.state}{level}"
