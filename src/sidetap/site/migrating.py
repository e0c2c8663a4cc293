"""The text of a site file in an older format -> the same in today's, step by step, each change in words.

What nobody can know from the file is proposed in commented lines and left for the engineer. Comments, order and all
other lines stay as they are. Nothing is read or written here.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from sidetap.errors import printable
from sidetap.site.edits import SiteText
from sidetap.site.keys import FORMAT
from sidetap.site.places import Path

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
    """Take out the permissives that are built in now; propose what a bay has to name since."""
    for number, bay in enumerate(_bays(text.values)):
        path: Path = ("bay", number)
        tag = bay.get("tag")
        where = f"bay.{printable(tag)}" if isinstance(tag, str) else f"bay {number + 1}"
        _start_permissives(text, path, where, changes, left)
        _run_permissives(text, path, where, changes)
        _propose(text, path, where, changes, left)
    if text.values.get("format") != 1:
        text.put(("format",), 1)
        changes.append("format: 1 entered")


def _start_permissives(text: SiteText, bay: Path, where: str, changes: list[str], left: list[str]) -> None:
    key = (*bay, "start_permissives")
    if not text.has(key):
        return
    words = text.at(key)
    if not _is_list_of_texts(words):
        raise ValueError(f"{where}.start_permissives is no list of texts")
    text.remove(key)
    changes.append(f"{where}.start_permissives: taken out; {', '.join(_BUILT_IN_TO_START)} hold for every bay now")
    others = [word for word in words if word not in _BUILT_IN_TO_START]
    if others:
        text.comment(bay, [printable(f"# start_permissives = {json.dumps(others, ensure_ascii=False)}  # ?")])
        left.append(
            f"{where}.start_permissives: {', '.join(others)} can't be asked for at the start alone; kept as a "
            "comment. Where it must be energised all the time, write it among run_permissives."
        )


def _run_permissives(text: SiteText, bay: Path, where: str, changes: list[str]) -> None:
    key = (*bay, "run_permissives")
    words = text.at(key) if text.has(key) else None
    if not isinstance(words, list):
        return
    for number in range(len(words) - 1, -1, -1):
        if words[number] in _BUILT_IN_TO_RUN:
            text.remove((*key, number))
    gone = [word for word in words if word in _BUILT_IN_TO_RUN]
    if gone:
        changes.append(f"{where}.run_permissives: {', '.join(gone)} taken out; this holds for every bay now")


def _propose(text: SiteText, bay: Path, where: str, changes: list[str], left: list[str]) -> None:
    """Write down, as comments, the inputs that the bay's selector and stop circuit may have."""
    row, lines = text.at(bay), []
    inputs = [table.get("tag") for table in _tables(text.values, "input")]
    permissives = row.get("run_permissives", [])
    permissives = permissives if _is_list_of_texts(permissives) else []
    autos = [tag for tag in permissives if "AUTO" in tag]
    auto = autos[0] if len(autos) == 1 else "?"
    if "selector" not in row:
        hand = auto.replace("AUTO", "HAND") if auto.replace("AUTO", "HAND") in inputs else "?"
        line = f"# selector = {{ auto = {_text(auto)}, hand = {_text(hand)} }}  # ? which inputs show AUTO and HAND"
        lines.append(("selector", line))
    if "stop_input" not in row:
        hose = row.get("hose", {})
        others = [tag for tag in permissives if tag not in autos and tag != _inner(hose, "input")]
        stop = others[0] if len(others) == 1 else "?"
        among = f"; of the permissives, {', '.join(others)} may be it" if len(others) > 1 else ""
        line = f"# stop_input = {_text(stop)}  # ? the input that sees the stop circuit whole{among}"
        lines.append(("stop_input", line))
    text.comment(bay, [printable(line) for _, line in lines])
    for key, _ in lines:
        changes.append(f"{where}.{key}: proposed in a comment")
        left.append(f"{where}.{key}: say which, and take the # away; look at the wiring, not at the names of tags.")


_STEPS: dict[int, Callable[[SiteText, list[str], list[str]], None]] = {0: _from_0}  # from that format to the next


def _is_of_format_0(bay: Mapping[str, Any]) -> bool:
    run = bay.get("run_permissives")
    return "start_permissives" in bay or (isinstance(run, list) and any(word in run for word in _BUILT_IN_TO_RUN))


def _bays(values: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return _tables(values, "bay")


def _tables(values: Mapping[str, Any], kind: str) -> list[Mapping[str, Any]]:
    found = values.get(kind)
    return found if isinstance(found, list) and all(isinstance(item, dict) for item in found) else []


def _inner(table: Any, key: str) -> Any:
    return table.get(key) if isinstance(table, dict) else None


def _is_list_of_texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
