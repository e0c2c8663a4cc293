"""One value of a parsed JSON document with its place: every getter gives the type asked for, or says where it isn't.

Documents may come from anywhere, so nothing is believed: not the types, not the sizes, not that numbers are finite.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, NoReturn

from sidetap.errors import BadInput
from sidetap.site.table import names, shorten

MOST = 1e300  # of any number: what is larger is no measurement, and what is infinite is no number
_LONGEST_TEXT = 10_000  # characters


def parse(text: str, file: str, remedy: str) -> Node:
    """Return the top of a JSON document; BadInput names line and column where it is none."""
    try:
        return Node(json.loads(text, parse_constant=_no_constant), file, "", remedy)
    except json.JSONDecodeError as problem:
        place = f"{file}:{problem.lineno}:{problem.colno}"
        raise BadInput(place, f"no JSON: {problem.msg.lower()}", remedy) from None
    except (ValueError, RecursionError) as problem:
        what = "nested too deep" if isinstance(problem, RecursionError) else str(problem).split(";")[0]
        raise BadInput(file, what, remedy) from None


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no number of JSON")


class Node:
    """A value, the file it is in and its path there ("devices[3].values"); remedy: where good documents are from."""

    __slots__ = ("_file", "_path", "_remedy", "_value")

    def __init__(self, value: Any, file: str, path: str, remedy: str) -> None:
        self._value, self._file, self._path, self._remedy = value, file, path, remedy

    def refuse(self, problem: str) -> NoReturn:
        """Raise BadInput with this place."""
        raise BadInput(f"{self._file}:{self._path}" if self._path else self._file, problem, self._remedy)

    def __getitem__(self, key: str) -> Node:
        """Return what stands at a key that must be there."""
        if not isinstance(self._value, dict):
            self.refuse(f"{self._told()} where an object is needed")
        path = f"{self._path}.{key}" if self._path else key
        if key not in self._value:
            Node(None, self._file, path, self._remedy).refuse("missing")
        return Node(self._value[key], self._file, path, self._remedy)

    def or_none(self, key: str) -> Node | None:
        """Return what stands at a key that must be there, None for null."""
        node = self[key]
        return None if node._value is None else node

    def items(self, most: int) -> list[Node]:
        """Return the members of a list of at most so many."""
        if not isinstance(self._value, list):
            self.refuse(f"{self._told()} where a list is needed")
        if len(self._value) > most:
            self.refuse(f"{len(self._value)} members, over {most}")
        return [
            Node(each, self._file, f"{self._path}[{number}]", self._remedy) for number, each in enumerate(self._value)
        ]

    def text(self) -> str:
        """Return a text."""
        if not isinstance(self._value, str):
            self.refuse(f"{self._told()} where text is needed")
        if len(self._value) > _LONGEST_TEXT:
            self.refuse(f"a text of {len(self._value)} characters, over {_LONGEST_TEXT}")
        return self._value

    def choice(self, options: Sequence[str]) -> str:
        """Return a word of a closed list."""
        word = self.text()
        if word not in options:
            self.refuse(f"{shorten(word)!r} is none of {names(options)}")
        return word

    def truth(self) -> bool:
        """Return true or false."""
        if not isinstance(self._value, bool):
            self.refuse(f"{self._told()} where true or false is needed")
        return self._value

    def number(self, least: float = -MOST, most: float = MOST) -> float:
        """Return a finite number in least..most."""
        if isinstance(self._value, bool) or not isinstance(self._value, int | float):
            self.refuse(f"{self._told()} where a number is needed")
        if not least <= self._value <= most:
            self.refuse(f"a number outside {least:g} to {most:g}")
        return float(self._value)

    def whole(self, least: int, most: int) -> int:
        """Return a whole number in least..most."""
        if isinstance(self._value, bool) or not isinstance(self._value, int):
            self.refuse(f"{self._told()} where a whole number is needed")
        if not least <= self._value <= most:
            self.refuse(f"a number outside {least} to {most}")
        return self._value

    def number_or_none(self) -> float | None:
        """Return a finite number, None for null and for text."""
        return None if self._value is None or isinstance(self._value, str) else self.number()

    def _told(self) -> str:
        kinds = {bool: "true or false", dict: "an object", list: "a list", str: "text", type(None): "null"}
        return kinds.get(type(self._value), "a number")
