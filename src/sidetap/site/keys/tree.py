"""The declared keys as a tree of tables: which keys a table takes, wherever it stands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sidetap.site.keys import KEYS, SAME_KEYS, Inner, Key, Many, WordOrInner

DECIDE = ("kind", "as", "form")  # the keys on whose words others of their table depend


def home(kind: str) -> str:
    """Return the table where the keys of this one are declared: "site.show" for "bay.panel.show"."""
    return SAME_KEYS.get(kind, kind)


def children(kind: str) -> dict[str, Key]:
    """Return the keys of a table by their names, in the order of their declaration; kind "" is the top of a file."""
    start = f"{home(kind)}." if kind else ""
    inside = (key for path, key in KEYS.items() if path.startswith(start) and ": " not in path.removeprefix(start))
    return {name: key for key in inside if "." not in (name := key.path.removeprefix(start))}


def is_table(key: Key) -> bool:
    """Return whether a table, tables, or a word for one may stand at a key."""
    return isinstance(key.form, Inner | Many | WordOrInner)


def decider(kind: str) -> str:
    """Return the key of a table that decides which others belong there; "" for none."""
    return next((name for name in children(kind) if name in DECIDE and kind not in ("module", "watchdog")), "")


def decided(kind: str, values: Mapping[str, Any]) -> Any:
    """Return the word that decides over a table's keys; None for none."""
    return values.get(decider(kind))
