"""Faults of the site file: what an engineer mistypes, mixes up or forgets, in a made yard of 4 vessels and 2 bays.

Common practice, no source. B1 draws from T1, T2, T3 by the valves B1-1, B1-2, B1-3; B2 from T3, T4, T1. T1 is
exclusive (R-3), T3 shared only above a level (R-4); the trips of T1 and T3 may be bypassed.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from sidetap.quantity import NS_PER_S
from sidetap.site.model import ExclusiveVessel, QuietHours, Rule, SharedOnlyAbove, Site, TripVote
from yards.fault import Fault, Yard, in_site

Edit = Callable[[Site], Site]


def bay(tag: str, **changes: Any) -> Edit:
    """Return the edit of one bay."""
    return lambda s: replace(s, bays=tuple(replace(b, **changes) if b.tag == tag else b for b in s.bays))


def valve(tag: str, **changes: Any) -> Edit:
    """Return the edit of one valve."""
    return lambda s: replace(s, valves=tuple(replace(v, **changes) if v.tag == tag else v for v in s.valves))


def trip(tag: str, **changes: Any) -> Edit:
    """Return the edit of one vessel's low trip."""
    return lambda s: replace(
        s,
        vessels=tuple(replace(v, trip=replace(v.trip, **changes)) if v.tag == tag else v for v in s.vessels),
    )


def point(tag: str, **changes: Any) -> Edit:
    """Return the edit of one point."""
    return lambda s: replace(s, points=tuple(replace(p, **changes) if p.tag == tag else p for p in s.points))


def rule(kind: type[Rule], **changes: Any) -> Edit:
    """Return the edit of the rules of one kind."""
    return lambda s: replace(s, rules=tuple(replace(r, **changes) if isinstance(r, kind) else r for r in s.rules))


def no_rule(kind: type[Rule]) -> Edit:
    """Return the edit that forgets the rules of one kind."""
    return lambda s: replace(s, rules=tuple(r for r in s.rules if not isinstance(r, kind)))


def without(tag: str) -> Edit:
    """Return the edit that forgets one run permissive of B1."""
    return lambda s: bay("B1", run_permissives=tuple(t for t in s.bay("B1").run_permissives if t != tag))(s)


def swapped(one: str, other: str) -> Edit:
    """Return the edit that mixes up the closed switches of two valves."""
    return lambda s: valve(one, closed_switch=s.valve(other).closed_switch)(
        valve(other, closed_switch=s.valve(one).closed_switch)(s)
    )


def bypass(**changes: Any) -> Edit:
    """Return the edit of the bypass."""
    return lambda s: replace(s, bypass=None if s.bypass is None else replace(s.bypass, **changes))


TWO_OF_THREE = Yard("different")
ANY_TRIP = Yard("any")
LONG = Yard(quick=False)
ALL_LONG = Yard("different", quick=False)
EVERYTHING = tuple((a, ("32-0-0", "28-0-0", "10-34-0")) for a in ("32-0-0", "28-0-0", "10-34-0"))

