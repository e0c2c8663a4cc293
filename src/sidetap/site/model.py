"""One frozen, checked description of a site, as everything above this floor sees it.

Times are whole ns, lengths whole tenths of a millimetre, everything else exact fractions of the SI unit. How it is
written in site.toml is the business of the module that reads it; nothing here has a line or a column.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from fractions import Fraction
from pathlib import Path
from typing import Protocol, TypeVar

from sidetap.vessel import Vessel as Geometry


@dataclass(frozen=True, slots=True)
class Display:
    """The units a site shows: level "ft-in", "m", ...; volume "gal", "L"; flow "gpm", ...; mass "lb", "kg"."""

    level: str
    volume: str
    flow: str
    mass: str


@dataclass(frozen=True, slots=True)
class Signature:
    """Who looked at something, and when."""

    by: str
    on: date


@dataclass(frozen=True, slots=True)
class Line:
    """A line that is listened to and never written.

    transmitter: who made sure that the adapter can't transmit; None when nobody has, and then ``run`` refuses.
    """

    tag: str
    port: str
    serial: str | None
    baud: int
    framing: str
    transmitter: Signature | None
    transmitter_state: str = ""


@dataclass(frozen=True, slots=True)
class Condition:
    """What another register of the same poll must say for a point to be good; at least one bound is given."""

    register: int
    encoding: str
    equals: Fraction | None = None
    at_least: Fraction | None = None
    at_most: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """A register of a device on a line, and what makes it good.

    reading = decoded × scale + offset, in unit; valid is in the SI unit of that unit's dimension, both included.
    max_step_m_per_s: the fastest that the *level* made of this point may move, whatever the point measures.
    """

    tag: str
    line: str
    device: int
    table: str
    register: int
    encoding: str
    scale: Fraction
    offset: Fraction
    unit: str
    valid: tuple[Fraction, Fraction]
    good_when: tuple[Condition, ...]
    max_step_m_per_s: Fraction | None
    poll_ns: int
    warn_age_ns: int
    close_age_ns: int
    released: Signature | None
    released_dips: int = 0


class LevelKind(StrEnum):
    """How a point tells a level."""

    HEIGHT = "height"
    ULLAGE = "ullage"
    PRESSURE = "pressure"
    PERCENT = "percent"


@dataclass(frozen=True, slots=True)
class LevelSource:
    """From a point's reading to a level above the vessel's datum.

    height: level = reading. ullage: level = reference_height - reading, nothing nearer than blocking.
    pressure: level = sensor_height + reading / (density × g). percent: level = reading × span.
    """

    point: str
    kind: LevelKind
    reference_height_01mm: int = 0
    blocking_01mm: int = 0
    sensor_height_01mm: int = 0
    span_01mm: int = 0


@dataclass(frozen=True, slots=True)
class Density:
    """Of the product, with where it comes from. uncertainty: a share of it, at k = 2; 0 where nobody has said."""

    kg_per_m3: Fraction
    source: str
    on: date
    uncertainty: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """What the papers of transmitter and shape say, all at k = 2.

    reading_01mm: of one reading of the level, everything but its reference. reference_01mm: of the reference that all
    readings share (dip plate, flange, nozzle), which a difference of two levels doesn't feel. volume: a share.
    """

    reading_01mm: int
    volume: Fraction
    reference_01mm: int = 0


@dataclass(frozen=True, slots=True)
class FrozenWatch:
    """Once expected_01mm of fall were expected of the present draw and under seen_01mm seen, a value is frozen."""

    expected_01mm: int
    seen_01mm: int


@dataclass(frozen=True, slots=True)
class Trip:
    """The low trip: filtered level below below_01mm for delay_ns; reset by a person at reset_above_01mm.

    The filter is a mean over mean_ns, or of first order with the time constant lag_ns; the other one is 0.
    """

    below_01mm: int
    mean_ns: int
    delay_ns: int
    reset_above_01mm: int
    lag_ns: int = 0


@dataclass(frozen=True, slots=True)
class Vessel:
    """A vessel, its product and its limits. top_01mm is the highest level its geometry has a volume for.

    heel_01mm: the level under which nothing can be drawn. receipt_input: the input that is energised while something
    is delivered into the vessel; None where no contact says so. drawing: the shape as drawn, beside a strapping table
    and counted from its zero.
    """

    tag: str
    name: str
    product: str
    density: Density
    geometry: Geometry
    top_01mm: int
    level: LevelSource
    uncertainty: Uncertainty
    high_01mm: int
    low_01mm: int
    trip: Trip
    heel_01mm: int = 0
    frozen: FrozenWatch | None = None
    receipt_input: str | None = None
    drawing: Geometry | None = None


@dataclass(frozen=True, slots=True)
class Module:
    """An input and output module on a port of its own; it opens its outputs after drops_out_after_ns of silence.

    coils, bits: how many outputs and inputs it has; None where nobody has said.
    """

    tag: str
    kind: str
    port: str
    serial: str | None
    baud: int
    framing: str
    device: int
    drops_out_after_ns: int
    coils: int | None = None
    bits: int | None = None


@dataclass(frozen=True, slots=True)
class Output:
    """One coil of a module."""

    module: str
    coil: int


@dataclass(frozen=True, slots=True)
class Watchdog:
    """A transistor output into a retriggerable timing relay in series with the valves' supply."""

    output: Output
    kind: str
    relay_time_ns: int


