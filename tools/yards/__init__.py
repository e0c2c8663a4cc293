"""Made-up yards of any size, as descriptions of a site in memory, and faults planted in what is made of them.

Sizes, a kind and a seed come in; a site that compiles goes out, the same each time. Written from the words of the
rules, without a look at the promises or at what verifies them: of these the judges use the public names alone.
"""

from yards.made import KINDS, Kind, made_yard

__all__ = ["KINDS", "Kind", "made_yard"]
