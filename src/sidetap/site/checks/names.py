"""Tags and what names them: one tag for one thing, and every reference leads somewhere."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Any, NamedTuple

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
    lost: dict[tuple[str, str], list[_Use]] = defaultdict(list)
    for key in (key for group in GROUPS for key in group):
        form = key.form.of if isinstance(key.form, Texts) else key.form
        if not isinstance(form, Reference) or form.kind in rows.misspelt:
            continue
        kind, _, name = key.path.partition(".")
        for table in tables[kind]:
            if not key.only or table.asked(name):  # else it doesn't belong there, which is told already
                for tag, member in _named(table, name):
                    if tag not in rows.found[form.kind]:
                        lost[form.kind, tag].append(_Use(table, name, member))
    for (kind, tag), uses in lost.items():
        first, *others = sorted(uses, key=lambda use: use.line)
        also = ""
        if others:  # a thing renamed is one mistake, however often it is named
            also = f"; named {len(uses)} times, up to line {others[-1].line}"
        remedy = nearest(tag, rows.found[kind], kind)
        first.table.error(first.key, f"no {kind} {shorten(tag)!r}{also}", remedy, first.member)


class _Use(NamedTuple):
    """Where a tag is named."""

    table: Table
    key: str
    member: int | None

    @property
    def line(self) -> int:
        return self.table.line_of(self.key)


def _named(table: Table, key: str) -> Iterator[tuple[str, int | None]]:
    """Return the tags that stand at a key, with their number where it has a list."""
    value: Any = table.values
    for name in key.split("."):
        value = value.get(name) if isinstance(value, dict) else None
    every = list(enumerate(value)) if isinstance(value, list) else [(None, value)]
    for member, tag in every:
        if isinstance(tag, str) and tag.strip():
            yield tag, member


def _alarms(rows: Rows) -> None:
    for alarm in rows.alarms:
        if not alarm.fine("on"):
            continue
        word, vessel = alarm.draft.vessel, rows.vessel(alarm.draft.vessel)
        if vessel is None and "vessel" in rows.misspelt:
            continue
        if vessel is None:
            problem = f"no vessel {shorten(word)!r}"
            alarm.table.error("on", problem, nearest(word, rows.found["vessel"], "vessel"))
        elif alarm.fine("dead_band") and vessel.fine("low", "high"):
            low_01mm, high_01mm = vessel.draft.low_01mm, vessel.draft.high_01mm
            if low_01mm < high_01mm <= low_01mm + alarm.draft.dead_band_01mm:
                remedy = "Make it smaller."
                alarm.table.error("dead_band", "wider than from the low level to the high one", remedy)
