"""What the rows of a site say about each other, and whether it can be so: cross-references and physical sense.

Rows come in, problems go out (through their tables, which know the places). A check looks only at what could be read
(``Row.fine``), so that one mistake isn't told twice and hides no other: a row that could not be read wholly takes
part with the rest, and its tag counts as known.
"""

from sidetap.site.checks.bays import check_bays
from sidetap.site.checks.names import check_names
from sidetap.site.checks.people import check_people
from sidetap.site.checks.points import check_points
from sidetap.site.checks.promises import check_promises
from sidetap.site.checks.rows import Rows
from sidetap.site.checks.rules import check_rules
from sidetap.site.checks.vessels import check_vessels
from sidetap.site.checks.wiring import check_wiring

__all__ = ["Rows", "check"]


def check(rows: Rows) -> None:
    """Note every problem that no row can have alone."""
    check_names(rows)
    check_wiring(rows)
    check_points(rows)
    check_vessels(rows)
    check_bays(rows)
    check_rules(rows)
    check_promises(rows)
    check_people(rows)
