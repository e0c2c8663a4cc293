"""Promises of the site's own: once some facts have been so for a time, others are so.

The site's [[promise]] rows -> promises over raw inputs, commands and filtered levels. A start of the station begins
every time anew.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from sidetap.promises.bounds import own_bound
from sidetap.promises.lasting import lasting
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.promises.vessels import VesselFacts
from sidetap.quantity import NS_PER_MS
from sidetap.scheme.expression import Expr, all_of
from sidetap.site.model import Fact, OwnPromise


def own_promises(scene: Scene, vessels: Mapping[str, VesselFacts]) -> Iterator[Promise]:
    """Yield the site's own promises."""
    for own in scene.site.promises:
        when = all_of(*(_holds(scene, vessels, fact) for fact in own.when))
        held = lasting(scene, f"{own.tag}.when", when, own.for_ns // NS_PER_MS)
        clauses = tuple(
            Clause(_words(own, fact), ~held | _holds(scene, vessels, fact), near=_near(scene, own))
            for fact in own.then
        )
        yield Promise("own", own.tag, clauses, bound=own_bound(scene.site, own))


def _words(own: OwnPromise, fact: Fact) -> str:
    return f"not so: {own.text} ({fact.subject} is not {fact.state})"


def _near(scene: Scene, own: OwnPromise) -> tuple[str, ...]:
    """Return the owners of all that the promise speaks of; of a valve its vessel too, and of an input its bays."""
    site = scene.site
    near: dict[str, None] = {own.tag: None}
    for fact in (*own.when, *own.then):
        tag = fact.subject
        for valve in site.valves:
            if tag in (valve.tag, valve.closed_switch, valve.open_switch):
                near |= {valve.bay: None, valve.vessel: None}
        for bay in site.bays:
            keys = (bay.auto_input, bay.hand_input, bay.stop_input, bay.hose_input, bay.open_key, bay.close_key)
            if tag == bay.tag or tag in (*bay.run_permissives, *keys):
                near[bay.tag] = None
        if any(tag == vessel.tag for vessel in site.vessels):
            near[tag] = None
    return tuple(near)


def _holds(scene: Scene, vessels: Mapping[str, VesselFacts], fact: Fact) -> Expr:
    """Return whether a fact is so in this scan."""
    tag = fact.subject
    match fact.state:
        case "on":
            return scene.energised(tag)
        case "off":
            return ~scene.energised(tag)
        case "open":
            return scene.output(f"{tag}.command")
        case "closed":
            return ~scene.output(f"{tag}.command")
        case "below":
            return vessels[tag].filtered.under(fact.level_01mm)
        case "above":
            return vessels[tag].filtered.at_least(fact.level_01mm)
        case "bad":
            return vessels[tag].bad
        case "old":
            return vessels[tag].old
        case "tripped":
            return scene.output(f"{tag}.tripped")
        case "ticket":
            return scene.output(f"{tag}.ticket")
        case "no-ticket":
            return ~scene.output(f"{tag}.ticket")
    raise ValueError(f"no state {fact.state} of {tag}")
