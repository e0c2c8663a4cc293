"""The tables of site.toml, one function each: a ``Table`` -> the frozen row of the model.

Here stand the keys, their units and bounds. What rows say about each other is the business of ``check``. A row built
from a table that failed holds stand-ins and must be thrown away.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Generic, TypeVar

from sidetap.errors import BadInput
from sidetap.line import ENCODINGS
from sidetap.quantity import UNITS, Dimension
from sidetap.site import model
from sidetap.site.files import NotText, read_small_text
from sidetap.site.table import Table, shorten
from sidetap.vessel import (
    Ellipsoidal,
    Flat,
    HorizontalCylinder,
    Strapping,
    StrappingProblem,
    VerticalCylinder,
    Vessel,
    parse_strapping,
)

FRAMINGS = ("8E1", "8O1", "8N1", "8N2")  # RTU needs eight data bits (MODBUS over Serial Line V1.02, 2.5.1)
REGISTER_TABLES = ("holding-register", "input-register")
POINT_ENCODINGS = tuple(name for name in ENCODINGS if name not in ("text", "bits16"))  # those that are numbers
LEVEL_DIMENSIONS = {
    model.LevelKind.HEIGHT: Dimension.LENGTH,
    model.LevelKind.ULLAGE: Dimension.LENGTH,
    model.LevelKind.PRESSURE: Dimension.PRESSURE,
    model.LevelKind.PERCENT: Dimension.SHARE,
}
POINT_UNITS = tuple(u.name for u in UNITS.values() if u.dimension in LEVEL_DIMENSIONS.values() and u.name != "1")
ROLES = ("operator", "lead", "engineer", "approver")
HEADS = ("flat", "ellipsoidal-2:1")
MOST_MEAN_S = 60  # buckets of a trip's mean; each is a state of the scheme

R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class Row(Generic[R]):
    """A row of the model and the table it was read from; value is None when the table can't be used."""

    value: R | None
    table: Table

    @property
    def tag(self) -> str:
        """The tag as it stands in the file, also where the rest can't be used; "" without one."""
        tag = self.table.values.get("tag")
        return tag if isinstance(tag, str) else ""


def close(table: Table, value: R) -> Row[R]:
    """Look for keys nobody asked for, and return the row if its table didn't fail."""
    table.finish()
    return Row(None if table.failed else value, table)


_SHOW = '{ level = "ft-in", volume = "gal", flow = "gpm", mass = "lb" }'


def read_display(t: Table) -> model.Display:
    """Read [site] show: the units a site shows."""
    display = model.Display(
        level=t.choice("level", ("ft-in", "m", "cm", "mm", "ft", "in", "%")),
        volume=t.choice("volume", ("gal", "L", "m3", "bbl")),
        flow=t.choice("flow", ("gpm", "L/min", "m3/h")),
        mass=t.choice("mass", ("lb", "kg", "t")),
    )
    t.finish()
    return display


def read_line(t: Table) -> Row[model.Line]:
    """Read [[line]]: a line that is listened to."""
    tag, port, serial, baud, framing = t.tag("north"), *_serial_port(t)
    transmitter, state = None, ""
    if t.has("transmitter"):
        inner = t.table("transmitter", '{ state = "disabled in hardware", checked_by = "NAME", on = 2026-01-31 }')
        state = inner.text("state", "disabled in hardware")
        transmitter = model.Signature(inner.text("checked_by", "NAME"), inner.day("on"))
        inner.finish()
    return close(t, model.Line(tag, port, serial, baud, framing, transmitter, state))


def read_module(t: Table) -> Row[model.Module]:
    """Read [[module]]: inputs and outputs."""
    tag, kind = t.tag("IO-1"), t.choice("kind", ("modbus-rtu",))
    port, serial, baud, framing = _serial_port(t)
    device = t.whole("device", 1, 247, 1)
    drops_out = t.duration_ns("drops_out_after", "100 ms", "60 s", "2 s")
    return close(t, model.Module(tag, kind, port, serial, baud, framing, device, drops_out))


def _serial_port(t: Table) -> tuple[str, str | None, int, str]:
    like = "/dev/serial/by-path/..."
    port = t.text("port", like)
    form, _, rest = port.partition(":")
    if form == "tcp":
        host, _, number = rest.rpartition(":")
        fine = bool(host) and number.isascii() and number.isdigit() and 0 < int(number[:6]) < 65_536
    elif form == "pty":
        fine = bool(rest)
    else:
        fine = port.startswith("/")
    if port and not fine:
        t.error("port", f"{shorten(port)!r} is no port", f"Write {like}, tcp:HOST:PORT or pty:PATH.")
    if port.startswith("/dev/tty"):
        t.warning("port", "a name that may move at the next start", "Name the port by /dev/serial/by-path or by-id.")
    serial = t.text("serial", "RX0001") if t.has("serial") else None
    baud = t.whole("baud", 300, 1_000_000, 19_200)
    return port, serial, baud, t.choice("framing", FRAMINGS)


