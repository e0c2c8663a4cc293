"""Faults planted into the compiled program, each caught by the promise that is there for it, and replayed.

The faults are ours, after what goes wrong in such schemes (common practice, no source). What a fault changes is found
by the names of states, outputs and constants of the compiled program, never by the judges' own.
"""

import re

import pytest
from planting import Fault, given, planted, previous, rewritten, story_of, without

from sidetap.scheme import FALSE, TRUE, Expr, Op, Program, any_of, choose

BY_CAUSE = {
    "limit": ("ticket-time-bound", "B"),
    "panel-lost": ("permissive-closes", "B"),
    "other-valve": ("permissive-closes", "B"),
    "not-on-ticket": ("permissive-closes", "B"),
    "interrupted": ("ticket-time-bound", "B"),
    "open": ("ticket-time-bound", "B"),  # the same expression starts the waiting time
    "window": ("permissive-closes", "B"),
    "below-trip": ("permissive-closes", "B"),
    "own-valve": ("permissive-closes", "B"),
    "locked-out": ("permissive-closes", "B"),
}


@pytest.mark.parametrize("cause", BY_CAUSE)
def test_a_cause_that_is_ignored(cause: str) -> None:
    promise, subject = BY_CAUSE[cause]
    story = story_of(planted(without(f"B1.block.{cause}")), promise, subject)
    assert story is not None
    assert len(story) <= 12


def compared(name: str, limit: int, other: Op) -> Fault:
    """Return the fault that a comparison of an input with a limit is done by another operation or limit."""

    def change(node: Expr) -> Expr | None:
        if node.op is Op.AT_MOST and node.args[0].value == limit and node.args[1].value == name:
            return Expr(other, node.type, node.args)
        return None

    return lambda p: rewritten(p, change)


def timer_starts_again(program: Program) -> Program:
    pressed = given(program, "PB-B-OPEN") & ~previous(program, "B.post_key.before")
    return program.with_next("B.account", choose(pressed, 0, program.states["B.account"].next))


def account_restored_less(lost_ms: int) -> Fault:
    """Return the fault that a crash costs less; at worst the heavier valve flows 1 s unstored, 2 s and a stroke."""
    return lambda p: rewritten(
        p, lambda n: n - 5 * lost_ms if n.op is Op.INPUT and n.value == "B.stored_account" else None
    )


def account_counts_slowly(program: Program) -> Program:
    return rewritten(
        program, lambda n: Expr(Op.TIMES, n.type, n.args, 4) if n.op is Op.TIMES and n.value == 5 else None
    )


def stroke_not_added(program: Program) -> Program:
    rises = program.states["B1.command"].next & ~previous(program, "B1.command")
    later = rises & (previous(program, "B.openings") >= 1)
    following = program.states["B.account"].next
    return program.with_next("B.account", choose(later, following - 5_000, following))


def ticket_without_hose_off(program: Program) -> Program:
    return program.with_next("B.hose_seen_off", TRUE)


def wrong_level(program: Program) -> Program:
    level = choose(given(program, "T1.new"), given(program, "T2.level"), previous(program, "T1.mean.held"))
    return program.with_next("T1.mean.held", level)


def trip_at_its_level_already(program: Program) -> Program:
    def change(node: Expr) -> Expr | None:
        if node.op is Op.LESS and node.args[1].op is Op.CONSTANT and node.args[1].value == 18_000:
            return Expr(Op.AT_MOST, node.type, node.args)
        return None

    return rewritten(program, change)


def opens_in_the_first_scan(program: Program) -> Program:
    command = program.states["B1.command"].next | previous(program, "site.first")
    return program.with_next("B1.command", command).with_output("B1.command", command)


def opens_again_by_itself(program: Program) -> Program:
    again = previous(program, "B.ticket") & given(program, "T1.reset")
    command = any_of(program.states["B1.command"].next, again)
    return program.with_next("B1.command", command).with_output("B1.command", command)


def choice_crossed(program: Program) -> Program:
    def change(node: Expr) -> Expr | None:
        if node.op is Op.EQUAL and node.args[0].value == "B.choice" and node.args[1].value == 1:
            return node.args[0].equals(2)
        return None

    return rewritten(program, change)


def never_opens_by_the_panel(program: Program) -> Program:
    return rewritten(program, lambda n: FALSE if n.op is Op.INPUT and n.value == "B.panel_open" else None)


FAULTS: dict[str, tuple[Fault, str, str]] = {
    "an account restored without the relay's time": (account_restored_less(2000), "ticket-time-bound", "B"),
    "an account that counts slowly": (account_counts_slowly, "ticket-time-bound", "B"),
    "an account that counts slowly, one opening": (account_counts_slowly, "open-time-bound", "B1"),
    "a restart that costs no stroke": (stroke_not_added, "ticket-time-bound", "B"),
    "a new ticket with the hose left on": (ticket_without_hose_off, "ticket-time-bound", "B"),
    "a mean over another vessel's level": (wrong_level, "trip-closes", "T1"),
    "a trip at its level already": (trip_at_its_level_already, "stays-open", "B"),
    "a panel that may be lost a little longer": (compared("B.panel_age", 5000, Op.LESS), "permissive-closes", "B"),
    "a valve that opens in the first scan": (opens_in_the_first_scan, "start-up-closed", "B"),
    "a valve that opens again by itself": (opens_again_by_itself, "fresh-press-only", "B"),
    "a key that opens the other valve": (choice_crossed, "fresh-press-only", "B"),
    "a panel key that does nothing": (never_opens_by_the_panel, "opens-when-asked", "B"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_planted_fault_is_caught(name: str) -> None:
    fault, promise, subject = FAULTS[name]
    story = story_of(planted(fault), promise, subject)
    assert story is not None
    assert len(story) <= 12


def test_acceptance_20_the_timer_starts_again_on_a_second_press() -> None:
    """At most 12 steps, in minutes and gallons; 400 gpm are exact in the site, so the gallons can be counted here."""
    story = story_of(planted(timer_starts_again), "open-time-bound", "B1")
    assert story is not None
    assert len(story) <= 12
    presses = [s for s in story if "the open key PB-B-OPEN is pressed" in s.what]
    assert len(presses) == 2
    told = re.search(r"valve B1 has been open (\d+) s: ([\d,]+) gal at 400 gpm", story[-1].what)
    assert told is not None
    assert int(told[1]) == 20
    assert int(told[2].replace(",", "")) == round(400 * 20 / 60)
