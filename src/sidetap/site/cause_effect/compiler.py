"""Site -> scheme: the cause and effect of every bay, compiled to one program of the block language.

Theory of operation, per bay. A *ticket* is opened by a known person for the bay and for some of its vessels. A
valve's command rises in the scan in which an open key (the post's or the panel's) rises while that valve is chosen
and nothing stands in `blocks`; it stays while nothing stands in the part of the blocks that also close. Closing
wins in the same scan, and nothing reopens by itself.

Open time is one account per ticket, in whole units of 1/full of any valve's limit, so that limits of several
vessels add up exactly: each ms with a command adds the valve's weight, and weight × limit in ms = full. Every
opening after the first adds one stroke in advance. The account is never cleared within a ticket; after a crash it
comes back at its worst (the last stored value + storing interval + watchdog + stroke).

Names of inputs and outputs are `TAG.word`; inputs wired to a module keep the site file's tag. A wired input is
true when energised, and false when old or lost: true never means danger. The contact of a close key is energised
when the key is *not* pressed.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import lcm

from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.scheme import (
    Builder,
    Expr,
    Program,
    all_of,
    any_of,
    choose,
    constant,
    elapsed,
    latch,
    minimum,
    on_delay,
    rises,
    running_time,
    second_mean,
    times,
)
from sidetap.site.model import (
    Alarm,
    Bay,
    ExclusiveVessel,
    Rule,
    SharedOnlyAbove,
    Site,
    Valve,
    Vessel,
    in_order,
    natural,
)

AGE_LIMIT_MS = 3_600_000  # ages are counted up to an hour; older is no different
LEVEL_LIMIT_01MM = 300_000  # 30 m: no vessel of this trade is taller (common practice, no source)
STORE_INTERVAL_MS = 1000  # the station stores a running account at least this often


@dataclass(frozen=True, slots=True)
class Cause:
    """Why a valve is kept closed: the output that says so, and the words for it."""

    name: str
    output: str
    text: str
    closes: bool  # whether it also closes an open valve


@dataclass(frozen=True, slots=True)
class CompiledValve:
    """One valve in the scheme; choice is its number on the bay's choice input, weight its units per open ms."""

    tag: str
    vessel: str
    choice: int
    limit_ms: int
    weight: int
    stroke_ms: int
    causes: tuple[Cause, ...]


@dataclass(frozen=True, slots=True)
class CompiledBay:
    """One bay in the scheme; an account of full is used up."""

    tag: str
    full: int
    valves: tuple[CompiledValve, ...]

    def left_ms(self, valve: CompiledValve, account: int) -> int:
        """Return for how long valve may still be open on a ticket with this account, rounded down to ms."""
        return max(0, self.full - account) // valve.weight


@dataclass(frozen=True, slots=True)
class CompiledAlarm:
    """An alarm of the scheme: priority "high" or "low", and the sentence for it."""

    tag: str
    output: str
    priority: str
    text: str


@dataclass(frozen=True, slots=True)
class CompiledScheme:
    """The program of a site and what its names mean."""

    program: Program
    bays: tuple[CompiledBay, ...]
    alarms: tuple[CompiledAlarm, ...]

    @property
    def digest(self) -> str:
        """The scheme_hash: of the canonical program, so comments and people don't change it."""
        return self.program.digest()

    def bay(self, tag: str) -> CompiledBay:
        """Return the bay of that tag; KeyError when there is none."""
        for bay in self.bays:
            if bay.tag == tag:
                return bay
        raise KeyError(tag)


def rules_not_kept(site: Site) -> tuple[Rule, ...]:
    """Return the rules of a site that its scheme does not keep yet: nobody may rely on them, so it must not run."""
    return tuple(rule for rule in site.rules if isinstance(rule, ExclusiveVessel | SharedOnlyAbove))


def compile_site(site: Site) -> CompiledScheme:
    """Return the scheme of a checked site."""
    return _Compiler(site).compile()


@dataclass(frozen=True, slots=True)
class _Level:
    """What the bays need to know of a vessel."""

    tripped: Expr
    bad: Expr
    age: Expr
    full_window: Expr
    below_trip: Expr


