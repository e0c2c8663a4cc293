"""That the scheme says why, and says it rightly: a cause is named exactly while it is so.

Facts of a bay and of all that stands against it -> one promise, over every cause there is. What the causes of a
ticket's account and openings say is judged while a ticket is open: without one there is nothing that they speak of,
and the cause that none is open stands. A cause that a scheme can't name at all is not missed here but where a valve
closes or refuses and no cause is named; one that nobody knows is never so. Which cause is told first is the order in
which a scheme lists them; since each is so, the first is.
"""

from __future__ import annotations

from collections.abc import Iterator

from sidetap.promises.bays import BayFacts, may_follow
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.promises.standing import Standing
from sidetap.promises.valves import ValveFacts
from sidetap.promises.votes import votes
from sidetap.scheme.expression import TRUE, Expr, all_of, any_of


def reasons_promise(scene: Scene, facts: BayFacts, standing: Standing) -> Promise:
    """Return the promise that what is said to keep a valve closed is so, and what is so is said."""
    clauses = [clause for v in facts.valves for clause in _clauses(scene, facts, v, standing)]
    return Promise("reasons-right", facts.tag, tuple(clauses))


def _clauses(scene: Scene, facts: BayFacts, v: ValveFacts, standing: Standing) -> Iterator[Clause]:
    tag, vessel = facts.tag, v.valve.vessel
    named = scene.causes(v.tag)
    unknown = dict(named)
    for whose, causes, when, near in (
        (f"bay {tag}", _of_bay(scene, facts, v, standing), TRUE, (tag, "site")),
        ("the ticket", _of_ticket(scene, facts, v), facts.ticket.open, (tag,)),
        (vessel, _of_vessel(scene, facts, v, standing), TRUE, (vessel, tag)),
        (f"other bays at {vessel}", _of_other_bays(v, standing), TRUE, standing.near(v)),
    ):
        told = [(unknown.pop(cause), so) for cause, so in causes if cause in named]
        yield Clause(
            f"what is told of {whose} against valve {v.tag} is not so, or what is so is not told",
            ~when | all_of(*(one.equals(so) for one, so in told)),
            near=near,
        )
    for cause, told_of in unknown.items():
        yield Clause(f"{cause} is told against valve {v.tag}, and there is no such cause", ~told_of, near=(tag,))


def _of_bay(scene: Scene, facts: BayFacts, v: ValveFacts, standing: Standing) -> Iterator[tuple[str, Expr]]:
    """Yield each cause that a bay has in itself, and whether it stands."""
    yield "close-key", facts.close
    for tag in facts.conditions:
        yield tag, ~scene.energised(tag)
    yield "selector", scene.energised(facts.bay.auto_input) & scene.energised(facts.bay.hand_input)
    yield "panel-lost", facts.panel_lost
    yield "other-valve", ~all_of(*(o.shown_closed for o in facts.others(v)))
    yield "switches", facts.contradiction
    yield "locked-out", any_of(*(o.locked_before for o in facts.valves))
    yield "ticket", ~facts.ticket.open
    yield "not-on-ticket", ~scene.input(f"{v.tag}.on_ticket")
    yield "starting", standing.holding
    yield from standing.quiet.items()
    yield "open", any_of(*(o.was for o in facts.valves))
    yield "own-valve", ~v.shown_closed


def _of_ticket(scene: Scene, facts: BayFacts, v: ValveFacts) -> Iterator[tuple[str, Expr]]:
    """Yield each cause that an open ticket has in itself, and whether it stands."""
    ticket = facts.ticket
    again = ticket.openings_before >= 1
    yield "limit", v.was & ticket.used_up
    yield "interrupted", ticket.interrupted
    refused = [before for before in facts.valves if not may_follow(scene.site, before, v)]
    yield "product", any_of(*(ticket.last_before.equals(before.number) for before in refused))
    yield "restarts", ticket.openings_before >= 1 + facts.bay.restarts
    yield "wait", again & ~ticket.rested
    yield "no-time", ticket.used_up | (again & ~ticket.fits[v.number - 1])


def _of_vessel(scene: Scene, facts: BayFacts, v: ValveFacts, standing: Standing) -> Iterator[tuple[str, Expr]]:
    """Yield each cause that lies in a level or in votes of trips, and whether it stands."""
    vessel = standing.vessels[v.valve.vessel]
    yield "trip", vessel.latched & ~vessel.bypassed
    for rule in votes(scene.site):
        if facts.tag in rule.bays:
            yield rule.tag, standing.carried[rule.tag]
    yield "bad", vessel.bad
    yield "old", vessel.old
    yield "late", vessel.late
    yield "window", ~vessel.filtered.full
    yield "below-trip", vessel.below & ~vessel.bypassed


def _of_other_bays(v: ValveFacts, standing: Standing) -> Iterator[tuple[str, Expr]]:
    """Yield each cause that lies in other bays at the vessel, and whether it stands."""
    sharing = standing.sharing[v.tag]
    for tag, yields in sharing.yields.items():
        yield f"{tag}-low", yields
    for tag, alone in sharing.alone.items():
        yield tag, ~alone
    for tag, enough in sharing.enough.items():
        yield tag, ~enough
    yield "vessel-locked", sharing.locked
