"""Every row of a site's files, and how a check finds one."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from sidetap.quantity import odd_characters
from sidetap.site import model
from sidetap.site.rows import Row
from sidetap.site.table import Table, names


@dataclass(frozen=True, slots=True)
class Rows:
    """Every row; watchdog and horn are there once, bypass perhaps."""

    top: Table
    site: Table
    show: model.Display
    scan_ns: int
    lines: list[Row[model.Line]]
    points: list[Row[model.Point]]
    vessels: list[Row[model.Vessel]]
    modules: list[Row[model.Module]]
    watchdog: Row[model.Watchdog] | None  # None where the site only listens, like the horn
    horn: Row[model.Output] | None
    inputs: list[Row[model.Input]]
    bays: list[Row[model.Bay]]
    valves: list[Row[model.Valve]]
    rules: list[Row[model.Rule]]
    alarms: list[Row[model.Alarm]]
    promises: list[Row[model.OwnPromise]]
    bypass: Row[model.Bypass] | None
    compatible_table: Table | None
    compatible: tuple[tuple[str, tuple[str, ...]], ...]
    people: list[Row[model.Person]] | None  # None: their file could not be read
    secrets: list[Row[str]]
    found: dict[str, dict[str, Row[Any]]] = field(init=False, default_factory=dict)  # kind -> tag -> row
    twice: set[tuple[str, str]] = field(init=False, default_factory=set)  # kind and tag: which is meant isn't known
    misspelt: set[str] = field(init=False, default_factory=set)  # kinds some of whose tables have another name

    def __post_init__(self) -> None:
        for key in self.top.unknown():
            self.misspelt.update(get_close_matches(key[:40], self.kinds(), 1))
        for kind, rows in self.kinds().items():  # [vessel.T4] for [[vessel]] lies inside the vessel before it
            if any(isinstance(row.table.values[key], dict) for row in rows for key in row.table.unknown()):
                self.misspelt.add(kind)
        for kind, rows in self.kinds().items():
            self.found[kind] = {}
            for row in rows:
                if row.tag in self.found[kind]:
                    self.twice.add((kind, row.tag))
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
            "promise": self.promises,
        }

    def point(self, tag: str) -> Row[model.Point] | None:
        """Return the point of that tag; None where there is none, or two."""
        return self._only("point", tag)

    def vessel(self, tag: str) -> Row[model.Vessel] | None:
        """Return the vessel of that tag; None where there is none, or two."""
        return self._only("vessel", tag)

    def bay(self, tag: str) -> Row[model.Bay] | None:
        """Return the bay of that tag; None where there is none, or two."""
        return self._only("bay", tag)

    def module(self, tag: str) -> Row[model.Module] | None:
        """Return the module of that tag; None where there is none, or two."""
        return self._only("module", tag)

    def _only(self, kind: str, tag: str) -> Row[Any] | None:
        return None if (kind, tag) in self.twice else self.found[kind].get(tag)

    def ways(self, vessel: str) -> list[Row[model.Valve]]:
        """Return the valves that lead from a vessel, those whose bay and vessel could be read."""
        return [row for row in self.valves if row.fine("from", "bay") and row.draft.vessel == vessel]


def nearest(word: str, tags: Iterable[str], kind: str) -> str:
    """Return the remedy for a word that names nothing of a kind."""
    every = list(dict.fromkeys(tags))
    if not every:
        return f"Add a [[{kind}]]."
    odd = odd_characters(word)
    if odd and not any(odd_characters(tag) for tag in every):
        return f"It has {odd}, which no {kind} here has: {names(every)}."
    meant = slip(word, every)
    hint = f"Did you mean {meant}? " if meant else ""
    return f"{hint}Here: {names(every)}."


def slip(word: str, tags: Iterable[str]) -> str:
    """Return the tag that a word is but for a slip of the finger; "" where that isn't sure.

    A slip is another case, or letters doubled, dropped or exchanged. Another letter or digit is another thing: ZSO-B2
    is no ZSC-B2, and LT-4 no LT-3.
    """
    folded = word.casefold()
    for tag in tags:
        other = tag.casefold()
        if folded == other:
            return tag
        if re.sub(r"\D", "", folded) == re.sub(r"\D", "", other) and (
            sorted(folded) == sorted(other) or _dropped(folded, other) or _dropped(other, folded)
        ):
            return tag
    return ""


def _dropped(short: str, long: str) -> bool:
    """Return whether short is long without one of its characters."""
    return len(short) + 1 == len(long) and any(long[:n] + long[n + 1 :] == short for n in range(len(long)))
