"""Facts: what is proved is so in every scan, rests on nothing that was dropped, and needs what it is said to need."""

import random
from collections.abc import Sequence
from dataclasses import replace

import pytest
from tiny_programs import candidates, tiny_program, truth

from sidetap.scheme import (
    TRUE,
    Builder,
    Expr,
    Op,
    Program,
    Runner,
    State,
    Type,
    Value,
    choose,
    constant,
    elapsed,
    minimum,
)
from sidetap.verify.facts import Outcome, prove
from sidetap.verify.graph import Graph


def flag(name: str) -> Expr:
    return Expr(Op.PREVIOUS, Type.BOOL, (), name)


def number(name: str) -> Expr:
    return Expr(Op.PREVIOUS, Type.INT, (), name)


def proved(b: Builder, pool: Sequence[Expr] = (), starts: dict[str, Value] | None = None) -> Outcome:
    graph = Graph()
    program = graph.program(b.program())
    known = graph.take(pool)
    return prove(graph, program, [known[c] for c in pool], starts or {})


def valve_and_account() -> Builder:
    """A valve that opens for 500 ms at most under one ticket: no single scan knows that, but with two facts."""
    b = Builder()
    ask = b.input_bool("ask")
    is_open, ticket, ms = b.state_bool("open"), b.state_bool("ticket"), b.state_int("ms", 0, 0, 600)
    open_ms = b.state_int("open_ms", 0, 0, 5000)
    spent = minimum(ms + choose(is_open, minimum(elapsed(), 100), 0), 600)
    now = b.assign("open", ask & ticket & (spent < 500))
    b.assign("ticket", (ticket | ask) & (spent < 500))
    b.assign("ms", spent)
    following = b.assign("open_ms", minimum(choose(is_open, open_ms + minimum(elapsed(), 100), open_ms), 5000))
    b.output("bound", following <= 600)
    b.output("ticket", ~now | ticket)
    return b


FACTS = [number("open_ms") <= number("ms"), ~flag("open") | (number("ms") < 500)]
WRONG = [~flag("open"), number("ms") < 300, flag("ticket"), number("open_ms").equals(0), number("ms") < 599]


def test_a_clause_that_needs_facts_is_proved_with_them_alone() -> None:
    """The number of the one is kept only while the other is true."""
    assert proved(valve_and_account()).holds == {"ticket"}
    outcome = proved(valve_and_account(), FACTS)
    assert outcome.holds == {"bound", "ticket"}
    assert len(outcome.facts) == len(FACTS)
    for fact in FACTS:
        assert proved(valve_and_account(), [fact]).holds == {"ticket"}


@pytest.mark.parametrize("pool", [[*WRONG, *FACTS], [*FACTS, *WRONG], [WRONG[0], FACTS[0], *WRONG[1:], FACTS[1]]])
def test_wrong_candidates_change_nothing(pool: list[Expr]) -> None:
    """Each is false somewhere, most of them not at once."""
    outcome = proved(valve_and_account(), pool)
    assert outcome.holds == {"bound", "ticket"}
    assert len(outcome.facts) == len(FACTS)
    assert proved(valve_and_account(), WRONG).holds == {"ticket"}


def test_candidates_over_states_that_the_program_has_not_are_left_out() -> None:
    pool = [flag("elsewhere") | flag("open"), *FACTS]
    assert proved(valve_and_account(), pool).holds == {"bound", "ticket"}


def test_a_clause_that_is_false_in_the_first_scan_alone_is_not_proved() -> None:
    b = Builder()
    started = b.state_bool("started")
    b.assign("started", TRUE)
    b.output("started", started)
    b.output("not before", ~started)
    assert proved(b).holds == set()


def test_a_fact_that_is_false_after_the_first_scan_alone_is_not_believed() -> None:
    """It is kept by every scan that begins with it, and never begins."""
    b = Builder()
    p = b.state_bool("p", True)
    b.assign("p", p)
    b.output("never", ~p)
    b.output("never and x", ~(p & b.input_bool("x")))
    started = b.state_bool("started")
    b.assign("started", TRUE)
    b.output("never but at first", ~started | ~p)
    assert proved(b, [~p]) == Outcome(frozenset(), ())


