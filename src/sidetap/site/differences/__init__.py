"""Two site files -> what differs in meaning, in words: order, comments and ways of writing leave no mark.

``compare`` reads both files and what they name, and nothing else. Nothing here prints.
"""

from sidetap.site.differences.comparison import Comparison, compare
from sidetap.site.differences.shown import Difference

__all__ = ["Comparison", "Difference", "compare"]
