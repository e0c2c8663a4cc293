"""Ports, coils and bits: nothing sends where it may only listen, and one contact has one use."""

from __future__ import annotations

import posixpath
from fractions import Fraction
from typing import Any

from sidetap.line import width
from sidetap.quantity import NS_PER_MS, NS_PER_S, format_duration
from sidetap.site import model
from sidetap.site.checks.rows import Rows
from sidetap.site.rows import Row
from sidetap.site.table import Table

# serial rates that devices offer (common practice, no source)
USUAL_RATES = (300, 600, 1200, 2400, 4800, 9600, 14_400, 19_200, 28_800, 38_400, 57_600, 115_200, 187_500, 230_400)
# of one poll, in characters (MODBUS Application Protocol V1.1b3, 6.3; over Serial Line V1.02, 2.5.1.1)
REQUEST, ANSWER, SILENCES, BITS = 8, 5, 7, 11
SLOW_NS = 5 * NS_PER_S  # a safety net that takes longer than old data may (common practice, no source)
SLOW_WATCHDOG_NS = 2 * NS_PER_S


def check_wiring(rows: Rows) -> None:
    """Note what is wired wrong."""
    _taps(rows)
    _busy(rows)
    _busy_modules(rows)
    _modules(rows)
    _coils(rows)
    _bits(rows)
    _roles(rows)
    _times(rows)


def _taps(rows: Rows) -> None:
    first: dict[str, str] = {}
    for row in rows.lines:
        line, table = row.draft, row.table
        if row.fine("port"):
            port = _same(line.port)
            if port in first:
                table.error("port", f"line {first[port]} listens there too", "Name another port.")
            first.setdefault(port, row.tag)
        if row.fine("baud"):
            _rate(table, line.baud)
        if line.transmitter is None and row.fine("transmitter"):
            table.warning(
                "transmitter",
                "nobody has stated that the tap's adapter can't transmit; the station will not run",
                "Have its transmitter disabled in hardware, and state who checked that and when.",
            )
        elif row.fine("transmitter.state") and line.transmitter_state != "disabled in hardware":
            table.warning(
                "transmitter.state",
                "not the statement that counts; software alone can't keep an adapter from driving the line",
                'Write "disabled in hardware" when that has been checked.',
            )


def _busy(rows: Rows) -> None:
    """Look whether a line can carry what its points are polled for at all."""
    for row in rows.lines:
        if not row.fine("tag", "baud", "framing"):
            continue
        polls: dict[tuple[int, str], Fraction] = {}  # of one device and table: one poll, the most frequent
        for point in rows.points:
            p = point.draft
            if p.line == row.tag and point.fine("line", "device", "table", "encoding", "poll"):
                characters = REQUEST + ANSWER + 2 * width(p.encoding) + SILENCES
                share = Fraction(characters * BITS * NS_PER_S, row.draft.baud * p.poll_ns)
                polls[p.device, p.table] = max(share, polls.get((p.device, p.table), Fraction(0)))
        busy = sum(polls.values(), Fraction(0))
        if busy > 1:
            problem = f"{row.draft.baud} baud can't carry the polls of its points: {float(busy):.0%} of the time"
            row.table.warning("baud", problem, "Check the rate, and how often the points are polled.")