def read_point(t: Table) -> Row[model.Point]:
    """Read [[point]]: a register and what makes it good."""
    tag, line, device = t.tag("LT-1"), t.text("line", "north"), t.whole("device", 1, 247, 11)
    table, register = t.choice("table", REGISTER_TABLES), t.whole("register", 0, 65_535, 100)
    encoding = t.choice("encoding", POINT_ENCODINGS)
    scale, offset = t.number("scale", Fraction(1), "0.1"), t.number("offset", Fraction(0), "0")
    if t.has("scale") and scale == 0 and not t.failed:
        t.error("scale", "every reading would be the offset", "Write the factor from decoded value to unit.")
    unit = t.choice("unit", POINT_UNITS)
    valid = (Fraction(0), Fraction(0))
    if unit in POINT_UNITS:
        like = {Dimension.LENGTH: ("0 mm", "7315 mm"), Dimension.PRESSURE: ("-1 kPa", "45 kPa")}
        dimension = UNITS[unit].dimension
        valid = t.quantity_range("valid", dimension, like.get(dimension, ("0 %", "100 %")))
    else:
        t.has("valid")
    step = None
    if t.has("max_step"):
        step = t.quantity("max_step", Dimension.SPEED, "0.1 mm/s", "10 m/s", "50 mm/s")
    conditions = tuple(
        _condition(c) for c in t.tables("good_when", '[{ register = 101, encoding = "uint16", equals = 1 }]', False)
    )
    poll = t.duration_ns("poll", "10 ms", "1 h", "1 s")
    warn_age, close_age = (t.duration_ns(key, "10 ms", "1 h", like) for key, like in _AGES)
    released, dips = None, 0
    if t.has("released"):
        inner = t.table("released", '{ dips = 2, by = "NAME", on = 2026-01-31 }')
        dips = inner.whole("dips", 2, 1000, 2)
        released = model.Signature(inner.text("by", "NAME"), inner.day("on"))
        inner.finish()
    return close(
        t,
        model.Point(
            tag,
            line,
            device,
            table,
            register,
            encoding,
            scale,
            offset,
            unit,
            valid,
            conditions,
            step,
            poll,
            warn_age,
            close_age,
            released,
            dips,
        ),
    )


_AGES = (("warn_age", "3 s"), ("close_age", "5 s"))


def _condition(t: Table) -> model.Condition:
    register, encoding = t.whole("register", 0, 65_535, 101), t.choice("encoding", POINT_ENCODINGS)
    bounds = {key: t.number(key, None, "1") if t.has(key) else None for key in ("equals", "at_least", "at_most")}
    if all(bound is None for bound in bounds.values()):
        t.error("", "no bound", "Add equals, at_least or at_most.")
    t.finish()
    return model.Condition(register, encoding, bounds["equals"], bounds["at_least"], bounds["at_most"])


def read_vessel(t: Table, folder: Path) -> Row[model.Vessel]:
    """Read [[vessel]]: a vessel, its product, its limits. folder: where a strapping table's name starts from."""
    tag, name, product = t.tag("T1"), t.text("name", "North Round"), t.text("product", "32-0-0")
    density = _density(t.table("density", '{ value = "11.06 lb/gal", source = "certificate", on = 2026-01-31 }'))
    geometry, top_01mm = _geometry(t, folder)
    level = _level_source(t.table("level", '{ point = "LT-1", as = "height" }'))
    uncertainty = _uncertainty(t.table("uncertainty", '{ level = "3 mm", volume = "0.3 %" }'))
    high, low = (t.length_01mm(key, "0.1 mm", "30 m", like) for key, like in (("high", "6.90 m"), ("low", "1.00 m")))
    trip = _trip(t.table("trip", '{ below = "0.60 m", mean = "15 s", delay = "2 s", reset_above = "0.70 m" }'))
    heel = t.length_01mm("heel", "0.1 mm", "30 m", "0.10 m") if t.has("heel") else 0
    frozen = _frozen(t.table("frozen", '{ expected = "20 mm", seen = "5 mm" }')) if t.has("frozen") else None
    receipt = t.text("receipt_input", "YS-T1") if t.has("receipt_input") else None
    row = model.Vessel(
        tag, name, product, density, geometry, top_01mm, level, uncertainty, high, low, trip, heel, frozen, receipt
    )  # fmt: skip
    return close(t, row)