SITE_FAULTS: tuple[Fault, ...] = (
    in_site(
        "a valve is entered with the wrong vessel",
        "T1 trips and B1-1, which draws from it, stays open",
        "trip-closes",
        valve("B1-1", vessel="T4"),
    ),
    in_site(
        "two valves of two bays are entered with each other's vessel",
        "an empty T2 keeps pumping through B1-2",
        "trip-closes",
        lambda s: valve("B1-2", vessel="T4")(valve("B2-2", vessel="T2")(s)),
    ),
    in_site(
        "closed and open switch of a valve are mixed up",
        "a valve that stands open is taken for a closed one",
        "permissive-closes",
        valve("B1-1", closed_switch="ZSO-B1-1", open_switch="ZSC-B1-1"),
    ),
    in_site(
        "the closed switches of two valves are mixed up",
        "B1-2 loses its closed switch and B1-1 stays open",
        "permissive-closes",
        swapped("B1-1", "B1-2"),
    ),
    in_site(
        "the closed switches of two bays are mixed up",
        "a switch of the other bay closes this one",
        "bays-independent",
        swapped("B1-2", "B2-2"),
    ),
    in_site("the stop circuit is not a permissive", "stop does not close", "permissive-closes", without("XS-B1")),
    in_site("the hose is not a permissive", "it loads without a hose", "permissive-closes", without("HC-B1")),
    in_site("AUTO is not a permissive", "it opens in OFF", "permissive-closes", without("HS-B1-AUTO")),
    in_site("the high probe is not a permissive", "the truck runs over", "permissive-closes", without("LSH-B1")),
    in_site(
        "the other bay's high probe is entered as a permissive",
        "the truck runs over, against what the site's own promise says",
        "own",
        bay("B1", run_permissives=("HS-B1-AUTO", "XS-B1", "LSH-B2", "HC-B1")),
    ),
    in_site(
        "the other bay's stop circuit is entered as a permissive",
        "B1's own stop does not close",
        "permissive-closes",
        bay("B1", run_permissives=("HS-B1-AUTO", "XS-B2", "LSH-B1", "HC-B1")),
    ),
    in_site(
        "the open key of the other bay is entered",
        "a press at B2 opens a valve of B1",
        "fresh-press-only",
        bay("B1", open_key="PB-B2-OPEN"),
    ),
    in_site(
        "the close key of the other bay is entered",
        "close at B1 does not close",
        "close-wins",
        bay("B1", close_key="PB-B2-CLOSE"),
    ),
    in_site(
        "open and close key are mixed up",
        "close opens",
        "close-wins",
        bay("B1", open_key="PB-B1-CLOSE", close_key="PB-B1-OPEN"),
    ),
    in_site(
        "the hose of the other bay is entered",
        "a new ticket without the hose seen off",
        "ticket-time-bound",
        bay("B1", hose_input="HC-B2"),
    ),
    in_site(
        "HAND of the other bay is entered",
        "a selector that shows AUTO and HAND does not close",
        "permissive-closes",
        bay("B1", hand_input="HS-B2-HAND"),
    ),
    in_site("three restarts for one", "a third opening on one ticket", "ticket-time-bound", bay("B1", restarts=3)),
    in_site("no restart for one", "the restart is refused", "opens-when-asked", bay("B1", restarts=0)),
    in_site(
        "a wait of half a second for five",
        "it opens again before the wait is over",
        "ticket-time-bound",
        bay("B1", restart_wait_ns=NS_PER_S // 2),
    ),
    in_site(
        "a wait of a minute for five seconds",
        "the restart is refused though the wait is over",
        "opens-when-asked",
        bay("B1", restart_wait_ns=60 * NS_PER_S),
    ),
    in_site(
        "an open limit too long",
        "open for longer than allowed",
        "open-time-bound",
        valve("B1-1", open_limit_ns=30 * NS_PER_S),
    ),
    in_site(
        "an open limit too long, in long times",
        "open for longer than allowed",
        "open-time-bound",
        valve("B1-1", open_limit_ns=600 * NS_PER_S),
        LONG,
    ),
    in_site("an open limit too short", "it closes early", "stays-open", valve("B1-1", open_limit_ns=20 * NS_PER_S)),
    in_site(
        "a stroke too short",
        "restarts and crashes cost too little of the ticket's time",
        "ticket-time-bound",
        lambda s: replace(s, valves=tuple(replace(v, stroke_ns=NS_PER_S // 10) for v in s.valves)),
    ),
    in_site(
        "a supervision time too long",
        "a valve that doesn't follow locks out too late",
        "mismatch-alarms",
        valve("B1-1", supervise_ns=30 * NS_PER_S),
    ),
    in_site(
        "a supervision time too short",
        "a valve still on its way is locked out",
        "mismatch-alarms",
        valve("B1-1", supervise_ns=NS_PER_S),
    ),
    in_site("a trip ten times too low", "T1 runs empty", "trip-closes", trip("T1", below_01mm=600)),
    in_site("a trip's delay too long", "T2 trips late", "trip-closes", trip("T2", delay_ns=20 * NS_PER_S)),
    in_site("a mean over too long a time", "T2 trips late", "trip-closes", trip("T2", mean_ns=30 * NS_PER_S)),
    in_site("a mean over too short a time", "a wave trips T2", "stays-open", trip("T2", mean_ns=NS_PER_S)),
    in_site(
        "a mean over fourteen seconds for fifteen",
        "the mean is another one, so T2 trips at another time",
        "trip-closes",
        trip("T2", mean_ns=14 * NS_PER_S),
        LONG,
    ),
    in_site(
        "a mean for a lag",
        "T2 trips at another time",
        "trip-closes",
        trip("T2", mean_ns=2 * NS_PER_S, lag_ns=0),
        TWO_OF_THREE,
    ),
    in_site("a lag too long", "T2 trips late", "trip-closes", trip("T2", lag_ns=9 * NS_PER_S), TWO_OF_THREE),
    in_site(
        "a reset level at the trip",
        "T2 is reset too low",
        "latched-until-reset",
        trip("T2", reset_above_01mm=6000),
    ),
    in_site(
        "a close age too long",
        "an old level keeps it open",
        "bad-or-old-closes",
        point("LT-T1", close_age_ns=50 * NS_PER_S),
    ),
    in_site(
        "a warning age at the close age",
        "it opens on a late level",
        "permissive-closes",
        point("LT-T1", warn_age_ns=5 * NS_PER_S),
    ),
    in_site(
        "a panel may be lost for a minute",
        "open without a panel",
        "permissive-closes",
        bay("B1", panel_lost_after_ns=60 * NS_PER_S),
    ),
    in_site(
        "the exclusive vessel is another one",
        "T1 serves both bays",
        "exclusive-vessel",
        rule(ExclusiveVessel, vessel="T2"),
    ),
    in_site("the exclusive vessel is forgotten", "T1 serves both bays", "exclusive-vessel", no_rule(ExclusiveVessel)),
    in_site(
        "two bays share ten times too low",
        "T3 serves both bays at 0.2 m",
        "shared-only-above",
        rule(SharedOnlyAbove, level_01mm=1500),
    ),
    in_site(
        "the later bay closes ten times too low",
        "below 1.45 m both bays stay open",
        "shared-only-above",
        rule(SharedOnlyAbove, close_below_01mm=1450),
    ),
    in_site(
        "the shared vessel names one bay",
        "T3 serves both bays",
        "shared-only-above",
        rule(SharedOnlyAbove, bays=("B1",)),
    ),
    in_site("the shared vessel is forgotten", "T3 serves both bays", "shared-only-above", no_rule(SharedOnlyAbove)),
    in_site(
        "three votes for two",
        "two vessels have tripped and B1 stays open",
        "trip-vote",
        rule(TripVote, at_least=3),
        TWO_OF_THREE,
    ),
    in_site(
        "one vote for two",
        "one vessel closes what two should",
        "stays-open",
        rule(TripVote, at_least=1),
        TWO_OF_THREE,
    ),
    in_site(
        "a vote without one vessel",
        "T2 trips and B2 stays open",
        "trip-vote",
        rule(TripVote, vessels=("T1", "T3", "T4")),
        ANY_TRIP,
    ),
    in_site(
        "a vote without one bay", "T2 trips and B2 stays open", "trip-vote", rule(TripVote, bays=("B1",)), ANY_TRIP
    ),
    in_site(
        "anything may follow anything",
        "28-0-0 and then 32-0-0",
        "compatible-only",
        lambda s: replace(s, compatible=EVERYTHING),
    ),
    in_site(
        "the table of products is read the wrong way round",
        "28-0-0 and then 32-0-0",
        "compatible-only",
        lambda s: replace(s, compatible=(("32-0-0", ("32-0-0",)), ("28-0-0", ("28-0-0", "32-0-0")))),
    ),
    in_site(
        "a product in the wrong vessel",
        "28-0-0 and then 32-0-0",
        "compatible-only",
        lambda s: replace(s, vessels=tuple(replace(v, product="32-0-0") for v in s.vessels)),
    ),
    in_site(
        "a trip too many may be bypassed", "T2's trip is set aside", "trip-closes", bypass(trips=("T1", "T2", "T3"))
    ),
    in_site(
        "a bypass of ten times the time",
        "a bypass outlasts its most",
        "bypass-bounded",
        bypass(at_most_ns=600 * NS_PER_S),
    ),
    in_site(
        "no hold after the start",
        "it opens in the first seconds",
        "start-up-closed",
        lambda s: replace(s, start_hold_ns=0),
    ),
    in_site("quiet hours are forgotten", "it opens at night", "quiet-hours", no_rule(QuietHours)),
    in_site(
        "a hose may be left on for an hour",
        "the next truck is filled on a hose that was left",
        "alarms-tell",
        bay("B1", hose_left_after_ns=3600 * NS_PER_S),
    ),
    in_site(
        "a watchdog relay without its time",
        "a crash costs too little of the ticket's time",
        "ticket-time-bound",
        lambda s: replace(s, watchdog=None if s.watchdog is None else replace(s.watchdog, relay_time_ns=0)),
    ),
    in_site(
        "every number of one vessel is that of another",
        "T2 trips where T4 should",
        "trip-closes",
        lambda s: trip("T2", below_01mm=s.vessel("T4").trip.below_01mm)(s),
        ALL_LONG,
    ),
)
