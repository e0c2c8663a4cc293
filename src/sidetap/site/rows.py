"""The tables of site.toml, one function each: a ``Table`` -> the frozen row of the model.

Units and bounds stand in ``keys``. What rows say about each other is the business of ``check``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Generic, TypeVar

from sidetap.quantity import UNITS, Dimension
from sidetap.site import model
from sidetap.site.facts import NoFact, parse_fact
from sidetap.site.geometry import read_drawing, read_geometry
from sidetap.site.keys import EXCLUSIVE, QUIET_HOURS, SHARED, VOTE
from sidetap.site.table import Table, shorten

R = TypeVar("R")
_HASHED = re.compile(
    r"scrypt\$([1-9][0-9]{3,6})\$[1-9][0-9]?\$[1-9][0-9]?\$[A-Za-z0-9+/=]{16,88}\$[A-Za-z0-9+/=]{16,128}"
)


@dataclass(frozen=True, slots=True)
class Row(Generic[R]):
    """A row of the model and the table it was read from.

    draft holds stand-ins where a key could not be read, and wrong names those keys: look with ``fine`` before
    comparing anything. value is the draft when nothing was wrong, else None.
    """

    draft: R
    table: Table
    wrong: frozenset[str]

    @property
    def value(self) -> R | None:
        """The row for a site; None when a key could not be read."""
        return None if self.wrong else self.draft

    @property
    def tag(self) -> str:
        """The tag as it stands in the file, also where the rest can't be used; "" without one."""
        tag = self.table.values.get("tag")
        return tag if isinstance(tag, str) else ""

    def fine(self, *keys: str) -> bool:
        """Return whether what stands at these keys ("trip", "trip.below") and inside them could be read."""
        return "" not in self.wrong and not any(
            wrong == key or wrong.startswith(f"{key}.") or key.startswith(f"{wrong}.")
            for wrong in self.wrong
            for key in keys
        )


def close(table: Table, draft: R) -> Row[R]:
    """Look for keys nobody asked for, and return the row."""
    table.finish()
    return Row(draft, table, frozenset(table.wrong))


def read_display(t: Table) -> model.Display:
    """Read show: the units people see."""
    display = model.Display(t.choice("level"), t.choice("volume"), t.choice("flow"), t.choice("mass"))
    t.finish()
    return display


def read_line(t: Table) -> Row[model.Line]:
    """Read [[line]]: a line that is listened to."""
    tag, port, serial, baud, framing = t.tag(), *_serial_port(t)
    transmitter, state = None, ""
    if t.has("transmitter"):
        inner = t.table("transmitter")
        state = inner.text("state")
        transmitter = model.Signature(inner.text("checked_by"), inner.day("on"))
        inner.finish()
    return close(t, model.Line(tag, port, serial, baud, framing, transmitter, state))


def read_module(t: Table) -> Row[model.Module]:
    """Read [[module]]: inputs and outputs."""
    tag, kind = t.tag(), t.choice("kind")
    port, serial, baud, framing = _serial_port(t)
    device, drops_out_ns = t.whole("device"), t.duration_ns("drops_out_after")
    coils, bits = (t.whole(key) if t.has(key) else None for key in ("coils", "bits"))
    return close(t, model.Module(tag, kind, port, serial, baud, framing, device, drops_out_ns, coils, bits))


def _serial_port(t: Table) -> tuple[str, str | None, int, str]:
    port = t.text("port")
    form, _, rest = port.partition(":")
    if form == "tcp":
        host, _, number = rest.rpartition(":")
        fine = bool(host) and number.isascii() and number.isdigit() and 0 < int(number[:6]) < 65_536
    elif form == "pty":
        fine = bool(rest)
    else:
        fine = port.startswith("/")
    if port and not fine:
        remedy = "Write /dev/serial/by-path/..., tcp:HOST:PORT or pty:PATH."
        t.error("port", f"{shorten(port)!r} is no port", remedy)
    if port.startswith("/dev/tty"):
        t.warning("port", "a name that may move at the next start", "Name the port by /dev/serial/by-path or by-id.")
    serial = t.text("serial") if t.has("serial") else None
    return port, serial, t.whole("baud"), t.choice("framing")


