"""All faults of the program, those that change nothing among them."""

from sidetap.scheme import FALSE, TRUE, Op, choose
from yards.bay_faults import BAY_FAULTS
from yards.cuts import ahead, commanded, compared, counted, timed, untold
from yards.fault import Fault, in_program
from yards.surgery import before, now, raw, reading, recut
from yards.vessel_faults import VESSEL_FAULTS

OTHERS = (
    in_program(
        "the hold after the start is a millisecond short",
        "it opens in the first seconds",
        "start-up-closed",
        counted("B1-1.block.starting", 5000, 4999),
    ),
    in_program(
        "the first scan's time counts into the hold",
        "it opens in the first seconds",
        "start-up-closed",
        lambda p: recut(p, now(p, "site.up"), reading("site.first", FALSE)),
    ),
    in_program(
        "quiet hours close",
        "it closes at 23:30",
        "stays-open",
        commanded("B1-1", lambda p, c: c & ~(before(p, "B1-1.command") & raw(p, "R-2.quiet"))),
    ),
    in_program(
        "a timer leaves its range",
        "a number is larger than was declared",
        "ranges-hold",
        lambda p: p.with_next("B1-1.supervise.ms", now(p, "B1-1.supervise.ms") + 1),
    ),
    in_program(
        "an account leaves its range",
        "a number is larger than was declared",
        "ranges-hold",
        lambda p: p.with_next("B1.account", now(p, "B1.account") + 1),
    ),
    in_program(
        "the watchdog's pulse stands still",
        "the relay drops all outputs",
        "watchdog-alternates",
        lambda p: p.with_output("site.watchdog", TRUE),
    ),
    in_program(
        "a closed valve doesn't say that it has tripped",
        "nobody learns why it is closed",
        "stays-open",
        untold("B1-2.block.trip"),
    ),
    in_program(
        "a trip is not told", "nobody learns that T2 has tripped", "latched-until-reset", untold("T2.tripped")
    ),
)

# what is told and permitted beside the commands
TOLD = (
    in_program(
        "the pump is permitted without a valve",
        "it pumps against closed valves",
        "pump-follows",
        lambda p: p.with_output("B1.pump", TRUE),
    ),
    in_program("the pump is never permitted", "no load can be pumped", "pump-follows", untold("B1.pump")),
    in_program("a hose left on is not told", "nobody hears it", "alarms-tell", untold("alarm.B1-hose-left")),
    in_program(
        "a stuck key is told late",
        "nobody learns that a key is stuck",
        "alarms-tell",
        timed("B1.stuck_post", 4000, 8000),
    ),
    in_program(
        "a draw without a command is not told", "T2 runs out through a leak", "alarms-tell", untold("alarm.T2-drawn")
    ),
    in_program(
        "a lost panel is not told", "nobody learns why the bay is closed", "alarms-tell", untold("alarm.B1-panel")
    ),
)

# what changes nothing that can be seen: whoever judges has to show that, and not to cry wolf
SAME = (
    in_program(
        "the limit is asked twice",
        "nothing",
        None,
        commanded("B1-1", lambda p, c: c & ~p.outputs["B1-1.block.limit"]),
    ),
    in_program(
        "a running time is compared with = for >=",
        "nothing: it stops at its preset",
        None,
        compared("T2.tripped", 2000, Op.EQUAL),
    ),
    in_program(
        "the account is capped twice",
        "nothing",
        None,
        ahead("B1.account", lambda p, a: choose(a < 25_000, a, 25_000)),
    ),
    in_program(
        "close is asked first and last",
        "nothing",
        None,
        commanded("B1-1", lambda p, c: ~p.outputs["B1-1.block.close-key"] & (c & ~p.outputs["B1-1.block.close-key"])),
    ),
    in_program(
        "a bay's valves are asked for in turn",
        "nothing: one at a time is chosen",
        None,
        commanded("B1-2", lambda p, c: c & ~(now(p, "B1-1.command") & ~before(p, "B1-1.command"))),
    ),
)

PROGRAM_FAULTS: tuple[Fault, ...] = (*BAY_FAULTS, *VESSEL_FAULTS, *OTHERS, *TOLD, *SAME)
