"""Made yards: N vessels and M bays in a ring, with every rule that a scheme has to keep.

Numbers of vessels and bays, a kind and a seed come in; a ``Site`` in memory goes out, that no file ever held. Bay j
draws from the vessels 2j, 2j+1 and 2j+2 of a ring, so neighbours share a vessel. Vessels shared by bays are in turn
exclusive and shared only above a level. Kinds: "repeat", all bays alike up to names; "different", every number is
another; "any", as "repeat", and a trip of any vessel closes every bay.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from pathlib import Path

from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.site.model import (
    Alarm,
    Bay,
    Bypass,
    Density,
    Display,
    ExclusiveVessel,
    Fact,
    FrozenWatch,
    Input,
    LevelKind,
    LevelSource,
    Line,
    Module,
    Output,
    OwnPromise,
    Point,
    QuietHours,
    Rule,
    SharedOnlyAbove,
    Site,
    Trip,
    TripVote,
    Uncertainty,
    Valve,
    Vehicle,
    Vessel,
    Watchdog,
)
from sidetap.vessel import VerticalCylinder
from yards.numbers import KINDS, BayNumbers, Kind, Numbers, VesselNumbers

__all__ = ["KINDS", "Kind", "made_yard"]

DRAWS_FROM = 3
GAL_M3 = Fraction(473176473, 125000000000)  # a US gallon, exact by definition
DAY = date(2026, 1, 20)
PRODUCTS = ("32-0-0", "28-0-0", "10-34-0")
# in "repeat" odd vessels hold the second product; after it only itself may follow: a table with blanks
COMPATIBLE = (
    ("32-0-0", ("32-0-0", "28-0-0")),
    ("28-0-0", ("28-0-0",)),
    ("10-34-0", ("10-34-0", "32-0-0")),
)
MODULE = "IO-1"


def made_yard(vessels: int, bays: int, kind: Kind, *, quick: bool = False, seed: int = 0) -> Site:
    """Return a yard of so many vessels T1, T2 ... and bays B1, B2 ..., whose valves are B1-1, B1-2, B1-3.

    quick: limits of 20-30 s and windows of seconds. seed: of the numbers of "different".
    """
    numbers = Numbers(kind, quick, seed)
    tanks = [_Tank(f"T{n + 1}", n, numbers.vessel()) for n in range(vessels)]
    stands = [_stand(n, vessels, numbers) for n in range(bays)]
    valves = tuple(valve for stand in stands for valve in stand.valves)
    shared = [t for t in tanks if len({v.bay for v in valves if v.vessel == t.tag}) > 1]
    return Site(
        path=Path("made-yard"),
        name=f"A made yard, {kind}",
        time_zone="America/Chicago",
        show=Display("m", "gal", "gpm", "lb"),
        scan_ns=100 * NS_PER_MS,
        lines=(Line("north", "pty:/dev/null", None, 19200, "8E1", None),),
        points=tuple(_point(t) for t in tanks),
        vessels=tuple(_vessel(t, kind) for t in tanks),
        modules=(
            Module(
                MODULE,
                "modbus-rtu",
                "pty:/dev/null",
                None,
                19200,
                "8E1",
                1,
                2 * NS_PER_S,
                coils=2 + len(valves) + bays,
                bits=sum(len(s.input_tags) for s in stands),
            ),
        ),
        watchdog=Watchdog(Output(MODULE, 0), "transistor", 2 * NS_PER_S),
        horn=Output(MODULE, 1),
        inputs=tuple(
            Input(tag, MODULE, bit, NS_PER_S) for bit, tag in enumerate(tag for s in stands for tag in s.input_tags)
        ),
        bays=tuple(s.bay for s in stands),
        valves=valves,
        rules=(
            Rule("R-1", "one-valve-per-bay"),
            QuietHours("R-2", "quiet-hours", 23 * 60 + 30, 4 * 60 + 45),
            *(_sharing(3 + i, t, valves) for i, t in enumerate(shared)),
            *_votes(3 + len(shared), kind, tanks, stands),
        ),
        compatible=COMPATIBLE,
        alarms=tuple(alarm for t in tanks for alarm in _alarms(t)),
        people=(),
        bypass=_bypass(kind, quick, tanks),
        promises=tuple(_own(1 + i, s) for i, s in enumerate(stands)),
        start_hold_ns=(5 if quick else 10) * NS_PER_S,  # quick: longer than it takes to fill a window
    )


@dataclass(frozen=True, slots=True)
class _Tank:
    """A vessel on its way into the site: its place in the ring and its numbers."""

    tag: str
    place: int
    numbers: VesselNumbers


@dataclass(frozen=True, slots=True)
class _Stand:
    """A bay with its valves, and the tags of its inputs in the order of their bits."""

    bay: Bay
    valves: tuple[Valve, ...]
    input_tags: tuple[str, ...]


def _point(tank: _Tank) -> Point:
    return Point(
        tag=f"LT-{tank.tag}",
        line="north",
        device=11 + tank.place,
        table="holding-register",
        register=100,
        encoding="uint16",
        scale=Fraction(1),
        offset=Fraction(0),
        unit="mm",
        valid=(Fraction(0), Fraction(7)),
        good_when=(),
        max_step_m_per_s=Fraction(1, 20),
        poll_ns=NS_PER_S,
        warn_age_ns=tank.numbers.warn_ms * NS_PER_MS,
        close_age_ns=tank.numbers.close_ms * NS_PER_MS,
        released=None,
    )


def _vessel(tank: _Tank, kind: Kind) -> Vessel:
    n = tank.numbers
    return Vessel(
        tag=tank.tag,
        name=tank.tag,
        product=PRODUCTS[tank.place % (3 if kind == "different" else 2)],
        density=Density(Fraction(1300), "invented", DAY),
        geometry=VerticalCylinder(9.144, 7.0),
        top_01mm=70_000,
        level=LevelSource(f"LT-{tank.tag}", LevelKind.HEIGHT),
        uncertainty=Uncertainty(30, Fraction(3, 1000)),
        high_01mm=n.high_01mm,
        low_01mm=n.low_01mm,
        trip=Trip(
            below_01mm=n.trip_01mm,
            mean_ns=n.mean_s * NS_PER_S,
            delay_ns=n.delay_ms * NS_PER_MS,
            reset_above_01mm=n.reset_01mm,
            lag_ns=n.lag_s * NS_PER_S,
        ),
        frozen=FrozenWatch(n.frozen_01mm, 50),
    )


def _stand(place: int, vessels: int, numbers: Numbers) -> _Stand:
    tag, n = f"B{place + 1}", numbers.bay()
    draws_from = dict.fromkeys((2 * place + i) % vessels for i in range(DRAWS_FROM))
    first_coil = 2 + place * (len(draws_from) + 1)
    valves = []
    for number, vessel in enumerate(draws_from, start=1):
        v = numbers.valve()
        valves.append(
            Valve(
                tag=f"{tag}-{number}",
                bay=tag,
                vessel=f"T{vessel + 1}",
                open_limit_ns=v.limit_s * NS_PER_S,
                output=Output(MODULE, first_coil + number),
                fails="closed",
                stroke_ns=v.stroke_ms * NS_PER_MS,
                supervise_ns=v.supervise_ms * NS_PER_MS,
                closed_switch=f"ZSC-{tag}-{number}",
                open_switch=f"ZSO-{tag}-{number}",
            )
        )
    own = [f"HS-{tag}-AUTO", f"HS-{tag}-HAND", f"XS-{tag}", f"LSH-{tag}", f"HC-{tag}", f"PB-{tag}-OPEN"]
    own += [f"PB-{tag}-CLOSE"]
    switches = [switch for v in valves for switch in (v.closed_switch, v.open_switch)]
    return _Stand(_bay(tag, n, Output(MODULE, first_coil)), tuple(valves), (*own, *switches))


def _bay(tag: str, n: BayNumbers, pump: Output) -> Bay:
    return Bay(
        tag=tag,
        name=f"Bay {tag}",
        flow_m3_per_s=n.flow_gpm * GAL_M3 / 60,
        flow_tolerance=Fraction(1, 10),
        flow_source="invented",
        vehicle=Vehicle(5000 * GAL_M3, Fraction(21319)),
        restarts=n.restarts,
        restart_wait_ns=n.restart_wait_ms * NS_PER_MS,
        resume_role="lead",
        run_permissives=(f"HS-{tag}-AUTO", f"XS-{tag}", f"LSH-{tag}", f"HC-{tag}"),
        auto_input=f"HS-{tag}-AUTO",
        hand_input=f"HS-{tag}-HAND",
        stop_input=f"XS-{tag}",
        hose_input=f"HC-{tag}",
        hose_left_after_ns=n.hose_left_ms * NS_PER_MS,
        hard_wired_stop="red button on the post",
        pump_permit=pump,
        open_key=f"PB-{tag}-OPEN",
        close_key=f"PB-{tag}-CLOSE",
        stuck_key_after_ns=n.stuck_key_ms * NS_PER_MS,
        panel_lost_after_ns=n.panel_lost_ms * NS_PER_MS,
        panel_screen="15.6 in",
    )


def _sharing(number: int, tank: _Tank, valves: tuple[Valve, ...]) -> Rule:
    """Return the rule of a vessel that several bays draw from: in turn exclusive and shared above a level."""
    tag = f"R-{number}"
    if number % 2:
        return ExclusiveVessel(tag, "exclusive-vessel", tank.tag)
    bays = tuple(v.bay for v in valves if v.vessel == tank.tag)
    n = tank.numbers
    return SharedOnlyAbove(tag, "shared-only-above", tank.tag, bays, n.together_01mm, n.apart_01mm)


def _votes(number: int, kind: Kind, tanks: list[_Tank], stands: list[_Stand]) -> tuple[Rule, ...]:
    """Return the votes: a trip anywhere for every bay of "any", two of three for one bay in four of "different"."""
    if kind == "any":
        bays = tuple(s.bay.tag for s in stands)
        return (TripVote(f"R-{number}", "trip-vote", tuple(t.tag for t in tanks), 1, bays),)
    if kind == "repeat":
        return ()
    return tuple(_vote_of_two(f"R-{number + i}", stand) for i, stand in enumerate(stands[::4]))


def _vote_of_two(tag: str, stand: _Stand) -> TripVote:
    vessels = tuple(v.vessel for v in stand.valves)
    return TripVote(tag, "trip-vote", vessels, min(2, len(vessels)), (stand.bay.tag,))


def _alarms(tank: _Tank) -> tuple[Alarm, Alarm]:
    n = tank.numbers
    tag = tank.tag
    return (
        Alarm(f"{tag}-high", tag, "above", "high", n.high_delay_ms * NS_PER_MS, n.dead_band_01mm, "high"),
        Alarm(f"{tag}-low", tag, "below", "low", 60 * NS_PER_S, n.dead_band_01mm, "low"),
    )


def _bypass(kind: Kind, quick: bool, tanks: list[_Tank]) -> Bypass:
    """Return the bypass over some trips: every other one, or two of three, so that no bay is without one."""
    some = tuple(t.tag for t in tanks if (t.place % 3 != 2 if kind == "different" else t.place % 2 == 0))
    time_s, at_most_s = (20, 60) if quick else (15 * 60, 60 * 60)
    return Bypass(some, time_s * NS_PER_S, at_most_s * NS_PER_S)


def _own(number: int, stand: _Stand) -> OwnPromise:
    """Return a promise of the site's own, as a person may want one: a wet probe for a second, and all is closed."""
    probe = stand.input_tags[3]
    return OwnPromise(
        tag=f"P-{number}",
        text=f"a second after {probe} has gone, every valve of {stand.bay.tag} is closed",
        when=(Fact(probe, "off"),),
        for_ns=NS_PER_S,
        then=tuple(Fact(v.tag, "closed") for v in stand.valves),
    )
