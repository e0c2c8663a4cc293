"""All relations of a line: device by device, then what falls while something draws.

Within one device every two values may be held against each other; across devices only draws against falls. A line of
60 devices with 125 registers has 28 million pairs: among so many, something always fits.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sidetap.quantity import NS_PER_S
from sidetap.survey.events import YardEvent
from sidetap.survey.relations.course import Course, course, falls
from sidetap.survey.relations.draws import Draw, noted, of_flow, of_total, seems_to_draw
from sidetap.survey.relations.falls import MOST_DRAWS, MOST_FALLING, Falling, falls_during
from sidetap.survey.relations.meter import meter
from sidetap.survey.relations.pairs import MOST_FITS, movers, pairs, wide
from sidetap.survey.relations.relation import Relation, Tied
from sidetap.survey.relations.series import Sheet, numeric, sheets, without_codes
from sidetap.survey.relations.telling import told
from sidetap.survey.values import Candidate, Device


@dataclass(frozen=True, slots=True, eq=False)
class _Moving:
    """A sheet of a device, and which of its values move and are no meter's. apart: registers of a meter."""

    candidates: dict[tuple[str, int], Candidate]
    sheet: Sheet
    moving: list[int]
    apart: set[tuple[str, int]]

    def course(self, n: int) -> Course | None:
        """Return how a value goes over the whole record, all its answers taken; None without times."""
        value = self.sheet.values[n]
        candidate = self.candidates[value.table, value.register]
        if candidate.block.t_ns is None:
            return None
        t_s = candidate.block.t_ns / NS_PER_S
        return course(t_s, without_codes(candidate.decoded()[None])[0], float(self.sheet.rounding[n]))

    def tied(self, n: int, role: str) -> Tied:
        """Return a value as one of a relation."""
        value = self.sheet.values[n]
        return Tied(value.device, value.table, value.register, value.encoding, role)


def relations(devices: Sequence[Device], yard_events: Sequence[YardEvent] = ()) -> tuple[Relation, ...]:
    """Return the relations that the values of devices show; yard_events: what people noted."""
    found: list[Relation] = []
    held: list[_Moving] = []
    for device in devices:
        candidates = numeric(device)
        for sheet in sheets(device, candidates):
            of_a_meter = meter(sheet)
            found += of_a_meter
            taken = {(tied.table, tied.register) for relation in of_a_meter for tied in relation.registers}
            values = sheet.values
            moving = [n for n in movers(sheet) if (values[n].table, values[n].register) not in taken]
            held.append(_Moving(candidates, sheet, moving, taken))
    tried = sum(len(h.moving) * (len(h.moving) - 1) // 2 for h in held)
    left = MOST_FITS
    for h in held:
        fitting, fits = pairs(h.sheet, h.moving, tried, left)
        left -= fits
        found += told(h.sheet, fitting, tried)
    found += _falls(held, noted(yard_events))
    return tuple(sorted(found, key=lambda relation: relation.devices))


def _falls(held: Sequence[_Moving], draws: list[Draw]) -> list[Relation]:
    """Return what falls while something draws; the first draws and the first falling values that come."""
    drawing = set()
    for h in held:
        for n in np.flatnonzero(seems_to_draw(h.sheet)).tolist():
            if len(draws) < MOST_DRAWS and (line := h.course(n)) is not None:
                source = h.tied(n, "draws")
                draw = of_total(line, source) or of_flow(line, source)
                if draw is not None:
                    draws.append(draw)
                    drawing.add(source)
    if not draws:
        return []
    falling: list[Falling] = []
    for h in held:
        for n in wide(h.sheet):
            value = h.tied(n, "falls")
            known = h.tied(n, "draws") in drawing or (value.table, value.register) in h.apart
            if len(falling) < MOST_FALLING and not known:
                line = h.course(n)
                if line is not None:
                    falling.append(Falling(value, falls(line), len(line.means) * line.width_s, line.width_s))
    return falls_during(draws, falling)
