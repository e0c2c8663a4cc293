"""Recording a line: opened taps in, growing files and a running account of what is heard out.

``Session`` listens and keeps, ``Files`` are what it keeps, ``Tally`` is the account; ``try_settings`` and ``judge``
find out how a line is set. Nothing here opens a port or looks at a clock by itself: both come from ``station.ports``.
"""

from sidetap.station.recorder.files import Files, Rotation
from sidetap.station.recorder.finding import Evidence, Found, Plan, judge
from sidetap.station.recorder.growing_file import Kept
from sidetap.station.recorder.session import PairState, Session, State, View, clocks
from sidetap.station.recorder.tally import Heard, Tally
from sidetap.station.recorder.trying import try_settings

__all__ = [
    "Evidence",
    "Files",
    "Found",
    "Heard",
    "Kept",
    "PairState",
    "Plan",
    "Rotation",
    "Session",
    "State",
    "Tally",
    "View",
    "clocks",
    "judge",
    "try_settings",
]
