"""A vessel as the judges see it: its filtered level, its low trip, latched until a person resets it.

Raw inputs of a vessel -> facts of this scan. Filter first, delay second; the delay counts from the scan in which the
filtered level was first seen under the trip.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sidetap.promises.bounds import age_bound, trip_bound
from sidetap.promises.filters import Filtered, filtered
from sidetap.promises.lasting import lasting
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.promises.valves import ValveFacts
from sidetap.quantity import NS_PER_MS
from sidetap.scheme.expression import FALSE, Expr, choose
from sidetap.site.model import Vessel


@dataclass(frozen=True, slots=True)
class VesselFacts:
    """below: the filtered level is under the trip; fires: it has been for the delay.

    latched: it has fired and nobody has reset it at or above the reset level; shown: the scheme says so. bypassed:
    people have set it aside, by the judge's own clock.
    """

    tag: str
    bad: Expr
    old: Expr
    late: Expr
    filtered: Filtered
    below: Expr
    fires: Expr
    latched: Expr
    shown: Expr
    bypassed: Expr


def vessel_facts(scene: Scene, vessel: Vessel, bypassed: Expr = FALSE) -> VesselFacts:
    """Return what the judge knows of a vessel in this scan."""
    tag, trip = vessel.tag, vessel.trip
    point = scene.site.point(vessel.level.point)
    bad, age = scene.input(f"{tag}.bad"), scene.input(f"{tag}.age")
    old = age >= point.close_age_ns // NS_PER_MS
    level = filtered(scene, tag, trip, bad | old)

    below = level.under(trip.below_01mm)
    fires = lasting(scene, f"{tag}.below", below, trip.delay_ns // NS_PER_MS)

    latched = choose(scene.crash, scene.on_disk(f"{tag}.stored_trip"), scene.kept(f"{tag}.latched"))
    may_reset = scene.input(f"{tag}.reset") & level.at_least(trip.reset_above_01mm)
    latched = scene.keep(f"{tag}.latched", (latched | fires) & ~may_reset)
    shown = scene.output(f"{tag}.tripped")
    scene.store(f"{tag}.stored_trip", shown)
    late = age >= point.warn_age_ns // NS_PER_MS
    return VesselFacts(tag, bad, old, late, level, below, fires, latched, shown, bypassed)


def vessel_promises(
    scene: Scene, vessel: Vessel, facts: VesselFacts, drawing: Sequence[ValveFacts]
) -> Iterator[Promise]:
    """Yield what is promised of a vessel and the valves from it."""
    tag = vessel.tag
    kept = [
        Clause(
            f"the trip of {tag} is neither shown nor stored until it is reset",
            ~facts.latched | facts.shown,
            near=(tag,),
        ),
        Clause(
            f"a trip of {tag} is shown that did not happen, or is reset", facts.latched | ~facts.shown, near=(tag,)
        ),
    ]
    trips, ages = [], []
    for v in drawing:
        near = (tag, v.valve.bay)
        trips.append(
            Clause(
                f"valve {v.tag} is open though {tag}'s filtered level has been below the trip for the delay",
                ~facts.fires | facts.bypassed | ~v.command,
                near=near,
            )
        )
        ages.append(
            Clause(
                f"valve {v.tag} is open while {tag}'s level is bad or old",
                ~(facts.bad | facts.old) | ~v.command,
                near=near,
            )
        )
        kept.append(
            Clause(
                f"valve {v.tag} opens after a trip of {tag} that nobody has reset",
                ~facts.latched | facts.bypassed | ~v.rises,
                near=near,
            )
        )
    if drawing:
        yield Promise("trip-closes", tag, tuple(trips), bound=trip_bound(scene.site, vessel))
        yield Promise("bad-or-old-closes", tag, tuple(ages), bound=age_bound(scene.site, vessel))
    yield Promise("latched-until-reset", tag, tuple(kept))
