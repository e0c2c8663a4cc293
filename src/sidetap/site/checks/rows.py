"""Every row of a site's files, and how a check finds one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from sidetap.quantity import format_level
from sidetap.site import model
from sidetap.site.rows import Row
from sidetap.site.table import Table, names


@dataclass(frozen=True, slots=True)
class Rows:
    """Every row; watchdog and horn are there once, bypass perhaps."""

    top: Table
    site: Table
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
    bypass: Row[model.Bypass] | None
    compatible_table: Table
    compatible: tuple[tuple[str, tuple[str, ...]], ...]
    people: list[Row[model.Person]] | None  # None: their file could not be read
    secrets: list[Row[str]]
    found: dict[str, dict[str, Row[Any]]] = field(init=False, default_factory=dict)  # kind -> tag -> row
    misspelt: set[str] = field(init=False, default_factory=set)  # kinds some of whose tables have another name

    def __post_init__(self) -> None:
        for key in self.top.unknown():
            self.misspelt.update(get_close_matches(key[:40], self.kinds(), 1))
        for kind, rows in self.kinds().items():
            self.found[kind] = {}
            for row in rows:
                if row.tag:
                    self.found[kind].setdefault(row.tag, row)

    def kinds(self) -> dict[str, Sequence[Row[Any]]]:
        """Return the rows that have tags, by the name of their table."""
        return {
            "line": self.lines,
            "point": self.points,
            "vessel": self.vessels,
            "module": self.modules,
            "input": self.inputs,
            "bay": self.bays,
            "valve": self.valves,
            "rule": self.rules,
            "alarm": self.alarms,
        }

    def point(self, tag: str) -> Row[model.Point] | None:
        """Return the point of that tag, None for no such point."""
        return self.found["point"].get(tag)

    def vessel(self, tag: str) -> Row[model.Vessel] | None:
        """Return the vessel of that tag, None for no such vessel."""
        return self.found["vessel"].get(tag)

    def bay(self, tag: str) -> Row[model.Bay] | None:
        """Return the bay of that tag, None for no such bay."""
        return self.found["bay"].get(tag)

    def module(self, tag: str) -> Row[model.Module] | None:
        """Return the module of that tag, None for no such module."""
        return self.found["module"].get(tag)

    def ways(self, vessel: str) -> list[Row[model.Valve]]:
        """Return the valves that lead from a vessel, those whose bay and vessel could be read."""
        return [row for row in self.valves if row.fine("from", "bay") and row.draft.vessel == vessel]


def nearest(word: str, tags: Iterable[str], kind: str) -> str:
    """Return the remedy for a word that names nothing of a kind."""
    every = list(tags)
    if not every:
        return f"Add a [[{kind}]]."
    close = get_close_matches(word[:60], every, 1)
    hint = f"Did you mean {close[0]}? " if close else ""
    return f"{hint}Here: {names(every)}."


def metres(level_01mm: int) -> str:
    """Return a level for a message."""
    return format_level(level_01mm)
