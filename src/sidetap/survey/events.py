"""What people noted of the yard (pump starts, a door opened): a CSV `time_s,name` in, moments out."""

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path

from sidetap.errors import BadInput
from sidetap.quantity import NS_PER_S

_MOST_BYTES = 10_000_000


@dataclass(frozen=True, slots=True)
class YardEvent:
    """Something that happened at t_ns on the recording's clock."""

    t_ns: int
    name: str


def read_events(path: Path) -> list[YardEvent]:
    """Return the events of a file in order of time; BadInput names file and line."""
    if not path.is_file():
        problem = "not a file" if path.exists() else "no such file"
        raise BadInput(str(path), problem, "Give a CSV file with the header time_s,name.")
    with path.open("rb") as file:
        data = file.read(_MOST_BYTES + 1)
    if len(data) > _MOST_BYTES:
        raise BadInput(str(path), f"more than {_MOST_BYTES} bytes", "Give a shorter list of events.")
    try:
        reader = csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""), strict=True)
        rows = [(reader.line_num, [c.strip() for c in cells]) for cells in reader if any(c.strip() for c in cells)]
    except (UnicodeDecodeError, csv.Error):
        raise BadInput(str(path), "not CSV in UTF-8", "Save it as CSV in UTF-8.") from None
    if not rows or rows[0][1] != ["time_s", "name"]:
        raise BadInput(f"{path}:1", "the header is not time_s,name", "Start with that header.")
    return sorted((_event(f"{path}:{line}", cells) for line, cells in rows[1:]), key=lambda e: e.t_ns)


def _event(place: str, cells: list[str]) -> YardEvent:
    try:
        seconds = float(cells[0])
    except ValueError:
        seconds = math.nan
    if len(cells) != 2 or not abs(seconds) < 1e11:
        raise BadInput(place, "no event", "Write a time in seconds, a comma and a name.")
    return YardEvent(round(seconds * NS_PER_S), cells[1])
