"""Answers of the tapped line -> each vessel's levels as a running station would have seen them, kept whole.

Transactions come in, in the order they were heard; a ``Series`` of each vessel goes out. No I/O and no clock; nothing
is smoothed or mended here.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

from sidetap.line import Transaction
from sidetap.measure import Meter
from sidetap.site.model import Site


@dataclass(slots=True)
class Series:
    """What the answers said of one vessel: good levels, rounded down to 0.1 mm, and when an answer said no.

    All times in ns on the recording's clock, not falling; a good level's is that of its last byte on the wire.
    """

    good_ns: list[int] = field(default_factory=list)
    level_01mm: list[int] = field(default_factory=list)
    bad_ns: list[int] = field(default_factory=list)


class Levels:
    """The series of a site's vessels, growing."""

    def __init__(self, site: Site) -> None:
        self.of: dict[str, Series] = {vessel.tag: Series() for vessel in site.vessels}
        self._meter = Meter(site)
        self._seen = {vessel.tag: (0, 0) for vessel in site.vessels}  # good and bad answers so far
        self._told_by: dict[int, list[str]] = defaultdict(list)
        for vessel in site.vessels:
            self._told_by[site.point(vessel.level.point).device].append(vessel.tag)

    def receive(self, transaction: Transaction) -> None:
        """Take what happened on the line."""
        self._meter.receive(transaction)
        t_ns = transaction.t_end_ns
        if t_ns is None:
            return
        for tag in self._told_by.get(transaction.device, ()):
            reading = self._meter.level(tag, t_ns)
            samples = reading.sample, reading.bad_samples
            if samples == self._seen[tag]:
                continue
            series = self.of[tag]
            if reading.bad_samples != self._seen[tag][1]:
                series.bad_ns.append(t_ns)
            elif reading.last_good is not None:
                series.level_01mm.append(reading.last_good[0])
                series.good_ns.append(reading.last_good[1])
            self._seen[tag] = samples
