"""A TOML file -> its values, its places and its problems. Knows nothing about sites."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from pathlib import Path
from typing import Any

from sidetap.site.files import NotText, read_small_text
from sidetap.site.places import Path as TomlPath
from sidetap.site.places import Places
from sidetap.site.problem import Problem, Severity
from sidetap.site.syntax import mistakes

SECRETS = "secrets: "  # the prefix of keys in that file
_SAID_OF_SECRETS = (
    "missing",
    "no such key",
    "no salted hash",
    "this byte is no UTF-8",
    "it has two secrets",
    "no person of the people's file",
)
LONGEST_LINE = 1000  # characters; bounds numbers and dotted keys, which cost more than their length
DEEPEST = 20  # brackets, and parts of a key; a site needs four
_STRING = r'"(?:\\.|[^"\\\n])*+"|\'[^\'\n]*+\''
_LONG_STRING = r'"""(?:\\[\s\S]|(?!""")[\s\S])*+"""|\'\'\'(?:(?!\'\'\')[\s\S])*+\'\'\''
_LONG_KEY = rf"(?<![\w-])(?:(?:[\w-]++|{_STRING})[ \t]*+\.[ \t]*+){{{DEEPEST}}}"
_STRUCTURE = re.compile(rf"(?P<long_key>{_LONG_KEY})|#[^\n]*|{_LONG_STRING}|{_STRING}|(?P<bracket>[\[{{\]}}])")


@dataclass
class Document:
    """One file being read: its top table, empty when it is no TOML, and the problems found so far."""

    file: str
    prefix: str = ""  # of its keys where they are declared: "people: "
    values: dict[str, Any] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    places: Places | None = None
    asked: set[str] = field(default_factory=set)  # every key that was looked for, by kind: "vessel.trip.below"
    suggestions_left: int = 100  # finding the nearest key is slow, and a hostile file has many

    def add(self, severity: Severity, place: tuple[int, int], where: str, problem: str, remedy: str) -> None:
        """Note a problem at line and column; of secrets without a word of what stands there (remedies are ours)."""
        if self.prefix == SECRETS:
            where = "secrets"
            problem = problem if problem in _SAID_OF_SECRETS else "it can't be used as it stands"
        self.problems.append(Problem(severity, self.file, *place, where, problem, remedy))

    def place_of_value(self, path: TomlPath) -> tuple[int, int]:
        """Return where the value at path starts."""
        return self.places.of_value(path) if self.places is not None else (1, 1)

    def place_of_key(self, path: TomlPath) -> tuple[int, int]:
        """Return where the key that ends path starts."""
        return self.places.of_key(path) if self.places is not None else (1, 1)


def read_document(path: Path, shown: str, prefix: str = "") -> Document:
    """Read a TOML file; shown is its name in problems. BadInput when it can't be read at all."""
    try:
        text = read_small_text(path)
    except NotText as problem:
        document, place = Document(shown, prefix), (problem.line, problem.column)
        document.add(Severity.ERROR, place, "TOML", "this byte is no UTF-8", "Save the file as UTF-8.")
        return document
    return document_of(text, shown, prefix)


def document_of(text: str, shown: str, prefix: str = "") -> Document:
    """Return the document that a text is; shown is its file's name in problems."""
    document = Document(shown, prefix)
    unfit = _unfit(text)
    if unfit is not None:
        document.add(Severity.ERROR, *_told(*unfit))
        return document
    try:
        document.values = tomllib.loads(text, parse_float=_exact)
        document.places = Places(text)
    except ValueError:  # TOMLDecodeError, or a date that is none
        document.values = {}
        for place, what in mistakes(text):
            document.add(Severity.ERROR, *_told(place, what))
    return document


def _told(place: tuple[int, int], what: str) -> tuple[tuple[int, int], str, str, str]:
    return place, "TOML", what, "Correct the line; the rest is checked after that."


def _unfit(text: str) -> tuple[tuple[int, int], str] | None:
    """Return place and words for what would make a parser slow or run out of stack."""
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > LONGEST_LINE:
            return (number, LONGEST_LINE + 1), f"a line of {len(line)} characters, over {LONGEST_LINE}"
    depth = 0
    for match in _STRUCTURE.finditer(text):
        if match["long_key"]:
            return _line_and_column(text, match.start()), f"a key of over {DEEPEST} parts"
        if match["bracket"]:
            depth = depth + 1 if match["bracket"] in "[{" else max(0, depth - 1)
            if depth > DEEPEST:
                return _line_and_column(text, match.start()), f"brackets nested over {DEEPEST} deep"
    return None


def _line_and_column(text: str, offset: int) -> tuple[int, int]:
    return text.count("\n", 0, offset) + 1, offset - text.rfind("\n", 0, offset)


def _exact(text: str) -> Fraction | float:
    """Return a decimal exactly; a float for what is none or is beyond all use, which no key accepts."""
    try:
        number = Decimal(text)
    except InvalidOperation:
        return float(text)
    if not number.is_finite() or abs(number.adjusted()) > 30:
        return float("nan")
    return Fraction(number)