@dataclass(frozen=True, slots=True)
class _Block:
    name: str
    text: str
    when: Expr
    closes: bool


class _Compiler:
    def __init__(self, site: Site) -> None:
        self.site = site
        self.b = Builder()
        self.alarms: list[CompiledAlarm] = []
        self.wired: dict[str, Expr] = {}
        self.live: dict[str, Expr] = {}
        self.horn: list[Expr] = []

    def compile(self) -> CompiledScheme:
        b = self.b
        self.first = b.state_bool("site.first", True)
        b.assign("site.first", False)
        for module in in_order(self.site.modules):
            self.live[module.tag] = b.input_bool(f"{module.tag}.live")
        for wired in in_order(self.site.inputs):
            self.wired[wired.tag] = b.input_bool(wired.tag)
        levels = {vessel.tag: self.vessel(vessel) for vessel in in_order(self.site.vessels)}
        bays = tuple(self.bay(bay, levels) for bay in in_order(self.site.bays))
        b.output("site.horn", any_of(*self.horn))
        return CompiledScheme(b.program(), bays, tuple(self.alarms))

    # -- vessels -------------------------------------------------------------------------------------------------

    def vessel(self, vessel: Vessel) -> _Level:
        b, tag = self.b, vessel.tag
        point = self.site.point(vessel.level.point)
        level = b.input_int(f"{tag}.level", 0, LEVEL_LIMIT_01MM)
        new = b.input_bool(f"{tag}.new")
        bad = b.input_bool(f"{tag}.bad")
        age = b.input_int(f"{tag}.age", 0, AGE_LIMIT_MS)
        reset = b.input_bool(f"{tag}.reset")
        stored_trip = b.input_bool(f"{tag}.stored_trip")

        old = age >= _ms(point.close_age_ns)
        buckets = vessel.trip.mean_ns // NS_PER_S
        full, total = second_mean(b, f"{tag}.mean", level, new, bad | old, buckets, 0, LEVEL_LIMIT_01MM)
        below = full & (total < buckets * vessel.trip.below_01mm)
        above = full & (total >= buckets * vessel.trip.reset_above_01mm)
        kept = choose(self.first, stored_trip, b.state_bool(f"{tag}.tripped"))
        comes = on_delay(b, f"{tag}.trip", below, _ms(vessel.trip.delay_ns))
        tripped = b.assign(f"{tag}.tripped", comes | (kept & ~(reset & above)))
        b.output(f"{tag}.tripped", tripped)
        b.output(f"{tag}.full", full)
        b.output(f"{tag}.total", total)

        self.alarm(f"{tag}-trip", "high", f"{tag} tripped on low level; a person must reset it", tripped)
        self.alarm(f"{tag}-bad", "high", f"{tag} has no valid level", bad)
        self.alarm(f"{tag}-old", "high", f"{tag} has had no fresh level for {_s(point.close_age_ns)} s", old)
        warn = (age >= _ms(point.warn_age_ns)) & ~old
        self.alarm(f"{tag}-late", "low", f"{tag} has had no fresh level for {_s(point.warn_age_ns)} s", warn)
        for alarm in in_order(self.site.alarms):
            if alarm.vessel == tag:
                self.level_alarm(alarm, vessel, level, bad | old)
        return _Level(tripped, bad, age, full, below)

    def level_alarm(self, alarm: Alarm, vessel: Vessel, level: Expr, unknown: Expr) -> None:
        limit = vessel.high_01mm if alarm.limit == "high" else vessel.low_01mm
        if alarm.side == "above":
            comes, goes = level > limit, level <= limit - alarm.dead_band_01mm
        else:
            comes, goes = level < limit, level >= limit + alarm.dead_band_01mm
        delayed = on_delay(self.b, f"{alarm.tag}.delay", comes & ~unknown, _ms(alarm.delay_ns))
        active = latch(self.b, f"{alarm.tag}.active", delayed, goes & ~unknown, wins="on")
        self.alarm(alarm.tag, alarm.priority, f"{vessel.tag} is {alarm.side} its {alarm.limit} limit", active)

    # -- bays ----------------------------------------------------------------------------------------------------

    def bay(self, bay: Bay, levels: dict[str, _Level]) -> CompiledBay:
        b, tag = self.b, bay.tag
        valves = self.site.valves_of(tag)
        full = lcm(*(_ms(v.open_limit_ns) for v in valves))
        weights = {v.tag: full // _ms(v.open_limit_ns) for v in valves}
        most_openings = 1 + bay.restarts

        # What people do, and what the post's wires say
        panel_open = b.input_bool(f"{tag}.panel_open")
        panel_close = b.input_bool(f"{tag}.panel_close")
        panel_age = b.input_int(f"{tag}.panel_age", 0, AGE_LIMIT_MS)
        choice = b.input_int(f"{tag}.choice", 0, len(valves))
        ticket_open = b.input_bool(f"{tag}.ticket_open")
        ticket_end = b.input_bool(f"{tag}.ticket_end")
        ticket_resume = b.input_bool(f"{tag}.ticket_resume")
        lockout_reset = b.input_bool(f"{tag}.lockout_reset")
        stored_ticket = b.input_bool(f"{tag}.stored_ticket")
        stored_account = b.input_int(f"{tag}.stored_account", 0, full)
        stored_openings = b.input_int(f"{tag}.stored_openings", 0, most_openings)
        stored_last = b.input_int(f"{tag}.stored_last", 0, len(valves))
        on_ticket = {v.tag: b.input_bool(f"{v.tag}.on_ticket") for v in valves}
        hose, post_open = self.wired[bay.hose_input], self.wired[bay.open_key]
        auto, hand = self.wired[bay.auto_input], self.wired[bay.hand_input]
        close = panel_close | ~self.wired[bay.close_key]
        press = rises(b, f"{tag}.post_key", post_open) | rises(b, f"{tag}.panel_key", panel_open)

        # Ticket: hose seen off since the last one, then opened; what is restored counts from the first scan
        ticket_before = choose(self.first, stored_ticket, b.state_bool(f"{tag}.ticket"))
        seen_off_before = b.state_bool(f"{tag}.hose_seen_off")
        seen_off = seen_off_before | (~hose & self.live[self._module_of(bay.hose_input)] & ~ticket_before)
        had_ticket = latch(b, f"{tag}.had_ticket", ticket_before, constant(False))
        hose_left = on_delay(
            b, f"{tag}.hose_left", hose & had_ticket & ~ticket_before & ~seen_off, _ms(bay.hose_left_after_ns)
        )
        opened = ticket_open & ~ticket_before & seen_off & ~hose_left
        ticket = (ticket_before | opened) & ~ticket_end
        b.assign(f"{tag}.hose_seen_off", seen_off & ~opened)
        interrupted_before = choose(self.first, stored_ticket, b.state_bool(f"{tag}.interrupted"))
        resumed = ticket_resume & ~self.first
        # a ticket that ends in its very first scan leaves nothing to the next one
        interrupted = b.assign(f"{tag}.interrupted", interrupted_before & ticket & ~opened & ~resumed)

        # The account of open time, up to this scan
        assert self.site.watchdog is not None  # noqa: S101  # a site with bays has one
        worst_ms = STORE_INTERVAL_MS + _ms(self.site.watchdog.relay_time_ns) + max(_ms(v.stroke_ns) for v in valves)
        restored = minimum(stored_account + max(weights.values()) * worst_ms, full)
        account_before = choose(self.first, restored, b.state_int(f"{tag}.account", 0, 0, full))
        openings_before = choose(self.first, stored_openings, b.state_int(f"{tag}.openings", 0, 0, most_openings))
        last_before = choose(self.first, stored_last, b.state_int(f"{tag}.last", 0, 0, len(valves)))
        was_open = {v.tag: b.state_bool(f"{v.tag}.command") for v in valves}
        any_was_open = any_of(*was_open.values())
        spent: Expr = choose(opened, 0, account_before)
        for v in valves:
            spent = spent + choose(was_open[v.tag], times(weights[v.tag], elapsed()), 0)
        spent = minimum(spent, full)
        openings = choose(opened, 0, openings_before)
        last = choose(opened, 0, last_before)
        used_up = spent >= full

        # Time since the last opening ended; unknown at the start, so it counts from there
        wait_ms = _ms(bay.restart_wait_ns)
        waited = running_time(b, f"{tag}.closed_for", ~any_was_open, wait_ms) >= wait_ms

        # Switches and lock-out
        shown_closed, fault, locked = {}, [], {}
        for v in valves:
            is_closed, is_open = self.wired[v.closed_switch], self.wired[v.open_switch]
            shown_closed[v.tag] = is_closed & ~is_open
            fault.append(is_closed & is_open)
            locked[v.tag] = b.state_bool(f"{v.tag}.locked_out")
        locked_out = any_of(*locked.values())

        commands: dict[str, Expr] = {}
        starts: list[tuple[Valve, Expr]] = []
        compiled: list[CompiledValve] = []
        for number, v in enumerate(valves, start=1):
            level, point = levels[v.vessel], self.site.point(self.site.vessel(v.vessel).level.point)
            others_closed = all_of(*(shown_closed[o.tag] for o in valves if o is not v))
            more = openings >= 1  # an opening that would be a restart
            blocks = [
                _Block("close-key", "Close was pressed (or the wire of the post's close key is broken)", close, True),
                _Block("limit", "the open time of this ticket is used up", was_open[v.tag] & used_up, True),
                *(
                    _Block(t, self.when_off(t), ~self.wired[t], True)
                    for t in sorted(bay.run_permissives, key=natural)
                ),
                _Block("selector", "the selector shows AUTO and HAND at once", auto & hand, True),
                _Block("panel-lost", "the bay's panel is lost", panel_age >= _ms(bay.panel_lost_after_ns), True),
                _Block("trip", f"{v.vessel} has tripped on low level", level.tripped, True),
                _Block("bad", f"{v.vessel} has no valid level", level.bad, True),
                _Block("old", f"{v.vessel}'s level is old", level.age >= _ms(point.close_age_ns), True),
                _Block("other-valve", "another valve of the bay is not shown closed", ~others_closed, True),
                _Block("switches", "a valve shows open and closed at once", any_of(*fault), True),
                _Block("locked-out", "a valve did not follow its command", locked_out, True),
                _Block("ticket", "no ticket is open", ~ticket, True),
                _Block("not-on-ticket", f"the ticket does not name {v.vessel}", ~on_ticket[v.tag], True),
                _Block("interrupted", "the load was interrupted; a lead must resume it", interrupted, True),
                _Block("open", "a valve of the bay is open", any_was_open, False),
                _Block("product", "this product may not follow the one before", self.refused(v, valves, last), False),
                _Block("late", f"{v.vessel}'s level is late", level.age >= _ms(point.warn_age_ns), False),
                _Block("window", f"{v.vessel}'s level has not been good for long enough", ~level.full_window, False),
                _Block("below-trip", f"{v.vessel} is below its trip", level.below_trip, False),
                _Block("own-valve", "the valve is not shown closed", ~shown_closed[v.tag], False),
                _Block("restarts", "the restarts of this ticket are used up", openings >= most_openings, False),
                _Block("wait", f"{_s(bay.restart_wait_ns)} s have not passed since closing", more & ~waited, False),
                _Block(
                    "no-time",
                    "the ticket has no open time left for a restart",
                    used_up | (more & (spent + weights[v.tag] * _ms(v.stroke_ns) >= full)),
                    False,
                ),
            ]
            for block in blocks:
                b.output(f"{v.tag}.block.{block.name}", block.when)
            blocked = any_of(*(block.when for block in blocks))
            start = press & (choice.equals(number)) & ~blocked
            keep = was_open[v.tag] & ~any_of(*(block.when for block in blocks if block.closes))
            commands[v.tag] = b.output(f"{v.tag}.command", b.assign(f"{v.tag}.command", start | keep))
            starts.append((v, start))
            causes = tuple(Cause(k.name, f"{v.tag}.block.{k.name}", k.text, k.closes) for k in blocks)
            compiled.append(
                CompiledValve(v.tag, v.vessel, number, _ms(v.open_limit_ns), weights[v.tag], _ms(v.stroke_ns), causes)
            )

        # After the commands: the account with the stroke of a restart, the openings, the end of the ticket
        any_start, any_open = any_of(*(s for _, s in starts)), any_of(*commands.values())
        account, last_now = spent, last
        for number, (v, start) in enumerate(starts, start=1):
            restart = start & (openings >= 1)
            account = account + choose(restart, weights[v.tag] * _ms(v.stroke_ns), 0)
            last_now = choose(start, number, last_now)
        account = b.assign(f"{tag}.account", minimum(account, full))
        openings_now = b.assign(f"{tag}.openings", minimum(openings + choose(any_start, 1, 0), most_openings))
        b.assign(f"{tag}.last", last_now)
        finished = ~any_open & ((openings_now >= most_openings) | used_up)
        ticket_now = b.assign(f"{tag}.ticket", ticket & ~finished)
        for v in valves:
            self.supervise(v, commands[v.tag], was_open[v.tag], locked[v.tag], lockout_reset)
        stuck_ms = _ms(bay.stuck_key_after_ns)
        stuck = on_delay(b, f"{tag}.stuck_post", post_open, stuck_ms)
        stuck = stuck | on_delay(b, f"{tag}.stuck_panel", panel_open, stuck_ms)

        for name, value in (
            ("ticket", ticket_now),
            ("account", account),
            ("openings", openings_now),
            ("last", last_now),
            ("interrupted", interrupted),
            ("ticket_refused", ticket_open & ~opened),
            ("pump", any_open),
        ):
            b.output(f"{tag}.{name}", value)
        self.alarm(f"{tag}-stuck-key", "low", f"the open key of bay {tag} is held or stuck", stuck)
        self.alarm(f"{tag}-hose-left", "high", f"the hose of bay {tag} is still on after its ticket", hose_left)
        lost = panel_age >= _ms(bay.panel_lost_after_ns)
        self.alarm(f"{tag}-panel", "low", f"the panel of bay {tag} is lost", lost)
        self.alarm(f"{tag}-hand", "low", f"bay {tag} is in HAND: its outputs are released", hand)
        self.horn.append(hose_left)
        return CompiledBay(tag, full, tuple(compiled))

    def refused(self, valve: Valve, valves: tuple[Valve, ...], last: Expr) -> Expr:
        """Return whether the table forbids valve's product after the one loaded last; a blank cell forbids."""
        table = dict(self.site.compatible)
        product = {v.tag: self.site.vessel(v.vessel).product for v in valves}
        return any_of(
            *(
                last.equals(number)
                for number, before in enumerate(valves, start=1)
                if product[valve.tag] not in table.get(product[before.tag], ())
            )
        )

    def supervise(self, v: Valve, command: Expr, was_open: Expr, was_locked: Expr, reset: Expr) -> None:
        """Lock the bay out when a valve's switches disagree with a command that has stood for stroke + margin.

        While the module is not live its switches say nothing: a start, or a module that was away, locks nothing out.
        """
        b, live = self.b, self.live[self._module_of(v.closed_switch)]
        is_closed, is_open = self.wired[v.closed_switch], self.wired[v.open_switch]
        disagrees = choose(command, is_closed | ~is_open, is_open | ~is_closed)
        stands = live & disagrees & command.equals(was_open)
        late = on_delay(b, f"{v.tag}.supervise", stands, _ms(v.supervise_ns))
        locked = b.assign(f"{v.tag}.locked_out", late | (was_locked & ~(reset & ~disagrees)))
        self.alarm(f"{v.tag}-mismatch", "high", f"valve {v.tag} did not follow its command", locked)

    def alarm(self, tag: str, priority: str, text: str, active: Expr) -> None:
        self.b.output(f"alarm.{tag}", active)
        self.alarms.append(CompiledAlarm(tag, f"alarm.{tag}", priority, text))

    def when_off(self, tag: str) -> str:
        """Return what it means that an input is not energised, in the site's words where it has some."""
        wired = next(i for i in self.site.inputs if i.tag == tag)
        return wired.when_off or f"{tag} is not energised"

    def _module_of(self, tag: str) -> str:
        return next(i.module for i in self.site.inputs if i.tag == tag)


def _ms(duration_ns: int) -> int:
    return duration_ns // NS_PER_MS


def _s(duration_ns: int) -> int:
    return duration_ns // NS_PER_S