def _busy_modules(rows: Rows) -> None:
    """Look whether a module's port can carry its inputs and outputs once a scan."""
    for row in rows.modules:
        if not rows.scan_ns or not row.fine("tag", "baud"):
            continue
        bits = sum(wired.fine("module") and wired.draft.module == row.tag for wired in rows.inputs)
        characters = 2 * REQUEST + 2 * ANSWER + 2 * SILENCES + -(-bits // 8) + 3
        needed_ns = characters * BITS * NS_PER_S // row.draft.baud
        if needed_ns > rows.scan_ns:
            problem = f"{row.draft.baud} baud needs {needed_ns // NS_PER_MS} ms for {bits} inputs and the coils"
            remedy = f"A scan has {format_duration(rows.scan_ns)}: a faster rate, or a slower scan."
            row.table.warning("baud", problem, remedy)


def _modules(rows: Rows) -> None:
    """Keep a tap's port free of anything that sends; modules of one port share its settings."""
    taps = {_same(row.draft.port): row.tag for row in rows.lines if row.fine("port")}
    adapters = {_same(row.draft.serial): row.tag for row in rows.lines if row.fine("serial") and row.draft.serial}
    buses: dict[str, list[Row[model.Module]]] = {}
    for row in rows.modules:
        module, table = row.draft, row.table
        if row.fine("baud"):
            _rate(table, module.baud)
        if row.fine("serial") and module.serial and _same(module.serial) in adapters:
            problem = f"the adapter that line {adapters[_same(module.serial)]} only listens with"
            table.error("serial", problem, "Outputs need an adapter of their own, away from the plant's line.")
        if not row.fine("port"):
            continue
        port = _same(module.port)
        if port in taps:
            problem = f"an output on the port that line {taps[port]} only listens to"
            table.error("port", problem, "Outputs need a port of their own, away from the plant's line.")
        for other in buses.setdefault(port, []):
            if row.fine("device") and other.fine("device") and other.draft.device == module.device:
                problem = f"{other.tag} answers as {module.device} on this port"
                table.error("device", problem, "Give each module an address of its own.")
            settings = (other.draft.baud, other.draft.framing)
            if all(r.fine("baud", "framing") for r in (row, other)) and settings != (module.baud, module.framing):
                problem = f"{other.tag} speaks {settings[0]} {settings[1]} on this port"
                table.error("baud", problem, "One port has one speed and framing.")
        buses[port].append(row)


def _same(name: str) -> str:
    """Return a port or a serial number as it is compared: a path without detours, letters without case."""
    return posixpath.normpath(name).casefold()


def _rate(table: Table, baud: int) -> None:
    if baud not in USUAL_RATES:
        usual = " ".join(str(rate) for rate in USUAL_RATES)
        table.warning("baud", f"{baud} is no usual rate", f"Usual are {usual}.")


def _coils(rows: Rows) -> None:
    used: dict[tuple[str, int], str] = {}
    uses: list[tuple[Row[Any], str, model.Output]] = [
        *([] if rows.watchdog is None else [(rows.watchdog, "", rows.watchdog.draft.output)]),
        *([] if rows.horn is None else [(rows.horn, "", rows.horn.draft)]),
        *((bay, "pump_permit", bay.draft.pump_permit) for bay in rows.bays),
        *((valve, "output", valve.draft.output) for valve in rows.valves),
    ]
    for row, key, output in uses:
        coil_key, module_key = (f"{key}.{name}" if key else name for name in ("coil", "module"))
        if not row.fine(coil_key, module_key):
            continue
        before = used.setdefault((output.module, output.coil), row.table.where)
        if before != row.table.where:
            problem = f"coil {output.coil} of {output.module} is driven by {before} too"
            row.table.error(coil_key, problem, "Two uses of one coil would open each other's valve; wire another.")
        module = rows.module(output.module)
        if module is not None and module.fine("coils") and module.draft.coils is not None:
            _within(row.table, coil_key, "coil", output.coil, module.draft.coils, output.module)


def _bits(rows: Rows) -> None:
    used: dict[tuple[str, int], str] = {}
    for row in rows.inputs:
        if not row.fine("module", "bit"):
            continue
        wired, where = row.draft, row.table.where
        before = used.setdefault((wired.module, wired.bit), where)
        if before != where:
            problem = f"bit {wired.bit} of {wired.module} is {before} too"
            row.table.error("bit", problem, "Wire each contact to a bit of its own.")
        module = rows.module(wired.module)
        if module is not None and module.fine("bits") and module.draft.bits is not None:
            _within(row.table, "bit", "bit", wired.bit, module.draft.bits, wired.module)


def _within(table: Table, key: str, word: str, number: int, count: int, module: str) -> None:
    if number >= count:
        remedy = f"They count from 0: the last is {count - 1}."
        table.error(key, f"{module} has {count} {word}s, and no {word} {number}", remedy)


_ROLES = ("selector.auto", "selector.hand", "stop_input", "hose.input", "open_key", "close_key")


def _roles(rows: Rows) -> None:
    """Let a contact say one thing. What only stands among run permissives may serve several bays."""
    uses: list[tuple[Row[Any], str, str]] = []
    named: set[str] = set()
    for bay in rows.bays:
        b = bay.draft
        inputs = (b.auto_input, b.hand_input, b.stop_input, b.hose_input, b.open_key, b.close_key)
        uses += [(bay, key, tag) for key, tag in zip(_ROLES, inputs, strict=True)]
        named.update(b.run_permissives)
    for valve in rows.valves:
        uses.append((valve, "closed_switch", valve.draft.closed_switch))
        uses.append((valve, "open_switch", valve.draft.open_switch))
    for vessel in rows.vessels:
        if vessel.draft.receipt_input is not None:
            uses.append((vessel, "receipt_input", vessel.draft.receipt_input))
    roles: dict[str, str] = {}
    for row, key, tag in uses:
        if not row.fine(key):
            continue
        here = f"{row.table.where}.{key}"
        before = roles.setdefault(tag, here)
        if before != here:
            row.table.error(key, f"{tag} is {before} already", "A contact can say one thing only; name another.")
    if rows.misspelt & {"bay", "valve", "vessel"}:
        return
    if any(not row.fine(key) for row, key, _ in uses) or any(not b.fine("run_permissives") for b in rows.bays):
        return  # what they would have used isn't known
    for wired in rows.inputs:
        if wired.tag and wired.tag not in named and wired.tag not in roles:
            wired.table.warning("tag", f"{wired.tag} is wired, but nothing uses it", "Use it, or leave it out.")


def _times(rows: Rows) -> None:
    """Require that what is renewed every scan outlasts more than one."""
    scan_ns = rows.scan_ns
    if not scan_ns:
        return
    two = f"At least {format_duration(2 * scan_ns)}."
    short = [row for row in rows.inputs if row.fine("max_age") and row.draft.max_age_ns < 2 * scan_ns]
    if len(short) > 1 and len(short) == len(rows.inputs):  # then it is the scan that is wrong
        problem = f"two scans are longer than every input's max_age: {len(short)} inputs would be lost all the time"
        rows.site.error(
            "scan", problem, f"Shorten it to half of {format_duration(short[0].draft.max_age_ns)} or less."
        )
        return
    for row in short:
        problem = "shorter than two scans: the input would be lost all the time"
        row.table.error("max_age", problem, two)
    slow: list[tuple[Row[Any], str, int, int]] = [
        *((row, "max_age", row.draft.max_age_ns, SLOW_NS) for row in rows.inputs),
        *((row, "drops_out_after", row.draft.drops_out_after_ns, SLOW_NS) for row in rows.modules),
    ]
    if rows.watchdog is not None:
        slow.append((rows.watchdog, "relay_time", rows.watchdog.draft.relay_time_ns, SLOW_WATCHDOG_NS))
    for row_slow, key, ns, most_ns in slow:
        if row_slow.fine(key) and ns > most_ns:
            problem = f"for {format_duration(ns)} valves may stay open when nothing is heard any more"
            row_slow.table.warning(key, problem, f"{format_duration(most_ns)} or less is usual.")
    watchdog = rows.watchdog
    if watchdog is not None and watchdog.fine("relay_time") and watchdog.draft.relay_time_ns < 3 * scan_ns:
        problem = "shorter than three scans: it would drop out in service"
        watchdog.table.error("relay_time", problem, f"At least {format_duration(3 * scan_ns)}.")
    for module in rows.modules:
        if module.fine("drops_out_after") and module.draft.drops_out_after_ns < 3 * scan_ns:
            problem = "shorter than three scans: the module would drop its outputs in service"
            module.table.error("drops_out_after", problem, f"At least {format_duration(3 * scan_ns)}.")
