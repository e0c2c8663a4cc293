"""Bypasses of low trips as people make them: who asked, who approved, who ended one.

Asks and a scan's outputs in; what the journal is to know, and what a panel shows, out. That an ask lapses, that one
bypass runs at a time and that it ends are the scheme's; that two different people act is kept here and in ``asks``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

from sidetap.quantity import NS_PER_MS
from sidetap.scheme import Value
from sidetap.site.model import Bypass
from sidetap.station.desk import STATION, Moment
from sidetap.station.store import Entry

Outputs: TypeAlias = Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class Asked:
    """A bypass that somebody asks for, and who has approved it; None while nobody has."""

    asked_by: str
    lasts_ms: int
    approved_by: str | None = None


class Bypasses:
    """The bypasses of one site.

    asked: by vessel, what waits for an approval; one that has lapsed by the scheme's time stays until the next ask.
    approved: the vessel whose bypass begins with the next scan, None for none. ended_by: who ends one with it.
    """

    def __init__(self, bypass: Bypass | None) -> None:
        self._bypass = bypass
        self.asked: dict[str, Asked] = {}
        self.approved: str | None = None
        self.ended_by: dict[str, str] = {}
        self._running: dict[str, Asked] = {}

    @property
    def vessels(self) -> tuple[str, ...]:
        """The vessels whose low trip may be bypassed at all."""
        return () if self._bypass is None else self._bypass.trips

    @property
    def most_ms(self) -> int:
        """How long a bypass may last at most; 0 where there are none."""
        return 0 if self._bypass is None else self._bypass.at_most_ns // NS_PER_MS

    @property
    def usual_ms(self) -> int:
        """How long a bypass lasts when nobody says; 0 where there are none."""
        return 0 if self._bypass is None else self._bypass.time_ns // NS_PER_MS

    def inputs(self) -> dict[str, Value]:
        """Return the scheme's input for how long: that of the bypass which begins with this scan."""
        if self._bypass is None:
            return {}
        return {"site.bypass_ms": self.usual_ms if self.approved is None else self.asked[self.approved].lasts_ms}

    def begins(self, at: Moment, before: Outputs, outputs: Outputs) -> Iterator[Entry]:
        """Yield what is to be written before a bypass that begins in this scan counts."""
        for vessel in self.vessels:
            if outputs[f"{vessel}.bypassed"] and not before.get(f"{vessel}.bypassed"):
                asked = self.asked[vessel]
                what = {"on": True, "approved_by": asked.approved_by, "lasts_ms": asked.lasts_ms}
                yield at.entry("bypass", vessel, asked.asked_by, what)

    def take(self, at: Moment, before: Outputs, outputs: Outputs) -> list[Entry]:
        """Take over what this scan has begun and ended, and return what is to be written of what has ended."""
        entries = []
        for vessel in self.vessels:
            was, runs = before.get(f"{vessel}.bypassed"), outputs[f"{vessel}.bypassed"]
            if runs and not was:
                self._running[vessel] = self.asked.pop(vessel)
            elif was and not runs:
                ended = self._running.pop(vessel)
                what = {"on": False, "asked_by": ended.asked_by, "approved_by": ended.approved_by}
                entries.append(at.entry("bypass", vessel, self.ended_by.get(vessel, STATION), what))
        self.approved = None
        self.ended_by.clear()
        return entries

    def shown(self, vessel: str, states: Outputs, outputs: Outputs) -> dict[str, Any] | None:
        """Return what a panel shows of a vessel's bypass: one that runs, or an ask that waits; None for neither."""
        if vessel in self._running:
            found, left_ms = self._running[vessel], int(outputs[f"{vessel}.bypass_left_ms"])
        elif vessel in self.asked and (left_ms := self.stands_ms(vessel, states)) > 0:
            found = self.asked[vessel]
        else:
            return None
        return {
            "runs": vessel in self._running,
            "asked_by": found.asked_by,
            "approved_by": found.approved_by,
            "lasts_ms": found.lasts_ms,
            "left_ms": left_ms,
        }

    def who(self, vessel: str) -> tuple[str, str] | None:
        """Return who asked for the bypass that runs on a vessel, and who approved it; None when none runs."""
        found = self._running.get(vessel)
        return None if found is None else (found.asked_by, str(found.approved_by))

    def stands_ms(self, vessel: str, states: Outputs) -> int:
        """Return for how long a vessel's ask still waits for an approval."""
        return int(states[f"{vessel}.bypass_ask"])
