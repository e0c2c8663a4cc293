"""A bay as the judges see it: its keys, its valves, its ticket; and what is promised of it alone.

Raw inputs and outputs of one bay -> facts of this scan and promises. The memory of a key starts at pressed, so that
a start makes no press.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from sidetap.promises.bounds import close_bound, permissive_bound, start_bound
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.promises.standing import Standing
from sidetap.promises.tickets import TicketFacts, ticket_facts, ticket_promise
from sidetap.promises.valves import ValveFacts, valve_facts, valve_promises
from sidetap.quantity import NS_PER_MS
from sidetap.scheme.expression import Expr, all_of, any_of, count_of
from sidetap.site.model import Bay, Site


@dataclass(frozen=True, slots=True)
class BayFacts:
    """permitted: every input that must be energised all the time is, and the selector doesn't show HAND.

    contradiction: a valve shows open and closed at once.
    """

    bay: Bay
    valves: tuple[ValveFacts, ...]
    ticket: TicketFacts
    close: Expr
    pressed_since_start: Expr
    permitted: Mapping[str, Expr]
    panel_lost: Expr
    contradiction: Expr

    @property
    def tag(self) -> str:
        """The tag of the bay."""
        return self.bay.tag

    @property
    def shut(self) -> Expr:
        """Whether no valve has a command in this scan."""
        return ~any_of(*(v.command for v in self.valves))

    @property
    def conditions(self) -> tuple[str, ...]:
        """The inputs that must be energised all the time, each once."""
        return _conditions(self.bay)

    def others(self, valve: ValveFacts) -> list[ValveFacts]:
        """Return the other valves of the bay."""
        return [v for v in self.valves if v is not valve]


def bay_facts(scene: Scene, bay: Bay) -> BayFacts:
    """Return what the judge knows of a bay in this scan."""
    tag = bay.tag
    fresh = any_of(
        _fresh(scene, f"{tag}.post_key", scene.energised(bay.open_key)),
        _fresh(scene, f"{tag}.panel_key", scene.input(f"{tag}.panel_open")),
    )
    pressed = scene.keep(f"{tag}.pressed", scene.since_start(f"{tag}.pressed") | fresh)
    valves = tuple(valve_facts(scene, bay, v, n, fresh) for n, v in enumerate(scene.site.valves_of(tag), 1))
    permitted = {f"{i} is not energised": scene.energised(i) for i in _conditions(bay)}
    permitted["the selector shows HAND"] = ~scene.energised(bay.hand_input)
    return BayFacts(
        bay=bay,
        valves=valves,
        ticket=ticket_facts(scene, bay, valves),
        close=scene.input(f"{tag}.panel_close") | ~scene.energised(bay.close_key),
        pressed_since_start=pressed,
        permitted=permitted,
        panel_lost=scene.input(f"{tag}.panel_age") >= bay.panel_lost_after_ns // NS_PER_MS,
        contradiction=any_of(*(v.both_switches for v in valves)),
    )


def _fresh(scene: Scene, name: str, pressed: Expr) -> Expr:
    """Return whether a key rises that was seen released since the start."""
    held = scene.since_start(f"{name}.held", True)
    scene.keep(f"{name}.held", pressed)
    return pressed & ~held


def _conditions(bay: Bay) -> tuple[str, ...]:
    """Return the inputs that must be energised all the time, each once."""
    return tuple(dict.fromkeys((*bay.run_permissives, bay.auto_input, bay.stop_input, bay.hose_input)))


def may_follow(site: Site, before: ValveFacts, after: ValveFacts) -> bool:
    """Return whether the client's table lets one vessel's product follow the other's; a blank cell refuses."""
    table = dict(site.compatible)
    return site.vessel(after.valve.vessel).product in table.get(site.vessel(before.valve.vessel).product, ())


