"""The promises of a scheme, and what must stay possible: each one sentence over the judges' facts.

A site and its scheme's program -> the model to check. Written from the words of the contract and of the rules, not
from the compiler: when both are wrong in the same way, two people misread the same sentence.
"""

from __future__ import annotations

from collections.abc import Iterator

from sidetap.promises.model import Clause, Model, Promise, Scene
from sidetap.promises.monitors import BayFacts, ValveFacts, VesselFacts, bay_facts, conditions, vessel_facts
from sidetap.quantity import NS_PER_MS
from sidetap.scheme.expression import Expr, all_of, any_of, count_of
from sidetap.scheme.program import Program
from sidetap.site.model import Bay, Site


def build_model(site: Site, scheme: Program) -> Model:
    """Return the scheme with its judges: every promise of this site, and every goal."""
    stored = {f"{v.tag}.stored_trip": f"{v.tag}.trip" for v in site.vessels}
    for bay in site.bays:
        stored |= {f"{bay.tag}.stored_{w}": f"{bay.tag}.{w}" for w in ("ticket", "account", "openings", "last")}
    scene = Scene(site, scheme, stored)
    vessels = {v.tag: vessel_facts(scene, v) for v in site.vessels}
    promises: list[Promise] = []
    goals: dict[tuple[str, str], Expr] = {}
    bays = [(bay, bay_facts(scene, bay)) for bay in site.bays]
    for bay, facts in bays:
        promises.extend(_bay_promises(scene, bay, facts, vessels))
        goals |= _goals(scene, bay, facts, vessels)
    for vessel in site.vessels:
        promises.extend(_vessel_promises(scene, vessel.tag, vessels[vessel.tag], bays))
    ranges = tuple(Clause(f"{name} left its range", holds) for name, holds in scene.ranges())
    promises.append(Promise("ranges-hold", "site", ranges))
    return scene.model(promises, goals)


def _bay_promises(scene: Scene, bay: Bay, facts: BayFacts, vessels: dict[str, VesselFacts]) -> Iterator[Promise]:
    valves = scene.site.valves_of(bay.tag)
    shut = ~any_of(*(f.command for f in facts.valves))
    rising = any_of(*(f.rises for f in facts.valves))
    for valve, f in zip(valves, facts.valves, strict=True):
        yield Promise(
            "open-time-bound",
            valve.tag,
            (Clause(f"valve {valve.tag} is still open when its limit is over", ~f.outlasts),),
        )
    yield Promise("ticket-time-bound", bay.tag, tuple(_ticket_clauses(bay, facts, shut, rising)))
    yield Promise("permissive-closes", bay.tag, tuple(_permissive_clauses(scene, bay, facts, shut, vessels)))
    yield Promise(
        "one-valve-per-bay",
        bay.tag,
        (Clause("two valves of one bay are open", count_of(f.command for f in facts.valves) <= 1),),
    )
    yield Promise("compatible-only", bay.tag, tuple(_product_clauses(scene, bay, facts)))
    yield Promise(
        "fresh-press-only",
        bay.tag,
        tuple(
            Clause(
                f"valve {v.tag} opens without a fresh press of an open key that chose it",
                ~f.rises | (facts.fresh_press & scene.input(f"{bay.tag}.choice").equals(n + 1)),
            )
            for n, (v, f) in enumerate(zip(valves, facts.valves, strict=True))
        ),
    )
    yield Promise(
        "close-wins", bay.tag, (Clause("a valve is open while a close key is pressed", ~facts.close | shut),)
    )
    yield Promise(
        "start-up-closed",
        bay.tag,
        (Clause("a valve is open before the first fresh press since the start", shut | facts.pressed_since_start),),
    )
    asked, stays = [], []
    for n, (valve, f) in enumerate(zip(valves, facts.valves, strict=True)):
        vessel = vessels[valve.vessel]
        free = _free(scene, bay, facts, n, vessel)
        stays.append(Clause(f"valve {valve.tag} closes though nothing asks for it", ~(f.was & free) | f.command))
        ready = all_of(free, *_start_conditions(scene, bay, facts, n, vessel))
        asked.append(Clause(f"valve {valve.tag} does not open though nothing stands against it", ~ready | f.command))
    yield Promise("opens-when-asked", bay.tag, tuple(asked))
    yield Promise("stays-open", bay.tag, tuple(stays))


