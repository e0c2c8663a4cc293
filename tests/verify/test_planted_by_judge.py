"""Faults planted by somebody who has read neither promises nor prover: one for every promise, and one that is none.

All of them are in the table of ``tools/bench_faults.py``; these are cheap and stand for the rest.
"""

import pytest
from yards.deciding import MOST_STEPS, faulty_model, same_scan
from yards.program_faults import PROGRAM_FAULTS, SAME
from yards.site_faults import SITE_FAULTS

from sidetap.verify import equivalent
from sidetap.verify.lemmas import lemmas
from sidetap.verify.search import Search

FAULTS = {fault.name: fault for fault in (*SITE_FAULTS, *PROGRAM_FAULTS)}
CHOSEN = {
    "bad-or-old-closes": "a close age too long",
    "bays-independent": "the other bay's stop closes here",
    "bypass-bounded": "a bypass never ends",
    "close-wins": "close-key is ignored at B1-1",
    "compatible-only": "the table of products is read the wrong way round",
    "exclusive-vessel": "both keys in one scan open both, of an exclusive vessel",
    "fresh-press-only": "a held key is a press",
    "latched-until-reset": "a stored trip is forgotten",
    "mismatch-alarms": "HAND is supervised",
    "one-valve-per-bay": "two valves of a bay open one after the other",
    "open-time-bound": "the timer starts again on a second press",
    "opens-when-asked": "no restart for one",
    "own": "the other bay's high probe is entered as a permissive",
    "permissive-closes": "the stop circuit is not a permissive",
    "quiet-hours": "quiet hours are forgotten",
    "ranges-hold": "a timer leaves its range",
    "shared-only-above": "the earlier bay closes",
    "start-up-closed": "starting is ignored at B1-1",
    "stays-open": "it closes at a new level",
    "ticket-time-bound": "a wait of half a second for five",
    "trip-closes": "a trip ten times too low",
    "trip-vote": "three votes for two",
    "watchdog-alternates": "the watchdog's pulse stands still",
}


@pytest.mark.parametrize("promise", CHOSEN)
def test_a_planted_fault_breaks_the_promise_that_is_there_for_it(promise: str) -> None:
    fault = FAULTS[CHOSEN[promise]]
    assert fault.promise == promise
    model = faulty_model(fault)
    asked = [p for p in model.promises if p.name == promise]
    found = Search(model, [c for p in asked for c in p.clauses]).first_broken(asked)
    assert found is not None
    assert 1 <= len(found[1].story) <= MOST_STEPS


def test_what_changes_nothing_is_shown_to_change_nothing() -> None:
    fault = FAULTS["the account is capped twice"]
    assert equivalent(fault.yard.scheme.program, fault.program(), lemmas(fault.yard.site))


def test_a_scan_that_is_the_same_is_told_from_one_that_is_not() -> None:
    for fault in SAME:
        assert same_scan(fault.yard.scheme.program, fault.program())
    for name in ("the limit closes a millisecond early", "a timer leaves its range", "a bypass stands at the start"):
        assert not same_scan(FAULTS[name].yard.scheme.program, FAULTS[name].program())
