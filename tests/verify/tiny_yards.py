"""Two tiny yards for the search through every state, and their rules in plain words, over inputs and outputs only.

A program comes in; the alphabet of what can happen in a scan, what the plant makes of it and the rules go out. The
rules are written from the words of the cause and effect, as simply as possible, and share nothing with the promises.
"""

from dataclasses import replace
from typing import Protocol

import numpy as np
from explicit_states import TICK_MS, Columns, Explored, Judged, Scan, Symbol, explore
from yards import made_yard

from sidetap.quantity import NS_PER_MS
from sidetap.scheme import Program
from sidetap.site.model import ExclusiveVessel, QuietHours, Rule, SharedOnlyAbove, Site

TICK_NS = TICK_MS * NS_PER_MS
HIGH, LOW = 60_000, 5_000  # above every limit; under the trip
TOGETHER, APART = 15_000, 14_500  # two bays may open at the one and above, and the later one closes below the other
LIMIT_TICKS = 3


def tiny(vessels: int, bays: int) -> Site:
    """Return a made yard whose times are one to three ticks, and without what has no say in a command."""
    site = made_yard(vessels, bays, "repeat", quick=True)
    return replace(
        site,
        vessels=tuple(replace(v, trip=replace(v.trip, mean_ns=TICK_NS, delay_ns=TICK_NS)) for v in site.vessels),
        points=tuple(replace(p, warn_age_ns=3 * TICK_NS, close_age_ns=5 * TICK_NS) for p in site.points),
        bays=tuple(
            replace(
                b, restart_wait_ns=TICK_NS, hose_left_after_ns=TICK_NS, run_permissives=(b.stop_input, b.hose_input)
            )
            for b in site.bays
        ),
        valves=tuple(
            replace(v, open_limit_ns=LIMIT_TICKS * TICK_NS, stroke_ns=TICK_NS // 2, supervise_ns=TICK_NS)
            for v in site.valves
        ),
        rules=tuple(r for r in site.rules if not isinstance(r, QuietHours)),
        watchdog=replace(site.watchdog, relay_time_ns=0) if site.watchdog else None,
        bypass=None,
        alarms=(),
        promises=(),
        start_hold_ns=TICK_NS,
    )


def shared_above(site: Site) -> Site:
    """Return a tiny yard of two bays whose exclusive vessel is shared above a level instead."""

    def other(rule: Rule) -> Rule:
        if isinstance(rule, ExclusiveVessel):
            return SharedOnlyAbove(rule.tag, "shared-only-above", rule.vessel, ("B1", "B2"), TOGETHER, APART)
        return rule

    return replace(site, rules=tuple(other(rule) for rule in site.rules))


def rest(program: Program) -> dict[str, int | bool]:
    """Return inputs of a yard in which all is well and nobody does anything."""
    values: dict[str, int | bool] = {}
    for name in program.inputs:
        if name.endswith(".level"):
            values[name] = HIGH
        elif name.endswith((".age", ".panel_age", "stored_account", "stored_openings", "stored_last")):
            values[name] = 0
        elif name.endswith(".choice"):
            values[name] = 1
        else:
            wired = name.startswith(("XS-", "LSH-", "HC-")) or name.endswith(("-AUTO", "-CLOSE"))
            values[name] = wired or name.endswith((".live", ".new", ".on_ticket"))
    return values


class TinyYard(Protocol):
    """A tiny yard as the search needs it."""

    @property
    def program(self) -> Program:
        """The program that is looked at."""

    @property
    def outputs(self) -> tuple[str, ...]:
        """The names of the outputs that the rules speak of."""

    def alphabet(self) -> list[Symbol]:
        """Return what can happen in one scan."""

    def first_memory(self) -> dict[str, int | bool]:
        """Return what the judge remembers before the first scan."""

    def wiring(self, memory: Columns, inputs: Columns) -> Columns:
        """Return the inputs that follow from the plant: limit switches."""

    def judge(self, scan: Scan) -> Judged:
        """Return what the rules say of these scans, and what is to be remembered."""


def explored(yard: TinyYard, until: str = "", at_most: int = 60_000) -> Explored:
    """Return what is found in all states of a yard, or until a rule breaks."""
    memory = yard.first_memory()
    return explore(yard.program, yard.alphabet(), yard.wiring, memory, yard.judge, yard.outputs, at_most, until)


class OneBay:
    """The alphabet and the rules of one bay that may draw from T1 and T2; products: T2's may follow T1's only."""

    def __init__(self, program: Program) -> None:
        self.program = program
        self.outputs = ("B1-1.command", "B1-2.command", "B1.ticket")

    def alphabet(self) -> list[Symbol]:
        """Return what can happen in a scan; each thing alone, and what may happen to a press."""
        press: Symbol = {"PB-B1-OPEN": True}
        events: list[Symbol] = [
            {},
            press,
            {"PB-B1-OPEN": True, "B1.choice": 2},
            {"B1.panel_open": True},
            {"PB-B1-CLOSE": False},
            {"PB-B1-CLOSE": False, **press},
            {"B1.panel_close": True, **press},
            {"XS-B1": False},
            {"XS-B1": False, **press},
            {"HC-B1": False},
            {"HS-B1-HAND": True, **press},
            {"B1.panel_age": 10_000},
            {"B1.ticket_open": True},
            {"B1.ticket_end": True},
            {"B1.ticket_resume": True},
            {"T1.level": LOW},
            {"T1.level": LOW, **press},
            {"T1.reset": True},
            {"T1.bad": True, "T1.new": False},
            {"T1.age": 5000, "T1.new": False, **press},
            {"stuck": True},
            {"B1.lockout_reset": True},
            {"B1.stored_ticket": True, "B1.stored_openings": 1, "B1.stored_last": 1, "T1.stored_trip": True},
        ]
        return [{"stuck": False, **rest(self.program), **event} for event in events]

    def first_memory(self) -> dict[str, int | bool]:
        """Return: nothing has happened, and the keys count as pressed."""
        counted = dict.fromkeys(("spent", "openings", "last", "low"), 0)
        told = dict.fromkeys(("open 1", "open 2", "ticket", "high", "latched", "tripped"), False)
        return {"first": True, "post": True, "panel": True, **counted, **told}

    def wiring(self, memory: Columns, inputs: Columns) -> Columns:
        """Return the switches: a valve has followed by the next scan, but the first one when it is stuck."""
        open_1, open_2 = memory["open 1"] ^ inputs["stuck"], memory["open 2"]
        return {"ZSC-B1-1": ~open_1, "ZSO-B1-1": open_1, "ZSC-B1-2": ~open_2, "ZSO-B1-2": open_2}

    def judge(self, scan: Scan) -> Judged:
        """Return the rules in plain words, over columns; times in halves of a tick, as the stroke is one half."""
        i, m = scan.inputs, scan.memory
        now = [scan.outputs["B1-1.command"], scan.outputs["B1-2.command"]]
        before = [m["open 1"], m["open 2"]]
        rise = [a & ~b for a, b in zip(now, before, strict=True)]
        any_now, any_before, any_rise = now[0] | now[1], before[0] | before[1], rise[0] | rise[1]
        press = (i["PB-B1-OPEN"] & ~m["post"]) | (i["B1.panel_open"] & ~m["panel"])
        close = i["B1.panel_close"] | ~i["PB-B1-CLOSE"]

        stored = m["first"] & i["B1.stored_ticket"]
        ticket = scan.outputs["B1.ticket"]
        fresh = ticket & ~m["ticket"] & ~stored
        spent = np.where(stored, 3, np.where(fresh, 0, m["spent"])) + 2 * any_before
        openings = np.where(stored, i["B1.stored_openings"], np.where(fresh, 0, m["openings"]))
        last = np.where(stored, i["B1.stored_last"], np.where(fresh, 0, m["last"]))

        gap = i["T1.bad"] | (i["T1.age"] >= 5000)
        latched = np.where(m["first"], i["T1.stored_trip"], m["latched"])
        latched = (latched & ~(i["T1.reset"] & m["high"] & ~gap)) | ((m["low"] >= 2) & ~gap)
        low = np.where(gap, 0, np.where(i["T1.level"] == LOW, np.minimum(m["low"] + 1, 2), 0))
        broken = {
            "close wins": close & any_now,
            "no opening without a press": any_rise & ~press,
            "the key opens the valve chosen": (rise[0] & (i["B1.choice"] != 1)) | (rise[1] & (i["B1.choice"] != 2)),
            "one valve of a bay": now[0] & now[1],
            "open time": any_before & any_now & (spent >= 2 * LIMIT_TICKS),
            "openings of a ticket": any_rise & (openings >= 2),
            "what may follow what": rise[0] & (last == 2),
            "a trip closes, until reset": now[0] & latched,
            "bad or old closes": now[0] & gap,
            "permissives close": any_now & ~(i["XS-B1"] & i["HC-B1"] & ~i["HS-B1-HAND"] & (i["B1.panel_age"] < 5000)),
            "no ticket, no opening": any_rise & ~ticket,
            "closed while starting": any_now & m["first"],
        }
        seen = {
            "it opens": any_rise,
            "the limit closes": any_before & ~any_now & (spent >= 2 * LIMIT_TICKS),
            "the restart is used": any_rise & (openings == 1),
            "the other product follows": rise[1] & (last == 1),
            "a trip closes": before[0] & ~any_now & latched,
            "it opens again after a trip": rise[0] & m["tripped"],
        }
        return Judged(
            {
                "first": np.zeros_like(m["first"]),
                "open 1": now[0],
                "open 2": now[1],
                "post": i["PB-B1-OPEN"],
                "panel": i["B1.panel_open"],
                "ticket": ticket,
                "spent": np.minimum(spent + (any_rise & (openings >= 1)), 2 * LIMIT_TICKS) * ticket,
                "openings": (openings + any_rise) * ticket,
                "last": np.where(rise[0], 1, np.where(rise[1], 2, last)) * ticket,
                "low": low,
                "high": (i["T1.level"] == HIGH) & ~gap,
                "latched": latched,
                "tripped": (m["tripped"] | latched) & ticket,
            },
            broken,
            seen,
        )


class TwoBays:
    """The alphabet and the rules of two bays that share T1, each with one valve."""

    outputs = ("B1-1.command", "B2-1.command", "B1-1.locked_out", "B2-1.locked_out")

    def __init__(self, program: Program) -> None:
        self.program = program

    def events(self) -> list[Symbol]:
        """Return what can happen at the bays: at one, at the other, at both in one scan."""
        alone: list[Symbol] = [
            {word.format(n=n): value for n in bays}
            for word, value in (
                ("PB-B{n}-OPEN", True),
                ("PB-B{n}-CLOSE", False),
                ("HC-B{n}", False),
                ("B{n}.ticket_open", True),
            )
            for bays in ((1,), (2,), (1, 2))
        ]
        return [
            {},
            *alone,
            {"PB-B1-OPEN": True, "PB-B2-CLOSE": False},
            {"PB-B1-CLOSE": False, "PB-B2-OPEN": True},
            {"stuck": True},
            {"stuck": True, "PB-B2-OPEN": True},
            {"B1.lockout_reset": True},
        ]

    def alphabet(self) -> list[Symbol]:
        """Return the events, each beside inputs at rest."""
        return [{"stuck": False, **rest(self.program), **event} for event in self.events()]

    def first_memory(self) -> dict[str, int | bool]:
        """Return: nothing is open, and the keys count as pressed."""
        names = ("open 1", "open 2", "locked 1", "locked 2")
        return {"post 1": True, "post 2": True, **dict.fromkeys(names, False), "level": 0, "later": 0}

    def wiring(self, memory: Columns, inputs: Columns) -> Columns:
        """Return the switches: a valve has followed by the next scan, but the first one when it is stuck."""
        open_1, open_2 = memory["open 1"] ^ inputs["stuck"], memory["open 2"]
        return {"ZSC-B1-1": ~open_1, "ZSO-B1-1": open_1, "ZSC-B2-1": ~open_2, "ZSO-B2-1": open_2}

    def judge(self, scan: Scan) -> Judged:
        """Return what holds however the vessel is shared; "later" is the bay that opened later, 0 for none."""
        i, m, f = scan.inputs, scan.memory, Pair(scan)
        later = np.where(f.rise[1] & f.now[0], 2, np.where(f.rise[0] & f.now[1], 1, m["later"]))
        return Judged(
            memory={
                "open 1": f.now[0],
                "open 2": f.now[1],
                "post 1": i["PB-B1-OPEN"],
                "post 2": i["PB-B2-OPEN"],
                "locked 1": scan.outputs["B1-1.locked_out"],
                "locked 2": scan.outputs["B2-1.locked_out"],
                "level": i["T1.level"],
                "later": later * (f.now[0] & f.now[1]),
            },
            broken={
                "close wins": (f.now[0] & ~i["PB-B1-CLOSE"]) | (f.now[1] & ~i["PB-B2-CLOSE"]),
                "no opening without a press": (f.rise[0] & ~f.press[0]) | (f.rise[1] & ~f.press[1]),
                "a lock-out locks its vessel": (f.rise[0] & m["locked 2"]) | (f.rise[1] & m["locked 1"]),
            },
            seen={
                "one bay opens": f.rise[0],
                "the other bay opens": f.rise[1],
                "both ask, one opens": f.press[0] & f.press[1] & (f.rise[0] ^ f.rise[1]),
                "a valve is locked out": scan.outputs["B1-1.locked_out"],
            },
        )


class Pair:
    """What two bays did in a scan, by bay."""

    def __init__(self, scan: Scan) -> None:
        i, m = scan.inputs, scan.memory
        self.now = (scan.outputs["B1-1.command"], scan.outputs["B2-1.command"])
        self.before = (m["open 1"], m["open 2"])
        self.rise = (self.now[0] & ~self.before[0], self.now[1] & ~self.before[1])
        self.press = (i["PB-B1-OPEN"] & ~m["post 1"], i["PB-B2-OPEN"] & ~m["post 2"])
        self.closed = (i["ZSC-B1-1"] & ~i["ZSO-B1-1"], i["ZSC-B2-1"] & ~i["ZSO-B2-1"])


class Exclusive(TwoBays):
    """The vessel serves one bay at a time."""

    def judge(self, scan: Scan) -> Judged:
        """Add: never both, and none opens before the other's valve is shown closed."""
        judged, f = super().judge(scan), Pair(scan)
        broken = {
            "an exclusive vessel serves one bay": f.now[0] & f.now[1],
            "the other valve is shown closed first": (f.rise[0] & ~f.closed[1]) | (f.rise[1] & ~f.closed[0]),
        }
        return replace(judged, broken=judged.broken | broken)


class SharedAbove(TwoBays):
    """The vessel serves both bays at or above TOGETHER; the later one closes below APART."""

    def events(self) -> list[Symbol]:
        """Add: the level at both limits and just under them, and both keys there."""
        both: Symbol = {"PB-B1-OPEN": True, "PB-B2-OPEN": True}
        levels = (APART - 1, APART, TOGETHER - 1)
        return [*super().events(), *({"T1.level": level, **keys} for level in levels for keys in ({}, both))]

    def judge(self, scan: Scan) -> Judged:
        """Add both limits; the mean over one bucket is the level of the scan before."""
        judged, f, m = super().judge(scan), Pair(scan), scan.memory
        low, very_low = m["level"] < TOGETHER, m["level"] < APART
        both_before = f.before[0] & f.before[1]
        stays = [both_before & very_low & f.now[n] & (m["later"] == n + 1) for n in (0, 1)]
        second = (f.rise[0] & f.before[1]) | (f.rise[1] & f.before[0]) | (f.rise[0] & f.rise[1])
        broken = {
            "two bays open only at or above the level": second & low,
            "below the lower limit the later one closes": stays[0] | stays[1],
        }
        alone = both_before & very_low & (f.now[0] ^ f.now[1])
        seen = {
            "the second bay opens": second,
            "both open in one scan": f.rise[0] & f.rise[1],
            "both stay open between the limits": both_before & low & ~very_low & f.now[0] & f.now[1],
            "the earlier one stays open": alone & np.where(m["later"] == 1, f.now[1], f.now[0]),
        }
        return replace(judged, broken=judged.broken | broken, seen=judged.seen | seen)
