"""Is a configured level right: people's readings beside what the line reported, and the likely cause named.

Readings and transactions in; offset, gain, their uncertainty, the cause and the point's release out. A cause is
named only where no other explains the dips as well; what is open is told with the observation that would settle it.
Nothing here writes a file or owns a clock.
"""

from sidetap.measure.doctor.causes import Candidate, Cause, Finding, Why
from sidetap.measure.doctor.diagnosis import Beside, Diagnosis, diagnose
from sidetap.measure.doctor.document import doctor_document
from sidetap.measure.doctor.fitting import Straight
from sidetap.measure.doctor.hearing import Comparison, Hearing, Standing
from sidetap.measure.doctor.naming import Noted, assign
from sidetap.measure.doctor.release import Release, measurable_m, needed_m
from sidetap.measure.doctor.words import Words, candidate_words, error_rows, show_volume, words_for

__all__ = [
    "Beside",
    "Candidate",
    "Cause",
    "Comparison",
    "Diagnosis",
    "Finding",
    "Hearing",
    "Noted",
    "Release",
    "Standing",
    "Straight",
    "Why",
    "Words",
    "assign",
    "candidate_words",
    "diagnose",
    "doctor_document",
    "error_rows",
    "measurable_m",
    "needed_m",
    "show_volume",
    "words_for",
]
