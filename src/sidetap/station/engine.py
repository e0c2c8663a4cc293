"""The station's heart: bytes, people's wishes and the passing of time in; commands, records and what to show out.

It does no I/O but through the store it is given, and owns no clock: every duration comes from the ``now_ns`` handed
in (any clock that only goes forward, one for all calls and chunks), wall time only labels records. So the same engine
runs under a real clock and under a virtual one. It decides nothing about valves that the scheme does not say.

Theory of operation. A scan goes measure -> step -> commands. What rises in it (an opening, a ticket, the account of
open time that a restart will need) is made durable before its command is given; where that fails, the scan is done
again with every close key pressed, which the scheme's step, being a pure function, allows. What falls in it is sent
first and journalled once it is on its way. A reason of the station's own to keep everything closed (the journal can't
be written, the station stops) is fed to the scheme as a pressed close key, so that the scheme's state and the outputs
never differ. A module that is not live makes its inputs false, and they close.

A scan comes every ``site.scan_ns``. One that comes late is one scan with a longer elapsed time, never several.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from functools import partial
from typing import Any, TypeAlias
from zoneinfo import ZoneInfo

from sidetap.line import Chunk, Settings
from sidetap.measure import Drawn, LevelReading, Meter
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.scheme import GeneratedRunner, Type, Value
from sidetap.site.cause_effect import AGE_LIMIT_MS, LEVEL_LIMIT_01MM, CompiledScheme, CompiledValve
from sidetap.site.model import Site, Valve
from sidetap.station import asks, snapshots
from sidetap.station.bypasses import Bypasses
from sidetap.station.clearance import Override
from sidetap.station.desk import STATION, BayDesk, Moment, Plan, Why
from sidetap.station.ledger import Ledger
from sidetap.station.listening import Listener
from sidetap.station.loads import NOT_AT_REST, Gauge, Opening
from sidetap.station.people import People
from sidetap.station.quiet import quiet_inputs
from sidetap.station.store import Entry, Json, Store
from sidetap.station.wiring import Wiring

Values: TypeAlias = dict[str, Value]

POLLS_OF_REST = 5  # after a valve's stroke, until the level is taken for what a load took


@dataclass(frozen=True, slots=True)
class ActiveAlarm:
    """An alarm that is on; priority "high" or "low"."""

    tag: str
    priority: str
    text: str
    since_utc_ns: int


class Engine:
    """One running station, or one that runs in virtual time."""

    def __init__(
        self,
        site: Site,
        scheme: CompiledScheme,
        store: Store,
        now_ns: int,
        started_utc_ns: int,
        override: Override | None = None,
    ) -> None:
        """Take up what the store keeps of an earlier run: trips stay tripped, an open ticket reads interrupted.

        scheme: ``compile_site(site)``. now_ns: on the clock of all later calls; started_utc_ns: the wall clock then.
        override: who answers for running a scheme that is not verified, for as long as this engine runs.
        """
        self.site = site
        self.scheme = scheme
        self.scheme_hash = scheme.digest
        self.override = override
        self.people = People(site.people)
        self.wiring = Wiring(site, now_ns)
        self.bypasses = Bypasses(site.bypass)
        self.ledger = Ledger(store)
        rest_ns = {valve.tag: self._rest_ns(valve) for valve in site.valves}
        self.desks = {bay.tag: BayDesk(bay, scheme.bay(bay.tag), rest_ns) for bay in site.bays}
        self.alarms: dict[str, ActiveAlarm] = {}
        self.scans = 0
        self.elapsed_ms = 0  # of the last scan, as are its inputs and outputs
        self.inputs: Values = {}
        self.outputs: Mapping[str, Value] = {}
        self.next_ticket = 1
        self._runner = GeneratedRunner(scheme.program)
        self.states: Mapping[str, Value] = self._runner.first_states()
        self._meter = Meter(site)
        self._draws = {
            vessel.tag: [
                (f"{v.tag}.command", float(site.bay(v.bay).flow_m3_per_s))
                for v in site.valves
                if v.vessel == vessel.tag
            ]
            for vessel in site.vessels
        }
        self._listeners = {line.tag: Listener(Settings(line.baud, line.framing)) for line in site.lines}
        self._zone = ZoneInfo(site.time_zone)
        self._utc_offset_ns = started_utc_ns - now_ns
        self._start_ns = now_ns
        self._next_scan_ns = now_ns
        self._last_scan_ms: int | None = None
        # what the scheme hears of a person or a wire that says nothing
        declared = scheme.program.inputs.items()
        self._still: Values = {name: False if i.type is Type.BOOL else 0 for name, i in declared}
        self._pulses: set[str] = set()
        self._frozen: dict[str, tuple[int, str] | None] = {}
        self._samples = {vessel.tag: (0, 0) for vessel in site.vessels}  # good and bad ones that a scan has seen
        self._stopping = False
        self._stored = self._restore(store)

    # -- in ------------------------------------------------------------------------------------------------------

    def receive_line(self, chunk: Chunk, line: str | None = None) -> None:
        """Take a chunk of a tapped line (by its tag; None: the first), stamped on the engine's clock."""
        self._listeners[self.site.lines[0].tag if line is None else line].receive(chunk)

    def receive_module(self, data: bytes, now_ns: int) -> None:
        """Take bytes that came in on the module's port."""
        self.wiring.master.receive(data, now_ns)

    def receive_panel(self, message: Mapping[str, Any], now_ns: int) -> dict[str, Any]:
        """Take what a panel asks and return its reply; what was asked for comes with the next scan."""
        return asks.answer(self, message, now_ns)

    def advance(self, now_ns: int) -> None:
        """Let time go by: write what waits, and scan when a scan is due."""
        self.ledger.settle(now_ns, self.wiring.master.closing_is_out)
        if now_ns < self._next_scan_ns:
            return
        elapsed_ms = self._elapsed_ms(now_ns)
        if elapsed_ms < 1:
            return
        missed = (now_ns - self._next_scan_ns) // self.site.scan_ns
        self._next_scan_ns += (missed + 1) * self.site.scan_ns
        self._last_scan_ms = (now_ns - self._start_ns) // NS_PER_MS
        self._scan(now_ns, elapsed_ms)

    def reopened_module(self, now_ns: int) -> None:
        """Note that the module's port was opened anew: it is listened to before anything is sent."""
        self.wiring.restart(now_ns)

    def set_clock(self, now_ns: int, utc_ns: int) -> None:
        """Take what the wall clock says now: somebody may have set it, and labels and quiet hours go by it."""
        by_ns = utc_ns - self.utc_ns(now_ns)
        if abs(by_ns) >= NS_PER_S:
            self._utc_offset_ns += by_ns
            self.ledger.note([self.moment(now_ns).entry("clock", STATION, STATION, {"by_s": by_ns // NS_PER_S})])

    def stop(self) -> None:
        """Close everything from the next scan on and open nothing any more; ``is_closed`` tells when it is done."""
        self._stopping = True

    def end(self, now_ns: int) -> None:
        """Write the last records, after ``stop``."""
        what = {"read_back_closed": self.is_closed}
        self.ledger.note([self.moment(now_ns).entry("stop", STATION, STATION, what)])
        self.ledger.settle(now_ns, closing_is_out=True)

    # -- out -----------------------------------------------------------------------------------------------------

    def module_bytes(self, now_ns: int) -> bytes | None:
        """Return the bytes to send on the module's port now, at once, or None."""
        return self.wiring.master.send(now_ns)

    @property
    def next_due_ns(self) -> int:
        """When ``advance`` or ``module_bytes`` has something to do without anything coming in."""
        master_ns = self.wiring.master.next_due_ns
        return self._next_scan_ns if master_ns is None else min(self._next_scan_ns, master_ns)

    @property
    def is_closed(self) -> bool:
        """Whether every valve and pump permit is off and was read back as off."""
        return self.wiring.all_closed

    def snapshot(self, now_ns: int) -> dict[str, Any]:
        """Return everything that a panel shows, as one JSON document."""
        return snapshots.snapshot(self, now_ns)

    # -- for asks and snapshots ----------------------------------------------------------------------------------

    def level(self, vessel: str, now_ns: int) -> LevelReading:
        """Return what is known of a vessel's level now."""
        return self._meter.level(vessel, now_ns)

    def moment(self, now_ns: int) -> Moment:
        """Return now with its label and the vessels' levels."""
        return Moment(now_ns, self.utc_ns(now_ns), lambda vessel: self._gauge(vessel, now_ns), self._by_level)

    def utc_ns(self, now_ns: int) -> int:
        """Return the wall time, in ns since 1970, that labels a moment of the engine's clock."""
        return now_ns + self._utc_offset_ns

    def local(self, utc_ns: int) -> str:
        """Return a moment as hh:mm:ss at the site."""
        return self._local(utc_ns).strftime("%H:%M:%S")

    def trial(self, now_ns: int, values: Values) -> Mapping[str, Value]:
        """Return what the scheme would say if these inputs came now, with what waits; nothing is kept of it."""
        inputs = self._inputs(now_ns) | values
        return self._runner.step(self.states, inputs, max(1, self._elapsed_ms(now_ns)))[1]

    def press(self, *inputs: str) -> None:
        """Make these inputs true for exactly the next scan."""
        self._pulses.update(inputs)

    def trust_level(self, vessel: str) -> None:
        """Believe a vessel's level again that was held to be frozen: a person has checked it."""
        self._meter.trust(vessel)

    def own_reason(self, now_ns: int) -> Why | None:
        """Return the station's own reason why nothing may be open; None when there is none."""
        if self._stopping:
            return Why("stopped", "the station is being stopped", "start it again")
        if self.ledger.failed is not None:
            told = f"the journal can't be written ({self.ledger.failed})"
            return Why("journal", told, "make room on its disk, or have the disk looked at")
        trouble = self.wiring.trouble(now_ns)
        if trouble is None:
            return None
        return Why("module", trouble, "wait until the module answers, or have it and its wires looked at")

    # -- a scan --------------------------------------------------------------------------------------------------

    def _scan(self, now_ns: int, elapsed_ms: int) -> None:
        for line, listener in self._listeners.items():
            for transaction in listener.take(now_ns):
                self._meter.receive(transaction, line)
        at = self.moment(now_ns)
        inputs = self._inputs(now_ns)
        states, outputs = self._runner.step(self.states, inputs, elapsed_ms)
        if not self._start(at, outputs):
            inputs |= self._everything_closed()
            states, outputs = self._runner.step(self.states, inputs, elapsed_ms)
        before, self.states, self.outputs = self.outputs, states, outputs
        self.elapsed_ms, self.inputs = elapsed_ms, inputs
        self.wiring.command(outputs, now_ns)
        self._tell_draws(now_ns)
        closings_out = self.wiring.master.closing_is_out
        self._finish(at, before)
        self._watch_alarms(at)
        self._pulses.clear()
        for vessel in self._samples:
            reading = self.level(vessel, now_ns)
            self._samples[vessel] = (reading.sample, reading.bad_samples)
        self.scans += 1
        if not closings_out:
            self.ledger.hold(now_ns)

    def _start(self, at: Moment, outputs: Mapping[str, Value]) -> bool:
        """Make durable what this scan starts and take it over; False when that could not be."""
        plans = [(desk, desk.rises(at, self.outputs, outputs)) for desk in self.desks.values()]
        entries = [entry for _, plan in plans for entry in plan.entries]
        entries += self.bypasses.begins(at, self.outputs, outputs)
        kept: dict[str, Json] = {key: value for _, plan in plans for key, value in plan.kept.items()}
        loads = [plan.load for _, plan in plans if plan.kept and plan.load is not None]
        first = not self.scans
        if first:
            entries = [*self._began(at), *entries]
            kept["scheme-hash"] = self.scheme_hash
        done = not (entries or kept) or self.ledger.commit(at.now_ns, entries, kept, loads)
        if not done and first:
            # nothing was commanded in an earlier scan of this run: what the start found can be told later
            self.ledger.note(entries, kept, loads)
        for desk, plan in plans:
            if done or first:
                desk.take(plan, at.now_ns)
            desk.asked = None
        self.next_ticket = max([self.next_ticket, *(load.ticket + 1 for load in loads)]) if done else self.next_ticket
        return done

    def _began(self, at: Moment) -> list[Entry]:
        """Return what the journal is to know of this run: its scheme, and who answers for one that is unverified."""
        what = {"site": self.site.name, "scheme_hash": self.scheme_hash}
        entries = [at.entry("start", STATION, STATION, what)]
        if self.override is not None:
            why = {"because": self.override.because, "problems": list(self.override.problems)}
            entries.append(at.entry("override", STATION, self.override.by, why))
        return entries

    def _finish(self, at: Moment, before: Mapping[str, Value]) -> None:
        """Note what this scan has ended, to be written once the closings are on their way."""
        self.ledger.note(self.bypasses.take(at, before, self.outputs))
        plans: list[Plan] = []
        for desk in self.desks.values():
            pressed = f"{desk.bay.tag}.panel_close" in self._pulses  # a person's key comes before our own reasons
            own = None if pressed else self.own_reason(at.now_ns)
            plans.append(desk.falls(at, before, self.outputs, partial(self._cause, at.now_ns, own)))
        for plan in plans:
            loads = [plan.load] if plan.kept and plan.load is not None else []
            self.ledger.note(plan.entries, plan.kept, loads)
        trips = {tag: bool(self.outputs[f"{tag}.tripped"]) for tag in self._samples}
        changed: dict[str, Json] = {
            f"trip.{tag}": trip for tag, trip in trips.items() if before.get(f"{tag}.tripped", not trip) != trip
        }
        frozen = {tag: self._meter.frozen(tag) for tag in self._samples}
        changed |= {f"frozen.{tag}": found for tag, found in frozen.items() if found != self._frozen.get(tag)}
        self._frozen = frozen
        self.ledger.note(kept=changed)
        for desk in self.desks.values():
            load = desk.settle(at, self._draws_from)
            if load is not None:
                opening = load.openings[-1]
                what = {"ticket": load.ticket, **asdict(opening.by_level or NOT_AT_REST)}
                self.ledger.note([at.entry("by-level", opening.valve, STATION, what)], loads=[load])

    def _cause(self, now_ns: int, own: Why | None, valve: CompiledValve) -> Why:
        """Return what closes valve in this scan: our own reason, or the first cause that does."""
        if own is not None:
            return own
        cause = next((cause for cause in valve.causes if cause.closes and self.outputs[cause.output]), None)
        if cause is None:  # of a scheme that runs though it doesn't keep "reasons-right"
            return Why("untold", "the scheme says no cause", "have the scheme verified")
        return snapshots.why(self, valve, cause, now_ns)

    def _watch_alarms(self, at: Moment) -> None:
        """Compare what is on with what was, and journal what came and went."""
        on = {a.tag: (a.priority, a.text) for a in self.scheme.alarms if self.outputs[a.output]}
        for tag in self._samples:
            if (bad := f"{tag}-bad") in on and (reason := self.level(tag, at.now_ns).reason):
                on[bad] = on[bad][0], f"{on[bad][1]}: {reason}"
            if (bypassed := f"{tag}-bypassed") in on and (who := self.bypasses.who(tag)):
                on[bypassed] = on[bypassed][0], f"{on[bypassed][1]} by {who[0]} and {who[1]}"
        own = self.own_reason(at.now_ns)
        if own is not None:
            listens = self.wiring.master.listening_ns(at.now_ns) > 0
            on[f"{STATION}-{own.name}"] = ("low" if listens and own.name == "module" else "high", own.text)
        for tag, (priority, text) in on.items():
            known = self.alarms.get(tag)
            if known is None:
                self.ledger.note([at.entry("alarm", tag, STATION, {"on": True, "priority": priority, "text": text})])
            since_utc_ns = at.utc_ns if known is None else known.since_utc_ns
            self.alarms[tag] = ActiveAlarm(tag, priority, text, since_utc_ns)
        for tag in sorted(self.alarms.keys() - on.keys()):
            del self.alarms[tag]
            self.ledger.note([at.entry("alarm", tag, STATION, {"on": False})])

    def _tell_draws(self, now_ns: int) -> None:
        """Let the meter know what the standing commands let out of each vessel."""
        wires = self.wiring.inputs(now_ns)
        for vessel in self.site.vessels:
            flows = [flow for command, flow in self._draws[vessel.tag] if self.outputs[command]]
            receiving = vessel.receipt_input is not None and wires[vessel.receipt_input]
            self._meter.draw(vessel.tag, flows, receiving, now_ns)

    def _draws_from(self, vessel: str) -> bool:
        return any(self.outputs[command] for command, _ in self._draws[vessel])

    # -- the scheme's inputs -------------------------------------------------------------------------------------

    def _inputs(self, now_ns: int) -> Values:
        inputs = self._still | dict.fromkeys(self._pulses, True)
        inputs |= self._stored
        inputs |= self.wiring.inputs(now_ns)
        inputs |= self.bypasses.inputs()
        inputs |= quiet_inputs(self.site, self._local(self.utc_ns(now_ns)))
        for vessel in self._samples:
            inputs |= self._level_inputs(vessel, now_ns)
        for tag, desk in self.desks.items():
            heard_ns = desk.panel_heard_ns
            inputs[f"{tag}.panel_age"] = AGE_LIMIT_MS if heard_ns is None else _age_ms(now_ns - heard_ns)
            inputs[f"{tag}.choice"] = desk.choice
            ticket = desk.asked or desk.load
            for valve in desk.compiled.valves:
                inputs[f"{valve.tag}.on_ticket"] = ticket is not None and valve.vessel in ticket.vessels
        if self._stopping or self.ledger.failed is not None:
            inputs |= self._everything_closed()
        return inputs

    def _level_inputs(self, tag: str, now_ns: int) -> Values:
        reading = self.level(tag, now_ns)
        level_01mm = 0 if reading.last_good is None else reading.last_good[0]
        fits = 0 <= level_01mm <= LEVEL_LIMIT_01MM
        samples, bad_samples = self._samples[tag]
        return {
            f"{tag}.level": level_01mm if fits else 0,
            f"{tag}.new": fits and reading.sample != samples,
            # an answer that said no closes, even when a good one came before the scan saw it
            f"{tag}.bad": reading.bad or reading.bad_samples != bad_samples or not fits,
            f"{tag}.age": AGE_LIMIT_MS if reading.age_ns is None else _age_ms(reading.age_ns),
        }

    def _everything_closed(self) -> Values:
        """Return inputs that press every close key and start nothing."""
        inputs: Values = {}
        for tag in self.desks:
            inputs[f"{tag}.panel_close"] = True
            inputs |= dict.fromkeys((f"{tag}.panel_open", f"{tag}.ticket_open", f"{tag}.ticket_resume"), False)
        return inputs | {f"{vessel}.bypass_approve": False for vessel in self.bypasses.vessels}

    # -- small things --------------------------------------------------------------------------------------------

    def _local(self, utc_ns: int) -> datetime:
        return datetime.fromtimestamp(utc_ns // NS_PER_S, UTC).astimezone(self._zone)

    def _restore(self, store: Store) -> Values:
        """Take up what an earlier run kept and return the scheme's inputs for it, which its first scan reads."""
        kept = store.kept()
        self.next_ticket = int(kept.get("ticket-number", 0)) + 1
        for vessel in self.site.vessels:
            if (frozen := kept.get(f"frozen.{vessel.tag}")) is not None:
                self._meter.freeze(vessel.tag, int(frozen[0]), str(frozen[1]))
        same_scheme = kept.get("scheme-hash") == self.scheme_hash
        stored: Values = {f"{v.tag}.stored_trip": bool(kept.get(f"trip.{v.tag}")) for v in self.site.vessels}
        for desk in self.desks.values():
            bay = kept.get(desk.key) or {"ticket": None}
            load = None if bay["ticket"] is None else store.load(int(bay["ticket"]))
            stored |= desk.restore(bay, load, same_scheme)
        return stored

    def _gauge(self, vessel: str, now_ns: int) -> Gauge:
        reading = self.level(vessel, now_ns)
        return Gauge(reading.level_01mm, reading.volume_m3)

    def _rest_ns(self, valve: Valve) -> int:
        """Return how long after its closing the level tells what an opening took: the stroke, and some polls."""
        vessel = self.site.vessel(valve.vessel)
        return valve.stroke_ns + POLLS_OF_REST * self.site.point(vessel.level.point).poll_ns

    def _by_level(self, opening: Opening, gauge: Gauge) -> Drawn:
        """Return what the levels tell of an opening, beside what it must have let out at the least.

        The valve's stroke is left out of that: it opens slowly, and the level of its start may be a poll old.
        """
        valve = self.site.valve(opening.valve)
        bay = self.site.bay(valve.bay)
        open_ns = max(0, opening.open_ms * NS_PER_MS - valve.stroke_ns)
        least_m3 = float(bay.flow_m3_per_s * (1 - bay.flow_tolerance) * open_ns / NS_PER_S)
        return self._meter.drawn(valve.vessel, opening.before.level_01mm, gauge.level_01mm, least_m3)

    def _elapsed_ms(self, now_ns: int) -> int:
        at_ms = (now_ns - self._start_ns) // NS_PER_MS
        return 1 if self._last_scan_ms is None else at_ms - self._last_scan_ms


def _age_ms(age_ns: int) -> int:
    """Return an age in whole ms, rounded up: nothing is younger than it is."""
    return min(AGE_LIMIT_MS, max(0, -(-age_ns // NS_PER_MS)))