def read_point(t: Table) -> Row[model.Point]:
    """Read [[point]]: a register and what makes it good."""
    tag, line, device, table = t.tag(), t.text("line"), t.whole("device"), t.choice("table")
    register, encoding = t.whole("register"), t.choice("encoding")
    scale, offset, unit = t.number("scale"), t.number("offset"), t.choice("unit")
    if t.has("scale") and scale == 0 and "scale" not in t.wrong:
        t.error("scale", "every reading would be the offset", "Write the factor from decoded value to unit.")
    valid = _valid(t, unit)
    step = t.quantity("max_step") if t.has("max_step") else None
    conditions = tuple(_condition(c) for c in t.tables("good_when"))
    poll, warn_age, close_age = (t.duration_ns(key) for key in ("poll", "warn_age", "close_age"))
    released, dips = None, 0
    if t.has("released"):
        inner = t.table("released")
        dips, released = inner.whole("dips"), model.Signature(inner.text("by"), inner.day("on"))
        inner.finish()
    draft = model.Point(
        tag=tag,
        line=line,
        device=device,
        table=table,
        register=register,
        encoding=encoding,
        scale=scale,
        offset=offset,
        unit=unit,
        valid=valid,
        good_when=conditions,
        max_step_m_per_s=step,
        poll_ns=poll,
        warn_age_ns=warn_age,
        close_age_ns=close_age,
        released=released,
        released_dips=dips,
    )
    return close(t, draft)


_VALID_LIKE = {Dimension.LENGTH: ("0 mm", "7315 mm"), Dimension.PRESSURE: ("-1 kPa", "45 kPa")}


def _valid(t: Table, unit: str) -> tuple[Fraction, Fraction]:
    if not unit:
        t.texts("valid")
        t.wrong.add("valid")  # its unit isn't known, so it can't be judged
        return Fraction(0), Fraction(0)
    dimension = UNITS[unit].dimension
    if "valid" not in t.values:
        like = _VALID_LIKE.get(dimension, ("0 %", "100 %"))
        t.has("valid")
        t.error("valid", "missing", f'Add valid = ["{like[0]}", "{like[1]}"] or what fits.')
        return Fraction(0), Fraction(0)
    return t.quantity_range("valid", dimension, _VALID_LIKE.get(dimension, ("0 %", "100 %")))


def _condition(t: Table) -> model.Condition:
    register, encoding = t.whole("register"), t.choice("encoding")
    bounds = {key: t.number(key) if t.has(key) else None for key in ("equals", "at_least", "at_most")}
    if all(bound is None for bound in bounds.values()):
        t.error("", "no bound", "Add equals, at_least or at_most.")
    t.finish()
    return model.Condition(register, encoding, bounds["equals"], bounds["at_least"], bounds["at_most"])


def read_vessel(t: Table, folder: Path) -> Row[model.Vessel]:
    """Read [[vessel]]: a vessel, its product, its limits. folder: where a strapping table's name starts from."""
    tag, name, product = t.tag(), t.text("name"), t.text("product")
    density = _density(t.table("density"))
    geometry, top_01mm = read_geometry(t, folder)
    draft = model.Vessel(
        tag=tag,
        name=name,
        product=product,
        density=density,
        geometry=geometry,
        top_01mm=top_01mm,
        level=_level_source(t.table("level")),
        uncertainty=_uncertainty(t.table("uncertainty")),
        high_01mm=t.length_01mm("high"),
        low_01mm=t.length_01mm("low"),
        trip=_trip(t.table("trip")),
        heel_01mm=t.length_01mm("heel") if t.has("heel") else 0,
        frozen=_frozen(t.table("frozen")) if t.has("frozen") else None,
        receipt_input=t.text("receipt_input") if t.has("receipt_input") else None,
        drawing=read_drawing(t),
    )
    return close(t, draft)


def _density(t: Table) -> model.Density:
    value, source, on = t.quantity("value"), t.text("source"), t.day("on")
    uncertainty = t.quantity("uncertainty") if t.has("uncertainty") else Fraction(0)
    t.finish()
    return model.Density(value, source, on, uncertainty)


def _uncertainty(t: Table) -> model.Uncertainty:
    uncertainty = model.Uncertainty(
        reading_01mm=t.length_01mm("level"),
        volume=t.quantity("volume"),
        reference_01mm=t.length_01mm("reference") if t.has("reference") else 0,
    )
    t.finish()
    return uncertainty


