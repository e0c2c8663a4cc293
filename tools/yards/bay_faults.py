"""Faults of the program, at a bay: what whoever writes a compiler of schemes gets wrong. Each is a cut.

Common practice and the words of the rules, no other source; ``site_faults`` tells of the yard.
"""

from sidetap.scheme import FALSE, TRUE, Op, any_of, choose, constant, elapsed
from yards.cuts import ahead, cause_ignored, commanded, compared, counted, post_press, read_as, timed, untold
from yards.fault import Fault, in_program
from yards.site_faults import LONG
from yards.surgery import before, compares_with, never, now, raw, reading, recut, rewritten, with_first

# every cause that stands against B1-1, and what a person expects when it never does
CAUSES: tuple[tuple[str, str, str | None], ...] = (
    ("close-key", "close does not close", "close-wins"),
    ("limit", "it stays open", "open-time-bound"),
    ("HS-B1-AUTO", "it opens in OFF", "permissive-closes"),
    ("XS-B1", "stop does not close", "permissive-closes"),
    ("LSH-B1", "the truck runs over", "permissive-closes"),
    ("HC-B1", "it loads without a hose", "permissive-closes"),
    ("selector", "a broken selector does not close", "permissive-closes"),
    ("panel-lost", "open without a panel", "permissive-closes"),
    ("trip", "T1 runs empty", "trip-closes"),
    ("bad", "open without a valid level", "bad-or-old-closes"),
    ("old", "open on an old level", "bad-or-old-closes"),
    ("other-valve", "two valves of the bay are open", "permissive-closes"),
    ("switches", "open though a valve shows both", "permissive-closes"),
    ("locked-out", "a bay that is locked out opens", "mismatch-alarms"),
    ("ticket", "open without a ticket", "ticket-time-bound"),
    ("not-on-ticket", "open from a vessel that isn't on the ticket", "permissive-closes"),
    ("interrupted", "an interrupted load goes on without a lead", "ticket-time-bound"),
    ("starting", "it opens in the first seconds", "start-up-closed"),
    ("R-2", "it opens at night", "quiet-hours"),
    ("product", "28-0-0 and then 32-0-0", "compatible-only"),
    ("R-3", "T1 serves both bays", "exclusive-vessel"),
    ("vessel-locked", "it opens though the vessel is locked", "permissive-closes"),
    ("late", "it opens on a late level", "permissive-closes"),
    ("window", "it opens before the window is full", "permissive-closes"),
    ("below-trip", "it opens below the trip", "permissive-closes"),
    ("own-valve", "it opens though it isn't shown closed", "permissive-closes"),
    ("restarts", "nothing: the ticket has ended by then", None),
    ("wait", "it opens again before the wait is over", "ticket-time-bound"),
    ("no-time", "a restart that is closed at once", "ticket-time-bound"),
)


