"""The readings that go with a recording: the yard's true levels in, a file as a person with a pencil makes it out.

Three display readings per vessel, as far apart as its day allows, and two dips. A display is typed as it shows, to a
millimetre; its last digit flickers, so 2 mm are given as tolerance. A dip by tape is off by up to 3 mm and is given 5
mm. Times are typed as the watch shows them, up to 3 s off. All these sizes are invented.
"""

from collections.abc import Sequence

from sidetap.yard.agenda import dice
from sidetap.yard.uart import NS

History = Sequence[tuple[int, dict[str, float]]]

HEADER = "time_s,name,value,unit,tolerance,kind"
_APART_MM = 312.0  # display readings: one foot and a little
_CALM_S = 10
_CALM_MM = 1.0
_WATCH_S = 3
_DIP_MM = 3.0


def readings_for(history: History, start_epoch_ns: int, seed: int) -> str:
    """Return the readings file for a yard's history; times count on the recording's clock from start_epoch_ns.

    Where a vessel moved too little for three readings a foot apart, they are as far apart as can be.
    """
    random = dice(seed, "readings")
    rows: list[tuple[int, str]] = []

    def write(index: int, tag: str, level_mm: float, tolerance: str, kind: str) -> None:
        typed_s = (start_epoch_ns + history[index][0]) // NS + random.randint(-_WATCH_S, _WATCH_S)
        rows.append((typed_s, f"{typed_s},{tag},{level_mm / 1000:.3f},m,{tolerance},{kind}"))

    for tag in history[0][1]:
        levels = [row[1][tag] for row in history]
        for index in _spread(levels):
            write(index, tag, levels[index], "0.002", "display")
        calm = _calm(levels)
        low, high = min(levels), max(levels)
        for share in (0.25, 0.75):
            index = min(calm, key=lambda n: abs(levels[n] - low - share * (high - low)))
            write(index, tag, levels[index] + random.uniform(-_DIP_MM, _DIP_MM), "0.005", "dip")
    return "\n".join([HEADER, *(row for _, row in sorted(rows)), ""])


def _calm(levels: list[float]) -> list[int]:
    """Return where a level stands still for some seconds before and after; anywhere, if it never does."""
    inner = range(_CALM_S, len(levels) - _CALM_S)
    still = [n for n in inner if abs(levels[n + _CALM_S] - levels[n - _CALM_S]) < _CALM_MM]
    return still or list(range(len(levels)))


def _spread(levels: list[float]) -> list[int]:
    """Return three moments whose levels lie far apart, calm ones if they do."""
    chosen: list[int] = []
    for moments in (_calm(levels), list(range(len(levels)))):
        low, high = min(moments, key=levels.__getitem__), max(moments, key=levels.__getitem__)
        middle = min(moments, key=lambda n: abs(2 * levels[n] - levels[low] - levels[high]))
        chosen = [low, middle, high]
        if min(levels[middle] - levels[low], levels[high] - levels[middle]) >= _APART_MM:
            break
    return chosen