def _ticket_clauses(bay: Bay, facts: BayFacts, shut: Expr, rising: Expr) -> Iterator[Clause]:
    later = rising & (facts.openings_before >= 1)
    yield Clause("a valve is open though the ticket's open time is used up", shut | (facts.true_account < facts.full))
    yield Clause(
        "a valve opens once more than the ticket permits", ~rising | (facts.openings_before < 1 + bay.restarts)
    )
    yield Clause("a valve opens again before the waiting time is over", ~later | facts.waited)
    yield Clause("a valve is open without a ticket that a person has opened", shut | facts.ticket)
    yield Clause("a valve is open though the load was interrupted and nobody resumed it", shut | ~facts.interrupted)


def _permissive_clauses(
    scene: Scene, bay: Bay, facts: BayFacts, shut: Expr, vessels: dict[str, VesselFacts]
) -> Iterator[Clause]:
    for tag in conditions(bay):
        yield Clause(f"a valve is open while {tag} is not energised", shut | scene.energised(tag))
    hand = scene.energised(bay.hand_input)
    yield Clause("a valve is open while the selector shows HAND", shut | ~hand)
    lost = scene.input(f"{bay.tag}.panel_age") >= bay.panel_lost_after_ns // NS_PER_MS
    yield Clause("a valve is open while the bay's panel is lost", shut | ~lost)
    contradiction = any_of(*(f.both_switches for f in facts.valves))
    yield Clause("a valve is open while a valve shows open and closed at once", shut | ~contradiction)
    valves = scene.site.valves_of(bay.tag)
    for n, (valve, f) in enumerate(zip(valves, facts.valves, strict=True)):
        others = all_of(*(o.closed_switch for o in _others(facts, n)))
        yield Clause(f"valve {valve.tag} is open while another valve is not shown closed", ~f.command | others)
        vessel = vessels[valve.vessel]
        yield Clause(
            f"valve {valve.tag} opens while {valve.vessel}'s level is late, bad or not yet watched for long enough",
            ~f.rises | all_of(~vessel.late, ~vessel.bad, vessel.full),
        )
        yield Clause(f"valve {valve.tag} opens while {valve.vessel} is below its trip", ~f.rises | ~vessel.below)
        yield Clause(
            f"valve {valve.tag} opens while a valve of the bay is not shown closed",
            ~f.rises | all_of(*(o.closed_switch for o in facts.valves)),
        )
        yield Clause(
            f"valve {valve.tag} is open though the ticket does not name {valve.vessel}",
            ~f.command | scene.input(f"{valve.tag}.on_ticket"),
        )


def _product_clauses(scene: Scene, bay: Bay, facts: BayFacts) -> Iterator[Clause]:
    valves = scene.site.valves_of(bay.tag)
    for valve, f in zip(valves, facts.valves, strict=True):
        for m, before in enumerate(valves):
            if not _may_follow(scene.site, before.vessel, valve.vessel):
                yield Clause(
                    f"valve {valve.tag} opens on a ticket that has loaded from {before.vessel}",
                    ~f.rises | ~facts.last_before.equals(m + 1),
                )


def _may_follow(site: Site, before: str, after: str) -> bool:
    """Return whether the client's table lets one vessel's product follow the other's; a blank cell refuses."""
    table = dict(site.compatible)
    return site.vessel(after).product in table.get(site.vessel(before).product, ())


