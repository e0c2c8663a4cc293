"""What must be possible: a valve that nothing stands against opens when asked and stays open.

Facts of a bay and of all it depends on -> two promises. They are the other side of all the rest: a scheme that keeps
everything closed breaks them, and one that can't say why it closes breaks them too.
"""

from __future__ import annotations

from collections.abc import Iterator

from sidetap.promises.bays import BayFacts, may_follow
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.promises.standing import Standing
from sidetap.promises.valves import ValveFacts
from sidetap.promises.votes import votes
from sidetap.scheme.expression import Expr, all_of, any_of
from sidetap.site.model import ExclusiveVessel, QuietHours, SharedOnlyAbove, Site

# causes that keep a valve from opening and close none; beside these, the tags of rules that do the same
_BAY = ("starting", "open", "product", "own-valve", "restarts", "wait", "no-time")
ONLY_START = frozenset((*_BAY, "vessel-locked", "late", "window", "below-trip"))


def asking_promises(scene: Scene, facts: BayFacts, standing: Standing) -> Iterator[Promise]:
    """Yield the promises that a bay works."""
    only_start = ONLY_START | _rules_that_close_nothing(scene.site)
    opens: list[Clause] = []
    stays: list[Clause] = []
    for v in facts.valves:
        near = standing.near(v)
        free = _free(scene, facts, v, standing)
        ready = all_of(free, *_start_conditions(scene, facts, v, standing))
        causes = scene.causes(v.tag)
        closing = any_of(*(so for name, so in causes.items() if name not in only_start))
        opens += [
            Clause(f"valve {v.tag} does not open though nothing stands against it", ~ready | v.command, near=near),
            Clause(
                f"valve {v.tag} does not open, and no cause is named",
                ~v.asked | v.command | any_of(*causes.values()),
                near=(facts.tag,),
            ),
            Clause(
                f"valve {v.tag} opens against a cause that is named",
                ~v.rises | ~any_of(*causes.values()),
                near=(facts.tag,),
            ),
        ]
        stays += [
            Clause(f"valve {v.tag} closes though nothing asks for it", ~(v.was & free) | v.command, near=near),
            Clause(f"valve {v.tag} closes, and no cause is named", ~v.was | v.command | closing, near=(facts.tag,)),
            Clause(f"valve {v.tag} is open against a cause that closes", ~v.command | ~closing, near=(facts.tag,)),
        ]
    yield Promise("opens-when-asked", facts.tag, tuple(opens))
    yield Promise("stays-open", facts.tag, tuple(stays))


def _rules_that_close_nothing(site: Site) -> set[str]:
    """Return the tags of rules whose own causes close nothing; a shared vessel's closes by another name."""
    kinds = QuietHours | ExclusiveVessel | SharedOnlyAbove
    return {rule.tag for rule in site.rules if isinstance(rule, kinds)}


def _free(scene: Scene, facts: BayFacts, v: ValveFacts, standing: Standing) -> Expr:
    """Return whether no listed cause may keep a valve closed, or close it."""
    vessel, ticket = standing.vessels[v.valve.vessel], facts.ticket
    return all_of(
        ~facts.close,
        *facts.permitted.values(),
        ~facts.panel_lost,
        ~vessel.bad,
        ~vessel.old,
        ~vessel.latched | vessel.bypassed,
        *(~standing.carried[rule.tag] for rule in votes(scene.site) if facts.tag in rule.bays),
        *(~yields for yields in standing.sharing[v.tag].yields.values()),
        ticket.runs,
        ~ticket.interrupted,
        ticket.time_left,
        scene.input(f"{v.tag}.on_ticket"),
        *(o.closed_switch for o in facts.others(v)),
        ~facts.contradiction,
        *(~o.locked_before for o in facts.valves),
    )


def _start_conditions(scene: Scene, facts: BayFacts, v: ValveFacts, standing: Standing) -> Iterator[Expr]:
    """Yield what an opening of a valve needs beyond that."""
    vessel, ticket, sharing = standing.vessels[v.valve.vessel], facts.ticket, standing.sharing[v.tag]
    first = ticket.openings_before < 1
    yield v.asked
    yield ~standing.holding
    yield from (~on for on in standing.quiet.values())
    yield ticket.ran_before
    yield from (~o.was for o in facts.valves)
    yield v.closed_switch
    yield from sharing.alone.values()
    yield from sharing.enough.values()
    yield ~sharing.locked
    yield ~vessel.late
    yield vessel.filtered.full & (~vessel.below | vessel.bypassed)
    yield ticket.openings_before < 1 + facts.bay.restarts
    yield first | ticket.rested
    yield first | ticket.fits[v.number - 1]
    for before in facts.valves:
        if not may_follow(scene.site, before, v):
            yield ~ticket.last_before.equals(before.number)
