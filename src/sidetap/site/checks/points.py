"""Points alone and beside each other: ages, registers, and what an encoding can tell at all."""

from __future__ import annotations

from fractions import Fraction

from sidetap.line import reference, width
from sidetap.quantity import format_duration, format_number, to_si
from sidetap.site import model
from sidetap.site.checks.rows import Rows
from sidetap.site.rows import Row

MOST_REGISTERS = 125  # of one answer (MODBUS Application Protocol V1.1b3, 6.3)
# the smallest and the largest number of the encodings of whole numbers; floats have room for anything
_WHOLE_NUMBERS = {
    "uint16": (0, 2**16 - 1),
    "int16": (-(2**15), 2**15 - 1),
    "bcd16": (0, 9999),
    "uint32": (0, 2**32 - 1),
    "int32": (-(2**31), 2**31 - 1),
    "mod10k32": (0, 99_999_999),
}


def check_points(rows: Rows) -> None:
    """Note what can't be right about a register or its ages."""
    for row in rows.points:
        _ages(row)
        _registers(row)
        for number, condition in enumerate(row.draft.good_when if row.fine("good_when") else ()):
            _condition(row, number, condition)
        _encoding(row)
        _use(row, rows)
    _same_register(rows)


def whole_numbers(encoding: str) -> tuple[int, int] | None:
    """Return the smallest and the largest number an encoding tells; None for floats."""
    return _WHOLE_NUMBERS.get(encoding.partition("-")[0])


def told_readings(point: model.Point) -> tuple[Fraction, Fraction] | None:
    """Return the lowest and the highest reading that a point's register can tell, in SI; None where it has no end."""
    ends = whole_numbers(point.encoding)
    if ends is None:
        return None
    low, high = sorted(to_si(end * point.scale + point.offset, point.unit) for end in ends)
    return low, high


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
    first_on_paper = reference(p.table, 0) if row.fine("table") else ""
    # five digits on paper, 40001 say: the same count from 1 behind the table's digit
    paper = int(first_on_paper[0]) * 10_000 if first_on_paper else 0
    if paper and paper < p.register < paper + 10_000:
        problem = f"{p.register} looks like a number on paper; on the wire that would be {p.register - paper - 1}"
        t.warning("register", problem, "Write the address as on the wire, from 0.")


def _condition(row: Row[model.Point], number: int, condition: model.Condition) -> None:
    p, t = row.draft, row.table
    first, ends = condition.register, condition.register + width(condition.encoding) - 1
    if row.fine("register", "encoding"):
        last = p.register + width(p.encoding) - 1
        if max(ends, last) - min(first, p.register) >= MOST_REGISTERS:
            problem = f"register {first} can't be in the same answer"
            remedy = f"One answer has at most {MOST_REGISTERS} registers; use a register polled with the value."
            t.error("good_when", problem, remedy, number, "register")
        elif first <= last and ends >= p.register:
            problem = f"register {first} is the value itself"
            remedy = "A status stands in a register of its own; bounds of the value are its valid range."
            t.error("good_when", problem, remedy, number, "register")
    low, high = condition.at_least, condition.at_most
    if condition.equals is not None:
        low, high = (
            max(condition.equals, condition.equals if low is None else low),
            min(condition.equals, condition.equals if high is None else high),
        )
    ends_here = whole_numbers(condition.encoding)
    key = next(name for name in ("equals", "at_least", "at_most") if getattr(condition, name) is not None)
    if low is not None and high is not None and low > high:
        t.error("good_when", "bounds that nothing meets: never good", "Check them.", number, key)
    elif ends_here is not None:
        _of_whole_numbers(row, number, key, condition, (low, high), ends_here)


def _of_whole_numbers(
    row: Row[model.Point],
    number: int,
    key: str,
    condition: model.Condition,
    bounds: tuple[Fraction | None, Fraction | None],
    ends: tuple[int, int],
) -> None:
    low, high = bounds
    fraction = condition.equals is not None and condition.equals.denominator != 1
    told = f"{condition.encoding} tells {ends[0]} to {ends[1]}"
    if fraction or (low is not None and low > ends[1]) or (high is not None and high < ends[0]):
        row.table.error("good_when", f"never good: {told}, whole numbers", "Check the bound.", number, key)
    elif (low is None or low <= ends[0]) and (high is None or high >= ends[1]):
        row.table.warning("good_when", f"always good: {told}", "Check the bound.", number, key)


def _encoding(row: Row[model.Point]) -> None:
    """Look at where the valid range goes further than the register can tell."""
    p, t = row.draft, row.table
    if not row.fine("encoding", "scale", "offset", "unit", "valid"):
        return
    told = told_readings(p)
    if told is None:
        return
    span = f"{_in_unit(p, told[0])} to {_in_unit(p, told[1])} {p.unit}"
    if told[1] < p.valid[0] or told[0] > p.valid[1]:
        t.error("valid", f"{p.encoding} with this scale tells {span}: never valid", "Check encoding and scale.")
    elif told[0] > p.valid[0] or told[1] < p.valid[1]:
        remedy = "End the range there, or check encoding and scale."
        t.warning("valid", f"{p.encoding} with this scale tells {span} only", remedy)


def _use(row: Row[model.Point], rows: Rows) -> None:
    users = [v for v in rows.vessels if v.fine("level.point") and v.draft.level.point == row.tag]
    for other in users[1:]:
        problem = f"{row.tag} tells the level of {users[0].tag} already"
        other.table.error("level.point", problem, "One point belongs to one vessel; name another.")
    if not users and "vessel" not in rows.misspelt and all(v.fine("level.point") for v in rows.vessels):
        row.table.warning("tag", f"no vessel uses {row.tag}", "Use it, or leave it out.")
    if row.draft.released is None and row.fine("released"):
        remedy = "Dip the vessel twice and let `sidetap doctor` state it."
        row.table.warning("released", "not released for control by two dips", remedy)


def _same_register(rows: Rows) -> None:
    """One register, one meaning: points of one device that share a register."""
    seen: dict[tuple[str, int, str], list[Row[model.Point]]] = {}
    for row in rows.points:
        p = row.draft
        if not row.fine("line", "device", "table", "register", "encoding"):
            continue
        neighbours = seen.setdefault((p.line, p.device, p.table), [])
        for other in neighbours:
            o = other.draft
            if o.register < p.register + width(p.encoding) and p.register < o.register + width(o.encoding):
                problem = f"{other.tag} is register {o.register} of device {p.device} already"
                if o.register != p.register:
                    problem = f"it overlaps {other.tag}, {o.encoding} at {o.register} of device {p.device}"
                row.table.error("register", problem, "One register, one meaning; check the address.")
                break
        neighbours.append(row)


def _in_unit(point: model.Point, si: Fraction) -> str:
    value = si / to_si(1, point.unit)
    return format_number(value, 0 if value.denominator == 1 else 2)
