"""Which register stands behind the readings people took: a survey and readings in, one `Answer` per name out."""

from sidetap.survey.matching.answer import Answer, MatchStatus, Rival
from sidetap.survey.matching.match import match, match_devices, outside_of
from sidetap.survey.matching.readings import READING_UNITS, PersonReading, ReadingKind, read

__all__ = [
    "READING_UNITS",
    "Answer",
    "MatchStatus",
    "PersonReading",
    "ReadingKind",
    "Rival",
    "match",
    "match_devices",
    "outside_of",
    "read",
]
