"""What the rows of a site say about each other, and whether it can be so: cross-references and physical sense.

Rows come in, problems go out (through their tables, which know the places). A row that could not be read is None
and takes no part; its tag still counts as known, so that one mistake isn't told twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from fractions import Fraction
from typing import Any

from sidetap.line import width
from sidetap.quantity import UNITS, format_duration, format_level
from sidetap.site import model
from sidetap.site.levels import level_m
from sidetap.site.limits import limit_problem
from sidetap.site.rows import LEVEL_DIMENSIONS, Row
from sidetap.site.table import Table, names, shorten

MOST_REGISTERS = 125  # of one answer (MODBUS Application Protocol V1.1b3, 6.3)
SCHEME_ALARMS = {  # what the scheme itself calls alarms of its own: TAG-word
    "vessel": ("trip", "bad", "old", "late"),
    "bay": ("stuck-key", "hose-left", "panel", "hand"),
    "valve": ("mismatch",),
}


@dataclass(frozen=True, slots=True)
class Rows:
    """Every row of a site file; watchdog and horn are there once."""

    top: Table
    scan_ns: int
    lines: list[Row[model.Line]]
    points: list[Row[model.Point]]
    vessels: list[Row[model.Vessel]]
    modules: list[Row[model.Module]]
    watchdog: Row[model.Watchdog]
    horn: Row[model.Output]
    inputs: list[Row[model.Input]]
    bays: list[Row[model.Bay]]
    valves: list[Row[model.Valve]]
    rules: list[Row[model.Rule]]
    alarms: list[Row[model.Alarm]]
    compatible_table: Table
    compatible: tuple[tuple[str, tuple[str, ...]], ...]
    people: list[Row[model.Person]]


def check(rows: Rows) -> None:
    """Note every problem that no row can have alone."""
    _Checker(rows).check()


class _Checker:
    def __init__(self, rows: Rows) -> None:
        self.rows = rows
        self.points = _by_tag(rows.points)
        self.vessels = _by_tag(rows.vessels)
        self.bays = _by_tag(rows.bays)

    def check(self) -> None:
        self.tags()
        self.references()
        self.ports()
        self.coils_and_bits()
        self.input_roles()
        for point in self.rows.points:
            self.point(point)
        for vessel in self.rows.vessels:
            self.vessel(vessel)
        for bay in self.rows.bays:
            self.bay(bay)
        for valve in self.rows.valves:
            self.valve(valve)
        for alarm in self.rows.alarms:
            self.alarm(alarm)
        self.times()
        self.products()
        self.people()

    # -- names ---------------------------------------------------------------------------------------------------

    def tags(self) -> None:
        """Require one tag for one thing: the scheme, the journal and people in the yard name things by tags alone."""
        r = self.rows
        first: dict[str, Row[Any]] = {}
        groups: tuple[list[Any], ...] = (
            r.lines,
            r.points,
            r.vessels,
            r.modules,
            r.inputs,
            r.bays,
            r.valves,
            r.rules,
            r.alarms,
        )
        for row in (row for group in groups for row in group):
            if not row.tag:
                continue
            if row.tag in first:
                other = first[row.tag].table
                problem = f"{shorten(row.tag)!r} is the tag of {other.where} in line {other.line_of('tag')} too"
                row.table.error("tag", problem, "Give each thing a tag of its own.")
            first.setdefault(row.tag, row)
        own = {
            f"{row.tag}-{word}"
            for kind, group in (("vessel", r.vessels), ("bay", r.bays), ("valve", r.valves))
            for row in group
            for word in SCHEME_ALARMS[kind]
        }
        for alarm in r.alarms:
            if alarm.tag in own:
                alarm.table.error("tag", f"{alarm.tag!r} is an alarm that the scheme has anyway", "Rename it.")

    def references(self) -> None:
        r = self.rows
        lines, points, modules = _tags(r.lines), _tags(r.points), _tags(r.modules)
        vessels, inputs, bays = _tags(r.vessels), _tags(r.inputs), _tags(r.bays)
        for row in r.points:
            _refer(row, "line", "line", lines)
        for row_vessel in r.vessels:
            _refer(row_vessel, "level.point", "point", points)
            _refer(row_vessel, "receipt_input", "input", inputs)
        wired: list[Row[Any]] = [r.watchdog, r.horn, *r.inputs]
        for single in wired:
            _refer(single, "module", "module", modules)
        for bay in r.bays:
            _refer(bay, "pump_permit.module", "module", modules)
            for key in ("selector.auto", "selector.hand", "stop_input", "hose.input", "open_key", "close_key"):
                _refer(bay, key, "input", inputs)
            permissives = bay.table.values.get("run_permissives")
            for tag in permissives if isinstance(permissives, list) else ():
                if isinstance(tag, str) and tag not in inputs:
                    bay.table.error("run_permissives", f"no input {shorten(tag)!r}", _nearest(tag, inputs, "input"))
        for valve in r.valves:
            _refer(valve, "bay", "bay", bays)
            _refer(valve, "from", "vessel", vessels)
            _refer(valve, "output.module", "module", modules)
            _refer(valve, "closed_switch", "input", inputs)
            _refer(valve, "open_switch", "input", inputs)
        for alarm in r.alarms:
            if alarm.value is not None and alarm.value.vessel not in vessels:
                word = alarm.value.vessel
                alarm.table.error("on", f"no vessel {shorten(word)!r}", _nearest(word, vessels, "vessel"))

    # -- wiring --------------------------------------------------------------------------------------------------

    def ports(self) -> None:
        """Keep a tap's port free of anything that sends; modules of one port share its settings."""
        taps: dict[str, str] = {}
        for line in self.rows.lines:
            if line.value is None:
                continue
            if line.value.port in taps:
                line.table.error("port", f"line {taps[line.value.port]} listens there too", "Name another port.")
            taps.setdefault(line.value.port, line.tag)
            if line.value.transmitter is None:
                line.table.warning(
                    "transmitter",
                    "nobody has stated that the tap's adapter can't transmit; the station will not run",
                    "Have its transmitter disabled in hardware, and state who checked that and when.",
                )
            elif line.value.transmitter_state != "disabled in hardware":
                line.table.warning(
                    "transmitter.state",
                    "not the statement that counts; software alone can't keep an adapter from driving the line",
                    'Write "disabled in hardware" when that has been checked.',
                )
        buses: dict[str, list[model.Module]] = {}
        for module in self.rows.modules:
            if module.value is None:
                continue
            port = module.value.port
            if port in taps:
                problem = f"an output on the port that line {taps[port]} only listens to"
                module.table.error("port", problem, "Outputs need a port of their own, away from the plant's line.")
            for other in buses.setdefault(port, []):
                if other.device == module.value.device:
                    problem = f"{other.tag} answers as {other.device} on this port"
                    module.table.error("device", problem, "Give each module an address of its own.")
                if (other.baud, other.framing) != (module.value.baud, module.value.framing):
                    problem = f"{other.tag} speaks {other.baud} {other.framing} on this port"
                    module.table.error("baud", problem, "One port has one speed and framing.")
            buses[port].append(module.value)

    def coils_and_bits(self) -> None:
        r = self.rows
        coils: dict[tuple[str, int], str] = {}
        places: list[tuple[Table, str, model.Output]] = []
        if r.watchdog.value is not None:
            places.append((r.watchdog.table, "coil", r.watchdog.value.output))
        if r.horn.value is not None:
            places.append((r.horn.table, "coil", r.horn.value))
        places += [(b.table, "pump_permit.coil", b.value.pump_permit) for b in r.bays if b.value is not None]
        places += [(v.table, "output.coil", v.value.output) for v in r.valves if v.value is not None]
        for table, key, output in places:
            used = coils.setdefault((output.module, output.coil), table.where)
            if used != table.where:
                problem = f"coil {output.coil} of {output.module} is driven by {used} too"
                table.error(key, problem, "Two uses of one coil would open each other's valve; wire another.")
        bits: dict[tuple[str, int], str] = {}
        for row in r.inputs:
            if row.value is None:
                continue
            used = bits.setdefault((row.value.module, row.value.bit), row.table.where)
            if used != row.table.where:
                problem = f"bit {row.value.bit} of {row.value.module} is {used} too"
                row.table.error("bit", problem, "Wire each contact to a bit of its own.")

    def input_roles(self) -> None:
        """Let a contact say one thing. What only stands among run permissives may serve several bays."""
        roles: dict[str, str] = {}
        named: set[str] = set()
        uses: list[tuple[Row[Any], str, str]] = []
        for bay in self.rows.bays:
            if bay.value is not None:
                b = bay.value
                uses += [
                    (bay, "selector.auto", b.auto_input),
                    (bay, "selector.hand", b.hand_input),
                    (bay, "stop_input", b.stop_input),
                    (bay, "hose.input", b.hose_input),
                    (bay, "open_key", b.open_key),
                    (bay, "close_key", b.close_key),
                ]
                named.update(b.run_permissives)
        for valve in self.rows.valves:
            if valve.value is not None:
                uses += [
                    (valve, "closed_switch", valve.value.closed_switch),
                    (valve, "open_switch", valve.value.open_switch),
                ]
        for vessel in self.rows.vessels:
            if vessel.value is not None and vessel.value.receipt_input is not None:
                uses.append((vessel, "receipt_input", vessel.value.receipt_input))
        for row, key, tag in uses:
            here = f"{row.table.where}.{key}"
            used = roles.setdefault(tag, here)
            if used != here:
                row.table.error(key, f"{tag} is {used} already", "A contact can say one thing only; name another.")
        users: list[Row[Any]] = [*self.rows.bays, *self.rows.valves, *self.rows.vessels]
        if any(row.value is None for row in users):
            return  # what they would have used isn't known
        for wired in self.rows.inputs:
            if wired.tag and wired.tag not in named and wired.tag not in roles:
                wired.table.warning("tag", f"{wired.tag} is wired, but nothing uses it", "Use it, or leave it out.")

    # -- points and vessels --------------------------------------------------------------------------------------

    def point(self, row: Row[model.Point]) -> None:
        p, t = row.value, row.table
        if p is None:
            return
        poll, warn, close = (format_duration(ns) for ns in (p.poll_ns, p.warn_age_ns, p.close_age_ns))
        if p.warn_age_ns <= p.poll_ns:
            t.error("warn_age", f"{warn} is no longer than the poll period of {poll}", "Allow for a missed poll.")
        if p.close_age_ns <= p.poll_ns:
            t.error("close_age", f"{close} is no longer than the poll period of {poll}", "Allow for missed polls.")
        if p.warn_age_ns >= p.close_age_ns:
            t.error("warn_age", f"a warning at {warn} is no earlier than closing at {close}", "Make it shorter.")
        last = p.register + width(p.encoding) - 1
        if last > 65_535:
            t.error("register", f"{p.encoding} at {p.register} ends behind register 65535", "Check the address.")
        for number, condition in enumerate(p.good_when):
            ends = (condition.register, condition.register + width(condition.encoding) - 1, p.register, last)
            if max(ends) - min(ends) >= MOST_REGISTERS:
                t.error(
                    "good_when",
                    f"register {condition.register} (number {number + 1}) can't be in the same answer",
                    f"One answer has at most {MOST_REGISTERS} registers; use a register polled with the value.",
                )
            bounds = (condition.at_least, condition.at_most)
            if bounds[0] is not None and bounds[1] is not None and bounds[0] > bounds[1]:
                t.error("good_when", "at_least is above at_most: never good", "Exchange them.")
        used = [v.value.level.point for v in self.rows.vessels if v.value is not None]
        if p.tag not in used and len(used) == len(self.rows.vessels):
            t.warning("tag", f"no vessel uses {p.tag}", "Use it, or leave it out.")
        if p.released is None:
            t.warning("released", "not released for control by two dips", "Dip the vessel twice and state it.")

    def vessel(self, row: Row[model.Vessel]) -> None:
        v, t = row.value, row.table
        if v is None:
            return
        bottom_01mm = _up_01mm(Fraction(v.geometry.bottom_m))
        trip = v.trip
        if trip.reset_above_01mm <= trip.below_01mm:
            t.error("trip.reset_above", f"not above the trip at {_m(trip.below_01mm)}", "Leave 0.10 m or more.")
        if v.low_01mm <= trip.below_01mm:
            t.error("low", f"not above the trip at {_m(trip.below_01mm)}", "A warning comes before the trip.")
        if v.high_01mm <= v.low_01mm:
            t.error("high", f"not above the low level at {_m(v.low_01mm)}", "Check both.")
        if v.high_01mm >= v.top_01mm:
            t.error("high", f"not below the vessel's top at {_m(v.top_01mm)}", "Check the shape and the level.")
        if v.heel_01mm >= trip.below_01mm:
            t.error("heel", f"not below the trip at {_m(trip.below_01mm)}", "Trip while there is something to draw.")
        if trip.reset_above_01mm >= v.high_01mm:
            t.error("trip.reset_above", f"not below the high level at {_m(v.high_01mm)}", "Check both.")
        if trip.below_01mm <= bottom_01mm and bottom_01mm > 0:
            problem = f"{_m(trip.below_01mm)} is not above the first row of the strapping at {_m(bottom_01mm)}"
            t.error("trip.below", problem, "Raise the trip, or strap the vessel further down.")
        point = self.points.get(v.level.point)
        if point is not None:
            self.reach(v, t, point)

    def reach(self, v: model.Vessel, t: Table, point: model.Point) -> None:
        """Require that the sensor can see the trip and the high level."""
        wanted = LEVEL_DIMENSIONS[v.level.kind]
        if UNITS[point.unit].dimension is not wanted:
            problem = f"{v.level.kind} needs a unit of {wanted.name.lower()}; {point.tag} is in {point.unit}"
            t.error("level.as", problem, "Check the point's unit and what it measures.")
            return
        source = v.level
        trip = f"{_m(v.trip.below_01mm)} is under the sensor's reach"
        high = f"{_m(v.high_01mm)} is over the sensor's reach"
        if source.kind is model.LevelKind.PRESSURE and v.trip.below_01mm <= source.sensor_height_01mm:
            nozzle = _m(source.sensor_height_01mm)
            t.error("trip.below", f"{trip}: its nozzle is at {nozzle}", "Raise the trip above the nozzle.")
            return
        reach = sorted(level_m(source, v.density, value) * 10_000 for value in point.valid)
        if source.kind is model.LevelKind.ULLAGE:
            reach[1] = min(reach[1], Fraction(source.reference_height_01mm - source.blocking_01mm))
        lowest, highest = (_m(end // 1) for end in reach)
        if v.trip.below_01mm <= reach[0]:
            t.error(
                "trip.below", f"{trip}: {point.tag} is valid from {lowest}", "Raise it, or check the valid range."
            )
        if v.high_01mm >= reach[1]:
            t.error("high", f"{high}: {point.tag} is valid up to {highest}", "Lower it, or check the valid range.")

    # -- bays and valves -----------------------------------------------------------------------------------------

    def bay(self, row: Row[model.Bay]) -> None:
        b, t = row.value, row.table
        if b is None:
            return
        for tag, what in ((b.auto_input, "AUTO"), (b.stop_input, "the stop circuit"), (b.hose_input, "the hose")):
            if tag not in b.run_permissives:
                t.error("run_permissives", f"{tag} is missing: {what} must hold all the time", f'Add "{tag}".')
        switches = [s for v in self.rows.valves if v.value for s in (v.value.closed_switch, v.value.open_switch)]
        for tag in b.run_permissives:
            if tag in (b.hand_input, b.open_key, b.close_key, *switches):
                t.error("run_permissives", f"{tag} is a key, a limit switch or HAND", "Leave it out.")
        if len(set(b.run_permissives)) < len(b.run_permissives):
            t.error("run_permissives", "an input stands there twice", "Name each once.")
        if not any(valve.table.values.get("bay") == b.tag for valve in self.rows.valves):
            t.error("tag", f"bay {b.tag} has no valve", "Add a [[valve]] with this bay.")

    def valve(self, row: Row[model.Valve]) -> None:
        v, t = row.value, row.table
        if v is None:
            return
        if v.supervise_ns <= v.stroke_ns:
            problem = f"{format_duration(v.supervise_ns)} is no longer than the stroke"
            t.error("supervise", problem, "Allow the stroke and 2 s more.")
        for other in self.rows.valves:
            if other.value is v:
                break
            if other.value is not None and (other.value.bay, other.value.vessel) == (v.bay, v.vessel):
                t.error("from", f"{other.tag} leads from {v.vessel} to bay {v.bay} too", "One valve for each way.")
        bay, vessel = self.bays.get(v.bay), self.vessels.get(v.vessel)
        if bay is not None and vessel is not None:
            problem_here = limit_problem(bay, v, vessel)
            if problem_here is not None:
                t.error("open_limit", *problem_here)

    def alarm(self, row: Row[model.Alarm]) -> None:
        if row.value is None or row.value.vessel not in self.vessels:
            return
        vessel = self.vessels[row.value.vessel]
        if vessel.low_01mm + row.value.dead_band_01mm >= vessel.high_01mm:
            row.table.error("dead_band", "wider than from the low level to the high one", "Make it smaller.")

    # -- the rest ------------------------------------------------------------------------------------------------

    def times(self) -> None:
        """Require that what is renewed every scan outlasts more than one."""
        scan = self.rows.scan_ns
        for row in self.rows.inputs:
            if row.value is not None and row.value.max_age_ns < 2 * scan:
                row.table.error(
                    "max_age", "shorter than two scans: the input would be lost all the time", "Raise it."
                )
        watchdog = self.rows.watchdog
        if watchdog.value is not None and watchdog.value.relay_time_ns < 3 * scan:
            watchdog.table.error("relay_time", "shorter than three scans: it would drop out in service", "Raise it.")
        for module in self.rows.modules:
            if module.value is not None and module.value.drops_out_after_ns < 3 * scan:
                problem = "shorter than three scans: the module would drop its outputs in service"
                module.table.error("drops_out_after", problem, "Raise it.")

    def products(self) -> None:
        """Look at [compatible]: only products that are there; one without a row may be followed by nothing."""
        table = self.rows.compatible_table
        products = [v.value.product for v in self.rows.vessels if v.value is not None]
        if len(products) < len(self.rows.vessels) or table.absent:
            return
        for product, followers in self.rows.compatible:
            if product not in products:
                table.error(product, f"no vessel holds {shorten(product)!r}", _nearest(product, products, "product"))
            for follower in followers:
                if follower not in products:
                    remedy = _nearest(follower, products, "product")
                    table.error(product, f"no vessel holds {shorten(follower)!r}", remedy)
        for product in dict.fromkeys(products):
            followers = dict(self.rows.compatible).get(product, ())
            if product not in followers:
                table.warning(
                    product,
                    f"{product} may not follow itself: no restart on its ticket",
                    f'Add "{product}" to its list if the client has signed that.',
                )

    def people(self) -> None:
        people = [p.value for p in self.rows.people if p.value is not None]
        if len(people) < len(self.rows.people):
            return
        seen: set[str] = set()
        for row in self.rows.people:
            if row.value is not None and row.value.name in seen:
                row.table.error("name", f"{row.value.name!r} is there twice", "One person, one entry.")
            seen.add(row.value.name if row.value is not None else "")
        if not people:
            return
        roles = {p.role for p in people}
        for bay in self.rows.bays:
            if bay.value is not None and bay.value.resume_role not in roles:
                problem = f"nobody of the people's file is {bay.value.resume_role}"
                bay.table.error("resume_by", problem, f"Roles held there: {names(sorted(roles))}.")


def _by_tag(rows: Iterable[Row[Any]]) -> dict[str, Any]:
    return {row.value.tag: row.value for row in rows if row.value is not None}


def _tags(rows: Iterable[Row[Any]]) -> list[str]:
    return [row.tag for row in rows if row.tag]


def _refer(row: Row[Any], key: str, kind: str, tags: Sequence[str]) -> None:
    """Note a text at key that names no thing of that kind."""
    value: Any = row.table.values
    for name in key.split("."):
        value = value.get(name) if isinstance(value, dict) else None
    if isinstance(value, str) and value.strip() and value not in tags:
        row.table.error(key, f"no {kind} {shorten(value)!r}", _nearest(value, tags, kind))


def _nearest(word: str, tags: Sequence[str], kind: str) -> str:
    if not tags:
        return f"Add a [[{kind}]]."
    close = get_close_matches(word[:60], tags, 1)
    hint = f"Did you mean {close[0]}? " if close else ""
    return f"{hint}Here: {names(tags)}."


def _m(level_01mm: int) -> str:
    return format_level(level_01mm)


def _up_01mm(length_m: Fraction) -> int:
    return -(-length_m * 10_000 // 1)