def _free(scene: Scene, bay: Bay, facts: BayFacts, n: int, vessel: VesselFacts) -> Expr:
    """Return whether no listed cause may keep valve n of the bay closed, or close it."""
    valve = scene.site.valves_of(bay.tag)[n]
    return all_of(
        ~facts.close,
        *(scene.energised(tag) for tag in conditions(bay)),
        ~scene.energised(bay.hand_input),
        scene.input(f"{bay.tag}.panel_age") < bay.panel_lost_after_ns // NS_PER_MS,
        ~vessel.bad,
        ~vessel.old,
        ~vessel.latched,
        facts.ticket,
        ~facts.interrupted,
        facts.reckoned < facts.full,
        scene.input(f"{valve.tag}.on_ticket"),
        *(o.closed_switch for o in _others(facts, n)),
        *(~o.both_switches for o in facts.valves),
        *(~o.locked for o in facts.valves),
    )


def _start_conditions(scene: Scene, bay: Bay, facts: BayFacts, n: int, vessel: VesselFacts) -> Iterator[Expr]:
    """Yield what an opening of valve n needs beyond that."""
    f = facts.valves[n]
    valves = scene.site.valves_of(bay.tag)
    first = facts.openings_before < 1
    yield facts.fresh_press
    yield scene.input(f"{bay.tag}.choice").equals(n + 1)
    yield facts.ticket_before
    yield from (~o.was & ~o.locked_before for o in facts.valves)
    yield f.closed_switch
    yield ~vessel.late
    yield vessel.full & ~vessel.below
    yield facts.openings_before < 1 + bay.restarts
    yield first | facts.rested
    yield first | (facts.reckoned_before + f.weight * f.stroke_ms < facts.full)
    for m, before in enumerate(valves):
        if not _may_follow(scene.site, before.vessel, valves[n].vessel):
            yield ~facts.last_before.equals(m + 1)


def _others(facts: BayFacts, n: int) -> list[ValveFacts]:
    return [f for m, f in enumerate(facts.valves) if m != n]


def _vessel_promises(
    scene: Scene, tag: str, facts: VesselFacts, bays: list[tuple[Bay, BayFacts]]
) -> Iterator[Promise]:
    drawing = [
        f
        for bay, b in bays
        for valve, f in zip(scene.site.valves_of(bay.tag), b.valves, strict=True)
        if valve.vessel == tag
    ]
    shut = ~any_of(*(f.command for f in drawing))
    opening = any_of(*(f.rises for f in drawing))
    yield Promise(
        "trip-closes",
        tag,
        (
            Clause(
                f"a valve from {tag} is open though its mean has been below the trip for the delay",
                ~facts.fires | shut,
            ),
        ),
    )
    yield Promise(
        "bad-or-old-closes",
        tag,
        (Clause(f"a valve from {tag} is open while its level is bad or old", ~(facts.bad | facts.old) | shut),),
    )
    tripped = scene.output(f"{tag}.tripped")
    yield Promise(
        "latched-until-reset",
        tag,
        (
            Clause(f"a valve from {tag} opens after a trip that nobody has reset", ~facts.latched | ~opening),
            Clause(f"the trip of {tag} is neither shown nor stored until it is reset", ~facts.latched | tripped),
        ),
    )


def _goals(scene: Scene, bay: Bay, facts: BayFacts, vessels: dict[str, VesselFacts]) -> dict[tuple[str, str], Expr]:
    valves = scene.site.valves_of(bay.tag)
    tripped: list[Expr] = []
    for valve, f in zip(valves, facts.valves, strict=True):
        name = f"{valve.tag}.tripped_once"
        seen = scene.kept(name)
        tripped.append(scene.keep(name, seen | (f.was & ~f.command & vessels[valve.vessel].fires)))
    rising = any_of(*(f.rises for f in facts.valves))
    at_limit = any_of(*(f.was & ~f.command & f.at_limit for f in facts.valves))
    return {
        ("can-open", bay.tag): rising,
        ("can-reach-limit", bay.tag): at_limit,
        ("can-use-all-restarts", bay.tag): rising & facts.openings_before.equals(bay.restarts),
        ("can-trip-and-reopen", bay.tag): any_of(*(t & f.rises for t, f in zip(tripped, facts.valves, strict=True))),
    }