@dataclass(frozen=True, slots=True)
class Input:
    """One bit of a module, healthy when energised; older than max_age_ns it counts as not energised.

    when_off: what that means at a bay, for people ("the hose is not on").
    """

    tag: str
    module: str
    bit: int
    max_age_ns: int
    when_off: str = ""


@dataclass(frozen=True, slots=True)
class Vehicle:
    """What a bay loads."""

    capacity_m3: Fraction
    payload_kg: Fraction


@dataclass(frozen=True, slots=True)
class Bay:
    """A loading bay: its flow, its vehicle, what it needs to start and to go on, its keys.

    run_permissives: tags of inputs that must be energised all the time. The rest of the permissives (level not
    old, other valves closed; ticket open, level good, valves closed) hold for every bay and are not optional.
    """

    tag: str
    name: str
    flow_m3_per_s: Fraction
    flow_tolerance: Fraction
    flow_source: str
    vehicle: Vehicle
    restarts: int
    restart_wait_ns: int
    resume_role: str
    run_permissives: tuple[str, ...]
    auto_input: str
    hand_input: str
    stop_input: str
    hose_input: str
    hose_left_after_ns: int
    hard_wired_stop: str
    pump_permit: Output
    open_key: str
    close_key: str
    stuck_key_after_ns: int
    panel_lost_after_ns: int
    panel_screen: str
    panel_show: Display | None = None  # units of this bay's own screen; None: the site's


