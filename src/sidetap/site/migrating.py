"""The text of a site file in an older format -> the same in today's, step by step, each change in words.

What nobody can know from the file is proposed in commented lines and left for the engineer. Comments, order and all
other lines stay as they are. Nothing is read or written here.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Set
from dataclasses import dataclass
from typing import Any, TypeGuard

from sidetap.errors import printable
from sidetap.site.edits import SiteText
from sidetap.site.keys import FORMAT
from sidetap.site.places import Path
from sidetap.site.table import MOST_TABLES

_OF_A_SITE = ("site", "line", "point", "vessel", "bay", "valve")  # a file without any of these is no site file
_BUILT_IN_TO_START = ("ticket-open", "level-good", "valves-closed")
_BUILT_IN_TO_RUN = ("level-not-old", "other-valves-closed")


@dataclass(frozen=True, slots=True)
class Migrated:
    """The text in today's format, what was changed, and what is left for the engineer; lines in words."""

    text: str
    changes: tuple[str, ...]
    left: tuple[str, ...]


def format_of(values: Mapping[str, Any]) -> int | None:
    """Return the format that a file's values are written in; None for what is no site file, or has no number there.

    Format 0 is that of the first proposal: no number, 0, or 1 beside permissives that are no inputs.
    """
    number = values.get("format", 0 if any(name in values for name in _OF_A_SITE) else None)
    if number is None or isinstance(number, bool) or not isinstance(number, int):
        return None
    return 0 if number == 1 and any(_is_of_format_0(bay) for bay in _bays(values)) else number


def migrate(text: str) -> Migrated:
    """Return a site file's text in today's format; the same text, without a change, where it is in it already.

    ValueError for what is no site file, newer than today's format, or written as no such file was.
    """
    edited = SiteText(text)
    changes: list[str] = []
    left: list[str] = []
    while (number := format_of(edited.values)) != FORMAT:
        if number not in _STEPS:
            raise ValueError("no site file" if number is None else f"format {number}")
        _STEPS[number](edited, changes, left)
    return Migrated(edited.text, tuple(changes), tuple(left))


def _from_0(text: SiteText, changes: list[str], left: list[str]) -> None:
    """Take out the permissives that are built in now; propose what a bay has to name since.

    One sweep over all bays after the other, since edits that touch each other cost a reading of the file.
    """
    bays = _bays(text.values)
    if len(bays) > MOST_TABLES:
        raise ValueError(f"over {MOST_TABLES} tables of one kind")
    found = [_Bay(("bay", number), _where(bay, number), bay, [], [], []) for number, bay in enumerate(bays)]
    for bay in found:
        _start_permissives(text, bay)
    for word in _BUILT_IN_TO_RUN:
        for bay, row in zip(found, _bays(text.values), strict=True):
            _run_permissive(text, bay, row.get("run_permissives"), word)
    inputs = {table.get("tag") for table in _tables(text.values, "input") if isinstance(table.get("tag"), str)}
    for bay in found:
        _propose(bay, inputs)
        text.comment(bay.path, [printable(line) for line in bay.lines])
        changes += bay.changes
        left += bay.left
    if text.values.get("format") != 1:
        text.put(("format",), 1)
        changes.append("format: 1 entered")


@dataclass(frozen=True, slots=True)
class _Bay:
    """A bay of the old file, and what becomes of it: comments to add, changes, what is left."""

    path: Path
    where: str
    row: Mapping[str, Any]
    lines: list[str]
    changes: list[str]
    left: list[str]


def _where(bay: Mapping[str, Any], number: int) -> str:
    tag = bay.get("tag")
    return f"bay.{printable(tag)}" if isinstance(tag, str) else f"bay {number + 1}"


def _start_permissives(text: SiteText, bay: _Bay) -> None:
    if "start_permissives" not in bay.row:
        return
    words, name = bay.row["start_permissives"], f"{bay.where}.start_permissives"
    if not _is_list_of_texts(words):
        raise ValueError(f"{name} is no list of texts")
    text.remove((*bay.path, "start_permissives"))
    bay.changes.append(f"{name}: taken out; {', '.join(_BUILT_IN_TO_START)} hold for every bay now")
    others = [word for word in words if word not in _BUILT_IN_TO_START]
    if others:
        bay.lines.append(f"# start_permissives = {json.dumps(others, ensure_ascii=False)}  # ?")
        bay.left.append(
            f"{name}: {', '.join(others)} can't be asked for at the start alone; kept as a comment. "
            "Where it must be energised all the time, write it among run_permissives."
        )


def _run_permissive(text: SiteText, bay: _Bay, words: Any, word: str) -> None:
    if not isinstance(words, list) or word not in words:
        return
    if words.count(word) > 1:
        raise ValueError(f"{bay.where}.run_permissives has {word} twice")
    text.remove((*bay.path, "run_permissives", words.index(word)))
    bay.changes.append(f"{bay.where}.run_permissives: {word} taken out; this holds for every bay now")


def _propose(bay: _Bay, inputs: Set[Any]) -> None:
    """Write down, as comments, the inputs that the bay's selector and stop circuit may have."""
    run = bay.row.get("run_permissives")
    permissives = [tag for tag in run if tag not in _BUILT_IN_TO_RUN] if _is_list_of_texts(run) else []
    autos = [tag for tag in permissives if "AUTO" in tag]
    if "selector" not in bay.row:
        auto = autos[0] if len(autos) == 1 else "?"
        hand = auto.replace("AUTO", "HAND") if auto.replace("AUTO", "HAND") in inputs else "?"
        line = f"# selector = {{ auto = {_text(auto)}, hand = {_text(hand)} }}  # ? which inputs show AUTO and HAND"
        _leave(bay, "selector", line)
    if "stop_input" not in bay.row:
        hose = bay.row.get("hose")
        hose_input = hose.get("input") if isinstance(hose, dict) else None
        others = [tag for tag in permissives if tag not in autos and tag != hose_input]
        stop = others[0] if len(others) == 1 else "?"
        among = f"; of the permissives, {', '.join(others)} may be it" if len(others) > 1 else ""
        _leave(
            bay, "stop_input", f"# stop_input = {_text(stop)}  # ? the input that sees the stop circuit whole{among}"
        )


def _leave(bay: _Bay, key: str, line: str) -> None:
    bay.lines.append(line)
    bay.changes.append(f"{bay.where}.{key}: proposed in a comment")
    bay.left.append(
        f"{bay.where}.{key}: say which, and take the # away; look at the wiring, not at the names of tags."
    )


_STEPS: dict[int, Callable[[SiteText, list[str], list[str]], None]] = {0: _from_0}  # from that format to the next


def _is_of_format_0(bay: Mapping[str, Any]) -> bool:
    run = bay.get("run_permissives")
    return "start_permissives" in bay or (isinstance(run, list) and any(word in run for word in _BUILT_IN_TO_RUN))


def _bays(values: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return _tables(values, "bay")


def _tables(values: Mapping[str, Any], kind: str) -> list[Mapping[str, Any]]:
    found = values.get(kind)
    return found if isinstance(found, list) and all(isinstance(item, dict) for item in found) else []


def _is_list_of_texts(value: Any) -> TypeGuard[list[str]]:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
