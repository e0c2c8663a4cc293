"""Edits of a site file by cutting and pasting in its text: what isn't edited stays as it is, byte for byte.

The text of a file that ``read_document`` has accepted comes in, with its byte-order mark and its ends of lines; the
edited text goes out. Nothing here reads or writes a file, or knows what keys mean.

A path is the keys and array indexes from the root: ("vessel", 0, "trip", "below").
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from sidetap.site.places import Path, Places, Statement
from sidetap.site.written import Value, written, written_key

_BLANK = re.compile(r"[ \t]*")
_REST = re.compile(r"[ \t]*,?[ \t]*(?:#[^\n]*)?\r?(?=\n|\Z)")  # of a line, behind a value that ends there
_COMMA = re.compile(r"[ \t]*,[ \t]*")
_FAR_COMMA = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*,")  # perhaps on a later line
_MARK = "\ufeff"


class _Splice(NamedTuple):
    """What comes in place of what stands between two offsets."""

    start: int
    end: int
    text: str


class SiteText:
    """The text of a site file, edited one step after the other. ValueError for an edit that makes no sense.

    Edits that don't touch each other are made at once, when somebody looks, so that many of them don't cost a reading
    of the file each.
    """

    def __init__(self, text: str) -> None:
        self._mark = _MARK if text.startswith(_MARK) else ""
        self._read(text.removeprefix(_MARK))

    @property
    def text(self) -> str:
        """The text as it is now."""
        self._make()
        return self._mark + self._body

    @property
    def values(self) -> dict[str, Any]:
        """The values as they are now."""
        self._make()
        return self._values

    def at(self, path: Path) -> Any:
        """Return the value at path; KeyError when there is none."""
        return _at(self.values, path)

    def has(self, path: Path) -> bool:
        """Return whether something stands at path."""
        return _has(self.values, path)

    # -- edits ---------------------------------------------------------------------------------------------------

    def put(self, path: Path, value: Value) -> None:
        """Set the value at path, in its own place; behind the other keys of its table where it is new."""
        self._edit(path, lambda: self._put(path, value))

    def remove(self, path: Path) -> None:
        """Take a key out, with its line where it stands on one, or one value out of a list."""
        item = isinstance(path[-1], int)
        self._edit(path, lambda: self._remove_item(path) if item else self._remove_key(path))
        if item:
            self._shortened.add(path[:-1])

    def comment(self, table: Path, lines: Sequence[str]) -> None:
        """Add lines of comments behind the keys of a table that has a header; each must begin with #."""
        if not all(line.startswith("#") and line.isprintable() for line in lines):
            raise ValueError("a line that is no comment")
        if lines:
            self._edit(table, lambda: self._keys_added(table, lines))

    # -- inside --------------------------------------------------------------------------------------------------

    def _read(self, text: str) -> None:
        self._body = text
        self._values: dict[str, Any] = tomllib.loads(text)
        self._places = Places(text)
        self._waiting: list[_Splice] = []
        self._shortened: set[Path] = set()  # lists whose later values have another index once the edits are made
        self._by_key: dict[Path, Statement] = {}
        self._by_table: dict[Path, list[Statement]] = {}
        for statement in self._places.statements:
            self._by_table.setdefault(statement.table, []).append(statement)
            if statement.key is not None:
                self._by_key[statement.key] = statement

    def _edit(self, path: Path, find: Callable[[], _Splice]) -> None:
        """Note an edit; one that touches another is found anew in the text that the others have made."""
        if self._shortened and any(path[:length] in self._shortened for length in range(len(path))):
            self._make()
        try:
            splice = find()
            touches = any(splice.start <= other.end and other.start <= splice.end for other in self._waiting)
        except ValueError:  # perhaps what it needs is still waiting
            touches = True
        if touches:
            self._make()
            splice = find()
        self._waiting.append(splice)

    def _make(self) -> None:
        """Make the edits that wait."""
        if not self._waiting:
            return
        pieces, end = [], 0
        for splice in sorted(self._waiting):
            pieces += [self._body[end : splice.start], splice.text]
            end = splice.end
        self._read("".join([*pieces, self._body[end:]]))

    def _span(self, path: Path) -> tuple[int, int] | None:
        """Return where the value at path is written; None for none, and for a table with headers or dotted keys."""
        try:
            return self._places.span_of_value(path)
        except KeyError:
            return None

    def _put(self, path: Path, value: Value) -> _Splice:
        span, table, key = self._span(path), path[:-1], path[-1]
        if span is not None:
            return _Splice(*span, written(value))
        if not isinstance(key, str) or _has(self._values, path):
            raise ValueError(f"{'.'.join(map(str, path))} has headers or dotted keys, or is no key")
        if not _has(self._values, table):
            return self._put(table, {key: value})
        if not isinstance(_at(self._values, table), dict):
            raise ValueError(f"{table} is no table")
        return self._added(table, key, f" = {written(value)}")

    def _added(self, table: Path, key: str, value: str) -> _Splice:
        """Return how to add a key that isn't there to a table that is, written as the table is."""
        pair = f"{written_key(key)}{value}"
        if self._span(table) is not None:
            return self._added_inline(table, pair)
        if table in self._by_table or not table:
            return self._keys_added(table, [pair])
        dotted = [s for s in self._places.statements if s.key and len(s.table) < len(table) <= len(s.key)]
        beside = next((s for s in reversed(dotted) if s.key and s.key[: len(table)] == table), None)
        if beside is None:  # made by the header of a table inside it
            return self._inserted(len(self._body), ["", f"[{_dotted(table)}]", pair])
        pair = f"{_dotted((*table[len(beside.table) :], key))}{value}"
        if self._span(beside.table) is not None:
            return self._added_inline(beside.table, pair)
        return self._inserted(self._line_end(beside.end), [f"{self._indent(beside.start)}{pair}"])

    def _added_inline(self, table: Path, pair: str) -> _Splice:
        pairs = self._by_table.get(table)
        if pairs:
            return _Splice(pairs[-1].end, pairs[-1].end, f", {pair}")
        return _Splice(*self._places.span_of_value(table), f"{{ {pair} }}")

    def _keys_added(self, table: Path, lines: Sequence[str]) -> _Splice:
        """Return how to add lines behind the last key of a table that has a header, or of the file's top."""
        own = self._by_table.get(table)
        if own is None and table:
            raise ValueError(f"{table} has no header")
        if own is None:
            return self._inserted(0, lines)
        indent = self._indent(own[-1].start)
        return self._inserted(self._line_end(own[-1].end), [indent + line for line in lines])

    def _inserted(self, at: int, lines: Sequence[str]) -> _Splice:
        """Return how to insert whole lines at the start of a line or the end of the text, ended as those before."""
        before = self._body.rfind("\n", 0, at)
        end = self._body.find("\n") if before < 0 else before
        ended = "\r\n" if end > 0 and self._body[end - 1] == "\r" else "\n"
        if at and before != at - 1:  # behind a last line that has no end, and the new one has none
            return _Splice(at, at, ended + ended.join(lines))
        return _Splice(at, at, ended.join(lines) + ended)

    def _remove_key(self, path: Path) -> _Splice:
        found = self._by_key.get(path)
        if found is None:
            raise ValueError(f"{path} is no key with a value of its own")
        if self._span(found.table) is None:
            return _Splice(self._line_start(found.start), self._line_end(found.end), "")
        pairs = self._by_table[found.table]  # of an inline table: one of the commas beside it goes too
        number = pairs.index(found)
        if number + 1 < len(pairs):
            return _Splice(found.start, pairs[number + 1].start, "")
        return _Splice(pairs[number - 1].end if number else found.start, found.end, "")

    def _remove_item(self, path: Path) -> _Splice:
        """Return how to take a value out of a list, with its line where it has one; its neighbours keep comments."""
        span, number = self._span(path), path[-1]
        if span is None or not isinstance(number, int):
            raise ValueError(f"{path} is no value of a list")
        start, end = span
        before = self._span((*path[:-1], number - 1)) if number else None
        behind = self._span((*path[:-1], number + 1))
        comma, rest = _COMMA.match(self._body, end), _REST.match(self._body, end)
        if behind is not None and (comma is None or "\n" not in self._body[end : behind[0]]):
            return _Splice(start, behind[0], "")
        far = None if comma is not None else _FAR_COMMA.match(self._body, end)
        if far is not None:
            return _Splice(start, far.end(), "")
        if rest is not None and not self._body[self._line_start(start) : start].strip():
            return _Splice(self._line_start(start), self._line_end(rest.end()), "")
        if before is not None and "\n" not in self._body[before[1] : start]:
            return _Splice(before[1], end, "")
        return _Splice(start, end if comma is None else comma.end(), "")

    def _line_start(self, offset: int) -> int:
        return self._body.rfind("\n", 0, offset) + 1

    def _line_end(self, offset: int) -> int:
        """Return where the line behind that of offset starts; the text's end behind the last one."""
        end = self._body.find("\n", offset)
        return len(self._body) if end < 0 else end + 1

    def _indent(self, offset: int) -> str:
        match = _BLANK.match(self._body, self._line_start(offset))
        return match[0] if match is not None else ""


def _at(values: Any, path: Path) -> Any:
    for part in path:
        inside = isinstance(values, list) and isinstance(part, int) and 0 <= part < len(values)
        if not (inside or (isinstance(values, dict) and isinstance(part, str))):
            raise KeyError(part)
        values = values[part]
    return values


def _has(values: Any, path: Path) -> bool:
    try:
        _at(values, path)
    except KeyError:
        return False
    return True


def _dotted(path: Path) -> str:
    """Return a path as a dotted key; an index has no place in one."""
    if not all(isinstance(part, str) for part in path):
        raise ValueError(f"{path} has no header")
    return ".".join(written_key(str(part)) for part in path)
