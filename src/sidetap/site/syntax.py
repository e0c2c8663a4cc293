"""What a TOML parser says of a text that is none -> the place and the words that help whoever wrote it.

The parser stops at its first complaint, and some of those name the place where it noticed and not the mistake. A line
with a mistake of its own is put aside and the rest looked at again, so that several are told in one go.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from datetime import date
from typing import TypeAlias

from sidetap.site.places import last_key

Place: TypeAlias = tuple[int, int]

MOST_TOLD = 20
MOST_LOOKED_AT = 2_000_000  # characters in all: a large text is looked at once or twice
_PLACE = re.compile(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", re.DOTALL)
_TWICE = ("overwrite", "twice", "namespace", "immutable", "outside", "mutate", "duplicate")
_DATE = re.compile(r"\b\d{4}-\d\d-\d\d\b")
_FOREIGN_DATE = re.compile(r"(?<![\w\".])\d{1,2}[./]\d{1,2}[./]\d{4}\b")
_KEY_LINE = re.compile(r"""\s*[\w"'.-]+\s*=""")


def mistakes(text: str) -> Iterator[tuple[Place, str]]:
    """Return place and words of every mistake that could be told apart in a text that is no TOML."""
    told: set[int] = set()
    for _ in range(max(1, min(MOST_TOLD, MOST_LOOKED_AT // (len(text) + 1)))):
        try:
            tomllib.loads(text)
            return
        except tomllib.TOMLDecodeError as error:
            place, words = _explained(text, str(error))
        except ValueError as error:  # a date that is none
            place, words = _where_no_date(text) or ((1, 1), str(error))
        yield place, words
        lines = text.split("\n")
        if place[0] > len(lines) or not _KEY_LINE.match(lines[place[0] - 1]) or place[0] in told:
            return  # what follows may belong to it
        told.add(place[0])
        lines[place[0] - 1] = ""
        text = "\n".join(lines)


def _explained(text: str, message: str) -> tuple[Place, str]:
    match = _PLACE.fullmatch(message)
    if match is None:
        return (1, 1), message
    what, line, column = match.groups()
    at_end = line is None
    place = _line_and_column(text, len(text.rstrip())) if at_end else (int(line), int(column))
    if any(word in what for word in _TWICE):
        # the parser notices behind the statement; a person looks for the key
        start = last_key(text if at_end else text[: _offset(text, *place)])
        if start is not None:
            return _line_and_column(text, start), _twice(text, start, what)
    here = text.split("\n")[place[0] - 1]
    foreign = _FOREIGN_DATE.search(here)
    if foreign is not None:
        return (place[0], foreign.start() + 1), f"{foreign[0]} is no date; write year-month-day, 2026-01-31"
    no_date = next((m for m in _DATE.finditer(here) if not _is_date(m[0])), None)
    if no_date is not None:
        return (place[0], no_date.start() + 1), f"{no_date[0]} is no date"
    if what.startswith("Illegal character '\\n'") and not at_end:
        quote = max(here.rfind('"'), here.rfind("'"))
        if quote >= 0:
            return (place[0], quote + 1), "a text that isn't closed in its line"
    if what.startswith("Unescaped '\\'"):
        at = here.rfind("\\", 0, place[1]) + 1
        return (place[0], max(1, at)), "a backslash in a text; write it twice, or the text in single quotes"
    if (
        what == "Invalid value"
        and not at_end
        and re.match(r"[^\W\d]|[\u2018-\u201f\u00ab\u00bb]", here[place[1] - 1 :])
    ):
        return place, 'a text without its quotes; write it between two "'
    if what.startswith("Expected newline") and not at_end:
        return place, _left_over(here, place[1])
    return place, f"{what}, at the end of the file" if at_end else what


def _twice(text: str, start: int, what: str) -> str:
    """Return words for a key or a table that can't stand there a second time."""
    end = text.find("\n", start)
    statement = text[start : end if end >= 0 else len(text)].strip()
    name = (
        statement.partition("=")[0].strip() if not statement.startswith("[") else statement.partition("#")[0].strip()
    )
    if "overwrite" in what:
        return f"{name} has a value already"
    if "immutable" in what:
        return f"{name} belongs to a table that is written in braces, and complete there"
    if name.startswith("[") and not name.startswith("[["):
        return f"the table {name} is there already; one more of a list is [{name}]"
    return f"{name} can't stand here a second time"


def _left_over(line: str, column: int) -> str:
    """Return words for what stands behind a value."""
    before, rest = line[: column - 1], line[column - 1 :].strip()
    if before.endswith("0") and rest[:1].isdigit():
        return "a number that begins with 0"
    if re.match(r",\d", rest) and before[-1:].isdigit():
        return "a comma in a number; write a point"
    if rest.startswith("."):
        return "a point without a digit behind it"
    return f"{rest[:20]!r} behind the value; one key and its value to a line"


def _where_no_date(text: str) -> tuple[Place, str] | None:
    for match in _DATE.finditer(text):
        if not _is_date(match[0]):
            return _line_and_column(text, match.start()), f"{match[0]} is no date"
    return None


def _is_date(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _offset(text: str, line: int, column: int) -> int:
    lines = text.split("\n")
    return sum(len(one) + 1 for one in lines[: line - 1]) + column - 1


def _line_and_column(text: str, offset: int) -> Place:
    return text.count("\n", 0, offset) + 1, offset - text.rfind("\n", 0, offset)
