"""All judges of a site put together: the promises of a scheme, and what must stay possible.

A site and its scheme's program -> the model to check. Written from the words of the contract and of the rules, not
from the compiler: when both are wrong in the same way, two people misread the same sentence.
"""

from __future__ import annotations

from collections.abc import Iterator

from sidetap.promises.asking import asking_promises
from sidetap.promises.bays import bay_facts, bay_promises
from sidetap.promises.bypass import bypass_facts, bypass_promises
from sidetap.promises.goals import goals
from sidetap.promises.independence import independence_promises
from sidetap.promises.model import Clause, Model, Promise, Scene
from sidetap.promises.own import own_promises
from sidetap.promises.reasons import reasons_promise
from sidetap.promises.sharing import Shared
from sidetap.promises.standing import Standing
from sidetap.promises.starting import holding, watchdog_promise
from sidetap.promises.telling import bay_alarms, pump_promise, vessel_alarms
from sidetap.promises.vessels import vessel_facts, vessel_promises
from sidetap.promises.votes import carried, quiet, quiet_promises, vote_promises
from sidetap.scheme.expression import FALSE, Expr
from sidetap.scheme.program import Program
from sidetap.site.model import Site, in_order


def build_model(site: Site, scheme: Program) -> Model:
    """Return the scheme with its judges: every promise of this site, and every goal."""
    stored = {f"{v.tag}.stored_trip": f"{v.tag}.trip" for v in site.vessels}
    for bay in site.bays:
        stored |= {f"{bay.tag}.stored_{w}": f"{bay.tag}.{w}" for w in ("ticket", "account", "openings", "last")}
    scene = Scene(site, scheme, stored)
    reached: dict[tuple[str, str], Expr] = {}
    return scene.model(list(_promises(scene, reached)), reached)


def _promises(scene: Scene, reached: dict[tuple[str, str], Expr]) -> Iterator[Promise]:
    """Yield every promise, and fill in the goals."""
    site = scene.site
    held = holding(scene)
    bypass = bypass_facts(scene)
    runs = bypass.runs if bypass else {}
    vessels = {v.tag: vessel_facts(scene, v, runs.get(v.tag, FALSE)) for v in in_order(site.vessels)}
    bays = {bay.tag: bay_facts(scene, bay) for bay in in_order(site.bays)}
    shared = Shared(scene, [v for bay in bays.values() for v in bay.valves], vessels)
    carries, is_quiet = carried(scene), quiet(scene)
    standing = Standing(vessels, shared.of, carries, is_quiet, held)
    for facts in bays.values():
        yield from bay_promises(scene, facts, standing)
        yield from asking_promises(scene, facts, standing)
        yield reasons_promise(scene, facts, standing)
        yield pump_promise(scene, facts)
        yield bay_alarms(scene, facts)
        reached |= goals(scene, facts, vessels)
    for vessel in in_order(site.vessels):
        drawing = shared.drawing(vessel.tag)
        yield from vessel_promises(scene, vessel, vessels[vessel.tag], drawing)
        yield vessel_alarms(scene, vessel, vessels[vessel.tag], drawing, is_quiet)
    yield from shared.promises()
    yield from vote_promises(scene, bays, carries)
    yield from quiet_promises(scene, bays, is_quiet)
    if bypass:
        yield from bypass_promises(scene, bypass)
    if bays:
        yield watchdog_promise(scene)
    yield from own_promises(scene, vessels)
    yield from independence_promises(scene)
    ranges = (Clause(f"{name} left its range", holds, near=(owner,)) for name, owner, holds in scene.ranges())
    yield Promise("ranges-hold", "site", tuple(ranges))
