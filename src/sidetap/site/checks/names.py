"""Tags and what names them: one tag for one thing, and every reference leads somewhere."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from sidetap.quantity import NS_PER_S, exact_metres, format_duration
from sidetap.site import model
from sidetap.site.checks.rows import Rows, nearest
from sidetap.site.keys import GROUPS, Reference, Texts
from sidetap.site.rows import Row
from sidetap.site.table import Table, shorten

LONGEST_HIGH_DELAY_NS = 30 * NS_PER_S  # common practice, no source: a small vessel overfills in that time
SCHEME_ALARMS = {  # what the scheme itself calls alarms of its own: TAG-word
    "vessel": ("trip", "bad", "old", "late", "bypassed", "drawn"),
    "bay": ("stuck-key", "hose-left", "panel", "hand"),
    "valve": ("mismatch",),
}


def check_names(rows: Rows) -> None:
    """Note tags used twice, and references that lead nowhere."""
    _tags(rows)
    _references(rows)
    _alarms(rows)
    _alarm_references(rows)
    for group in (rows.vessels, rows.bays):
        _shown_names(group)


def _shown_names(group: Sequence[Row[Any]]) -> None:
    """Warn of two things of one name: that is what people read on a screen."""
    first: dict[str, str] = {}
    for row in group:
        if row.fine("name", "tag"):
            before = first.setdefault(row.draft.name.casefold(), row.tag)
            if before != row.tag:
                row.table.warning("name", f"{before} has that name too", "People read names; give each its own.")


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
    for kind, row in (("watchdog", rows.watchdog), ("horn", rows.horn)):
        tables[kind] = [] if row is None else [row.table]
    tables["bypass"] = [] if rows.bypass is None else [rows.bypass.table]
    lost: dict[tuple[str, str], list[_Use]] = defaultdict(list)
    for key in (key for group in GROUPS for key in group):
        form = key.form.of if isinstance(key.form, Texts) else key.form
        if not isinstance(form, Reference) or form.kind in rows.misspelt:
            continue
        kind, _, name = key.path.partition(".")
        for table in tables[kind]:
            if not key.only or table.asked(name):  # else it doesn't belong there, which is told already
                for tag, inside in _named(table, name):
                    if tag not in rows.found[form.kind]:
                        lost[form.kind, tag].append(_Use(table, name, inside))
    for (kind, tag), uses in lost.items():
        first, *others = sorted(uses, key=lambda use: use.line)
        also = ""
        if others:  # a thing renamed is one mistake, however often it is named
            also = f"; named {len(uses)} times, up to line {others[-1].line}"
        remedy = nearest(tag, rows.found[kind], kind)
        first.table.error(first.key, f"no {kind} {shorten(tag)!r}{also}", remedy, *first.inside)


class _Use(NamedTuple):
    """Where a tag is named."""

    table: Table
    key: str
    inside: tuple[int, ...]  # the number of the list's member, where there is a list

    @property
    def line(self) -> int:
        return self.table.line_of(self.key)


def _named(table: Table, key: str) -> Iterator[tuple[str, tuple[int, ...]]]:
    """Return the tags that stand at a key, with their numbers where it has a list."""
    value: Any = table.values
    for name in key.split("."):
        value = value.get(name) if isinstance(value, dict) else None
    every = [((number,), tag) for number, tag in enumerate(value)] if isinstance(value, list) else [((), value)]
    for inside, tag in every:
        if isinstance(tag, str) and tag == tag.strip() != "":
            yield tag, inside


def _alarms(rows: Rows) -> None:
    known = all(alarm.fine("on") and alarm.draft.vessel in rows.found["vessel"] for alarm in rows.alarms)
    if known and "alarm" not in rows.misspelt:  # else it may be the one that is missing
        for vessel in rows.vessels:
            if not any(a.draft.vessel == vessel.tag and a.draft.side == "above" for a in rows.alarms):
                remedy = f'Add an [[alarm]] on = "{vessel.tag} above high".'
                vessel.table.warning("tag", f"{vessel.tag} has no alarm on its high level", remedy)
    first: dict[tuple[str, str], str] = {}
    for alarm in rows.alarms:
        if not alarm.fine("on"):
            continue
        before = first.setdefault((alarm.draft.vessel, alarm.draft.side), alarm.tag)
        if before != alarm.tag:
            alarm.table.error("on", f"{before} is on that already", "Name another vessel, or leave one out.")
        _alarm_numbers(alarm, rows)


def _alarm_numbers(alarm: Row[model.Alarm], rows: Rows) -> None:
    vessel = rows.vessel(alarm.draft.vessel)
    if alarm.fine("delay") and alarm.draft.side == "above" and alarm.draft.delay_ns > LONGEST_HIGH_DELAY_NS:
        problem = f"a high level is told {format_duration(alarm.draft.delay_ns)} late, while something flows in"
        alarm.table.warning("delay", problem, "Seconds are usual for a high level.")
    if vessel is None or not vessel.fine("uncertainty.level", "trip") or not alarm.fine("dead_band"):
        return
    u_01mm = vessel.draft.uncertainty.reading_01mm
    if alarm.draft.dead_band_01mm < u_01mm < vessel.draft.trip.reset_above_01mm - vessel.draft.trip.below_01mm:
        told = exact_metres(u_01mm)
        alarm.table.warning("dead_band", f"narrower than the level is known, {told}", "Widen it, or it chatters.")


def _alarm_references(rows: Rows) -> None:
    lost: dict[str, list[Row[model.Alarm]]] = defaultdict(list)
    for alarm in rows.alarms:
        if not alarm.fine("on"):
            continue
        word, vessel = alarm.draft.vessel, rows.vessel(alarm.draft.vessel)
        if word not in rows.found["vessel"] and "vessel" not in rows.misspelt:
            lost[word].append(alarm)
        elif vessel is not None and alarm.fine("dead_band") and vessel.fine("low", "high"):
            low_01mm, high_01mm = vessel.draft.low_01mm, vessel.draft.high_01mm
            if low_01mm < high_01mm <= low_01mm + alarm.draft.dead_band_01mm:
                remedy = "Make it smaller."
                alarm.table.error("dead_band", "wider than from the low level to the high one", remedy)
    for word, alarms in lost.items():
        also = f"; named {len(alarms)} times, up to line {alarms[-1].table.line_of('on')}" if alarms[1:] else ""
        remedy = nearest(word, rows.found["vessel"], "vessel")
        alarms[0].table.error("on", f"no vessel {shorten(word)!r}{also}", remedy)
