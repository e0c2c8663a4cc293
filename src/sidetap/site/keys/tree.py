"""The declared keys as a tree of tables: which keys a table takes, wherever it stands."""

from __future__ import annotations

from sidetap.site.keys import KEYS, SAME_KEYS
from sidetap.site.keys.forms import Inner, Key, Many, WordOrInner

DECIDING = ("kind", "as", "form")  # the keys on whose words others of their table depend


def home(kind: str) -> str:
    """Return the table where the keys of this one are declared: "site.show" for "bay.panel.show"."""
    return SAME_KEYS.get(kind, kind)


def children(kind: str) -> dict[str, Key]:
    """Return the keys of a table by name, as declared; kind is "" or "people: " for the top of a file."""
    start = f"{home(kind)}." if kind and not kind.endswith(": ") else kind
    below = {path.removeprefix(start): key for path, key in KEYS.items() if path.startswith(start)}
    return {name: key for name, key in below.items() if "." not in name and ": " not in name}


def is_table(key: Key) -> bool:
    """Return whether a table, tables, or a word for one may stand at a key."""
    return isinstance(key.form, Inner | Many | WordOrInner)


def inside(kind: str, name: str) -> str:
    """Return the kind of the table at a key of a table."""
    return home(f"{home(kind)}.{name}" if kind and not kind.endswith(": ") else f"{kind}{name}")


def decider(kind: str) -> str:
    """Return the key of a table that decides which others belong there; "" where all do."""
    keys = children(kind)
    return next((name for name in DECIDING if name in keys), "") if any(key.only for key in keys.values()) else ""
