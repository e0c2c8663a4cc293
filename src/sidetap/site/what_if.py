"""A site as it would be with some values changed: "vessel.T1.trip.below=0.40 m". No file is written.

A change is KEY=VALUE. KEY leads to a value by names and tags, as ``check`` tells places; VALUE is written as in the
file, where text needs no quotes. KEY= takes an optional key out.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from decimal import Decimal
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from sidetap.errors import BadInput
from sidetap.site.document import read_document
from sidetap.site.edits import SiteText
from sidetap.site.files import read_small_text
from sidetap.site.keys import Day, Inner, Key, Many, Number, Range, Texts, Whole
from sidetap.site.keys.tree import children, inside, is_table
from sidetap.site.places import Path as TomlPath
from sidetap.site.reader import Loaded, load, load_text
from sidetap.site.written import Value

_NOT_TEXT = (Whole, Number, Day, Range, Texts, Inner, Many)  # what stands without quotes in a file


def load_with(path: Path, changes: Sequence[str]) -> Loaded:
    """Load a site file with these changes; problems have the places of the text so changed.

    BadInput for a change that leads to no key, or whose value no site file can hold.
    """
    if read_document(path, str(path)).places is None:  # no TOML, so that nothing in it can be changed
        return load(path)
    edited = SiteText(read_small_text(path))
    changed: set[str] = set()
    for change in changes:
        where, equals, value = (part.strip() for part in change.partition("="))
        if where in changed:
            raise BadInput(where, "changed twice", "Say once what it would be.")
        changed.add(where)
        if not equals or not where:
            raise BadInput(change, "no change", "Write KEY=VALUE, like vessel.T1.trip.below=0.40 m.")
        to, key = _leading_to(where, edited.values)
        try:
            if value:
                edited.put(to, _value(key, value))
            else:
                edited.remove(to)
        except ValueError as problem:
            remedy = f"Write it as in the file, like {where}={key.example}."
            raise BadInput(change, f"it can't be made: {problem}", remedy) from None
    return load_text(edited.text, path)


def _leading_to(where: str, values: Any) -> tuple[TomlPath, Key]:
    """Return the path to a key of a file, and the key as declared."""
    path: TomlPath = ()
    kind, parts = "", where.split(".")
    while parts:
        name, number = parts.pop(0), ""
        if kind == "compatible":  # its keys are products
            name, parts, key = ".".join([name, *parts]), [], children(kind)["PRODUCT"]
        else:
            name, _, number = name.partition(" ")
            key = _named(name, children(kind), where)
        path = (*path, name)
        if not parts and not number:
            return path, key
        if not is_table(key):
            raise BadInput(where, f"{name} is no table", f"Write {where.partition(name)[0]}{name}=VALUE.")
        values = values.get(name, {}) if isinstance(values, dict) else {}
        if isinstance(key.form, Many):
            index = _row(values, number or parts.pop(0), where)
            path, values = (*path, index), values[index]
        kind = inside(kind, name)
    raise BadInput(where, "a table, and no key of it", f"Name a key: {', '.join(children(kind))}.")


def _named(name: str, keys: dict[str, Key], where: str) -> Key:
    if name not in keys:
        raise BadInput(where, f"no key {name[:40]!r}", f"{_near(name, keys)}Keys there: {', '.join(keys)}.")
    return keys[name]


def _row(rows: list[dict[str, Any]], word: str, where: str) -> int:
    """Return the index of the table with that tag; or, of tables without tags, of that number, counted from 1."""
    tags = [str(row.get("tag", number)) for number, row in enumerate(rows, 1)]
    if word not in tags:
        raise BadInput(
            where, f"nothing there is called {word[:40]!r}", f"{_near(word, tags)}There: {', '.join(tags)}."
        )
    return tags.index(word)


def _near(word: str, words: Iterable[str]) -> str:
    near = get_close_matches(word[:60], list(words), 1)
    return f"Did you mean {near[0]}? " if near else ""


def _value(key: Key, text: str) -> Value:
    """Return the value that a text stands for at a key."""
    if not isinstance(key.form, _NOT_TEXT) and text[0] not in "\"'{":
        return text
    try:
        value: Value = tomllib.loads(f"x = {text}", parse_float=Decimal)["x"]
    except tomllib.TOMLDecodeError:
        raise ValueError(f"{text[:40]!r} is no value of TOML") from None
    return value
