"""What was found, in words for people: the same in the text output and in the report.

Survey, answers and readings in; sentences, numbers with the digits they deserve, verdicts and instructions out. It
prints nothing, escapes what came from outside, and decides nothing that the survey has not decided.
"""

from sidetap.survey.words.answers import AnswerWords, Mark, answer_facts, answer_words
from sidetap.survey.words.related import relation_words
from sidetap.survey.words.times import clock, elapsed
from sidetap.survey.words.values import ValueWords, device_words, survey_words
from sidetap.survey.words.verdict import Sure, Verdict
from sidetap.survey.words.ways import Way

__all__ = [
    "AnswerWords",
    "Mark",
    "Sure",
    "ValueWords",
    "Verdict",
    "Way",
    "answer_facts",
    "answer_words",
    "clock",
    "device_words",
    "elapsed",
    "relation_words",
    "survey_words",
]
