"""What people's readings settle on made-up yards: right by function, or not settled.

Yards of three authors, seeds fixed. Who wrote the trials (tools/registers/trials.py) never looked at the matching;
who wrote the matching ran these yards once near the end. `tools/bench_readings.py` prints the same as tables, for a
thousand trials and more, and for registers whose scale is open: percentages, pressures, weights, distances.
"""

import numpy as np
import pytest
from bench_readings import NEVER_SETTLED, TWO, all_judged, is_plain, planned, run
from registers.trials import Outcome

FIRST, YARDS = 9000, 18


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    return run(range(FIRST, FIRST + YARDS), small=True, later=False)


@pytest.fixture(scope="module")
def two(outcomes: list[Outcome]) -> list[Outcome]:
    """Return the trials of two readings, a foot apart at least, of a register that tells a length."""
    return [o for o in outcomes if o.trial.kind == TWO and is_plain(o)]


def names(outcomes: list[Outcome]) -> list[tuple[int, int]]:
    """Return how to have trials told: bench_readings.py --small --yard N --trial M."""
    return [(o.trial.yard, o.trial.number) for o in outcomes]


def test_none_is_settled_wrongly(outcomes: list[Outcome]) -> None:
    assert len(outcomes) >= 280
    assert names([o for o in outcomes if any(j.settled_wrong for j in all_judged(o))]) == []


@pytest.mark.parametrize(("kind", "least"), list(zip(NEVER_SETTLED, (15, 5, 5, 1), strict=True)))
def test_what_can_not_be_known_is_never_settled(outcomes: list[Outcome], kind: str, least: int) -> None:
    of = [o for o in outcomes if o.trial.kind == kind]
    assert len(of) >= least
    assert names([o for o in of if o.judged.settled]) == []


def test_two_readings_a_foot_apart_are_right(two: list[Outcome]) -> None:
    assert len(two) >= 30
    assert np.mean([o.judged.right for o in two]) >= 0.99


def test_what_falls_short(outcomes: list[Outcome], two: list[Outcome]) -> None:
    # Wanted: 88 % of `two` settled, 95 % of the readings asked for settle. Coarse readings of rare units stay below
    # 0.99, and of twins that part only by steps or codes some readings settle nothing. When this is red because more
    # settle, set the numbers to what is wanted.
    told = planned(outcomes)
    assert (sum(o.judged.settled for o in two), len(two)) == (27, 36)
    assert (told.count, told.total) == (36, 39)


def test_a_mistaken_row_is_named_and_no_other(outcomes: list[Outcome]) -> None:
    of = [o for o in outcomes if o.trial.kind == "typo" and is_plain(o) and o.judged.settled]
    assert len(of) >= 10
    assert [o.answer.suspect_readings for o in of] == [tuple(sorted(o.trial.mistakes)) for o in of]
