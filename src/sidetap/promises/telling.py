"""What people must be told, and what the pump is told: alarms that stand in the scan in which they should.

Facts of bays and vessels -> promises that look from one side: an alarm that must stand does. Levels that fall with no
valve open are told as a draw without a command.
"""

from __future__ import annotations

from collections.abc import Sequence

from sidetap.promises.bays import BayFacts
from sidetap.promises.lasting import lasting
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.promises.valves import ValveFacts
from sidetap.promises.vessels import VesselFacts
from sidetap.quantity import NS_PER_MS
from sidetap.scheme.expression import Expr, any_of, choose
from sidetap.site.model import Vessel

DRAWN_01MM = 200  # a fall that is no wave, where the site says nothing else
SETTLING_MS = 2000  # after the valve is shut and the filter has run through


def pump_promise(scene: Scene, facts: BayFacts) -> Promise:
    """Return the promise that the pump's permit follows the valves."""
    pump = scene.output(f"{facts.tag}.pump")
    return Promise(
        "pump-follows",
        facts.tag,
        (
            Clause("the pump is permitted though no valve is open", ~pump | ~facts.shut, near=(facts.tag,)),
            Clause("the pump is not permitted though a valve is open", pump | facts.shut, near=(facts.tag,)),
        ),
    )


def bay_alarms(scene: Scene, facts: BayFacts) -> Promise:
    """Return the promise that what stands against a bay is told."""
    bay, tag = facts.bay, facts.tag
    stuck_ms = bay.stuck_key_after_ns // NS_PER_MS
    post, panel = scene.energised(bay.open_key), scene.input(f"{tag}.panel_open")
    stuck = any_of(
        lasting(scene, f"{tag}.post_key.stuck", post, stuck_ms),
        lasting(scene, f"{tag}.panel_key.stuck", panel, stuck_ms),
    )
    hose_on = scene.energised(bay.hose_input)
    # counted from the scan after the ticket's last one
    unseen = scene.since_start(f"{tag}.hose_unseen")
    left = ~facts.ticket.runs & hose_on & unseen
    scene.keep(f"{tag}.hose_unseen", left | (~facts.ticket.runs & hose_on & facts.ticket.ran_before))
    left_too_long = lasting(scene, f"{tag}.hose_left", left, bay.hose_left_after_ns // NS_PER_MS)
    told = (
        ("an open key is stuck", "stuck-key", stuck),
        ("the hose is left on after the ticket", "hose-left", left_too_long),
        ("the panel is lost", "panel", facts.panel_lost),
        ("the selector shows HAND", "hand", scene.energised(bay.hand_input)),
    )
    clauses = [
        Clause(f"no alarm tells that {words}", ~so | scene.output(f"alarm.{tag}-{word}"), near=(tag,))
        for words, word, so in told
    ]
    clauses.append(
        Clause(
            "the horn is silent though the hose is left on", ~left_too_long | scene.output("site.horn"), near=(tag,)
        )
    )
    return Promise("alarms-tell", tag, tuple(clauses))


def vessel_alarms(scene: Scene, vessel: Vessel, facts: VesselFacts, drawing: Sequence[ValveFacts]) -> Promise:
    """Return the promise that a trip, and a draw without a command, are told."""
    tag = vessel.tag
    clauses = [
        Clause(
            f"no alarm tells that {tag} has tripped", ~facts.latched | scene.output(f"alarm.{tag}-trip"), near=(tag,)
        )
    ]
    if drawing:
        near = (tag, *dict.fromkeys(v.valve.bay for v in drawing))
        drawn = scene.output(f"alarm.{tag}-drawn")
        clauses.append(
            Clause(
                f"no alarm tells that {tag} falls with no valve open",
                ~_drawn(scene, vessel, facts, drawing) | drawn,
                near=near,
            )
        )
    return Promise("alarms-tell", tag, tuple(clauses))


def _drawn(scene: Scene, vessel: Vessel, facts: VesselFacts, drawing: Sequence[ValveFacts]) -> Expr:
    """Return whether the filtered level has fallen since the vessel came to rest, and nobody has reset that."""
    tag, level = vessel.tag, facts.filtered
    fall = level.shares * (vessel.frozen.expected_01mm if vessel.frozen else DRAWN_01MM)
    rest_ms = max(v.valve.stroke_ns for v in drawing) // NS_PER_MS + level.time_ms + SETTLING_MS
    at_rest = lasting(scene, f"{tag}.at_rest", ~any_of(*(v.command for v in drawing)), rest_ms)
    reset = scene.input(f"{tag}.reset")
    before = scene.since_start(f"{tag}.highest", 0, level.shares * scene.high_of(f"{tag}.level"))
    before = choose(at_rest & ~reset, before, 0)
    seen = at_rest & level.full
    highest = scene.keep(f"{tag}.highest", choose(seen & (before < level.total), level.total, before))
    fallen = seen & (highest >= level.total + fall)
    return scene.keep(f"{tag}.drawn", ~reset & (fallen | scene.since_start(f"{tag}.drawn")))
