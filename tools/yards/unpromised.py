"""Faults in what no promise of the contract speaks of: alarms, the pump's permit, what is shown.

They are counted apart: whether one is caught tells how far the promises reach beyond the contract's list.
"""

from dataclasses import replace

from sidetap.quantity import NS_PER_S
from sidetap.scheme import TRUE
from yards.cuts import timed, untold
from yards.fault import Fault, in_program, in_site
from yards.site_faults import bay

UNPROMISED: tuple[Fault, ...] = (
    in_program(
        "the pump is permitted without a valve",
        "it pumps against closed valves",
        None,
        lambda p: p.with_output("B1.pump", TRUE),
    ),
    in_program("the pump is never permitted", "no load can be pumped", None, untold("B1.pump")),
    in_site(
        "a hose may be left on for an hour",
        "the next truck is filled on a hose that was left",
        None,
        bay("B1", hose_left_after_ns=3600 * NS_PER_S),
    ),
    in_program("the horn is silent over a hose left on", "nobody hears it", None, untold("alarm.B1-hose-left")),
    in_program(
        "a ticket that is refused is not told",
        "nobody learns why it does not open",
        None,
        untold("B1.ticket_refused"),
    ),
    in_program(
        "a stuck key is told late", "nobody learns that a key is stuck", None, timed("B1.stuck_post", 4000, 8000)
    ),
    in_program("a draw without a command is not told", "T2 runs out through a leak", None, untold("alarm.T2-drawn")),
    in_program("a lost panel is not told", "nobody learns why the bay is closed", None, untold("alarm.B1-panel")),
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
