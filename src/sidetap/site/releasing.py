"""A site file's text and points that dips have released -> the text with `released` entered, all else as it was.

Text in, text out; comments, order, blanks and line ends stay to the last character. The file must be one that
``load`` accepts. Nothing is written here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from sidetap.site.edits import SiteText


@dataclass(frozen=True, slots=True)
class Released:
    """How many dips released a point, who says so, and the day of the last of them."""

    dips: int
    by: str
    on: date


def with_released(text: str, tags: Mapping[int, Released]) -> str:
    """Return the text with these entries. tags: by the number of the [[point]], from 0, in the order of the file."""
    edited = SiteText(text)
    points = edited.values["point"]
    for number, entry in tags.items():
        released = ("point", number, "released")
        values: dict[str, int | str | date] = {"dips": entry.dips, "by": entry.by, "on": entry.on}
        if "released" not in points[number]:
            edited.put(released, values)
            continue
        for key, value in values.items():  # an old entry keeps its form
            edited.put((*released, key), value)
    return edited.text
