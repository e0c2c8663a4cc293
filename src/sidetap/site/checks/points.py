"""Points alone and beside each other: ages, registers, and what an encoding can tell at all."""

from __future__ import annotations

from fractions import Fraction

from sidetap.line import width
from sidetap.quantity import format_duration, format_number, to_si
from sidetap.site import model
from sidetap.site.checks.rows import Rows
from sidetap.site.rows import Row

MOST_REGISTERS = 125  # of one answer (MODBUS Application Protocol V1.1b3, 6.3)
# the largest number of every encoding that has one worth naming; floats have room for any level
LARGEST = {"uint16": 65_535, "int16": 32_767, "bcd16": 9999, "mod10k32": 99_999_999}


def check_points(rows: Rows) -> None:
    """Note what can't be right about a register or its ages."""
    for row in rows.points:
        _ages(row)
        _registers(row)
        _encoding(row)
        _use(row, rows)
    _same_register(rows)


def _ages(row: Row[model.Point]) -> None:
    p, t = row.draft, row.table
    poll, warn, close = (format_duration(ns) for ns in (p.poll_ns, p.warn_age_ns, p.close_age_ns))
    if row.fine("poll", "warn_age") and p.warn_age_ns <= p.poll_ns:
        t.error("warn_age", f"{warn} is no longer than the poll period of {poll}", "Allow for a missed poll.")
    if row.fine("poll", "close_age") and p.close_age_ns <= p.poll_ns:
        t.error("close_age", f"{close} is no longer than the poll period of {poll}", "Allow for missed polls.")
    if row.fine("warn_age", "close_age") and p.warn_age_ns >= p.close_age_ns:
        t.error("warn_age", f"a warning at {warn} is no earlier than closing at {close}", "Make it shorter.")


def _registers(row: Row[model.Point]) -> None:
    p, t = row.draft, row.table
    if not row.fine("register", "encoding"):
        return
    last = p.register + width(p.encoding) - 1
    if last > 65_535:
        t.error("register", f"{p.encoding} at {p.register} ends behind register 65535", "Check the address.")
    if not row.fine("good_when"):
        return
    for number, condition in enumerate(p.good_when):
        first, ends = condition.register, condition.register + width(condition.encoding) - 1
        if max(ends, last) - min(first, p.register) >= MOST_REGISTERS:
            t.error(
                "good_when",
                f"register {condition.register} (number {number + 1}) can't be in the same answer",
                f"One answer has at most {MOST_REGISTERS} registers; use a register polled with the value.",
            )
        elif first <= last and ends >= p.register and first != p.register:
            problem = f"register {condition.register} (number {number + 1}) is half of the value itself"
            t.error("good_when", problem, "A status stands in a register of its own; check both addresses.")
        bounds = (condition.at_least, condition.at_most)
        if bounds[0] is not None and bounds[1] is not None and bounds[0] > bounds[1]:
            t.error("good_when", "at_least is above at_most: never good", "Exchange them.")


def _encoding(row: Row[model.Point]) -> None:
    """Warn where the valid range goes further than the register can tell."""
    p = row.draft
    if not row.fine("encoding", "scale", "offset", "unit", "valid"):
        return
    largest = LARGEST.get(p.encoding.removesuffix("-high-word-first").removesuffix("-low-word-first"))
    if largest is None:
        return
    low, high = sorted(decoded * p.scale + p.offset for decoded in (-32_768 if p.encoding == "int16" else 0, largest))
    end = high if to_si(high, p.unit) < p.valid[1] else low if to_si(low, p.unit) > p.valid[0] else None
    if end is not None:
        told = f"{_number(end)} {p.unit}"
        problem = f"{p.encoding} with this scale ends at {told}, within the valid range"
        row.table.warning("valid", problem, f"End the range at {told}, or check encoding and scale.")


def _use(row: Row[model.Point], rows: Rows) -> None:
    users = [v for v in rows.vessels if v.fine("level.point") and v.draft.level.point == row.tag]
    for other in users[1:]:
        problem = f"{row.tag} tells the level of {users[0].tag} already"
        other.table.error("level.point", problem, "One point belongs to one vessel; name another.")
    if not users and all(v.fine("level.point") for v in rows.vessels):
        row.table.warning("tag", f"no vessel uses {row.tag}", "Use it, or leave it out.")
    if row.draft.released is None and row.fine("released"):
        row.table.warning(
            "released", "not released for control by two dips", "Dip the vessel twice and let `doctor` state it."
        )


def _same_register(rows: Rows) -> None:
    first: dict[tuple[str, int, str, int], Row[model.Point]] = {}
    for row in rows.points:
        p = row.draft
        if not row.fine("line", "device", "table", "register"):
            continue
        other = first.setdefault((p.line, p.device, p.table, p.register), row)
        if other is not row:
            problem = f"{other.tag} is register {p.register} of device {p.device} already"
            row.table.error("register", problem, "One register, one meaning; check the address.")


def _number(value: Fraction) -> str:
    return format_number(value, 0 if value.denominator == 1 else 2)
