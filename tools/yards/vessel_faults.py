"""Faults of the program, at a vessel and between bays that share one: what whoever writes compilers gets wrong.

Common practice and the words of the rules, no other source; ``site_faults`` tells of the yard.
"""

from sidetap.quantity import NS_PER_S
from sidetap.scheme import FALSE, TRUE, Expr, Op, choose, constant, elapsed, quotient
from yards.cuts import (
    ahead,
    both,
    bypassed,
    cause_ignored,
    commanded,
    compared,
    counted,
    inside_of,
    post_press,
    read_as,
    read_inside,
    timed,
    untold,
)
from yards.fault import Fault, in_program
from yards.site_faults import ANY_TRIP, LONG, TWO_OF_THREE
from yards.surgery import before, compares_with, now, raw, reading, recut, replaced, rewritten, with_first

TRIPS = (
    in_program("the delay of a trip is doubled", "T2 trips late", "trip-closes", timed("T2.trip", 2000, 4000)),
    in_program(
        "the delay of a trip is a millisecond long", "T2 trips late", "trip-closes", timed("T2.trip", 2000, 2001)
    ),
    in_program(
        "the delay of a trip is a millisecond short", "T2 closes early", "stays-open", timed("T2.trip", 2000, 1999)
    ),
    in_program(
        "the delay of a trip is a millisecond long, in long times",
        "T2 trips late",
        "trip-closes",
        timed("T2.trip", 2000, 2001),
        LONG,
    ),
    in_program(
        "a level at the trip trips", "T2 closes early", "stays-open", compared("T2.tripped", 18_000, Op.AT_MOST)
    ),
    in_program(
        "the filter comes after the delay",
        "a wave resets the delay, and T2 trips late",
        "trip-closes",
        ahead("T2.trip.was", lambda p, x: x & (raw(p, "T2.level") < 6000)),
    ),
    in_program(
        "a trip is not latched",
        "it opens after a trip that nobody has reset",
        "latched-until-reset",
        read_as("T2.tripped", False),
    ),
    in_program(
        "a trip is reset a third of a tenth of a millimetre low",
        "it opens too early",
        "latched-until-reset",
        counted("T2.tripped", 21_000, 20_999),
    ),
    in_program(
        "a trip is reset at any level",
        "it opens below the reset level",
        "latched-until-reset",
        inside_of("T2.tripped", lambda p: lambda n: TRUE if compares_with(21_000)(n) else None),
    ),
    in_program(
        "a reset wins over a trip that comes",
        "T2 runs empty while somebody holds reset",
        "trip-closes",
        ahead("T2.tripped", lambda p, t: t & ~raw(p, "T2.reset")),
    ),
    in_program(
        "a stored trip is forgotten",
        "a crash resets the trip",
        "latched-until-reset",
        read_as("T2.stored_trip", False),
    ),
    in_program(
        "the mean is over another vessel's level",
        "T2 runs empty",
        "trip-closes",
        lambda p: recut(p, now(p, "T2.mean.held"), reading("T2.level", raw(p, "T4.level"))),
    ),
    in_program(
        "the oldest bucket is never replaced",
        "T2's mean is another one",
        "trip-closes",
        lambda p: p.with_next("T2.mean.2", before(p, "T2.mean.2")),
    ),
    in_program(
        "a gap leaves the window full",
        "it opens on a window from before the gap",
        "permissive-closes",
        ahead("T2.mean.count", lambda p, c: choose(before(p, "T2.mean.count").equals(3), 3, c)),
    ),
    in_program(
        "a late scan leaves the window full",
        "seconds that nobody watched count",
        "permissive-closes",
        lambda p: rewritten(
            p, lambda n: FALSE if n.op is Op.LESS and n.args[0].value == 1000 and n.args[1].op is Op.ELAPSED else None
        ),
    ),
    in_program(
        "the window starts full",
        "it opens before a level was seen for long enough",
        "permissive-closes",
        lambda p: with_first(p, "T2.mean.count", 3),
    ),
    in_program(
        "a level at the close age is not old",
        "open on an old level",
        "bad-or-old-closes",
        compared("B1-2.block.old", 5000, Op.LESS),
    ),
    in_program(
        "a panel at its limit is not lost",
        "open without a panel",
        "permissive-closes",
        compared("B1-2.block.panel-lost", 5000, Op.LESS),
    ),
    in_program(
        "a vote counts trips that are bypassed",
        "B1 closes though T1 is bypassed",
        "stays-open",
        inside_of(
            "B1-2.block.R-5",
            lambda p: lambda n: p.outputs["T1.tripped"] if n is p.outputs["B1-1.block.trip"] else None,
        ),
        TWO_OF_THREE,
    ),
    cause_ignored("R-5", "two vessels have tripped and B1-3 stays open", "trip-vote", "B1-3", TWO_OF_THREE),
    in_program(
        "a vote is not for the second bay",
        "T2 trips and B2-2 stays open",
        "trip-vote",
        commanded("B2-2", lambda p, c: c | (before(p, "B2-2.command") & p.outputs["T2.tripped"])),
        ANY_TRIP,
    ),
)

