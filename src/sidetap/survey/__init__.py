"""What is on a line, with evidence: who asks whom, which values travel, what is wrong, and which register is a level.

Tables of events of `sidetap.line` and people's readings in; a `Survey`, `Answer`s and their documents out. It only
ever looks at what was recorded; what listening can't show is called open, with the cheapest observation that would
settle it.
"""

from sidetap.survey.events import YardEvent, read_events
from sidetap.survey.findings import Finding, Severity
from sidetap.survey.matching import (
    READING_UNITS,
    Answer,
    MatchStatus,
    PersonReading,
    ReadingKind,
    Rival,
    match,
    outside_of,
    read,
)
from sidetap.survey.polls import Poll
from sidetap.survey.relations import Relation, RelationKind, Tied
from sidetap.survey.survey import LineTotals, PollSummary, Survey, survey, survey_recording
from sidetap.survey.values import Alternative, Kind, Status, Value

__all__ = [
    "READING_UNITS",
    "Alternative",
    "Answer",
    "Finding",
    "Kind",
    "LineTotals",
    "MatchStatus",
    "PersonReading",
    "Poll",
    "PollSummary",
    "ReadingKind",
    "Relation",
    "RelationKind",
    "Rival",
    "Severity",
    "Status",
    "Survey",
    "Tied",
    "Value",
    "YardEvent",
    "match",
    "outside_of",
    "read",
    "read_events",
    "survey",
    "survey_recording",
]
