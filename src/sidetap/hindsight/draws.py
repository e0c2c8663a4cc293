"""Stretches of even flow -> which bay drew from which vessel, from when to when; deliveries; what fits no bay.

A fall fits some bays when its flow lies within the sum of their flows, each with its tolerance, widened by the fall's
own uncertainty. Where several sets of bays fit, the nearest is taken and the others are told. A valve strokes: its
flow begins half a stroke after its command on the average, and goes on for as long after it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

from sidetap.hindsight.levels import Series
from sidetap.hindsight.loads import Change, Draw, Ticket
from sidetap.hindsight.stretches import Stretch, meeting_ns, stretches
from sidetap.quantity import NS_PER_S
from sidetap.site.model import Site, Valve, Vessel, in_order

MOST_AT_ONCE = 3  # bays drawing from one vessel
STILL = 0.1  # of the least flow of a bay: less is no draw but a leak, warmth, or the trend of a transmitter
SHORT_NS = 30 * NS_PER_S  # a stretch as short, its flow between its neighbours', is only the way between them


@dataclass(frozen=True, slots=True)
class Fit:
    """A set of bays that could have drawn at a flow, by one of their valves each; off: how far from their nominal."""

    valves: tuple[Valve, ...]
    flow_m3_per_s: float
    off_m3_per_s: float

    @property
    def bays(self) -> str:
        """The bays' tags."""
        return " + ".join(valve.bay for valve in self.valves)


def seen_in(site: Site, levels: dict[str, Series]) -> tuple[list[Ticket], list[Change]]:
    """Return the draws that the levels tell of, each as a ticket of its own, and every other change of a content."""
    tickets: list[Ticket] = []
    changes: list[Change] = []
    for vessel in in_order(site.vessels):
        valves = _valves(site, vessel)
        for run in stretches(vessel, levels[vessel.tag]):
            draws, rest = _of_run(site, vessel, valves, run)
            tickets += [Ticket(site.valve(draw.valve).bay, (draw,)) for draw in draws]
            changes += rest
    tickets.sort(key=lambda ticket: (ticket.draws[0].start_ns, ticket.bay))
    changes.sort(key=lambda change: (change.start_ns, change.vessel))
    return tickets, changes


def _valves(site: Site, vessel: Vessel) -> list[Valve]:
    """Return one valve of each bay that draws from the vessel."""
    of_bay: dict[str, Valve] = {}
    for valve in in_order(site.valves):
        if valve.vessel == vessel.tag:
            of_bay.setdefault(valve.bay, valve)
    return list(of_bay.values())


def fits(site: Site, vessel: Vessel, valves: list[Valve], stretch: Stretch) -> list[Fit]:
    """Return the sets of bays whose draw a fall fits, the nearest first."""
    seen, found = -stretch.flow_m3_per_s, []
    unsure = stretch.flow_u_m3_per_s + float(vessel.uncertainty.volume) * abs(seen)
    for size in range(1, MOST_AT_ONCE + 1):
        for chosen in combinations(valves, size):
            bays = [site.bay(valve.bay) for valve in chosen]
            nominal = sum(float(bay.flow_m3_per_s) for bay in bays)
            allowed = sum(float(bay.flow_m3_per_s * bay.flow_tolerance) for bay in bays)
            if abs(seen - nominal) <= allowed + unsure:
                found.append(Fit(chosen, nominal, abs(seen - nominal)))
    return sorted(found, key=lambda fit: (fit.off_m3_per_s / fit.flow_m3_per_s, len(fit.valves)))


def _of_run(site: Site, vessel: Vessel, valves: list[Valve], run: list[Stretch]) -> tuple[list[Draw], list[Change]]:
    draws: list[Draw] = []
    changes: list[Change] = []
    running: dict[str, Draw] = {}
    still = STILL * min((float(site.bay(valve.bay).flow_m3_per_s) for valve in valves), default=0.0)
    for stretch in _without_ways(run, still):
        flow = stretch.flow_m3_per_s
        quiet = abs(flow) <= max(still, stretch.flow_u_m3_per_s)
        found = fits(site, vessel, valves, stretch) if flow < 0 and not quiet else []
        best = found[0].valves if found else ()
        draws += [running.pop(tag) for tag in running.keys() - {valve.tag for valve in best}]
        if not quiet and not found:
            changes.append(Change(vessel.tag, stretch.start_ns, stretch.end_ns, flow * stretch.seconds))
        for valve in best:
            share = float(site.bay(valve.bay).flow_m3_per_s) / found[0].flow_m3_per_s
            part = _part(valve, stretch, -flow * share * stretch.seconds, tuple(fit.bays for fit in found[1:]))
            before = running.get(valve.tag)
            running[valve.tag] = part if before is None else _longer(before, part)
    return draws + list(running.values()), changes


def _part(valve: Valve, stretch: Stretch, volume_m3: float, others: tuple[str, ...]) -> Draw:
    half_ns = valve.stroke_ns // 2
    start_ns, end_ns = stretch.start_ns - half_ns, stretch.end_ns - half_ns
    return Draw(valve.tag, start_ns, end_ns, volume_m3, stretch.begins_in, stretch.ends_in, others)


def _longer(before: Draw, part: Draw) -> Draw:
    volume_m3, others = before.volume_m3 + part.volume_m3, tuple(dict.fromkeys(before.others + part.others))
    return Draw(before.valve, before.start_ns, part.end_ns, volume_m3, before.begins_in, part.ends_in, others)


def _without_ways(run: list[Stretch], still_m3_per_s: float) -> Iterator[Stretch]:
    """Yield the stretches without those that are only the way from one flow to the next: a valve that strokes."""
    kept = list(run)
    n = 1
    while n < len(kept) - 1:
        before, way, after = kept[n - 1 : n + 2]
        low, high = sorted((before.flow_m3_per_s, after.flow_m3_per_s))
        between = low - still_m3_per_s <= way.flow_m3_per_s <= high + still_m3_per_s
        if way.end_ns - way.start_ns < SHORT_NS and between:
            at_ns = meeting_ns(before, after)
            later = replace(after, start_ns=at_ns, volume_m3=after.volume_at(at_ns))
            kept[n - 1 : n + 2] = [replace(before, end_ns=at_ns), later]
        else:
            n += 1
    yield from kept
