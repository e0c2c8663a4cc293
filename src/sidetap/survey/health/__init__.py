"""Line health: how well frames come over, at which pace, and what is wrong with the line itself."""

from sidetap.survey.health.calendar import Spans
from sidetap.survey.health.damage import Harm
from sidetap.survey.health.exchanges import DeviceHealth, Exchanges, Rhythm
from sidetap.survey.health.health import Health
from sidetap.survey.health.result import LineHealth
from sidetap.survey.health.signal import Signal
from sidetap.survey.health.spread import Spread
from sidetap.survey.health.stillness import Run, Stillness

__all__ = [
    "DeviceHealth",
    "Exchanges",
    "Harm",
    "Health",
    "LineHealth",
    "Rhythm",
    "Run",
    "Signal",
    "Spans",
    "Spread",
    "Stillness",
]
