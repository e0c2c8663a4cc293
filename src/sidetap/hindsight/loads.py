"""What was loaded, and how that is known: the loads that the scheme is asked about.

Data only. All moments are in ns on the recording's clock.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Draw:
    """One opening of one valve: the moments at which open and close were asked for.

    volume_m3: what left the vessel. begins_in, ends_in: False where the record begins or ends, or levels are missing,
    while it goes on. others: tags of other sets of bays that could have drawn so ("B", "A + C").
    """

    valve: str
    start_ns: int
    end_ns: int
    volume_m3: float
    begins_in: bool = True
    ends_in: bool = True
    others: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Ticket:
    """What was drawn at a bay for one vehicle, in order of time. number: a real ticket's; None where levels tell."""

    bay: str
    draws: tuple[Draw, ...]
    number: int | None = None


@dataclass(frozen=True, slots=True)
class Change:
    """A change of a vessel's content that no bay's draw explains: a delivery, or a fall that fits none.

    volume_m3 below 0 for a fall.
    """

    vessel: str
    start_ns: int
    end_ns: int
    volume_m3: float
