"""Faults in what no promise speaks of: alarms of levels, a refusal that isn't told.

They are counted apart, since nobody has promised to find them.
"""

from dataclasses import replace

from yards.cuts import untold
from yards.fault import Fault, in_program, in_site

UNPROMISED: tuple[Fault, ...] = (
    in_program(
        "a ticket that is refused is not told",
        "nobody learns why it does not open",
        None,
        untold("B1.ticket_refused"),
    ),
    in_program("a high level is not told", "T2 runs over", None, untold("alarm.T2-high")),
    in_site(
        "a high alarm ten times too late",
        "T2 runs over",
        None,
        lambda s: replace(
            s, alarms=tuple(replace(a, delay_ns=10 * a.delay_ns) if a.tag == "T2-high" else a for a in s.alarms)
        ),
    ),
)
