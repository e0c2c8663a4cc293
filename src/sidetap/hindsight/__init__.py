"""The scheme over old recordings: which loads would have gone differently.

Transactions of a recording, a site and its scheme come in; each load with what would have become of it goes out.
No I/O and no clock. It says what this scheme would have done with the record as it is, not what people would have
done next.
"""

from sidetap.hindsight.answer import Hindsight, look_back
from sidetap.hindsight.hands import Outcome
from sidetap.hindsight.levels import Levels, Series
from sidetap.hindsight.loads import Change, Draw, Ticket

__all__ = ["Change", "Draw", "Hindsight", "Levels", "Outcome", "Series", "Ticket", "look_back"]