def _trip(t: Table) -> model.Trip:
    has_mean, has_lag = t.has("mean"), t.has("lag")
    if has_mean and has_lag:
        t.error("lag", "both a mean and a lag", "Keep one: a trip has one filter.")
    elif not (has_mean or has_lag or t.absent):
        t.error("mean", "missing", f"Add mean = {t.example('mean')}, or lag = {t.example('lag')}.")
    trip = model.Trip(
        below_01mm=t.length_01mm("below"),
        mean_ns=t.duration_ns("mean") if has_mean else 0,
        lag_ns=t.duration_ns("lag") if has_lag else 0,
        delay_ns=t.duration_ns("delay"),
        reset_above_01mm=t.length_01mm("reset_above"),
    )
    t.finish()
    return trip


def _frozen(t: Table) -> model.FrozenWatch:
    watch = model.FrozenWatch(expected_01mm=t.length_01mm("expected"), seen_01mm=t.length_01mm("seen"))
    t.finish()
    return watch


def _level_source(t: Table) -> model.LevelSource:
    point, kind = t.text("point"), t.choice("as")
    reference = blocking = sensor = span = 0
    if kind == model.LevelKind.ULLAGE:
        reference, blocking = t.length_01mm("reference_height"), t.length_01mm("blocking")
    elif kind == model.LevelKind.PRESSURE:
        sensor = t.length_01mm("sensor_height")
    elif kind == model.LevelKind.PERCENT:
        span = t.length_01mm("span")
    if kind:
        t.finish()
    else:
        t.judge_rest()
    level_kind = model.LevelKind(kind) if kind else model.LevelKind.HEIGHT
    return model.LevelSource(point, level_kind, reference, blocking, sensor, span)


def read_output(t: Table) -> model.Output:
    """Return the module and coil of a table that may hold more."""
    return model.Output(t.text("module"), t.whole("coil"))


def read_watchdog(t: Table) -> Row[model.Watchdog]:
    """Read [watchdog]: what opens the valves' supply when the station hangs."""
    output, kind = read_output(t), t.text("kind")
    if kind and kind != "transistor":
        t.error(
            "kind",
            f"a heartbeat on {shorten(kind)!r}",
            "A relay contact wears out at this rate and can weld shut; use a transistor output into a "
            'retriggerable timing relay, and write "transistor".',
        )
    return close(t, model.Watchdog(output, kind, t.duration_ns("relay_time")))


def read_horn(t: Table) -> Row[model.Output]:
    """Read [horn]."""
    return close(t, read_output(t))


def read_input(t: Table) -> Row[model.Input]:
    """Read [[input]]: one bit, healthy when energised."""
    tag, module, bit, max_age = t.tag(), t.text("module"), t.whole("bit"), t.duration_ns("max_age")
    when_off = t.text("when_off") if t.has("when_off") else ""
    return close(t, model.Input(tag, module, bit, max_age, when_off))


def read_bay(t: Table) -> Row[model.Bay]:
    """Read [[bay]]: what a bay loads, needs and is operated by."""
    tag, name, flow, vehicle = t.tag(), t.text("name"), t.table("flow"), t.table("vehicle")
    selector, hose, panel = t.table("selector"), t.table("hose"), t.table("panel")
    permit = t.table("pump_permit")
    draft = model.Bay(
        tag=tag,
        name=name,
        flow_m3_per_s=flow.quantity("value"),
        flow_tolerance=flow.quantity("tolerance"),
        flow_source=flow.text("source"),
        vehicle=model.Vehicle(vehicle.quantity("capacity"), vehicle.quantity("payload")),
        restarts=t.whole("restarts"),
        restart_wait_ns=t.duration_ns("restart_wait"),
        resume_role=t.choice("resume_by"),
        run_permissives=t.texts("run_permissives"),
        auto_input=selector.text("auto"),
        hand_input=selector.text("hand"),
        stop_input=t.text("stop_input"),
        hose_input=hose.text("input"),
        hose_left_after_ns=hose.duration_ns("left_after"),
        hard_wired_stop=t.text("hard_wired_stop"),
        pump_permit=read_output(permit),
        open_key=t.text("open_key"),
        close_key=t.text("close_key"),
        stuck_key_after_ns=t.duration_ns("stuck_key_after"),
        panel_lost_after_ns=panel.duration_ns("lost_after"),
        panel_screen=panel.text("screen") if panel.quantity("screen") else "",
        panel_show=read_display(panel.table("show")) if panel.has("show") else None,
    )
    for inner in (flow, vehicle, selector, hose, panel, permit):
        inner.finish()
    return close(t, draft)


