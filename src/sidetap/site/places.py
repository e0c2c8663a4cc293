"""Where the keys and values of a TOML text stand.

TOML text that a parser has accepted comes in; for every table, key and value the place of its first character goes
out. Values are not read here: this walks over them. It never decides whether a text is TOML.

A path is the keys and array indexes from the root: ("vessel", 0, "trip", "below").
"""

from __future__ import annotations

import re
from bisect import bisect_right
from contextlib import suppress
from typing import NamedTuple, TypeAlias

Path: TypeAlias = tuple[str | int, ...]

_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BLANK = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRINGS = (  # the long quotes first; up to two quotes may stand before the closing three
    re.compile(r'"""(?:[^\\"]|\\[\s\S]|"{1,2}(?!"))*"{3,5}'),
    re.compile(r"'''(?:[^']|'{1,2}(?!'))*'{3,5}"),
    re.compile(r'"(?:[^\\"\n]|\\.)*"'),
    re.compile(r"'[^'\n]*'"),
)
_SCALAR = re.compile(r"[^\s,\]}#]+(?: \d\d:\d\d[^\s,\]}#]*)?")  # a date may have a blank before its time
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|(.))")
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r"}


class Statement(NamedTuple):
    """A header, or a key with its value: the table it opens or stands in, and from which offset to which.

    key: the whole path of the value, longer than table by its dotted parts; None for a header.
    """

    table: Path
    key: Path | None
    start: int
    end: int


class Places:
    """The places of one text. Lines and columns are counted from 1, in characters; offsets from 0."""

    def __init__(self, text: str) -> None:
        self._starts = [0, *(m.end() for m in re.finditer("\n", text))]
        walk = _Walk(text)
        walk.document()
        self._keys, self._values, self._ends = walk.keys, walk.values, walk.ends
        self.statements = walk.statements  # in the order of their ends

    def of_key(self, path: Path) -> tuple[int, int]:
        """Return line and column of the key that ends path; that of the header for a table with one."""
        return self._at(self._keys.get(path, 0))

    def of_value(self, path: Path) -> tuple[int, int]:
        """Return line and column of the value at path; for a table, those of its header or of its brace."""
        return self._at(self._values.get(path, 0))

    def span_of_value(self, path: Path) -> tuple[int, int]:
        """Return the offsets of a value's first character and of the one behind it.

        KeyError for none, and for a table with a header or dotted keys.
        """
        return self._values[path], self._ends[path]

    def _at(self, offset: int) -> tuple[int, int]:
        line = bisect_right(self._starts, offset)
        return line, offset - self._starts[line - 1] + 1


def last_key(text: str) -> int | None:
    """Return the offset of the last key or header in text, the beginning of a document."""
    walk = _Walk(text)
    with suppress(IndexError):  # the text ends within that statement
        walk.document()
    return walk.latest


class _Walk:
    def __init__(self, text: str) -> None:
        self.text = text
        self.keys: dict[Path, int] = {}
        self.values: dict[Path, int] = {}
        self.ends: dict[Path, int] = {}
        self.statements: list[Statement] = []
        self.counts: dict[Path, int] = {}
        self.latest: int | None = None

    def document(self) -> None:
        table: Path = ()
        at = self.skip(_SPACE, 0)
        while at < len(self.text):
            if self.text[at] == "[":
                table, at = self.header(at)
            else:
                at = self.pair(table, at)
            at = self.skip(_SPACE, at)

    def header(self, at: int) -> tuple[Path, int]:
        """Walk over [a.b] or [[a.b]]; the last element of every array of tables on the way is meant."""
        self.latest = start = at
        many = self.text.startswith("[[", at)
        parts, at = self.key(self.skip(_BLANK, at + (2 if many else 1)))
        path: Path = ()
        for left, (name, _) in zip(range(len(parts) - 1, -1, -1), parts, strict=True):
            path = (*path, name)
            self.keys.setdefault(path, start)
            self.values.setdefault(path, start)
            if path in self.counts and (left or not many):
                path = (*path, self.counts[path] - 1)
        if many:
            # counts is keyed by the array's own path, whose parents are resolved
            self.counts[path] = self.counts.get(path, 0) + 1
            path = (*path, self.counts[path] - 1)
        # a header of its own outranks the place where a longer one made the table
        self.keys[path] = self.values[path] = start
        end = at + (2 if many else 1)
        self.statements.append(Statement(path, None, start, end))
        return path, end

    def pair(self, table: Path, at: int) -> int:
        """Walk over key = value."""
        self.latest = begin = at
        parts, at = self.key(at)
        path = table
        for name, start in parts:
            path = (*path, name)
            self.keys.setdefault(path, start)
            self.values.setdefault(path, start)
        end = self.value(path, self.skip(_BLANK, at + 1))
        self.statements.append(Statement(table, path, begin, end))
        return end

    def key(self, at: int) -> tuple[list[tuple[str, int]], int]:
        """Walk over a dotted key; return its parts with their places, and where = or ] stands."""
        parts = []
        while True:
            start = at
            if self.text[at] in "\"'":
                at = self.string(at)
                inside = self.text[start + 1 : at - 1]
                name = _ESCAPE.sub(_unescape, inside) if self.text[start] == '"' else inside
            else:
                at = self.skip(_BARE_KEY, at)
                name = self.text[start:at]
                if at == start:
                    raise IndexError(at)
            parts.append((name, start))
            at = self.skip(_BLANK, at)
            if self.text[at] != ".":
                return parts, at
            at = self.skip(_BLANK, at + 1)

    def value(self, path: Path, at: int) -> int:
        """Walk over the value at path and return where it ends."""
        self.values[path] = at
        self.ends[path] = end = self.over(path, at)
        return end

    def over(self, path: Path, at: int) -> int:
        first = self.text[at]
        if first in "\"'":
            return self.string(at)
        if first == "[":
            return self.array(path, at)
        if first == "{":
            return self.inline_table(path, at)
        return self.skip(_SCALAR, at)

    def array(self, path: Path, at: int) -> int:
        index = 0
        at = self.skip(_SPACE, at + 1)
        while self.text[at] != "]":
            at = self.skip(_SPACE, self.value((*path, index), at))
            self.keys[(*path, index)] = self.values[(*path, index)]
            index += 1
            if self.text[at] == ",":
                at = self.skip(_SPACE, at + 1)
        return at + 1

    def inline_table(self, path: Path, at: int) -> int:
        at = self.skip(_SPACE, at + 1)
        while self.text[at] != "}":
            at = self.skip(_SPACE, self.pair(path, at))
            if self.text[at] == ",":
                at = self.skip(_SPACE, at + 1)
        return at + 1

    def string(self, at: int) -> int:
        for pattern in _STRINGS:
            match = pattern.match(self.text, at)
            if match is not None:
                return match.end()
        raise IndexError(at)

    def skip(self, pattern: re.Pattern[str], at: int) -> int:
        match = pattern.match(self.text, at)
        return at if match is None else match.end()


def _unescape(match: re.Match[str]) -> str:
    short, long, letter = match.groups()
    return chr(int(short or long, 16)) if letter is None else _ESCAPES.get(letter, letter)
