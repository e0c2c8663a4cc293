"""What the station keeps for one bay beside the scheme's states: ticket, choice, panel, and what became of them.

Outputs of a scan in; entries, kept values and load records to be written out. Nothing is taken over before whoever
asked says that it has been written (``take``); what falls is taken over at once, because it has happened.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from decimal import Decimal
from typing import TypeAlias

from sidetap.measure import Drawn
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.scheme import Value
from sidetap.site.cause_effect import CompiledBay, CompiledValve
from sidetap.site.model import Bay
from sidetap.station.loads import INTERRUPTED, NOT_AT_REST, Gauge, Load, Opening
from sidetap.station.store import Entry, Json

# The scheme assumes that a running account is stored each second; twice as often leaves room for a late scan.
STORE_EVERY_NS = NS_PER_S // 2
STATION = "station"
_ACCOUNT = ("account", "openings", "last")  # what the scheme says of a ticket, and reads again after a restart

Outputs: TypeAlias = Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class Moment:
    """Now, on the engine's clock and as the wall clock's label, and what vessels hold now.

    by_level: what the levels tell of an opening that is over, up to a gauge.
    """

    now_ns: int
    utc_ns: int
    gauge: Callable[[str], Gauge]
    by_level: Callable[[Opening, Gauge], Drawn]

    def entry(self, kind: str, subject: str, who: str, what: Mapping[str, Json]) -> Entry:
        """Return a journal entry of this moment."""
        return Entry(self.utc_ns, self.now_ns, kind, subject, who, what)


@dataclass(frozen=True, slots=True)
class Why:
    """What closes a valve, or keeps it closed: its name, a sentence, and in one clause what would let it open."""

    name: str
    text: str
    remedy: str


@dataclass(frozen=True, slots=True)
class LastClose:
    """What closed a bay's valve last, and when."""

    valve: str
    utc_ns: int
    cause: Why


@dataclass(frozen=True, slots=True)
class Settling:
    """The record of an opening that is over, while the liquid comes to rest: then its level is taken once more."""

    load: Load
    valve: CompiledValve
    until_ns: int


@dataclass(slots=True)
class Plan:
    """What is to be written for a bay, and what is so once it is written."""

    load: Load | None
    opened: CompiledValve | None = None
    entries: list[Entry] = field(default_factory=list)
    kept: dict[str, Json] = field(default_factory=dict)


