"""Every state of tiny yards against rules in plain words: a third way, which no proof and no search had a hand in.

The rules are in ``tiny_yards``. Asked of a right scheme: that no rule breaks in any state, and that the search saw
what it had to see. Asked of a wrong one: that its rule breaks.
"""

from functools import cache

import pytest
from explicit_states import TooManyStates
from tiny_yards import Exclusive, OneBay, SharedAbove, TinyYard, explored, shared_above, tiny
from yards.cuts import Cut, ahead, both, commanded, post_press, read_as, read_inside, timed
from yards.surgery import before, never, raw

from sidetap.scheme import FALSE, Program, choose, constant
from sidetap.site.cause_effect import compile_site

KINDS: dict[str, tuple[type[OneBay] | type[Exclusive] | type[SharedAbove], int, int]] = {
    "one bay": (OneBay, 2, 1),
    "an exclusive vessel": (Exclusive, 1, 2),
    "a vessel shared above a level": (SharedAbove, 1, 2),
}
SIGHTS = {
    "one bay": {
        "it opens",
        "the limit closes",
        "the restart is used",
        "the other product follows",
        "a trip closes",
        "it opens again after a trip",
    },
    "an exclusive vessel": {"one bay opens", "the other bay opens", "both ask, one opens", "a valve is locked out"},
    "a vessel shared above a level": {
        "one bay opens",
        "the other bay opens",
        "both ask, one opens",
        "a valve is locked out",
        "the second bay opens",
        "both open in one scan",
        "both stay open between the limits",
        "the earlier one stays open",
    },
}


@cache
def program_of(kind: str) -> Program:
    yard, vessels, bays = KINDS[kind]
    site = tiny(vessels, bays)
    return compile_site(shared_above(site) if yard is SharedAbove else site).program


def yard_of(kind: str, program: Program) -> TinyYard:
    return KINDS[kind][0](program)


@pytest.mark.parametrize("kind", KINDS)
def test_no_rule_breaks_in_any_state(kind: str) -> None:
    found = explored(yard_of(kind, program_of(kind)))
    assert found.broken == frozenset()
    assert found.seen == SIGHTS[kind]
    assert found.states > 3000


# what is planted in which yard, and the rule that has to break
FAULTS: dict[str, tuple[str, Cut, str]] = {
    "close is ignored": ("one bay", lambda p: never(p, "B1-1.block.close-key"), "close wins"),
    "a held key is a press": ("one bay", read_as("B1.post_key.before", False), "no opening without a press"),
    "the timer starts again on a second press": (
        "one bay",
        ahead("B1.account", lambda p, a: choose(post_press(p, "B1"), 0, a)),
        "open time",
    ),
    "the limit is ignored": ("one bay", lambda p: never(p, "B1-1.block.limit"), "open time"),
    "openings are not counted": (
        "one bay",
        lambda p: p.with_next("B1.openings", constant(0)),
        "openings of a ticket",
    ),
    "a valve opens beside another": (
        "one bay",
        lambda p: never(never(p, "B1-2.block.other-valve"), "B1-2.block.open"),
        "one valve of a bay",
    ),
    "any product follows": ("one bay", lambda p: never(p, "B1-1.block.product"), "what may follow what"),
    "a trip is not latched": ("one bay", read_as("T1.tripped", False), "a trip closes, until reset"),
    "a trip comes late": ("one bay", timed("T1.trip", 1000, 2000), "a trip closes, until reset"),
    "a bad level is ignored": ("one bay", lambda p: never(p, "B1-1.block.bad"), "bad or old closes"),
    "stop is ignored": ("one bay", lambda p: never(p, "B1-1.block.XS-B1"), "permissives close"),
    "it opens by itself after a trip": (
        "one bay",
        commanded("B1-1", lambda p, c: c | (raw(p, "T1.reset") & before(p, "B1.ticket"))),
        "no opening without a press",
    ),
    "the exclusive vessel is ignored": (
        "an exclusive vessel",
        lambda p: never(p, "B1-1.block.R-3"),
        "an exclusive vessel serves one bay",
    ),
    "both keys in one scan open both": (
        "an exclusive vessel",
        read_inside("B2-1.block.R-3", "PB-B1-OPEN", False),
        "an exclusive vessel serves one bay",
    ),
    "nobody waits for the other valve's switch": (
        "an exclusive vessel",
        both(read_inside("B2-1.block.R-3", "ZSC-B1-1", True), read_inside("B2-1.block.R-3", "ZSO-B1-1", False)),
        "the other valve is shown closed first",
    ),
    "a locked vessel opens": (
        "an exclusive vessel",
        lambda p: never(never(p, "B2-1.block.vessel-locked"), "B2-1.block.R-3"),
        "a lock-out locks its vessel",
    ),
    "both bays open at any level": (
        "a vessel shared above a level",
        lambda p: never(p, "B2-1.block.R-3"),
        "two bays open only at or above the level",
    ),
    "who opened first is forgotten": (
        "a vessel shared above a level",
        lambda p: p.with_next("R-3.B2-1-before-B1-1", FALSE),
        "below the lower limit the later one closes",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_planted_fault_breaks_its_rule(name: str) -> None:
    kind, fault, rule = FAULTS[name]
    assert rule in explored(yard_of(kind, fault(program_of(kind))), until=rule).broken


def test_the_search_says_when_there_is_too_much() -> None:
    with pytest.raises(TooManyStates):
        explored(yard_of("one bay", program_of("one bay")), at_most=1000)
