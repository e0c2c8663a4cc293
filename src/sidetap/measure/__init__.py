"""Registers -> readings -> levels and volumes, each with its quality, its age and its uncertainty.

Transactions of the tapped line come in with the times of their bytes; a ``LevelReading`` of a vessel goes out for any
moment. No I/O and no clock: the moment is an argument. Unknown is a quality here, never 0 and never the last number.
"""

from sidetap.measure.by_level import Drawn, drawn
from sidetap.measure.document import level_entry, levels_document
from sidetap.measure.judging import Sample, judge
from sidetap.measure.level_reading import Content, LevelReading, Rate, WatchState
from sidetap.measure.meter import Meter

__all__ = [
    "Content",
    "Drawn",
    "LevelReading",
    "Meter",
    "Rate",
    "Sample",
    "WatchState",
    "drawn",
    "judge",
    "level_entry",
    "levels_document",
]