LAG = TWO_OF_THREE.site.vessel("T2").trip
LAG_S = LAG.lag_ns // NS_PER_S


def rounded_down(node: Expr) -> Expr | None:
    """Return the change that a lag takes what leaves it rounded down."""
    return quotient(node.args[0].args[0], LAG_S) if node.op is Op.QUOTIENT else None


def from_nothing(node: Expr) -> Expr | None:
    """Return the change that a lag doesn't start at its first level."""
    return node.args[2] if node.op is Op.CHOOSE and node.args[1].op is Op.TIMES else None


LAGS = (
    in_program(
        "a lag is rounded up",
        "T2 reads high, and trips late",
        "trip-closes",
        lambda p: recut(p, now(p, "T2.lag.total"), rounded_down),
        TWO_OF_THREE,
    ),
    in_program(
        "a lag starts at nothing",
        "T2 reads low, and closes early",
        "stays-open",
        lambda p: recut(p, now(p, "T2.lag.total"), from_nothing),
        TWO_OF_THREE,
    ),
    in_program(
        "a lag is full after one of three",
        "it opens before the filter has settled",
        "permissive-closes",
        counted("T2.full", 3 * LAG_S, LAG_S),
        TWO_OF_THREE,
    ),
    in_program(
        "a level at the trip trips, by a lag",
        "T2 closes early",
        "stays-open",
        compared("T2.tripped", LAG_S * LAG.below_01mm, Op.AT_MOST),
        TWO_OF_THREE,
    ),
)

BYPASSES = (
    in_program(
        "a bypass never ends",
        "T1 is bypassed for ever",
        "bypass-bounded",
        ahead("T1.bypass", lambda p, t: choose(constant(0) < before(p, "T1.bypass"), before(p, "T1.bypass"), t)),
    ),
    in_program(
        "a bypass ends a scan late",
        "T1 is bypassed for longer",
        "bypass-bounded",
        ahead("T1.bypass", lambda p, t: choose(before(p, "T1.bypass").equals(elapsed()), 1, t)),
    ),
    in_program(
        "the end of a bypass is ignored", "T1 stays bypassed", "bypass-bounded", read_as("T1.bypass_end", False)
    ),
    in_program(
        "a bypass lasts for the most that is allowed",
        "it lasts for longer than was asked",
        "bypass-bounded",
        read_as("site.bypass_ms", 60_000),
    ),
    in_program(
        "one act makes a bypass",
        "nobody has asked for it",
        "bypass-bounded",
        ahead(
            "T1.bypass",
            lambda p, t: choose(
                raw(p, "T1.bypass_approve") & before(p, "T1.bypass").equals(0) & before(p, "T3.bypass").equals(0),
                raw(p, "site.bypass_ms"),
                t,
            ),
        ),
    ),
    in_program(
        "both acts in one scan make a bypass",
        "one person's two keys make it",
        "bypass-bounded",
        ahead(
            "T1.bypass",
            lambda p, t: choose(
                raw(p, "T1.bypass_approve")
                & raw(p, "T1.bypass_ask")
                & before(p, "T1.bypass").equals(0)
                & before(p, "T3.bypass").equals(0),
                raw(p, "site.bypass_ms"),
                t,
            ),
        ),
    ),
    in_program(
        "an ask never expires",
        "it is approved hours later",
        "bypass-bounded",
        ahead(
            "T1.bypass_ask",
            lambda p, t: choose((constant(0) < before(p, "T1.bypass_ask")) & ~raw(p, "T1.bypass_approve"), 60_000, t),
        ),
    ),
    in_program(
        "two bypasses at once",
        "T3 is bypassed beside T1",
        "bypass-bounded",
        lambda p: recut(p, now(p, "T3.bypass"), reading("T1.bypass", constant(0))),
    ),
    in_program(
        "two bypasses in one scan",
        "T1 and T3 are bypassed",
        "bypass-bounded",
        lambda p: recut(p, now(p, "T3.bypass"), reading("T1.bypass_approve", FALSE)),
    ),
    in_program(
        "a bypass stands at the start",
        "nobody has asked for it",
        "bypass-bounded",
        lambda p: with_first(p, "T1.bypass", 20_000),
    ),
    in_program(
        "a bypass hides a bad level",
        "open without a valid level",
        "bad-or-old-closes",
        lambda p: replaced(p, p.outputs["B1-1.block.bad"], raw(p, "T1.bad") & ~bypassed(p, "T1")),
    ),
    in_program(
        "a bypass hides the stop circuit",
        "stop does not close",
        "permissive-closes",
        lambda p: replaced(p, p.outputs["B1-1.block.XS-B1"], ~raw(p, "XS-B1") & ~bypassed(p, "T1")),
    ),
    in_program(
        "a bypass hides the limit",
        "open for longer than allowed",
        "open-time-bound",
        lambda p: replaced(p, p.outputs["B1-1.block.limit"], p.outputs["B1-1.block.limit"] & ~bypassed(p, "T1")),
    ),
    in_program(
        "a bypass hides another vessel's trip",
        "T2 runs empty",
        "trip-closes",
        lambda p: replaced(p, p.outputs["B1-2.block.trip"], p.outputs["B1-2.block.trip"] & ~bypassed(p, "T1")),
    ),
    in_program(
        "a bypass resets the trip",
        "it stays open when the bypass ends",
        "trip-closes",
        ahead("T1.tripped", lambda p, t: t & ~bypassed(p, "T1")),
    ),
    in_program(
        "a bypass hides nothing",
        "T1 trips, is bypassed, and it closes all the same",
        "stays-open",
        lambda p: replaced(p, p.outputs["B1-1.block.trip"], p.outputs["T1.tripped"]),
    ),
    in_program(
        "no horn at the end of a bypass", "nobody hears that it has ended", "bypass-bounded", untold("site.horn")
    ),
    in_program("a bypass is not shown", "nobody sees that it runs", "bypass-bounded", untold("T1.bypassed")),
)