KEYS = (
    in_program(
        "the memory of the post's key starts at 0",
        "nothing: no window is full in the first scan",
        None,
        lambda p: with_first(p, "B1.post_key.before", False),
    ),
    in_program(
        "a held key is a press",
        "it opens again by a held key",
        "fresh-press-only",
        read_as("B1.post_key.before", False),
    ),
    in_program(
        "the panel's open key does nothing", "it does not open", "opens-when-asked", read_as("B1.panel_open", False)
    ),
    in_program(
        "the panel's close key does nothing", "close does not close", "close-wins", read_as("B1.panel_close", False)
    ),
    in_program(
        "the post's close key does nothing", "close does not close", "close-wins", read_as("PB-B1-CLOSE", True)
    ),
    in_program(
        "the key opens the valve beside the one chosen",
        "a valve opens that nobody chose",
        "fresh-press-only",
        lambda p: rewritten(
            p, lambda n: n.args[0].equals(2) if compares_with(1)(n) and n.args[0].value == "B1.choice" else None
        ),
    ),
    in_program(
        "a press wins over close",
        "it opens while close is pressed",
        "close-wins",
        commanded(
            "B1-1",
            lambda p, c: any_of(c, p.outputs["B1-1.block.close-key"] & post_press(p, "B1") & before(p, "B1.ticket")),
        ),
    ),
    in_program(
        "it opens in the first scan",
        "it opens by itself",
        "start-up-closed",
        commanded("B1-1", lambda p, c: c | before(p, "site.first")),
    ),
    in_program(
        "it opens again when a trip is reset",
        "it opens without a press",
        "fresh-press-only",
        commanded("B1-1", lambda p, c: c | (raw(p, "T1.reset") & before(p, "B1.ticket"))),
    ),
    in_program(
        "it closes at a new level",
        "it closes without a cause",
        "stays-open",
        commanded("B1-1", lambda p, c: c & ~(raw(p, "T2.new") & before(p, "B1-1.command"))),
    ),
    in_program(
        "a press of the other bay opens too",
        "it opens by the other bay's key",
        "fresh-press-only",
        commanded(
            "B1-2", lambda p, c: c | (post_press(p, "B2") & before(p, "B1.ticket") & ~p.outputs["B1-2.block.XS-B1"])
        ),
    ),
    in_program(
        "the other bay's stop closes here",
        "a bay looks at another one's inputs",
        "bays-independent",
        commanded("B1-2", lambda p, c: c & raw(p, "XS-B2")),
    ),
    in_program(
        "a lock-out of the other bay closes here",
        "a bay looks at a valve it shares no vessel with",
        "bays-independent",
        commanded("B1-1", lambda p, c: c & ~before(p, "B2-2.locked_out")),
    ),
    in_program(
        "the other bay's press clears the account",
        "a ticket's time has no end",
        "ticket-time-bound",
        ahead("B1.account", lambda p, a: choose(post_press(p, "B2"), 0, a)),
    ),
    in_program(
        "two valves of a bay open one after the other",
        "two valves of the bay are open",
        "one-valve-per-bay",
        lambda p: never(never(p, "B1-1.block.other-valve"), "B1-1.block.open"),
    ),
)

ACCOUNT = (
    in_program(
        "the timer starts again on a second press",
        "open for longer than allowed",
        "open-time-bound",
        ahead("B1.account", lambda p, a: choose(post_press(p, "B1"), 0, a)),
    ),
    in_program(
        "the timer starts again on a second press, in long times",
        "open for longer than allowed",
        "open-time-bound",
        ahead("B1.account", lambda p, a: choose(post_press(p, "B1"), 0, a)),
        LONG,
    ),
    in_program(
        "the account is cleared when the valve closes",
        "a restart has the whole time again",
        "ticket-time-bound",
        ahead("B1.account", lambda p, a: choose(p.outputs["B1.pump"], a, 0)),
    ),
    in_program(
        "the account is not restored",
        "a crash gives the ticket its time back",
        "ticket-time-bound",
        read_as("B1.stored_account", 0),
    ),
    in_program(
        "the account is restored as it was stored",
        "what flowed until the valve was closed is not counted",
        "ticket-time-bound",
        lambda p: rewritten(p, lambda n: n - 4000 if n.op is Op.INPUT and n.value == "B1.stored_account" else None),
    ),
    in_program(
        "the account is restored a millisecond short",
        "a millisecond is not counted",
        "ticket-time-bound",
        lambda p: rewritten(p, lambda n: n - 1 if n.op is Op.INPUT and n.value == "B1.stored_account" else None),
    ),
    in_program(
        "a late scan counts as one of a second",
        "open for longer than allowed",
        "open-time-bound",
        lambda p: recut(
            p,
            now(p, "B1.account"),
            lambda n: choose(elapsed() < 1000, elapsed(), 1000) if n.op is Op.ELAPSED else None,
        ),
    ),
    in_program(
        "the limit is past before it closes",
        "open for longer than allowed",
        "open-time-bound",
        compared("B1-1.block.limit", 25_000, Op.LESS),
    ),
    in_program(
        "the limit closes a millisecond early",
        "it closes early",
        "stays-open",
        counted("B1-1.block.limit", 25_000, 24_999),
    ),
    in_program(
        "a restart costs no stroke",
        "one stop volume too much",
        "ticket-time-bound",
        lambda p: recut(
            p, now(p, "B1.account"), lambda n: constant(0) if n.op is Op.CHOOSE and n.args[1].value == 1000 else None
        ),
    ),
    in_program(
        "openings are not counted",
        "any number of restarts",
        "ticket-time-bound",
        lambda p: p.with_next("B1.openings", constant(0)),
    ),
    in_program(
        "openings are not restored",
        "a crash gives the restarts back",
        "ticket-time-bound",
        read_as("B1.stored_openings", 0),
    ),
    in_program(
        "the valve opened last is not restored",
        "28-0-0 and then 32-0-0, over a crash",
        "compatible-only",
        read_as("B1.stored_last", 0),
    ),
    in_program(
        "the valve opened last is not remembered",
        "28-0-0 and then 32-0-0",
        "compatible-only",
        lambda p: p.with_next("B1.last", constant(0)),
    ),
    in_program(
        "a new ticket with the hose left on",
        "ticket after ticket into one truck",
        "ticket-time-bound",
        lambda p: p.with_next("B1.hose_seen_off", TRUE),
    ),
    in_program(
        "a ticket outlives its end",
        "it opens after the ticket has been ended",
        "ticket-time-bound",
        read_as("B1.ticket_end", False),
    ),
    in_program(
        "a ticket on which nothing may open any more stays",
        "the ticket does not end",
        "ticket-time-bound",
        ahead("B1.ticket", lambda p, t: t | (before(p, "B1.ticket") & ~raw(p, "B1.ticket_end"))),
    ),
    in_program(
        "a stored ticket is not an interrupted one",
        "a load goes on after a crash without a lead",
        "ticket-time-bound",
        lambda p: p.with_next("B1.interrupted", FALSE),
    ),
    in_program(
        "the wait is a millisecond short",
        "it opens again before the wait is over",
        "ticket-time-bound",
        timed("B1.closed_for", 5000, 4999),
    ),
    in_program(
        "the wait is a millisecond long",
        "it does not open though the wait is over",
        "opens-when-asked",
        timed("B1.closed_for", 5000, 5001),
    ),
)