def read_valve(t: Table) -> Row[model.Valve]:
    """Read [[valve]]: from one vessel into one bay."""
    tag, bay, vessel, open_limit = t.tag(), t.text("bay"), t.text("from"), t.duration_ns("open_limit")
    output_table = t.table("output")
    output = read_output(output_table)
    output_table.finish()
    fails = t.text("fails")
    if fails and fails != "closed":
        t.error("fails", f"a loading valve that fails {shorten(fails)!r}", "Fit one that a spring closes.")
    stroke, supervise = t.duration_ns("stroke"), t.duration_ns("supervise")
    switches = t.text("closed_switch"), t.text("open_switch")
    return close(t, model.Valve(tag, bay, vessel, open_limit, output, fails, stroke, supervise, *switches))


def read_rule(t: Table) -> Row[model.Rule]:
    """Read [[rule]]: a rule of the site."""
    tag, kind = t.tag(), t.choice("kind")
    if not kind:
        t.judge_rest()
        return Row(model.Rule(tag, kind), t, frozenset(t.wrong))
    draft = model.Rule(tag, kind)
    if kind == QUIET_HOURS:
        draft = model.QuietHours(tag, kind, t.minute_of_day("from"), t.minute_of_day("to"))
    elif kind == EXCLUSIVE:
        draft = model.ExclusiveVessel(tag, kind, t.text("vessel"))
    elif kind == SHARED:
        vessel, bays = t.text("vessel"), t.texts("bays")
        draft = model.SharedOnlyAbove(tag, kind, vessel, bays, t.length_01mm("level"), t.length_01mm("close_below"))
    elif kind == VOTE:
        draft = model.TripVote(tag, kind, t.texts("vessels"), t.whole("at_least"), t.texts("bays"))
    return close(t, draft)


def read_alarm(t: Table) -> Row[model.Alarm]:
    """Read [[alarm]]: on a vessel's level."""
    tag = t.tag()
    words = t.text("on").split()
    vessel, side, limit = words if len(words) == 3 else ("", "", "")
    if words and (side, limit) not in (("above", "high"), ("below", "low")):
        t.error("on", "no condition", 'Write "VESSEL above high" or "VESSEL below low".')
    delay, dead_band = t.duration_ns("delay"), t.length_01mm("dead_band")
    return close(t, model.Alarm(tag, vessel, side, limit, delay, dead_band, t.choice("priority")))


def read_promise(t: Table) -> Row[model.OwnPromise]:
    """Read [[promise]]: what the site's own people want kept."""
    tag, text, when = t.tag(), t.text("text"), _facts(t, "when")
    return close(t, model.OwnPromise(tag, text, when, t.duration_ns("for"), _facts(t, "then")))


def _facts(t: Table, key: str) -> tuple[model.Fact, ...]:
    found = []
    for member, text in enumerate(t.texts(key)):
        try:
            found.append(parse_fact(text))
        except NoFact as problem:
            t.error(key, problem.problem, problem.remedy, member)
    return tuple(found)


def read_bypass(t: Table) -> Row[model.Bypass]:
    """Read [bypass]: the low trips that two people may set aside for a time."""
    return close(t, model.Bypass(t.texts("trips"), t.duration_ns("time"), t.duration_ns("at_most")))


def read_compatible(t: Table) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Read [compatible]: product -> what may follow it on one ticket. The keys are the site's own products."""
    return tuple((product, t.texts(product)) for product in t.values)


def read_person(t: Table) -> Row[model.Person]:
    """Read [[person]] of the people's file."""
    return close(t, model.Person(t.text("name"), t.choice("role")))


def read_secret(t: Table) -> Row[str]:
    """Read [[secret]] of the secrets' file: whose it is. The secret is looked at, and not kept."""
    person, pin = t.text("person"), t.values.get("pin")
    t.has("pin")
    parts = _HASHED.fullmatch(pin) if isinstance(pin, str) else None
    if parts is None or int(parts[1]).bit_count() != 1:  # N is a power of two (RFC 7914, 2)
        t.error("pin", "no salted hash", "Never write the digits down: write scrypt$N$R$P$SALT$HASH.")
    return close(t, person)
