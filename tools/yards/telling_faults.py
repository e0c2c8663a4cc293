"""Faults in what people are told: reasons for a closed valve, alarms, what became of a ticket; nothing else is wrong.

Common practice and the words of the table that people sign, no other source.
"""

from collections.abc import Callable
from dataclasses import replace

from sidetap.scheme import TRUE, Expr, Program
from sidetap.site.model import Alarm, Site
from yards.cuts import Cut, untold
from yards.fault import Fault, in_program, in_site
from yards.surgery import before, raw

REASONS, ALARMS = "reasons-right", "alarms-tell"


def told_as(output: str, other: Callable[[Program], Expr]) -> Cut:
    """Return the cut that an output says something else, and nobody else looks at it."""
    return lambda p: p.with_output(output, other(p))


def always(output: str) -> Cut:
    """Return the cut that an output is told in every scan."""
    return told_as(output, lambda _: TRUE)


def alarms(tag: str, change: Callable[[Alarm], Alarm]) -> Callable[[Site], Site]:
    """Return the change of one alarm of the site file."""
    return lambda s: replace(s, alarms=tuple(change(a) if a.tag == tag else a for a in s.alarms))


def high_told(program: Program) -> Expr:
    """Return whether it is told that T2 is above its high level."""
    return program.outputs["alarm.T2-high"]


TELLING_FAULTS: tuple[Fault, ...] = (
    # reasons
    in_program(
        "both contacts of the selector are not told",
        "nobody has its wires looked at",
        REASONS,
        untold("B1-2.block.selector"),
    ),
    in_program(
        "a valve's open switch is forgotten among the reasons",
        "a valve that shows both is told as closed",
        REASONS,
        told_as("B1-1.block.own-valve", lambda p: ~raw(p, "ZSC-B1-1")),
    ),
    in_program(
        "another valve that isn't shown closed is told against itself too",
        "people look at the wrong valve",
        REASONS,
        told_as("B1-1.block.other-valve", lambda p: ~raw(p, "ZSC-B1-1") | p.outputs["B1-1.block.other-valve"]),
    ),
    in_program(
        "that no ticket is open is told a scan late",
        "a new ticket is told as none",
        REASONS,
        told_as("B1-1.block.ticket", lambda p: ~before(p, "B1.ticket")),
    ),
    in_program(
        "a ticket's end is not told",
        "nobody learns that the ticket has ended",
        REASONS,
        told_as("B1-3.block.ticket", lambda p: p.outputs["B1-3.block.ticket"] & ~raw(p, "B1.ticket_end")),
    ),
    in_program(
        "the limit is told against all valves of the bay",
        "a valve that was closed is told to be past its time",
        REASONS,
        told_as("B1-2.block.limit", lambda p: p.outputs["B1-1.block.limit"] | p.outputs["B1-2.block.limit"]),
    ),
    in_program(
        "an interrupted load is told after it was resumed",
        "a lead is asked for once more",
        REASONS,
        told_as(
            "B1-1.block.interrupted",
            lambda p: p.outputs["B1-1.block.interrupted"] | before(p, "B1.interrupted"),
        ),
    ),
    in_program(
        "a refused product is not told while a valve is open",
        "nobody learns what may not follow",
        REASONS,
        told_as("B1-1.block.product", lambda p: p.outputs["B1-1.block.product"] & ~p.outputs["B1.pump"]),
    ),
    in_program(
        "used-up restarts are told from the first opening on",
        "nobody tries the one that is left",
        REASONS,
        told_as("B1-1.block.restarts", lambda p: before(p, "B1.openings") >= 1),
    ),
    in_program(
        "the wait is told before the first opening too",
        "people wait for nothing",
        REASONS,
        always("B1-1.block.wait"),
    ),
    in_program(
        "that no time is left for a restart is told two seconds early",
        "people end a ticket that has time left",
        REASONS,
        told_as(
            "B1-1.block.no-time",
            lambda p: p.outputs["B1-1.block.no-time"] | (before(p, "B1.account") >= 23_000),
        ),
    ),
    # alarms of levels
    in_program("a high level is not told", "T2 runs over", ALARMS, untold("alarm.T2-high")),
    in_site(
        "a high alarm ten times too late",
        "T2 runs over",
        ALARMS,
        alarms("T2-high", lambda a: replace(a, delay_ns=10 * a.delay_ns)),
    ),
    in_site(
        "a low alarm at the trip",
        "nobody has time to act",
        ALARMS,
        lambda s: replace(
            s,
            vessels=tuple(replace(v, low_01mm=v.trip.below_01mm) if v.tag == "T2" else v for v in s.vessels),
        ),
    ),
    in_site(
        "a dead band of a tenth of a millimetre",
        "the alarm chatters with every wave",
        ALARMS,
        alarms("T2-high", lambda a: replace(a, dead_band_01mm=1)),
    ),
    in_program(
        "a high alarm goes while the level is bad",
        "a standing alarm is hidden",
        ALARMS,
        told_as("alarm.T2-high", lambda p: high_told(p) & ~raw(p, "T2.bad")),
    ),
    in_program("a bad level is not told", "nobody has it looked at", ALARMS, untold("alarm.T2-bad")),
    in_program("a late level is not told", "nobody looks at the line in time", ALARMS, untold("alarm.T2-late")),
    in_program(
        "an old level is told from the first second",
        "an alarm that nobody believes any more",
        ALARMS,
        told_as("alarm.T2-old", lambda p: (raw(p, "T2.age") >= 1_000) & ~raw(p, "R-2.quiet")),
    ),
    in_program("a trip is told for ever", "nobody believes it any more", ALARMS, always("alarm.T2-trip")),
    # alarms of bays and valves
    in_program("HAND is told for ever", "nobody believes it any more", ALARMS, always("alarm.B1-hand")),
    in_program(
        "a lock-out is told for ever", "nobody believes it any more", "mismatch-alarms", always("alarm.B1-1-mismatch")
    ),
    in_program(
        "a bypass is told for ever", "nobody believes it any more", "bypass-bounded", always("alarm.T1-bypassed")
    ),
    # tickets
    in_program(
        "a ticket that is refused is not told",
        "nobody learns why it does not open",
        ALARMS,
        untold("B1.ticket_refused"),
    ),
    in_program(
        "a ticket asked for is told as refused",
        "people open it twice",
        ALARMS,
        told_as("B1.ticket_refused", lambda p: raw(p, "B1.ticket_open")),
    ),
    in_program("a ticket that stands is not shown", "nobody ends it", ALARMS, untold("B1.ticket")),
)
