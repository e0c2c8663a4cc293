"""The load record of a ticket: who loaded what from which vessel, when, for how long, and what ended it.

Values in, new values out: a record is never changed in place, so that a write that failed leaves the old one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from sidetap.measure import Drawn

COMPLETED, UNUSED, INTERRUPTED = "completed", "unused", "interrupted"
NOT_AT_REST = Drawn(None, None, "the level was not taken again after the valve had closed")
CLOSE_KEY = "close-key"  # the scheme's name of the cause that a person pressed close


@dataclass(frozen=True, slots=True)
class Gauge:
    """What a vessel's level was at some moment: 0.1 mm and m³; None where it was not known."""

    level_01mm: int | None
    volume_m3: float | None


@dataclass(frozen=True, slots=True)
class Opening:
    """One opening of a valve on a ticket.

    Times in ns since 1970 (UTC); open_ms by the scheme's clock, so it is right when the wall clock was set. Of an
    opening that a crash ended, open_ms and after are those last stored and closed_utc_ns stays None. cause: the name
    of what closed it; None while open. by_level: what the levels before and after tell of the volume drawn, once the
    liquid has come to rest; None while open, and after a crash.
    """

    valve: str
    opened_utc_ns: int
    before: Gauge
    open_ms: int = 0
    after: Gauge | None = None
    closed_utc_ns: int | None = None
    cause: str | None = None
    by_level: Drawn | None = None


@dataclass(frozen=True, slots=True)
class Load:
    """The record of one ticket.

    outcome: None while it runs; then completed, unused (no valve was opened), or the name of the cause that closed
    the last opening (limit, trip, old ...); interrupted from a start that found the ticket open until a lead resumes
    it, or it ends. account_share: share of the open time used, four decimals. interruptions: how often.
    """

    ticket: int
    bay: str
    person: str
    vessels: tuple[str, ...]
    started_utc_ns: int
    ended_utc_ns: int | None = None
    outcome: str | None = None
    interruptions: int = 0
    account_share: str = "0.0000"
    openings: tuple[Opening, ...] = ()

    def opened(self, opening: Opening) -> Load:
        """Return the record with one more opening."""
        return replace(self, openings=(*self.openings, opening))

    def running(self, open_ms: int, now: Gauge, account_share: str) -> Load:
        """Return the record with what a running opening has come to."""
        last = replace(self.openings[-1], open_ms=open_ms, after=now)
        return replace(self, openings=(*self.openings[:-1], last), account_share=account_share)

    def closed(self, utc_ns: int, cause: str) -> Load:
        """Return the record with its last opening closed by a cause."""
        last = replace(self.openings[-1], closed_utc_ns=utc_ns, cause=cause, by_level=NOT_AT_REST)
        return replace(self, openings=(*self.openings[:-1], last))

    def gauged(self, now: Gauge, by_level: Drawn) -> Load:
        """Return the record with its last opening gauged once more, now that nothing flows any longer."""
        last = replace(self.openings[-1], after=now, by_level=by_level)
        return replace(self, openings=(*self.openings[:-1], last))

    def interrupted(self, account_share: str) -> Load:
        """Return the record as a start finds it whose ticket was still open."""
        openings = self.openings
        if openings and openings[-1].cause is None:
            openings = (*openings[:-1], replace(openings[-1], cause=INTERRUPTED))
        return replace(
            self,
            outcome=INTERRUPTED,
            interruptions=self.interruptions + 1,
            account_share=account_share,
            openings=openings,
        )

    def resumed(self) -> Load:
        """Return the record as a lead lets it go on."""
        return replace(self, outcome=None)

    def ended(self, utc_ns: int) -> Load:
        """Return the record with its ticket ended, and what came of it."""
        outcome = self.outcome
        if outcome is None:
            cause = self.openings[-1].cause if self.openings else None
            outcome = UNUSED if cause is None else COMPLETED if cause == CLOSE_KEY else cause
        return replace(self, ended_utc_ns=utc_ns, outcome=outcome)


def load_from(row: Mapping[str, Any]) -> Load:
    """Return the record kept as plain values, the inverse of ``dataclasses.asdict``."""
    openings = tuple(
        Opening(
            **{
                **o,
                "before": Gauge(**o["before"]),
                "after": None if o["after"] is None else Gauge(**o["after"]),
                "by_level": None if o["by_level"] is None else Drawn(**o["by_level"]),
            }
        )
        for o in row["openings"]
    )
    return Load(**{**row, "vessels": tuple(row["vessels"]), "openings": openings})
