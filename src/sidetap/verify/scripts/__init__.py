"""What people, plant and station may do: courses of events along a site's rules, to be run in its model.

A site -> courses. Every rule has one that leads along its edge: levels at a limit and a tenth of a millimetre under
it, keys pressed too early, again and at two bays at once, switches that stick, crashes at the worst moment, times
looked at in the millisecond in which they end. Which promise they break, if any, is found by running them; what no
course reaches is left to the solver.
"""

from collections.abc import Iterator
from itertools import chain

from sidetap.site.model import Bay, Site
from sidetap.verify.course import Course
from sidetap.verify.scripts.account import using_up
from sidetap.verify.scripts.rules import rules_of_the_site
from sidetap.verify.scripts.script import Script, choices, loading, ready_ms
from sidetap.verify.scripts.several import beside, sharing_bays, two_bays, two_valves
from sidetap.verify.scripts.single import one_valve

__all__ = ["Script", "beside", "choices", "loading", "of_a_bay", "ready_ms", "sharing_bays", "two_bays"]


def of_a_bay(site: Site, bay: Bay, choice: int) -> Iterator[Course]:
    """Yield all courses of one bay in which a valve of it is the first to open."""
    return chain.from_iterable(
        courses(site, bay, choice) for courses in (one_valve, two_valves, using_up, rules_of_the_site)
    )
