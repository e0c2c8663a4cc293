"""What people are told, and what the pump is told: alarms stand in the scans in which they should, and in no other.

Facts of bays and vessels -> promises. Only the horn is looked at from one side, for it has causes all over the site.
Levels that fall with no valve open are told as a draw without a command.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from sidetap.promises.bays import BayFacts
from sidetap.promises.lasting import lasting
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.promises.valves import ValveFacts
from sidetap.promises.vessels import VesselFacts
from sidetap.quantity import NS_PER_MS
from sidetap.scheme.expression import Expr, all_of, any_of, choose
from sidetap.site.model import Alarm, Vessel

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
    """Return the promise that what stands against a bay is told, and what has become of its ticket."""
    bay, tag = facts.bay, facts.tag
    stuck_ms = bay.stuck_key_after_ns // NS_PER_MS
    post, panel = scene.energised(bay.open_key), scene.input(f"{tag}.panel_open")
    stuck = any_of(
        lasting(scene, f"{tag}.post_key.stuck", post, stuck_ms),
        lasting(scene, f"{tag}.panel_key.stuck", panel, stuck_ms),
    )
    ticket = facts.ticket
    had_one = scene.since_start(f"{tag}.had_ticket")
    scene.keep(f"{tag}.had_ticket", had_one | ticket.ran_before)
    # counted from the scan after the ticket's last one
    left = all_of(had_one, ~ticket.ran_before, scene.energised(bay.hose_input), ~ticket.hose_seen_off)
    left_too_long = lasting(scene, f"{tag}.hose_left", left, bay.hose_left_after_ns // NS_PER_MS)
    refused = scene.input(f"{tag}.ticket_open") & ~ticket.begins
    told = (
        ("an open key is stuck", "alarm.{}-stuck-key", stuck),
        ("the hose is left on after the ticket", "alarm.{}-hose-left", left_too_long),
        ("the panel is lost", "alarm.{}-panel", facts.panel_lost),
        ("the selector shows HAND", "alarm.{}-hand", scene.energised(bay.hand_input)),
        ("a ticket stands", "{}.ticket", ticket.runs),
        ("a ticket is refused", "{}.ticket_refused", refused),
    )
    clauses = [
        clause for words, name, so in told for clause in _told(words, scene.output(name.format(tag)), so, (tag,))
    ]
    clauses.append(
        Clause(
            "the horn is silent though the hose is left on", ~left_too_long | scene.output("site.horn"), near=(tag,)
        )
    )
    return Promise("alarms-tell", tag, tuple(clauses))


def _told(words: str, told: Expr, so: Expr, near: tuple[str, ...]) -> Iterator[Clause]:
    """Yield that something is told while it is so, and while it is so only."""
    yield Clause(f"nothing tells that {words}", ~so | told, near=near)
    yield Clause(f"it is told that {words}, which is not so", so | ~told, near=near)


def vessel_alarms(
    scene: Scene, vessel: Vessel, facts: VesselFacts, drawing: Sequence[ValveFacts], quiet: Mapping[str, Expr]
) -> Promise:
    """Return the promise that a vessel's level, a trip, and a draw without a command are told.

    quiet: by rule, whether its quiet hours are on; then nothing is told of an old level.
    """
    tag, near = vessel.tag, (vessel.tag,)
    heard, late = ~any_of(*quiet.values()), scene.output(f"alarm.{tag}-late")
    clauses = [
        *_told(f"{tag} has tripped", scene.output(f"alarm.{tag}-trip"), facts.latched, near),
        *_told(f"{tag} has no valid level", scene.output(f"alarm.{tag}-bad"), facts.bad, near),
        *_told(f"{tag}'s level is old", scene.output(f"alarm.{tag}-old"), facts.old & heard, near),
        # one that is old is told as that
        Clause(f"nothing tells that {tag}'s level is late", ~(facts.late & heard) | facts.old | late, near=near),
        Clause(f"it is told that {tag}'s level is late, which is not so", facts.late | ~late, near=near),
    ]
    for alarm in scene.site.alarms:
        if alarm.vessel == tag:
            words = f"{tag} is {alarm.side} its {alarm.limit} level"
            told = scene.output(f"alarm.{alarm.tag}")
            clauses += _told(words, told, _beyond(scene, vessel, facts, alarm), near)
    if drawing:
        bays = dict.fromkeys(v.valve.bay for v in drawing)
        told, falls = scene.output(f"alarm.{tag}-drawn"), _drawn(scene, vessel, facts, drawing)
        clauses += _told(f"{tag} falls with no valve open", told, falls, (tag, *bays))
    return Promise("alarms-tell", tag, tuple(clauses))


def _beyond(scene: Scene, vessel: Vessel, facts: VesselFacts, alarm: Alarm) -> Expr:
    """Return whether the level has been beyond an alarm's limit for its delay and is not back by its dead band.

    It is the level itself, not a filtered one. While it is not known nothing counts, and what stands goes on.
    """
    level, known = scene.input(f"{vessel.tag}.level"), ~facts.bad & ~facts.old
    limit_01mm = vessel.high_01mm if alarm.limit == "high" else vessel.low_01mm
    if alarm.side == "above":
        over, back = level > limit_01mm, level <= limit_01mm - alarm.dead_band_01mm
    else:
        over, back = level < limit_01mm, level >= limit_01mm + alarm.dead_band_01mm
    risen = lasting(scene, f"{alarm.tag}.over", known & over, alarm.delay_ns // NS_PER_MS)
    stood = scene.since_start(f"{alarm.tag}.stands")
    return scene.keep(f"{alarm.tag}.stands", risen | (stood & ~(known & back)))


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