def _uncertainty(t: Table) -> model.Uncertainty:
    uncertainty = model.Uncertainty(
        reading_01mm=t.length_01mm("level", "0.1 mm", "1 m", "3 mm"),
        volume=t.quantity("volume", Dimension.SHARE, "0 %", "50 %", "0.3 %"),
        reference_01mm=t.length_01mm("reference", "0 mm", "1 m", "2 mm") if t.has("reference") else 0,
    )
    t.finish()
    return uncertainty


def _frozen(t: Table) -> model.FrozenWatch:
    watch = model.FrozenWatch(
        expected_01mm=t.length_01mm("expected", "1 mm", "1 m", "20 mm"),
        seen_01mm=t.length_01mm("seen", "0.1 mm", "1 m", "5 mm"),
    )
    if watch.seen_01mm >= watch.expected_01mm and not t.failed:
        t.error("seen", "not less than what is expected", "A quarter of it allows for a slow draw and a wave.")
    t.finish()
    return watch


def _density(t: Table) -> model.Density:
    # bounds: from light fuels to the heaviest acids and melts, against a value typed in the wrong unit; from memory
    value = t.quantity("value", Dimension.DENSITY, "400 kg/m3", "4000 kg/m3", "11.06 lb/gal")
    source, on = t.text("source", "certificate of the batch"), t.day("on")
    uncertainty = Fraction(0)
    if t.has("uncertainty"):
        uncertainty = t.quantity("uncertainty", Dimension.SHARE, "0 %", "50 %", "0.5 %")
    density = model.Density(value, source, on, uncertainty)
    t.finish()
    return density


def _trip(t: Table) -> model.Trip:
    mean_s = f"{MOST_MEAN_S} s"
    trip = model.Trip(
        below_01mm=t.length_01mm("below", "0.1 mm", "30 m", "0.60 m"),
        mean_ns=t.duration_ns("mean", "1 s", mean_s, "15 s"),
        delay_ns=t.duration_ns("delay", "0 s", "60 s", "2 s"),
        reset_above_01mm=t.length_01mm("reset_above", "0.1 mm", "30 m", "0.70 m"),
    )
    if trip.mean_ns % 1_000_000_000:
        t.error("mean", "not a whole number of seconds", "The mean is taken over one-second buckets; round it.")
    t.finish()
    return trip


def _level_source(t: Table) -> model.LevelSource:
    point, kind = t.text("point", "LT-1"), t.choice("as", tuple(model.LevelKind))
    reference = blocking = sensor = span = 0
    if kind == model.LevelKind.ULLAGE:
        reference = t.length_01mm("reference_height", "0.1 mm", "40 m", "5.62 m")
        blocking = t.length_01mm("blocking", "0 mm", "5 m", "0.30 m")
    elif kind == model.LevelKind.PRESSURE:
        sensor = t.length_01mm("sensor_height", "0 m", "30 m", "0.42 m")
    elif kind == model.LevelKind.PERCENT:
        span = t.length_01mm("span", "0.1 mm", "30 m", "2.50 m")
    t.finish()
    known = kind in tuple(model.LevelKind)
    level_kind = model.LevelKind(kind) if known else model.LevelKind.HEIGHT
    return model.LevelSource(point, level_kind, reference, blocking, sensor, span)


def _geometry(t: Table, folder: Path) -> tuple[Vessel, int]:
    """Return the shape and its top in 0.1 mm, rounded down."""
    nothing: tuple[Vessel, int] = VerticalCylinder(1.0, 1.0), 0
    shape_like = '{ kind = "vertical-cylinder", diameter = "9.144 m", height = "7.315 m", bottom = "flat" }'
    has_shape, has_table = t.has("shape"), t.has("strapping")
    if has_shape and has_table:
        t.error("strapping", "both a shape and a strapping table", "Keep the one that was measured.")
        return nothing
    if has_table:
        return _strapping(t, folder) or nothing
    if not has_shape:
        t.error("shape", "missing", f'Add shape = {shape_like}, or strapping = "FILE.csv".')
        return nothing
    s = t.table("shape", shape_like)
    kind = s.choice("kind", ("vertical-cylinder", "horizontal-cylinder"))
    diameter, length = Fraction(0), Fraction(0)
    rounded = False
    if kind:
        diameter = s.quantity("diameter", Dimension.LENGTH, "0.1 m", "100 m", "9.144 m")
    if kind == "vertical-cylinder":
        length = s.quantity("height", Dimension.LENGTH, "0.1 m", "30 m", "7.315 m")
        s.choice("bottom", ("flat",))
    elif kind == "horizontal-cylinder":
        length = s.quantity("length", Dimension.LENGTH, "0.1 m", "100 m", "12.192 m")
        rounded = s.choice("heads", HEADS) == HEADS[1]
    s.finish()
    if s.failed:
        return nothing
    if kind == "horizontal-cylinder":
        heads = Ellipsoidal(float(diameter / 4)) if rounded else Flat()
        return HorizontalCylinder(float(diameter), float(length), heads), _floor_01mm(diameter)
    return VerticalCylinder(float(diameter), float(length)), _floor_01mm(length)