def test_a_fact_need_not_be_true_before_the_first_scan() -> None:
    b = Builder()
    n = b.state_int("n", 3, 0, 5)
    following = b.assign("n", minimum(n + 1, 5))
    started = b.state_bool("started")
    b.assign("started", TRUE)
    b.output("grown", ~started | (n >= 4))
    b.output("grows", following >= 4)
    assert proved(b, [n >= 4]).holds == {"grown", "grows"}


def test_a_clause_that_breaks_only_after_a_long_time_is_not_proved() -> None:
    """It holds in a thousand scans; what would prove it is false as late."""
    b = Builder()
    n, x = b.state_int("n", 0, 0, 1001), b.input_bool("x")
    following = b.assign("n", minimum(n + 1, 1001))
    late = b.state_bool("late")
    b.assign("late", late | (following > 1000))
    b.output("early", ~late | x)
    b.output("below", following <= 1000)
    pool = [~late, n <= 1000, n < 500, ~late | (n > 1000), n <= 999]
    assert proved(b, pool).holds == set()


def test_facts_that_rest_on_each_other_fall_together() -> None:
    """A chain: each fact is kept while the one before is true, and the first of all is not."""
    b = Builder()
    names = [f"p{i}" for i in range(6)]
    states = [b.state_bool(n) for n in names]
    x = b.input_bool("x")
    waits = b.state_int("n", 0, 0, 9)
    b.assign("n", minimum(waits + 1, 9))
    b.assign("p0", x & (waits >= 9))
    for before, name in zip(states, names[1:], strict=False):
        b.assign(name, before)
    b.output("last", ~states[-1])
    assert proved(b, [~s for s in states]) == Outcome(frozenset(), ())


def test_facts_that_hold_only_together_are_proved_together() -> None:
    b = Builder()
    p, q, x = b.state_bool("p"), b.state_bool("q"), b.input_bool("x")
    b.assign("p", q & x)
    b.assign("q", p & x)
    b.output("p", ~p)
    outcome = proved(b, [~q, ~p])
    assert outcome.holds == {"p"}
    assert len(outcome.facts) == 2
    assert proved(b, [~p]).holds == set()


def test_known_starts_count_in_the_first_scan_alone() -> None:
    b = Builder()
    x, started = b.input_bool("x"), b.state_bool("started")
    b.assign("started", TRUE)
    b.output("first", started | ~x)
    b.output("always", ~x)
    assert proved(b, starts={"x": False}).holds == {"first"}
    assert proved(b).holds == set()


def test_bounds_of_inputs_and_time_are_used_and_no_narrower_ones() -> None:
    b = Builder()
    x = b.input_int("x", -3, 4)
    b.output("low", x >= -3)
    b.output("high", x <= 4)
    b.output("lower", x >= -2)
    b.output("higher", x <= 3)
    b.output("time", elapsed() >= 1)
    b.output("more time", elapsed() >= 2)
    b.output("less time", elapsed() < 10**9)
    b.output("true", constant(1) < 2)
    assert proved(b).holds == {"low", "high", "time", "true"}


@pytest.mark.parametrize("seed", range(100, 112))
def test_what_is_proved_of_a_random_program_is_so_in_every_reachable_state(seed: int) -> None:
    """And the facts too: every one is true after every scan."""
    rng = random.Random(seed)
    program, pool = tiny_program(rng), candidates(rng)[:40]
    starts: dict[str, Value] = rng.choice([{}, {"a": False}, {"b": True, "i": 2}])
    graph = Graph()
    known = graph.take(pool)
    outcome = prove(graph, graph.program(program), [known[c] for c in pool], starts)
    real = truth(program, starts)
    assert outcome.holds <= real.always
    judge = Runner(Program({}, _still(program), {str(i): fact for i, fact in enumerate(outcome.facts)}))
    for row in real.states():
        _, true = judge.step(row, {}, 1)
        assert all(true.values())


def _still(program: Program) -> dict[str, State]:
    return {n: replace(s, next=Expr(Op.PREVIOUS, s.type, (), n)) for n, s in program.states.items()}


def test_most_of_what_is_so_is_proved() -> None:
    """Or the test above would be an empty one: of the clauses that are true in every scan, nine in ten."""
    true = found = 0
    for seed in range(4):
        rng = random.Random(seed)
        program, graph = tiny_program(rng), Graph()
        pool = candidates(rng)[:60]
        known = graph.take(pool)
        holds = prove(graph, graph.program(program), [known[c] for c in pool]).holds
        always = truth(program).always
        true, found = true + len(always), found + len(holds & always)
    assert found > 0.9 * true > 10
