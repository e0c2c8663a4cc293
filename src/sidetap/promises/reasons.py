"""That the scheme says why, and says it rightly: a cause is named exactly while it is so.

Facts of a bay and of all that stands against it -> one promise. Causes that stand for
several things at once (the ticket's, the account's, some of the switches', the selector's) are left out: that some
cause is named when a valve closes or refuses is promised beside what must be possible.
"""

from __future__ import annotations

from collections.abc import Iterator

from sidetap.promises.bays import BayFacts
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.promises.standing import Standing
from sidetap.promises.valves import ValveFacts
from sidetap.promises.votes import votes
from sidetap.scheme.expression import Expr, all_of, any_of


def reasons_promise(scene: Scene, facts: BayFacts, standing: Standing) -> Promise:
    """Return the promise that what is said to keep a valve closed is so, and what is so is said."""
    clauses = []
    for v in facts.valves:
        named = scene.causes(v.tag)
        right = all_of(
            *(named[cause].equals(so) for cause, so in _causes(scene, facts, v, standing) if cause in named)
        )
        text = f"a cause is named against valve {v.tag} that is not so, or one that is so is not named"
        clauses.append(Clause(text, right, near=standing.near(v)))
    return Promise("reasons-right", facts.tag, tuple(clauses))


def _causes(scene: Scene, facts: BayFacts, v: ValveFacts, standing: Standing) -> Iterator[tuple[str, Expr]]:
    vessel, sharing = standing.vessels[v.valve.vessel], standing.sharing[v.tag]
    yield "close-key", facts.close
    for tag in facts.conditions:
        yield tag, ~scene.energised(tag)
    yield "panel-lost", facts.panel_lost
    yield "trip", vessel.latched & ~vessel.bypassed
    for rule in votes(scene.site):
        if facts.tag in rule.bays:
            yield rule.tag, standing.carried[rule.tag]
    yield "bad", vessel.bad
    yield "old", vessel.old
    for tag, yields in sharing.yields.items():
        yield f"{tag}-low", yields
    yield "switches", facts.contradiction
    yield "locked-out", any_of(*(o.locked_before for o in facts.valves))
    yield "not-on-ticket", ~scene.input(f"{v.tag}.on_ticket")
    yield "starting", standing.holding
    yield from standing.quiet.items()
    for tag, alone in sharing.alone.items():
        yield tag, ~alone
    for tag, enough in sharing.enough.items():
        yield tag, ~enough
    yield "vessel-locked", sharing.locked
    yield "late", vessel.late
    yield "window", ~vessel.filtered.full
    yield "below-trip", vessel.below & ~vessel.bypassed
    yield "open", any_of(*(o.was for o in facts.valves))
