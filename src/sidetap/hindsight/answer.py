"""A record and the loads on it -> which loads would have gone differently under the scheme; the answer's document.

No I/O and no clock.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from sidetap.hindsight.draws import seen_in
from sidetap.hindsight.hands import LEAD_NS, Outcome
from sidetap.hindsight.levels import Series
from sidetap.hindsight.loads import Change, Draw, Ticket
from sidetap.hindsight.stepping import step_over
from sidetap.quantity import NS_PER_S, from_si
from sidetap.site.cause_effect import CompiledScheme
from sidetap.site.model import Site

_BEGAN_BEFORE = "it had begun before the recording, or while no level was told"
_TOO_EARLY = "the recording begins too shortly before it: no scheme could have watched the level for long enough"
_OUTSIDE = "its ticket lies outside the recording"


@dataclass(frozen=True, slots=True)
class Hindsight:
    """The answer: outcomes in order of time, and changes of contents that no load explains.

    first_ns, last_ns: from the first level of the record to the last.
    """

    scheme_hash: str
    first_ns: int
    last_ns: int
    outcomes: tuple[Outcome, ...]
    changes: tuple[Change, ...]

    def document(self, site: Site) -> dict[str, Any]:
        """Return the answer as the document of ``sidetap replay --json``; times in s of the record."""
        return {
            "scheme_hash": self.scheme_hash,
            "from_s": _s(self.first_ns),
            "to_s": _s(self.last_ns),
            "loads": [_load(site, outcome) for outcome in self.outcomes],
            "changes": [
                {
                    "vessel": change.vessel,
                    "change": "delivery" if change.volume_m3 > 0 else "unexplained-fall",
                    "from_s": _s(change.start_ns),
                    "to_s": _s(change.end_ns),
                    **_volume("volume", abs(change.volume_m3)),
                }
                for change in self.changes
            ],
        }


def look_back(
    site: Site,
    scheme: CompiledScheme,
    levels: Mapping[str, Series],
    real: Sequence[Ticket] | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> Hindsight:
    """Return what the scheme would have made of the loads of a record.

    real: the tickets of a station; without them the loads are the draws that the levels tell of.
    """
    seen, changes = seen_in(site, dict(levels))
    tickets = seen if real is None else list(real)
    told = [series.good_ns for series in levels.values() if series.good_ns]
    first_ns, last_ns = min((t[0] for t in told), default=0), max((t[-1] for t in told), default=0)
    unknown = {id(ticket): _unknown(site, ticket, first_ns, last_ns) for ticket in tickets}
    judged = step_over(site, scheme, levels, [t for t in tickets if not unknown[id(t)]], progress)
    rest = [
        Outcome(ticket, draw, "unknown", draw.start_ns, why=unknown[id(ticket)])
        for ticket in tickets
        if unknown[id(ticket)]
        for draw in ticket.draws
    ]
    outcomes = sorted(judged + rest, key=lambda outcome: (outcome.draw.start_ns, outcome.ticket.bay))
    return Hindsight(scheme.digest, first_ns, last_ns, tuple(outcomes), tuple(changes))


def _unknown(site: Site, ticket: Ticket, first_ns: int, last_ns: int) -> str:
    """Return why nothing can be said of a ticket; "" when something can."""
    if any(not draw.begins_in for draw in ticket.draws):
        return _BEGAN_BEFORE
    if ticket.draws[0].start_ns < first_ns or ticket.draws[-1].end_ns > last_ns + NS_PER_S:
        return _OUTSIDE
    if ticket.draws[0].start_ns < first_ns + settling_ns(site):
        return _TOO_EARLY
    return ""


def settling_ns(site: Site) -> int:
    """Return how long after its start the scheme may open at the earliest."""
    filters = [max(vessel.trip.mean_ns, 3 * vessel.trip.lag_ns) for vessel in site.vessels]
    return max([site.start_hold_ns, *(each + 2 * NS_PER_S for each in filters)]) + LEAD_NS


def _load(site: Site, outcome: Outcome) -> dict[str, Any]:
    draw: Draw = outcome.draw
    closed_early = outcome.verdict == "closed-early"
    return {
        "bay": outcome.ticket.bay,
        "valve": draw.valve,
        "vessel": site.valve(draw.valve).vessel,
        "ticket": outcome.ticket.number,
        "start_s": _s(draw.start_ns),
        "end_s": _s(draw.end_ns),
        **_volume("volume", draw.volume_m3),
        "ends_in_record": draw.ends_in,
        "others": list(draw.others),
        "verdict": outcome.verdict,
        "closed_s": _s(outcome.at_ns) if closed_early else None,
        "opened_late_s": _s(outcome.opened_late_ns),
        "cause": outcome.cause or None,
        "why": outcome.why or None,
        **_volume("less", outcome.less_m3),
    }


def _s(t_ns: int) -> float:
    """Return seconds; no moment here is known to less than a ms."""
    return round(t_ns / NS_PER_S, 3)


def _volume(name: str, volume_m3: float) -> dict[str, float]:
    return {f"{name}_{unit}": round(float(from_si(Fraction(volume_m3), unit)), 1) for unit in ("gal", "L")}
