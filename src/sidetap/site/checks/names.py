"""Tags and what names them: one tag for one thing, and every reference leads somewhere."""

from __future__ import annotations

from typing import Any

from sidetap.site.checks.rows import Rows, nearest
from sidetap.site.keys import GROUPS, Reference, Texts
from sidetap.site.rows import Row
from sidetap.site.table import Table, shorten

SCHEME_ALARMS = {  # what the scheme itself calls alarms of its own: TAG-word
    "vessel": ("trip", "bad", "old", "late"),
    "bay": ("stuck-key", "hose-left", "panel", "hand"),
    "valve": ("mismatch",),
}


def check_names(rows: Rows) -> None:
    """Note tags used twice, and references that lead nowhere."""
    _tags(rows)
    _references(rows)
    _alarms(rows)


def _tags(rows: Rows) -> None:
    """Require one tag for one thing: the scheme, the journal and people in the yard name things by tags alone."""
    first: dict[str, Row[Any]] = {}
    for row in (row for group in rows.kinds().values() for row in group):
        if not row.tag or not row.fine("tag"):
            continue
        if row.tag in first:
            other = first[row.tag].table
            problem = f"{shorten(row.tag)!r} is the tag of {other.where} in line {other.line_of('tag')} too"
            row.table.error("tag", problem, "Give each thing a tag of its own.")
        first.setdefault(row.tag, row)
    own = {f"{tag}-{word}" for kind, words in SCHEME_ALARMS.items() for tag in rows.found[kind] for word in words}
    for alarm in rows.alarms:
        if alarm.tag in own:
            alarm.table.error("tag", f"{alarm.tag!r} is an alarm that the scheme has anyway", "Rename it.")


def _references(rows: Rows) -> None:
    """Follow every key that is declared as a reference."""
    tables: dict[str, list[Table]] = {kind: [row.table for row in group] for kind, group in rows.kinds().items()}
    tables["watchdog"], tables["horn"] = [rows.watchdog.table], [rows.horn.table]
    tables["bypass"] = [] if rows.bypass is None else [rows.bypass.table]
    for key in (key for group in GROUPS for key in group):
        form = key.form.of if isinstance(key.form, Texts) else key.form
        if not isinstance(form, Reference):
            continue
        kind, _, name = key.path.partition(".")
        for table in tables[kind]:
            _follow(rows, table, name, form.kind, bool(key.only))


def _follow(rows: Rows, table: Table, key: str, kind: str, conditional: bool) -> None:
    if conditional and not table.asked(key):
        return  # it doesn't belong there, which is told already
    value: Any = table.values
    for name in key.split("."):
        value = value.get(name) if isinstance(value, dict) else None
    for tag in value if isinstance(value, list) else [value]:
        if isinstance(tag, str) and tag.strip() and tag not in rows.found[kind]:
            table.error(key, f"no {kind} {shorten(tag)!r}", nearest(tag, rows.found[kind], kind))


def _alarms(rows: Rows) -> None:
    for alarm in rows.alarms:
        if not alarm.fine("on"):
            continue
        word, vessel = alarm.draft.vessel, rows.vessel(alarm.draft.vessel)
        if vessel is None:
            problem = f"no vessel {shorten(word)!r}"
            alarm.table.error("on", problem, nearest(word, rows.found["vessel"], "vessel"))
        elif alarm.fine("dead_band") and vessel.fine("low", "high"):
            low_01mm, high_01mm = vessel.draft.low_01mm, vessel.draft.high_01mm
            if low_01mm < high_01mm <= low_01mm + alarm.draft.dead_band_01mm:
                remedy = "Make it smaller."
                alarm.table.error("dead_band", "wider than from the low level to the high one", remedy)
