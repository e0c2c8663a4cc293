"""A site file's text and points that dips have released -> the text with `released` entered, all else as it was.

Text in, text out; comments, order, blanks and line ends stay to the last character. The file must be one that
``load`` accepts. Nothing is written here.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from sidetap.site.places import Path, Places

_SCALARS = ("tag", "line", "device", "table", "register", "encoding", "unit", "poll", "warn_age", "close_age")


@dataclass(frozen=True, slots=True)
class Released:
    """How many dips released a point, who says so, and the day of the last of them."""

    dips: int
    by: str
    on: date


def with_released(text: str, tags: Mapping[int, Released]) -> str:
    """Return the text with these entries. tags: by the number of the [[point]], from 0, in the order of the file."""
    bom = text[: len(text) - len(text.removeprefix("\ufeff"))]
    body = text[len(bom) :]
    places = Places(body)
    edits: list[tuple[int, int, str]] = []
    for number, entry in tags.items():
        edits += _edits(body, places, number, entry)
    for start, end, new in sorted(edits, reverse=True):
        body = body[:start] + new + body[end:]
    return bom + body


def _edits(text: str, places: Places, number: int, entry: Released) -> list[tuple[int, int, str]]:
    """Return what to put where: start, end and the new text."""
    point: Path = ("point", number)
    values = {"dips": str(entry.dips), "by": json.dumps(entry.by, ensure_ascii=False), "on": entry.on.isoformat()}
    try:
        spans = {key: places.span_of_value((*point, "released", key)) for key in values}
    except KeyError:
        pass
    else:
        return [(*spans[key], value) for key, value in values.items()]
    line = "released = { " + ", ".join(f"{key} = {value}" for key, value in values.items()) + " }"
    end = max(places.span_of_value((*point, key))[1] for key in _SCALARS)
    if text[places.start_of(point)] == "{":  # the point is a table within one line
        return [(end, end, f", {line}")]
    newline = "\r\n" if "\r\n" in text else "\n"
    behind = text.find("\n", end)
    if behind < 0:
        return [(len(text), len(text), f"{newline}{line}")]
    return [(behind + 1, behind + 1, f"{line}{newline}")]
