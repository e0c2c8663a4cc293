"""What must stay possible, or the promises would be kept by never opening.

Facts of a bay -> its goals, each an expression that some run of the scheme must make true.
"""

from __future__ import annotations

from collections.abc import Mapping

from sidetap.promises.bays import BayFacts
from sidetap.promises.model import Scene
from sidetap.promises.vessels import VesselFacts
from sidetap.scheme.expression import Expr, all_of, any_of


def goals(scene: Scene, facts: BayFacts, vessels: Mapping[str, VesselFacts]) -> dict[tuple[str, str], Expr]:
    """Return a bay's goals by name and subject."""
    tag, valves = facts.tag, facts.valves
    rising = any_of(*(v.rises for v in valves))
    reopens: list[Expr] = []
    bypassed: list[Expr] = []
    for v in valves:
        vessel = vessels[v.valve.vessel]
        name = f"{v.tag}.tripped_once"
        tripped = scene.keep(name, scene.kept(name) | (v.was & ~v.command & vessel.fires))
        reopens.append(tripped & v.rises)
        bypassed.append(all_of(v.command, vessel.latched, vessel.bypassed))
    reached = {
        ("can-open", tag): rising,
        ("can-reach-limit", tag): any_of(*(v.was & ~v.command & v.at_limit for v in valves)),
        ("can-use-all-restarts", tag): rising & facts.ticket.openings_before.equals(facts.bay.restarts),
        ("can-trip-and-reopen", tag): any_of(*reopens),
    }
    named = scene.site.bypass.trips if scene.site.bypass else ()
    if any(v.valve.vessel in named for v in valves):
        reached["can-bypass", tag] = any_of(*bypassed)
    return reached