@dataclass(frozen=True, slots=True)
class Valve:
    """A loading valve from one vessel into one bay, closed by its spring."""

    tag: str
    bay: str
    vessel: str
    open_limit_ns: int
    output: Output
    fails: str
    stroke_ns: int
    supervise_ns: int
    closed_switch: str
    open_switch: str


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm on a vessel's level: side "above" or "below" the limit called "high" or "low"."""

    tag: str
    vessel: str
    side: str
    limit: str
    delay_ns: int
    dead_band_01mm: int
    priority: str


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule between things of the site, by its kind. "one-valve-per-bay" says no more than that."""

    tag: str
    kind: str


@dataclass(frozen=True, slots=True)
class QuietHours(Rule):
    """Levels are not polled from one minute of the site's day to another, which may be the next day's."""

    from_minute: int
    to_minute: int


@dataclass(frozen=True, slots=True)
class ExclusiveVessel(Rule):
    """The vessel serves one bay at a time."""

    vessel: str


@dataclass(frozen=True, slots=True)
class SharedOnlyAbove(Rule):
    """The vessel serves several of these bays only at or above a level; under close_below the later one closes."""

    vessel: str
    bays: tuple[str, ...]
    level_01mm: int
    close_below_01mm: int


@dataclass(frozen=True, slots=True)
class TripVote(Rule):
    """Once at_least of these vessels have tripped, every valve of these bays closes: 1 is any of them."""

    vessels: tuple[str, ...]
    at_least: int
    bays: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Bypass:
    """Two people may set the low trips of these vessels aside: for time_ns unless told, for at_most_ns ever."""

    trips: tuple[str, ...]
    time_ns: int
    at_most_ns: int


@dataclass(frozen=True, slots=True)
class Fact:
    """Something that is so or not in one scan, of an input, a valve, a vessel or a bay.

    state: "on" or "off" (an input), "open" or "closed" (a valve, by its command), "below", "above", "bad", "old" or
    "tripped" (a vessel; at the level itself it is above), "ticket" or "no-ticket" (a bay). level_01mm: of below and
    above.
    """

    subject: str
    state: str
    level_01mm: int = 0


@dataclass(frozen=True, slots=True)
class OwnPromise:
    """A promise of the site's own: once all of when have been so for for_ns, all of then are so in that scan."""

    tag: str
    text: str
    when: tuple[Fact, ...]
    for_ns: int
    then: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class Person:
    """A person of people.toml; roles: operator, lead, engineer, approver. In no hash."""

    name: str
    role: str


@dataclass(frozen=True, slots=True)
class Site:
    """Everything, in the order of the file."""

    path: Path
    name: str
    time_zone: str
    show: Display
    scan_ns: int
    lines: tuple[Line, ...]
    points: tuple[Point, ...]
    vessels: tuple[Vessel, ...]
    modules: tuple[Module, ...]
    watchdog: Watchdog | None  # None on a site that only listens, like the horn
    horn: Output | None
    inputs: tuple[Input, ...]
    bays: tuple[Bay, ...]
    valves: tuple[Valve, ...]
    rules: tuple[Rule, ...]
    compatible: tuple[tuple[str, tuple[str, ...]], ...]
    alarms: tuple[Alarm, ...]
    people: tuple[Person, ...]
    bypass: Bypass | None = None
    promises: tuple[OwnPromise, ...] = ()
    start_hold_ns: int = 10_000_000_000  # after a start nothing opens for so long
    secrets: Path | None = None  # the file; whoever runs reads it

    def vessel(self, tag: str) -> Vessel:
        """Return the vessel of that tag; KeyError when there is none."""
        return _by_tag(self.vessels, tag)

    def point(self, tag: str) -> Point:
        """Return the point of that tag; KeyError when there is none."""
        return _by_tag(self.points, tag)

    def bay(self, tag: str) -> Bay:
        """Return the bay of that tag; KeyError when there is none."""
        return _by_tag(self.bays, tag)

    def valve(self, tag: str) -> Valve:
        """Return the valve of that tag; KeyError when there is none."""
        return _by_tag(self.valves, tag)

    def valves_of(self, bay: str) -> tuple[Valve, ...]:
        """Return the valves of a bay, in the order of their tags: the scheme and its verification count them so."""
        return in_order(v for v in self.valves if v.bay == bay)


class _Tagged(Protocol):
    @property
    def tag(self) -> str: ...


_T = TypeVar("_T", bound=_Tagged)


def in_order(things: Iterable[_T]) -> tuple[_T, ...]:
    """Return things in the order of their tags, numbers in them as numbers: T2 before T10."""
    return tuple(sorted(things, key=lambda thing: natural(thing.tag)))


def natural(tag: str) -> list[tuple[int, str]]:
    """Return what tags are sorted by."""
    return [(int(digits or -1), letters) for letters, digits in re.findall(r"([^0-9]*)([0-9]*)", tag)]


def _by_tag(things: tuple[_T, ...], tag: str) -> _T:
    for thing in things:
        if thing.tag == tag:
            return thing
    raise KeyError(tag)