def _floor_01mm(length_m: Fraction) -> int:
    return length_m * 10_000 // 1


def _strapping(t: Table, folder: Path) -> tuple[Strapping, int] | None:
    name = t.text("strapping", "t2-strapping.csv")
    if not name:
        return None
    file = str(folder / name)
    try:
        table = parse_strapping(read_small_text(folder / name))
    except BadInput as problem:
        t.error("strapping", f"{shorten(name)!r}: {problem.problem}", problem.remedy)
    except NotText as problem:
        t.error_in(
            str(folder / name),
            (problem.line, problem.column),
            "strapping",
            "this byte is no UTF-8",
            "Save it as UTF-8.",
        )
    except StrappingProblem as problem:
        t.error_in(file, (problem.line, problem.column), "strapping", problem.problem, problem.remedy)
    else:
        return table, _floor_01mm(table.rows[-1].level_m)
    return None


def read_output(t: Table) -> model.Output:
    """Return the module and coil of a table that may hold more."""
    return model.Output(t.text("module", "IO-1"), t.whole("coil", 0, 65_535, 0))


def read_watchdog(t: Table) -> Row[model.Watchdog]:
    """Read [watchdog]: what opens the valves' supply when the station hangs."""
    output = read_output(t)
    kind = t.text("kind", "transistor")
    if kind and kind != "transistor":
        t.error(
            "kind",
            f"a heartbeat on {shorten(kind)!r}",
            "A relay contact wears out at this rate and can weld shut; use a transistor output into a "
            'retriggerable timing relay, and write "transistor".',
        )
    return close(t, model.Watchdog(output, kind, t.duration_ns("relay_time", "100 ms", "10 s", "2 s")))


def read_horn(t: Table) -> Row[model.Output]:
    """Read [horn]."""
    return close(t, read_output(t))


def read_input(t: Table) -> Row[model.Input]:
    """Read [[input]]: one bit, healthy when energised."""
    tag, module, bit = t.tag("XS-B"), t.text("module", "IO-1"), t.whole("bit", 0, 65_535, 0)
    max_age = t.duration_ns("max_age", "10 ms", "60 s", "1 s")
    when_off = t.text("when_off", "the stop circuit is open") if t.has("when_off") else ""
    return close(t, model.Input(tag, module, bit, max_age, when_off))