class BayDesk:
    """One bay.

    load: the record of the open ticket. asked: a ticket asked for that no scan has opened yet. choice: the number of
    the valve chosen, 0 for none. opened_ns: when the command that stands was given. rest_ns: how long after a closing
    the level is taken again, by valve.
    """

    def __init__(self, bay: Bay, compiled: CompiledBay, rest_ns: Mapping[str, int]) -> None:
        self.bay = bay
        self.compiled = compiled
        self._rest_ns = rest_ns
        self._settling: Settling | None = None
        self.load: Load | None = None
        self.asked: Load | None = None
        self.choice = 0
        self.panel_heard_ns: int | None = None
        self.opened_ns: int | None = None
        self.last_close: LastClose | None = None
        self._stored_ns = 0

    @property
    def key(self) -> str:
        """The key under which a restart finds this bay."""
        return f"bay.{self.bay.tag}"

    def restore(self, kept: Mapping[str, Json], load: Load | None, same_scheme: bool) -> dict[str, Value]:
        """Take up what was kept and return the scheme's stored inputs.

        After a change of the scheme the units of an account mean something else, so it counts as used up.
        """
        tag = self.bay.tag
        self.load = load
        if load is None:
            return {f"{tag}.stored_ticket": False}
        known = same_scheme and all(word in kept for word in _ACCOUNT)
        return {
            f"{tag}.stored_ticket": True,
            f"{tag}.stored_account": int(kept["account"]) if known else self.compiled.full,
            f"{tag}.stored_openings": int(kept["openings"]) if known else 0,
            f"{tag}.stored_last": int(kept["last"]) if known else 0,
        }

    def valve_of(self, number: int) -> CompiledValve | None:
        """Return the valve with that number on the bay's choice, None for 0."""
        return next((valve for valve in self.compiled.valves if valve.choice == number), None)

    def share(self, outputs: Outputs) -> str:
        """Return the share of the ticket's open time that is used, rounded up to four decimals."""
        used = -(-int(outputs[f"{self.bay.tag}.account"]) * 10_000 // self.compiled.full)
        return str(Decimal(used).scaleb(-4))

    def rises(self, at: Moment, before: Outputs, outputs: Outputs) -> Plan:
        """Return what this scan starts, or what a restart would need: to be written before it is commanded.

        before: the outputs of the scan before; empty in the first.
        """
        tag = self.bay.tag
        plan = Plan(self.load)
        if self.asked is not None and self.load is None and outputs[f"{tag}.ticket"]:
            plan.load = self.asked
            plan.kept["ticket-number"] = self.asked.ticket
            what = {"ticket": self.asked.ticket, "vessels": list(self.asked.vessels)}
            plan.entries.append(at.entry("ticket", tag, self.asked.person, what))
        if plan.load is None:
            return plan
        if not before:
            plan.load = plan.load.interrupted(self.share(outputs))
            what = {"ticket": plan.load.ticket, "account_share": plan.load.account_share}
            plan.entries.append(at.entry(INTERRUPTED, tag, STATION, what))
        valve = next((v for v in self.compiled.valves if outputs[f"{v.tag}.command"]), None)
        if valve is not None and not before.get(f"{valve.tag}.command"):
            plan.opened = valve
            gauge = at.gauge(valve.vessel)
            plan.load = plan.load.opened(Opening(valve.tag, at.utc_ns, gauge))
            what = {"ticket": plan.load.ticket, "account_share": self.share(outputs), **asdict(gauge)}
            plan.entries.append(at.entry("open", valve.tag, plan.load.person, what))
        elif valve is not None and at.now_ns - self._stored_ns >= STORE_EVERY_NS:
            plan.load = self._running(plan.load, valve, at, outputs)
        if plan.load is not self.load:
            plan.kept[self.key] = self._kept(plan.load, outputs)
        return plan

    def take(self, plan: Plan, now_ns: int) -> None:
        """Take over a plan that has been written."""
        if plan.load is not self.load:
            self._stored_ns = now_ns
        if plan.load is not None and self.load is None:
            valves = [valve for valve in self.compiled.valves if valve.vessel in plan.load.vessels]
            self.choice = valves[0].choice if len(valves) == 1 else 0
        if plan.opened is not None:
            self.opened_ns = now_ns
            self._settling = None
        self.load = plan.load

    def falls(self, at: Moment, before: Outputs, outputs: Outputs, why: Callable[[CompiledValve], Why]) -> Plan:
        """Take over what this scan ends and return it, to be written once the closing is on its way.

        why: what closed a valve.
        """
        tag = self.bay.tag
        plan = Plan(self.load)
        for valve in self.compiled.valves:
            if not before.get(f"{valve.tag}.command") or outputs[f"{valve.tag}.command"]:
                continue
            cause = why(valve)
            self.last_close = LastClose(valve.tag, at.utc_ns, cause)
            if plan.load is not None:
                plan.load = self._running(plan.load, valve, at, outputs).closed(at.utc_ns, cause.name)
            what = {
                "cause": cause.name,
                "text": cause.text,
                "remedy": cause.remedy,
                "open_ms": self._open_ms(at.now_ns),
                "account_share": self.share(outputs),
            }
            plan.entries.append(at.entry("close", valve.tag, STATION, what))
            self.opened_ns = None
            if plan.load is not None:
                self._settling = Settling(plan.load, valve, at.now_ns + self._rest_ns[valve.tag])
        if plan.load is not None and before.get(f"{tag}.interrupted") and not outputs[f"{tag}.interrupted"]:
            plan.load = plan.load.resumed() if outputs[f"{tag}.ticket"] else plan.load
        if plan.load is not None and not outputs[f"{tag}.ticket"]:
            plan.load = plan.load.ended(at.utc_ns)
            what = {"ticket": plan.load.ticket, "outcome": plan.load.outcome, "account_share": self.share(outputs)}
            plan.entries.append(at.entry("ticket-end", tag, STATION, what))
        if plan.load is not self.load and plan.load is not None:
            ended = plan.load.ended_utc_ns is not None
            plan.kept[self.key] = self._kept(None if ended else plan.load, outputs)
            self.load = None if ended else plan.load
            self.choice = 0 if ended else self.choice
            if self._settling is not None and self._settling.load.ticket == plan.load.ticket:
                self._settling = replace(self._settling, load=plan.load)
        return plan

    def settle(self, at: Moment, drawn_again: Callable[[str], bool]) -> Load | None:
        """Return the record of an opening whose liquid has come to rest by now, gauged once more; None when none has.

        drawn_again: whether anything draws from a vessel now: then its level tells no more what the opening took.
        """
        settling = self._settling
        if settling is None:
            return None
        again = drawn_again(settling.valve.vessel)
        if at.now_ns < settling.until_ns and not again:
            return None
        self._settling = None
        gauge, opening = at.gauge(settling.valve.vessel), settling.load.openings[-1]
        by_level = NOT_AT_REST if again else at.by_level(opening, gauge)
        load = settling.load.gauged(gauge, by_level)
        if self.load is not None and self.load.ticket == load.ticket:
            self.load = load
        return load

    def _running(self, load: Load, valve: CompiledValve, at: Moment, outputs: Outputs) -> Load:
        return load.running(self._open_ms(at.now_ns), at.gauge(valve.vessel), self.share(outputs))

    def _open_ms(self, now_ns: int) -> int:
        return 0 if self.opened_ns is None else now_ns // NS_PER_MS - self.opened_ns // NS_PER_MS

    def _kept(self, load: Load | None, outputs: Outputs) -> Json:
        values = {word: int(outputs[f"{self.bay.tag}.{word}"]) for word in _ACCOUNT}
        return {"ticket": None if load is None else load.ticket, **values}
