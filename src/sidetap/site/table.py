"""One table of a site file, read key by key.

Each getter asks for one key, notes a problem with its place when the value is missing or wrong, and returns a
value of its type in any case, so that one pass finds every problem; what was built from a table that ``failed`` is
thrown away. ``finish`` finds the keys nobody asked for. Every getter takes ``like``, an example for the remedy.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from difflib import get_close_matches
from fractions import Fraction
from typing import Any

from sidetap.quantity import (
    NS_PER_MS,
    Dimension,
    Rounding,
    parse_quantity,
    round_fraction,
)
from sidetap.site.document import Document
from sidetap.site.places import Path
from sidetap.site.problem import Problem, Severity

LONGEST_TEXT = 400
MOST_TABLES = 1000  # of one kind: twice the inputs of a yard of 32 bays
MOST_UNKNOWN = 200  # keys told one by one
_TAG = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
RESERVED_TAGS = ("site", "alarm")  # names of the scheme's own


class Table:
    """A table at a path of a document; kind is its name without indexes, where its name for people."""

    def __init__(
        self, document: Document, path: Path, kind: str, where: str, values: dict[str, Any], parent: Table | None
    ) -> None:
        self.document, self.path, self.kind, self.where = document, path, kind, where
        self.values, self.parent = values, parent
        self.failed = False
        self.absent = False  # not in the file, and reported as missing itself
        self._asked: list[str] = []

    @classmethod
    def root(cls, document: Document) -> Table:
        """Return the top table of a document."""
        return cls(document, (), "", "", document.values, None)

    # -- problems ------------------------------------------------------------------------------------------------

    def error(self, key: str, problem: str, remedy: str) -> None:
        """Note an error at a key, or deeper at "key.key"; at the table's header when the key isn't there."""
        self._note(Severity.ERROR, key, problem, remedy)
        self._fail()

    def error_in(self, file: str, place: tuple[int, int], key: str, problem: str, remedy: str) -> None:
        """Note an error in another file that a key names."""
        self.document.problems.append(Problem(Severity.ERROR, file, *place, self._name(key), problem, remedy))
        self._fail()

    def _fail(self) -> None:
        table: Table | None = self
        while table is not None:
            table.failed = True
            table = table.parent

    def warning(self, key: str, problem: str, remedy: str) -> None:
        """Note a warning, placed like an error."""
        self._note(Severity.WARNING, key, problem, remedy)

    def _note(self, severity: Severity, key: str, problem: str, remedy: str) -> None:
        path, here = self.path, self.values
        for name in key.split(".") if key else ():
            if not isinstance(here, dict) or name not in here:
                break
            path, here = (*path, name), here[name]
        self.document.add(severity, self.document.place_of_value(path), self._name(key), problem, remedy)

    def line_of(self, key: str) -> int:
        """Return the line of a key's value."""
        return self.document.place_of_value((*self.path, key))[0]

    def _name(self, key: str) -> str:
        return ".".join(part for part in (self.where, shorten(key)) if part) or "site file"

    def finish(self) -> None:
        """Note every key that nothing here asks for."""
        unknown = [key for key in self.values if key not in self._asked]
        if len(unknown) > MOST_UNKNOWN:
            self.error("", f"{len(unknown)} unknown keys; the first {MOST_UNKNOWN} follow", "Is this a site file?")
        for key in unknown[:MOST_UNKNOWN]:
            nearest: list[str] = []
            if self.document.suggestions_left > 0 and len(key) <= 40:
                self.document.suggestions_left -= 1
                nearest = get_close_matches(key, self._asked, 1)
            remedy = f"Did you mean {nearest[0]}?" if nearest else f"Keys here are {', '.join(self._asked)}."
            place = self.document.place_of_key((*self.path, key))
            self.document.add(Severity.ERROR, place, self._name(key), "no such key", remedy)

    # -- one key -------------------------------------------------------------------------------------------------

    def has(self, key: str) -> bool:
        """Return whether an optional key is there."""
        self._ask(key)
        return key in self.values

    def text(self, key: str, like: str, remedy: str = "") -> str:
        """Return a text that isn't blank. remedy: what to say when it is missing, where an example isn't enough."""
        value = self._get(key, f'"{like}"', remedy)
        if value is None:
            return ""
        if not isinstance(value, str):
            self._wrong_type(key, value, "text", f'"{like}"')
            return ""
        if not value.strip() or len(value) > LONGEST_TEXT or not value.isprintable():
            what = (
                f"a text of {len(value)} characters" if value.strip() and value.isprintable() else "no readable text"
            )
            self.error(key, what, remedy or f'Write 1 to {LONGEST_TEXT} printable characters, like "{like}".')
            return ""
        return value

    def tag(self, like: str) -> str:
        """Return the table's tag: letters, digits, - and _."""
        tag = self.text("tag", like)
        if tag and (_TAG.fullmatch(tag) is None or tag in RESERVED_TAGS):
            reason = "is a name of the scheme's own" if tag in RESERVED_TAGS else "is no tag"
            self.error("tag", f"{shorten(tag)!r} {reason}", f"Use up to 32 letters, digits, - and _: {like}.")
        return tag

    def choice(self, key: str, options: Sequence[str]) -> str:
        """Return one of the options."""
        value = self.text(key, options[0], f"Write one of {', '.join(options)}.")
        if value and value not in options:
            nearest = get_close_matches(value[:60], options, 1)
            hint = f" Did you mean {nearest[0]}?" if nearest else ""
            self.error(key, f"{shorten(value)!r} is not known here", f"Write one of {', '.join(options)}.{hint}")
        return value

    def whole(self, key: str, low: int, high: int, like: int) -> int:
        """Return a whole number in low..high."""
        value = self._get(key, str(like))
        if value is None:
            return low
        if isinstance(value, bool) or not isinstance(value, int):
            self._wrong_type(key, value, "a whole number", str(like))
            return low
        if not low <= value <= high:
            self.error(key, f"{shorten(str(value))} is outside {low}..{high}", f"Write {key} = {like} or what fits.")
            return low
        return value

    def number(self, key: str, default: Fraction | None, like: str) -> Fraction:
        """Return a number, exactly; default when the key may be left out and is."""
        if default is not None and not self.has(key):
            return default
        value = self._get(key, like)
        if value is None:
            return Fraction(0)
        if isinstance(value, bool) or not isinstance(value, int | Fraction):
            self._wrong_type(key, value, "a number of everyday size", like)
            return Fraction(0)
        return Fraction(value)

    def quantity(self, key: str, dimension: Dimension, low: str, high: str, like: str) -> Fraction:
        """Return a quantity in SI, from low to high, both included."""
        value = self.text(key, like, f'Write {key} = "{like}" or what fits: a number and its unit, as text.')
        return self._bounded(key, value, dimension, low, high, like) if value else Fraction(0)

    def quantity_range(self, key: str, dimension: Dimension, like: tuple[str, str]) -> tuple[Fraction, Fraction]:
        """Return [lowest, highest] in SI."""
        texts = self.texts(key, like)
        if len(texts) != 2:
            if texts:
                self.error(key, f"{len(texts)} values where two are needed", f"Write {key} = {_list(like)}.")
            return Fraction(0), Fraction(0)
        low, high = (self._parsed(key, text, dimension, like[1]) for text in texts)
        if low is None or high is None:
            return Fraction(0), Fraction(0)
        if low >= high:
            self.error(key, f"{texts[0]} is not below {texts[1]}", "Write the lower one first.")
        return low, high

    def duration_ns(self, key: str, low: str, high: str, like: str) -> int:
        """Return a duration of whole ms, in ns, from low to high, both included."""
        value = self.text(key, like, f'Write {key} = "{like}" or what fits: a number and its unit, as text.')
        if not value:
            return 0
        seconds = self._bounded(key, value, Dimension.TIME, low, high, like)
        ns = seconds * 1_000_000_000
        if ns % NS_PER_MS:
            self.error(key, f"{value} is not a whole number of ms", "The scheme counts in ms; round it.")
        return int(ns)

    def length_01mm(self, key: str, low: str, high: str, like: str) -> int:
        """Return a length in whole 0.1 mm, to the nearest, from low to high, both included."""
        return round_fraction(self.quantity(key, Dimension.LENGTH, low, high, like) * 10_000, Rounding.NEAREST)

    def day(self, key: str) -> date:
        """Return a date."""
        value = self._get(key, "2026-01-31")
        if value is None:
            return date.min
        if isinstance(value, datetime) or not isinstance(value, date):
            self._wrong_type(key, value, "a date", "2026-01-31")
            return date.min
        return value

    def texts(self, key: str, like: Sequence[str]) -> tuple[str, ...]:
        """Return a list of texts, not empty."""
        value = self._get(key, _list(like))
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self._wrong_type(key, value, "a list of texts", _list(like))
            return ()
        if not value:
            self.error(key, "an empty list", f"Write {key} = {_list(like)} or what fits.")
        return tuple(value)

    def table(self, key: str, like: str, remedy: str = "") -> Table:
        """Return a table inside this one; an empty one that has failed when it isn't there."""
        value = self._get(key, like, remedy)
        if value is not None and not isinstance(value, dict):
            self._wrong_type(key, value, "a table", like)
            value = None
        inner = self._inner(key, {} if value is None else value)
        inner.failed = inner.absent = value is None
        return inner

    def tables(self, key: str, like: str, required: bool = True) -> list[Table]:
        """Return a list of tables, those called [[key]] at the top of a file."""
        if not required and not self.has(key):
            return []
        value = self._get(key, like)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self._wrong_type(key, value, "a list of tables", like)
            return []
        if required and not value:
            self.error(key, "an empty list", f"Add {like}.")
        if len(value) > MOST_TABLES:
            found = self._inner(key, value[MOST_TABLES], MOST_TABLES)
            found.error(
                "", f"over {MOST_TABLES} tables of one kind", "Leave out what isn't needed; these are not read."
            )
        return [self._inner(key, item, number) for number, item in enumerate(value[:MOST_TABLES])]

    # -- inside --------------------------------------------------------------------------------------------------

    def _ask(self, key: str) -> None:
        if key not in self._asked:
            self._asked.append(key)
            self.document.asked.add(f"{self.kind}.{key}" if self.kind else key)

    def _get(self, key: str, like: str, remedy: str = "") -> Any:
        self._ask(key)
        if key not in self.values:
            if not self.absent:
                self.error(key, "missing", remedy or f"Add {key} = {like} or what fits.")
            return None
        return self.values[key]

    def _inner(self, key: str, values: dict[str, Any], number: int | None = None) -> Table:
        path: Path = (*self.path, key)
        name = key
        if number is not None:
            path = (*path, number)
            tag = values.get("tag")
            name = f"{key}.{tag}" if isinstance(tag, str) and _TAG.fullmatch(tag) else f"{key} {number + 1}"
        where = f"{self.where}.{name}" if self.where else name
        return Table(self.document, path, f"{self.kind}.{key}" if self.kind else key, where, values, self)

    def _wrong_type(self, key: str, value: Any, wanted: str, like: str) -> None:
        self.error(key, f"{_described(value)} where {wanted} is needed", f"Write {key} = {like} or what fits.")

    def _parsed(self, key: str, text: str, dimension: Dimension, like: str) -> Fraction | None:
        try:
            return parse_quantity(text, dimension)
        except ValueError as problem:
            self.error(key, str(problem), f'Write it like "{like}".')
            return None

    def _bounded(self, key: str, text: str, dimension: Dimension, low: str, high: str, like: str) -> Fraction:
        value = self._parsed(key, text, dimension, like)
        if value is None:
            return Fraction(0)
        if not parse_quantity(low, dimension) <= value <= parse_quantity(high, dimension):
            self.error(key, f"{text} is outside {low} to {high}", f'Write it like "{like}".')
        return value


def shorten(text: str) -> str:
    """Return a text from a file as a message can hold it."""
    return text if len(text) <= 40 else text[:37] + "..."


def names(things: Iterable[str], most: int = 12) -> str:
    """Return names for a remedy, not too many."""
    every = list(things)
    return ", ".join(every[:most]) + (f" and {len(every) - most} more" if len(every) > most else "") or "none"


def _list(items: Sequence[str]) -> str:
    return "[" + ", ".join(f'"{item}"' for item in items) + "]"


def _described(value: Any) -> str:
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, str):
        return "text"
    if isinstance(value, int):
        return "a whole number"
    if isinstance(value, Fraction):
        return "a number"
    if isinstance(value, float):
        return "a number out of all range"
    return "a date or time"