def bay_promises(scene: Scene, facts: BayFacts, standing: Standing) -> Iterator[Promise]:
    """Yield what is promised of a bay and its valves."""
    bay, tag, valves, site = facts.bay, facts.tag, facts.valves, scene.site
    for valve in valves:
        yield from valve_promises(scene, bay, valve)
    yield ticket_promise(scene, bay, valves, facts.ticket)
    yield Promise(
        "permissive-closes",
        tag,
        tuple(_permissive_clauses(scene, facts, standing)),
        bound=permissive_bound(site, bay),
    )
    two = Clause("two valves of one bay are open", count_of(v.command for v in valves) <= 1, near=(tag,))
    yield Promise("one-valve-per-bay", tag, (two,))
    yield Promise("compatible-only", tag, tuple(_product_clauses(scene, facts)))
    yield Promise(
        "fresh-press-only",
        tag,
        tuple(
            Clause(
                f"valve {v.tag} opens without a fresh press of an open key that chose it",
                ~v.rises | v.asked,
                near=(tag,),
            )
            for v in valves
        ),
    )
    wins = Clause("a valve is open while a close key is pressed", ~facts.close | facts.shut, near=(tag,))
    yield Promise("close-wins", tag, (wins,), bound=close_bound(site, bay))
    yield Promise("start-up-closed", tag, tuple(_start_clauses(facts, standing.holding)), bound=start_bound(site))


def _start_clauses(facts: BayFacts, holding: Expr) -> Iterator[Clause]:
    yield Clause(
        "a valve is open before the first fresh press since the start",
        facts.shut | facts.pressed_since_start,
        near=(facts.tag,),
    )
    for v in facts.valves:
        yield Clause(
            f"valve {v.tag} opens though the station started only a moment ago",
            ~v.rises | ~holding,
            near=(facts.tag, "site"),
        )


def _permissive_clauses(scene: Scene, facts: BayFacts, standing: Standing) -> Iterator[Clause]:
    tag, shut = facts.tag, facts.shut
    for why, permitted in facts.permitted.items():
        yield Clause(f"a valve is open while {why}", shut | permitted, near=(tag,))
    yield Clause("a valve is open while the bay's panel is lost", shut | ~facts.panel_lost, near=(tag,))
    yield Clause(
        "a valve is open while a valve shows open and closed at once", shut | ~facts.contradiction, near=(tag,)
    )
    for v in facts.valves:
        others = all_of(*(o.closed_switch for o in facts.others(v)))
        yield Clause(
            f"valve {v.tag} is open while another valve is not shown closed", ~v.command | others, near=(tag,)
        )
        yield Clause(
            f"valve {v.tag} is open while a valve of the bay is locked out",
            ~v.command | ~any_of(*(o.locked_before for o in facts.valves)),
            near=(tag,),
        )
        vessel, sharing = standing.vessels[v.valve.vessel], standing.sharing[v.tag]
        yield Clause(
            f"valve {v.tag} opens while a valve of another bay from {vessel.tag} is locked out",
            ~v.rises | ~sharing.locked,
            near=(tag, *sharing.bays),
        )
        near = (vessel.tag, tag)
        yield Clause(
            f"valve {v.tag} opens while {vessel.tag}'s level is late, bad or not yet watched for long enough",
            ~v.rises | all_of(~vessel.late, ~vessel.bad, vessel.filtered.full),
            near=near,
        )
        yield Clause(
            f"valve {v.tag} opens while {vessel.tag} is below its trip",
            ~v.rises | ~vessel.below | vessel.bypassed,
            near=near,
        )
        yield Clause(
            f"valve {v.tag} opens while a valve of the bay is not shown closed",
            ~v.rises | all_of(*(o.closed_switch for o in facts.valves)),
            near=(tag,),
        )
        yield Clause(
            f"valve {v.tag} is open though the ticket does not name {vessel.tag}",
            ~v.command | scene.input(f"{v.tag}.on_ticket"),
            near=(tag,),
        )


def _product_clauses(scene: Scene, facts: BayFacts) -> Iterator[Clause]:
    for v in facts.valves:
        for before in facts.valves:
            if not may_follow(scene.site, before, v):
                yield Clause(
                    f"valve {v.tag} opens on a ticket that has loaded from {before.valve.vessel}",
                    ~v.rises | ~facts.ticket.last_before.equals(before.number),
                    near=(facts.tag,),
                )
