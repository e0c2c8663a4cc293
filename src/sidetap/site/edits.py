"""Edits of a site file by cutting and pasting in its text: what isn't edited stays as it is, byte for byte.

The text of a file that ``read_document`` has accepted comes in, with its byte-order mark and its ends of lines; the
edited text goes out. Nothing here reads or writes a file, or knows what keys mean.

A path is the keys and array indexes from the root: ("vessel", 0, "trip", "below").
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from sidetap.site.places import Path, Places, Statement
from sidetap.site.written import Value, written, written_key

_BLANK = re.compile(r"[ \t]*")
_REST = re.compile(r"[ \t]*,?[ \t]*(?:#[^\n]*)?\r?(?=\n|\Z)")  # of a line, behind a value that ends there
_COMMA = re.compile(r"[ \t]*,[ \t]*")
_MARK = "\ufeff"


class SiteText:
    """The text of a site file, edited one step after the other. ValueError for an edit that makes no sense."""

    def __init__(self, text: str) -> None:
        self._mark = _MARK if text.startswith(_MARK) else ""
        self._read(text.removeprefix(_MARK))

    @property
    def text(self) -> str:
        """The text as it is now."""
        return self._mark + self._body

    def path_of(self, kind: str, tag: str) -> Path:
        """Return the path of the [[kind]] table of that tag; KeyError when there is none."""
        for index, table in enumerate(self.values.get(kind, [])):
            if table.get("tag") == tag:
                return (kind, index)
        raise KeyError(tag)

    def at(self, path: Path) -> Any:
        """Return the value at path; KeyError when there is none."""
        here: Any = self.values
        for part in path:
            fits = (
                isinstance(here, dict) if isinstance(part, str) else isinstance(here, list) and 0 <= part < len(here)
            )
            if not fits:
                raise KeyError(part)
            here = here[part]
        return here

    def has(self, path: Path) -> bool:
        """Return whether something stands at path."""
        try:
            self.at(path)
        except KeyError:
            return False
        return True

    # -- edits ---------------------------------------------------------------------------------------------------

    def put(self, path: Path, value: Value) -> None:
        """Set the value at path, in its own place; behind the other keys of its table where it is new."""
        span, table, key = self._span(path), path[:-1], path[-1]
        if span is not None:
            self._splice(*span, written(value))
        elif not isinstance(key, str) or self.has(path):
            raise ValueError(f"{path} has headers or dotted keys of its own, or is no key")
        elif not self.has(table):
            self.put(table, {key: value})
        elif not isinstance(self.at(table), dict):
            raise ValueError(f"{table} is no table")
        else:
            self._add(table, key, f" = {written(value)}")

    def remove(self, path: Path) -> None:
        """Take a key out, with its line where it stands on one, or one value out of a list."""
        if isinstance(path[-1], int):
            self._remove_item(path)
            return
        found = next((s for s in self._places.statements if s.key == path), None)
        if found is None:
            raise ValueError(f"{path} is no key with a value of its own")
        if self._span(found.table) is None:
            self._splice(self._line_start(found.start), self._line_end(found.end), "")
        else:
            self._remove_between([s for s in self._places.statements if s.table == found.table], found)

    def add_table(self, kind: str, values: Mapping[str, Value]) -> None:
        """Add a [[kind]] table behind the others of its kind, or at the end of the file."""
        others = [s for s in self._places.statements if s.table[:1] == (kind,)]
        at = self._line_end(others[-1].end) if others else len(self._body)
        lines = [f"[[{written_key(kind)}]]", *(f"{written_key(key)} = {written(v)}" for key, v in values.items())]
        self._insert(at, ["", *lines])

    def comment(self, table: Path, lines: Sequence[str]) -> None:
        """Add lines of comments behind the keys of a table that has a header; each must begin with #."""
        if not all(line.startswith("#") and line.isprintable() for line in lines):
            raise ValueError("a line that is no comment")
        if lines:
            at, indent = self._behind(table)
            self._insert(at, [indent + line for line in lines])

    # -- inside --------------------------------------------------------------------------------------------------

    def _read(self, text: str) -> None:
        self._body = text
        self.values: dict[str, Any] = tomllib.loads(text)
        self._places = Places(text)

    def _span(self, path: Path) -> tuple[int, int] | None:
        """Return where the value at path is written; None for none, and for a table with headers or dotted keys."""
        try:
            return self._places.span_of_value(path)
        except KeyError:
            return None

    def _splice(self, start: int, end: int, text: str) -> None:
        self._read(self._body[:start] + text + self._body[end:])

    def _insert(self, at: int, lines: list[str]) -> None:
        """Insert whole lines at the start of a line or the end of the text, ended as those before."""
        before = self._body[:at]
        ended = "\r\n" if "\r\n" in (before or self._body) else "\n"
        if before and not before.endswith("\n"):  # behind a last line that has no end, and the new one has none
            self._splice(at, at, ended + ended.join(lines))
        else:
            self._splice(at, at, ended.join(lines) + ended)

    def _add(self, table: Path, key: str, value: str) -> None:
        """Add a key that isn't there to a table that is, written as the table is."""
        own = [s for s in self._places.statements if s.table == table]
        dotted = [
            s for s in self._places.statements if s.key and len(s.table) < len(table) and s.key[: len(table)] == table
        ]
        if self._span(table) is not None:
            self._add_inline(table, f"{written_key(key)}{value}")
        elif own or not table:
            at, indent = self._behind(table)
            self._insert(at, [f"{indent}{written_key(key)}{value}"])
        elif dotted:
            beside = dotted[-1]
            pair = f"{_dotted((*table[len(beside.table) :], key))}{value}"
            if self._span(beside.table) is not None:
                self._add_inline(beside.table, pair)
            else:
                self._insert(self._line_end(beside.end), [f"{self._indent(beside.start)}{pair}"])
        else:  # made by the header of a table inside it
            self._insert(len(self._body), ["", f"[{_dotted(table)}]", f"{written_key(key)}{value}"])

    def _behind(self, table: Path) -> tuple[int, str]:
        """Return the start of the line behind a table's last key, and the indent of its keys."""
        own = [s for s in self._places.statements if s.table == table]
        if not own and table:
            raise ValueError(f"{table} has no header")
        if not own:
            return 0, ""
        return self._line_end(own[-1].end), self._indent(own[-1].start)

    def _add_inline(self, table: Path, pair: str) -> None:
        inside = [s for s in self._places.statements if s.table == table]
        span = self._span(table)
        if inside:
            self._splice(inside[-1].end, inside[-1].end, f", {pair}")
        elif span is not None:
            self._splice(*span, f"{{ {pair} }}")

    def _remove_between(self, pairs: list[Statement], found: Statement) -> None:
        """Take a pair out of an inline table, with one of the commas beside it."""
        number = pairs.index(found)
        if number + 1 < len(pairs):
            self._splice(found.start, pairs[number + 1].start, "")
        elif number:
            self._splice(pairs[number - 1].end, found.end, "")
        else:
            self._splice(found.start, found.end, "")

    def _remove_item(self, path: Path) -> None:
        """Take a value out of a list, with its line where it has one, and without the comments of its neighbours."""
        span, number = self._span(path), path[-1]
        if span is None or not isinstance(number, int):
            raise ValueError(f"{path} is no value of a list")
        start, end = span
        before = self._span((*path[:-1], number - 1)) if number else None
        behind = self._span((*path[:-1], number + 1))
        comma, rest = _COMMA.match(self._body, end), _REST.match(self._body, end)
        if behind is not None and (comma is None or "\n" not in self._body[end : behind[0]]):
            self._splice(start, behind[0], "")
        elif rest is not None and not self._body[self._line_start(start) : start].strip():
            self._splice(self._line_start(start), self._line_end(rest.end()), "")
        elif before is not None and "\n" not in self._body[before[1] : start]:
            self._splice(before[1], end, "")
        else:
            self._splice(start, end if comma is None else comma.end(), "")

    def _line_start(self, offset: int) -> int:
        return self._body.rfind("\n", 0, offset) + 1

    def _line_end(self, offset: int) -> int:
        """Return where the line behind that of offset starts; the text's end behind the last one."""
        end = self._body.find("\n", offset)
        return len(self._body) if end < 0 else end + 1

    def _indent(self, offset: int) -> str:
        match = _BLANK.match(self._body, self._line_start(offset))
        return match[0] if match is not None else ""


def _dotted(path: Path) -> str:
    """Return a path as a dotted key; an index has no place in one."""
    if not all(isinstance(part, str) for part in path):
        raise ValueError(f"{path} has no header")
    return ".".join(written_key(str(part)) for part in path)