SHARING = (
    cause_ignored("R-4", "T3 serves both bays below the level", "shared-only-above", "B1-3"),
    cause_ignored("R-4-low", "both bays stay open below the lower limit", "shared-only-above", "B1-3"),
    cause_ignored("R-4-low", "both bays stay open below the lower limit", "shared-only-above", "B2-1"),
    in_program(
        "the earlier bay closes",
        "the bay that opened later stays open",
        "shared-only-above",
        both(
            inside_of(
                "B1-3.block.R-4-low", lambda p: reading("R-4.B2-1-before-B1-3", ~before(p, "R-4.B2-1-before-B1-3"))
            ),
            inside_of(
                "B2-1.block.R-4-low", lambda p: reading("R-4.B2-1-before-B1-3", ~before(p, "R-4.B2-1-before-B1-3"))
            ),
        ),
    ),
    in_program(
        "who opened first is forgotten",
        "always the second bay closes",
        "shared-only-above",
        lambda p: p.with_next("R-4.B2-1-before-B1-3", FALSE),
    ),
    in_program(
        "the later bay closes at the limit already",
        "it closes early",
        "stays-open",
        compared("B2-1.block.R-4-low", 43_500, Op.AT_MOST),
    ),
    in_program(
        "the later bay closes at the upper level",
        "it closes early",
        "stays-open",
        counted("B2-1.block.R-4-low", 43_500, 45_000),
    ),
    in_program(
        "two bays share a third of a tenth of a millimetre low",
        "T3 serves both bays below the level",
        "shared-only-above",
        counted("B1-3.block.R-4", 45_000, 44_999),
    ),
    in_program(
        "two bays share by the level and not by its mean",
        "a wave lets the second bay open",
        "shared-only-above",
        inside_of(
            "B1-3.block.R-4",
            lambda p: lambda n: constant(15_000) <= raw(p, "T3.level") if compares_with(45_000)(n) else None,
        ),
    ),
    in_program(
        "both keys in one scan open both, of a shared vessel",
        "T3 serves both bays below the level",
        "shared-only-above",
        read_inside("B2-1.block.R-4", "PB-B1-OPEN", False),
    ),
    in_program(
        "both keys in one scan open both, of an exclusive vessel",
        "T1 serves both bays",
        "exclusive-vessel",
        read_inside("B2-3.block.R-3", "PB-B1-OPEN", False),
    ),
    in_program(
        "the exclusive vessel doesn't wait for the other valve's switch",
        "it opens while the other one is still closing",
        "exclusive-vessel",
        both(read_inside("B1-1.block.R-3", "ZSC-B2-3", True), read_inside("B1-1.block.R-3", "ZSO-B2-3", False)),
    ),
    in_program(
        "the exclusive vessel looks at switches only",
        "it opens in the scan after the other one",
        "exclusive-vessel",
        read_inside("B1-1.block.R-3", "B2-3.command", False),
    ),
    in_program(
        "the exclusive vessel closes whoever has it",
        "an asking bay closes the other",
        "stays-open",
        commanded("B2-3", lambda p, c: c & ~(post_press(p, "B1") & before(p, "B2-3.command"))),
    ),
)

VESSEL_FAULTS: tuple[Fault, ...] = (*TRIPS, *LAGS, *BYPASSES, *SHARING)