SUPERVISION = (
    in_program(
        "supervision a millisecond late", "it locks out late", "mismatch-alarms", timed("B1-1.supervise", 3000, 3001)
    ),
    in_program(
        "supervision a millisecond early",
        "it locks out early",
        "mismatch-alarms",
        timed("B1-1.supervise", 3000, 2999),
    ),
    in_program(
        "HAND is supervised",
        "a valve moved by hand is locked out",
        "mismatch-alarms",
        lambda p: recut(p, now(p, "B1-1.supervise.was"), reading("HS-B1-HAND", FALSE)),
    ),
    in_program(
        "a dead module is supervised",
        "a start locks out",
        "mismatch-alarms",
        lambda p: recut(p, now(p, "B1-1.supervise.was"), reading("IO-1.live", TRUE)),
    ),
    in_program(
        "an opening is not supervised",
        "a valve that doesn't open is not told",
        "mismatch-alarms",
        ahead("B1-1.supervise.was", lambda p, x: x & ~now(p, "B1-1.command")),
    ),
    in_program(
        "a lock-out goes by itself",
        "nobody has looked at the valve",
        "mismatch-alarms",
        ahead("B1-1.locked_out", lambda p, x: x & now(p, "B1-1.supervise.was")),
    ),
    in_program(
        "a lock-out is reset while the switches disagree",
        "nothing was mended",
        "mismatch-alarms",
        ahead("B1-1.locked_out", lambda p, x: x & ~raw(p, "B1.lockout_reset")),
    ),
    in_program(
        "a lock-out can't be reset",
        "the bay stays locked out",
        "mismatch-alarms",
        ahead("B1-1.locked_out", lambda p, x: x | before(p, "B1-1.locked_out")),
    ),
    in_program(
        "a lock-out is not told",
        "it is locked out without an alarm",
        "mismatch-alarms",
        untold("alarm.B1-1-mismatch"),
    ),
)

BAY_FAULTS: tuple[Fault, ...] = (*(cause_ignored(*row) for row in CAUSES), *KEYS, *ACCOUNT, *SUPERVISION)
