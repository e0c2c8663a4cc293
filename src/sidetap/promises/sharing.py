"""Rules between bays that draw from one vessel: one at a time, together only above a level, none after a lock-out.

Valves and vessels as the judges see them -> what the other bays of a vessel mean for each of its valves. Of another
bay only its commands before this scan, its switches, its lock-outs before and its asks have a say; of its commands
in this scan, only the memory of who opened first.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from sidetap.promises.bounds import together_bound
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.promises.valves import ValveFacts
from sidetap.promises.vessels import VesselFacts
from sidetap.scheme.expression import Expr, all_of, any_of
from sidetap.site.model import ExclusiveVessel, SharedOnlyAbove, in_order


@dataclass(frozen=True, slots=True)
class Sharing:
    """What other bays mean for one valve.

    locked: one of their valves from its vessel is locked out. alone: by exclusive rule, none of them has the vessel,
    asks first or is not shown closed. enough: by shared rule, it would be alone or the level is high enough for two.
    yields: by shared rule, it opened after another and the level is too low for two. bays: whose states these are.
    """

    locked: Expr
    alone: Mapping[str, Expr]
    enough: Mapping[str, Expr]
    yields: Mapping[str, Expr]
    bays: tuple[str, ...]


class Shared:
    """All that bays share, by valve."""

    def __init__(self, scene: Scene, valves: Sequence[ValveFacts], vessels: Mapping[str, VesselFacts]) -> None:
        """Take the valves in the order of bays and tags."""
        self._scene, self._vessels = scene, vessels
        self._rank = {bay.tag: n for n, bay in enumerate(in_order(scene.site.bays))}
        self._memories: dict[str, Expr] = {}
        self._drawing: dict[str, list[ValveFacts]] = {v.tag: [] for v in scene.site.vessels}
        for valve in valves:
            self._drawing[valve.valve.vessel].append(valve)
        self._exclusive = [r for r in scene.site.rules if isinstance(r, ExclusiveVessel)]
        self._above = [r for r in scene.site.rules if isinstance(r, SharedOnlyAbove)]
        self.of = {valve.tag: self._sharing(valve) for valve in valves}

    def drawing(self, vessel: str) -> Sequence[ValveFacts]:
        """Return the valves from a vessel."""
        return self._drawing[vessel]

    def promises(self) -> Iterator[Promise]:
        """Yield what is promised by each rule between bays."""
        for rule in self._exclusive:
            exclusive = tuple(c for v in self.drawing(rule.vessel) for c in self._exclusive_clauses(rule, v))
            yield Promise(rule.kind, rule.tag, exclusive)
        for above in self._above:
            shared = tuple(c for v in self._members(above) for c in self._shared_clauses(above, v))
            yield Promise(above.kind, above.tag, shared, bound=together_bound(self._scene.site, above))

    def _sharing(self, valve: ValveFacts) -> Sharing:
        rivals = self._rivals(valve)
        alone = {r.tag: self._alone(valve, rivals) for r in self._exclusive if r.vessel == valve.valve.vessel}
        level = self._vessels[valve.valve.vessel].filtered
        enough, yields = {}, {}
        for rule in self._above:
            others = self._rivals_under(rule, valve)
            if others:
                enough[rule.tag] = ~self._together(valve, others) | level.at_least(rule.level_01mm)
                later = any_of(*(self._opened_after(rule, valve, o) for o in others))
                yields[rule.tag] = later & level.under(rule.close_below_01mm)
        return Sharing(
            locked=any_of(*(o.locked_before for o in rivals)),
            alone=alone,
            enough=enough,
            yields=yields,
            bays=tuple(dict.fromkeys(o.valve.bay for o in rivals)),
        )

    def _rivals(self, valve: ValveFacts) -> list[ValveFacts]:
        """Return the valves of other bays from the same vessel."""
        return [o for o in self.drawing(valve.valve.vessel) if o.valve.bay != valve.valve.bay]

    def _members(self, rule: SharedOnlyAbove) -> list[ValveFacts]:
        return [v for v in self.drawing(rule.vessel) if v.valve.bay in rule.bays]

    def _rivals_under(self, rule: SharedOnlyAbove, valve: ValveFacts) -> list[ValveFacts]:
        members = self._members(rule)
        return [o for o in members if valve in members and o.valve.bay != valve.valve.bay]

    def _goes_first(self, one: ValveFacts, other: ValveFacts) -> bool:
        """Return whether the bay of one comes before that of the other in order."""
        return self._rank[one.valve.bay] < self._rank[other.valve.bay]

    def _alone(self, valve: ValveFacts, rivals: Sequence[ValveFacts]) -> Expr:
        return all_of(~self._together(valve, rivals), *(o.shown_closed for o in rivals))

    def _together(self, valve: ValveFacts, others: Sequence[ValveFacts]) -> Expr:
        """Return whether one of the others is open, or asks in this scan at an earlier bay, successfully or not."""
        return any_of(*(o.was for o in others), *(o.asked for o in others if self._goes_first(o, valve)))

    def _opened_after(self, rule: SharedOnlyAbove, valve: ValveFacts, other: ValveFacts) -> Expr:
        """Return whether, before this scan, both were open and the valve had opened after the other.

        Of two that open in one scan the later bay's is the later one, so one memory tells both orders.
        """
        if self._goes_first(other, valve):
            return all_of(valve.was, other.was, ~self._led(rule, other, valve))
        return self._led(rule, valve, other)

    def _led(self, rule: SharedOnlyAbove, first: ValveFacts, later: ValveFacts) -> Expr:
        """Return whether, before this scan, both were open and the later bay's valve had opened before the other."""
        name = f"{rule.tag}.{later.tag}.before.{first.tag}"
        if name not in self._memories:
            before = self._memories[name] = self._scene.since_start(name)
            led = (first.rises & later.was) | before
            self._scene.keep(name, all_of(first.command, later.command, led))
        return self._memories[name]

    def _exclusive_clauses(self, rule: ExclusiveVessel, v: ValveFacts) -> Iterator[Clause]:
        rivals = self._rivals(v)
        bays = tuple(dict.fromkeys((v.valve.bay, *self.of[v.tag].bays)))
        near = (rule.vessel, *bays, rule.tag)
        for o in rivals:
            yield Clause(
                f"valves {v.tag} and {o.tag} draw from {rule.vessel} at once", ~v.command | ~o.was, near=near
            )
        asked = any_of(*(o.asked for o in rivals if self._goes_first(o, v)))
        yield Clause(
            f"valve {v.tag} opens in the scan in which an earlier bay asks for {rule.vessel}",
            ~v.rises | ~asked,
            near=near,
        )
        yield Clause(
            f"valve {v.tag} opens while another bay's valve from {rule.vessel} is not shown closed",
            ~v.rises | all_of(*(o.shown_closed for o in rivals)),
            near=near,
        )

    def _shared_clauses(self, rule: SharedOnlyAbove, v: ValveFacts) -> Iterator[Clause]:
        if not self._rivals_under(rule, v):
            return
        sharing = self.of[v.tag]
        near = (rule.vessel, v.valve.bay, *sharing.bays, rule.tag)
        yield Clause(
            f"valve {v.tag} opens beside another bay while {rule.vessel} is too low for two",
            ~v.rises | sharing.enough[rule.tag],
            near=near,
        )
        yield Clause(
            f"valve {v.tag}, which opened later, stays open though {rule.vessel} is too low for two bays",
            ~v.command | ~sharing.yields[rule.tag],
            near=near,
        )