def read_bay(t: Table) -> Row[model.Bay]:
    """Read [[bay]]: what a bay loads, needs and is operated by."""
    tag, name = t.tag("B"), t.text("name", "Road")
    flow = t.table("flow", '{ value = "400 gpm", tolerance = "10 %", source = "measured" }')
    flow_value = flow.quantity("value", Dimension.FLOW, "0.1 gpm", "10000 gpm", "400 gpm")
    tolerance = flow.quantity("tolerance", Dimension.SHARE, "0 %", "100 %", "10 %")
    flow_source = flow.text("source", "typed, to be measured")
    flow.finish()
    vehicle = t.table("vehicle", '{ capacity = "5000 gal", payload = "47000 lb" }')
    capacity = vehicle.quantity("capacity", Dimension.VOLUME, "1 L", "1000 m3", "5000 gal")
    payload = vehicle.quantity("payload", Dimension.MASS, "1 kg", "1000 t", "47000 lb")
    vehicle.finish()
    selector = t.table("selector", '{ auto = "HS-B-AUTO", hand = "HS-B-HAND" }')
    auto, hand = selector.text("auto", "HS-B-AUTO"), selector.text("hand", "HS-B-HAND")
    selector.finish()
    hose = t.table("hose", '{ input = "HC-B", left_after = "5 min" }')
    hose_input, left_after = hose.text("input", "HC-B"), hose.duration_ns("left_after", "10 s", "1 h", "5 min")
    hose.finish()
    panel = t.table("panel", '{ lost_after = "5 s", screen = "15.6 in" }')
    lost_after = panel.duration_ns("lost_after", "1 s", "5 s", "5 s")
    screen = panel.text("screen", "15.6 in")
    panel.quantity("screen", Dimension.LENGTH, "3 in", "100 in", "15.6 in")
    show = read_display(panel.table("show", _SHOW)) if panel.has("show") else None
    panel.finish()
    pump_permit = t.table("pump_permit", '{ module = "IO-1", coil = 8 }')
    pump = read_output(pump_permit)
    pump_permit.finish()
    return close(
        t,
        model.Bay(
            tag=tag,
            name=name,
            flow_m3_per_s=flow_value,
            flow_tolerance=tolerance,
            flow_source=flow_source,
            vehicle=model.Vehicle(capacity, payload),
            restarts=t.whole("restarts", 0, 5, 1),
            restart_wait_ns=t.duration_ns("restart_wait", "1 s", "1 h", "60 s"),
            resume_role=t.choice("resume_by", ROLES),
            run_permissives=t.texts("run_permissives", ("HS-B-AUTO", "XS-B", "HC-B")),
            auto_input=auto,
            hand_input=hand,
            stop_input=t.text("stop_input", "XS-B"),
            hose_input=hose_input,
            hose_left_after_ns=left_after,
            hard_wired_stop=t.text(
                "hard_wired_stop",
                "red button on the post",
                "Say what opens the supply of the bay's valves by hand, without this tool; no bay runs without it.",
            ),
            pump_permit=pump,
            open_key=t.text("open_key", "PB-B-OPEN"),
            close_key=t.text("close_key", "PB-B-CLOSE"),
            stuck_key_after_ns=t.duration_ns("stuck_key_after", "1 s", "60 s", "10 s"),
            panel_lost_after_ns=lost_after,
            panel_screen=screen,
            panel_show=show,
        ),
    )


def read_valve(t: Table) -> Row[model.Valve]:
    """Read [[valve]]: from one vessel into one bay."""
    tag, bay, vessel = t.tag("B1"), t.text("bay", "B"), t.text("from", "T1")
    open_limit = t.duration_ns("open_limit", "1 s", "4 h", "9 min 35 s")
    if open_limit % 1_000_000_000:
        t.error("open_limit", "not a whole number of seconds", "Round it down to a second.")
    output_table = t.table("output", '{ module = "IO-1", coil = 0 }')
    output = read_output(output_table)
    output_table.finish()
    fails = t.text("fails", "closed", 'A valve must close by its spring; write fails = "closed".')
    if fails and fails != "closed":
        t.error("fails", f"a loading valve that fails {shorten(fails)!r}", "Fit one that a spring closes.")
    stroke = t.duration_ns("stroke", "100 ms", "2 min", "6 s")
    supervise = t.duration_ns("supervise", "200 ms", "5 min", "8 s")
    switches = t.text("closed_switch", "ZSC-B1"), t.text("open_switch", "ZSO-B1")
    return close(t, model.Valve(tag, bay, vessel, open_limit, output, fails, stroke, supervise, *switches))


def read_rule(t: Table) -> Row[model.Rule]:
    """Read [[rule]]: a rule of the site."""
    return close(t, model.Rule(t.tag("R-1"), t.choice("kind", ("one-valve-per-bay",))))


def read_alarm(t: Table) -> Row[model.Alarm]:
    """Read [[alarm]]: on a vessel's level."""
    tag = t.tag("T1-high")
    words = t.text("on", "T1 above high").split()
    vessel, side, limit = words if len(words) == 3 else ("", "", "")
    if words and (side, limit) not in (("above", "high"), ("below", "low")):
        t.error("on", "no condition", 'Write "VESSEL above high" or "VESSEL below low".')
    delay = t.duration_ns("delay", "0 s", "10 min", "5 s")
    dead_band = t.length_01mm("dead_band", "0.1 mm", "5 m", "50 mm")
    return close(t, model.Alarm(tag, vessel, side, limit, delay, dead_band, t.choice("priority", ("high", "low"))))


def read_compatible(t: Table) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Read [compatible]: product -> what may follow it on one ticket. The keys are the site's own products."""
    return tuple((product, t.texts(product, (product,))) for product in t.values)


def read_person(t: Table) -> Row[model.Person]:
    """Read [[person]] of the people's file."""
    return close(t, model.Person(t.text("name", "NAME"), t.choice("role", ROLES)))
