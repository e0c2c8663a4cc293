"""Twins and same nodes: what is always equal is found, and what differs once, anywhere, is not merged."""

import random
from collections.abc import Mapping
from dataclasses import replace

import pytest
from tiny_programs import tiny_program, truth

from sidetap.scheme import TRUE, Builder, Expr, Op, Program, Type, choose, elapsed, minimum, times
from sidetap.verify.graph import Graph
from sidetap.verify.twins import same_nodes, twins


def found(b: Builder, claimed: Mapping[str, str] | None = None) -> dict[str, str]:
    graph = Graph()
    return twins(graph, graph.program(b.program()), claimed)


def test_equal_states_are_found_and_the_scheme_s_stands_for_a_judge_s() -> None:
    """A time that is kept in two ways, and a memory that is written in two."""
    b = Builder()
    x = b.input_bool("x")
    ms = b.state_int("judge.ms", 0, 0, 500)
    b.assign("judge.ms", choose(x, minimum(ms + elapsed(), 500), 0))
    kept = b.state_int("timer.ms", 0, 0, 500)
    b.assign("timer.ms", minimum(choose(x, kept + elapsed(), 0), 500))
    was, other = b.state_bool("judge.was"), b.state_bool("was")
    b.assign("judge.was", x & ~was)
    b.assign("was", ~(~x | other))
    assert found(b) == {"judge.ms": "timer.ms", "judge.was": "was"}


def test_states_that_are_equal_only_because_others_are() -> None:
    """Each pair needs the other: found together or not at all."""
    b = Builder()
    x = b.input_bool("x")
    p, q, n, m = b.state_bool("p"), b.state_bool("q"), b.state_int("n", 0, 0, 9), b.state_int("m", 0, 0, 9)
    b.assign("p", x & (m < 5))
    b.assign("q", (n < 5) & x)
    b.assign("n", choose(q, minimum(n + 1, 9), 0))
    b.assign("m", choose(p, minimum(m + 1, 9), 0))
    assert found(b) == {"q": "p", "m": "n"}


def test_a_difference_before_the_first_scan_alone() -> None:
    b = Builder()
    x = b.input_bool("x")
    b.state_bool("p", False)
    b.state_bool("q", True)
    b.assign("p", x)
    b.assign("q", x)
    assert found(b) == {}
    assert found(b, {"q": "p"}) == {}  # whoever claims it isn't believed either


@pytest.mark.parametrize("claim", [None, {"q": "p"}])
def test_a_difference_after_the_first_scan_alone(claim: Mapping[str, str] | None) -> None:
    """Every later scan makes both the same; the first leaves them apart."""
    b = Builder()
    x, started = b.input_bool("x"), b.state_bool("started")
    b.assign("started", TRUE)
    b.state_bool("p")
    b.state_bool("q")
    b.assign("p", x & started)
    b.assign("q", x)
    assert found(b, claim) == {}


def test_what_one_value_from_the_first_scan_on_makes_equal() -> None:
    """Apart in no scan at all, since nothing else differs in the first one."""
    b = Builder()
    x, started = b.input_bool("x"), b.state_bool("started")
    b.assign("started", TRUE)
    p, q = b.state_bool("p"), b.state_bool("q")
    b.assign("p", x & ~p)
    b.assign("q", choose(started, x & ~q, x))
    assert found(b) == {"q": "p"}


@pytest.mark.parametrize("claim", [None, {"q": "p"}])
def test_a_difference_long_after_the_first_scan(claim: Mapping[str, str] | None) -> None:
    b = Builder()
    x, n = b.input_bool("x"), b.state_int("n", 0, 0, 5000)
    b.assign("n", minimum(n + 1, 5000))
    p, q = b.state_bool("p"), b.state_bool("q")
    b.assign("p", x & ~p)
    b.assign("q", (x & ~q) | (n >= 5000))
    assert found(b, claim) == {}


@pytest.mark.parametrize("claim", [None, {"q": "p"}])
def test_a_difference_at_one_value_of_an_input_alone(claim: Mapping[str, str] | None) -> None:
    """One in a million: trying may miss it, the solver doesn't."""
    b = Builder()
    level = b.input_int("level", 0, 1_000_000)
    b.state_bool("p")
    b.state_bool("q")
    b.assign("p", level < 123_456)
    b.assign("q", (level < 123_456) & ~level.equals(98_765))
    assert found(b, claim) == {}


def test_a_difference_at_one_time_between_scans_alone() -> None:
    b = Builder()
    b.state_bool("p")
    b.state_bool("q")
    b.assign("p", elapsed() < 77)
    b.assign("q", elapsed() < 78)
    assert found(b) == {}


def test_what_a_wrong_claim_leaves_of_the_right_ones() -> None:
    b = Builder()
    x, y = b.input_bool("x"), b.input_bool("y")
    for name in "pqrs":
        b.state_bool(name)
        b.assign(name, x if name in "pq" else y)
    b.state_int("n", 0, 0, 1)
    b.assign("n", choose(x, 1, 0))
    assert found(b, {"q": "p", "s": "p", "r": "p"}) == {"q": "p", "s": "r"}
    assert found(b, {"n": "p", "nobody": "q"}) == {}  # of two kinds, or of nobody
    assert found(b, {}) == {}


@pytest.mark.parametrize("seed", range(10))
def test_twins_of_random_programs_are_equal_in_every_state(seed: int) -> None:
    """Programs with a copy of each state, of which some go another way somewhere."""
    rng = random.Random(seed)
    program = doubled(rng, tiny_program(rng))
    graph = Graph()
    said = twins(graph, graph.program(program))
    for row in truth(program).states():
        assert [(a, b) for a, b in said.items() if row[a] != row[b]] == []
    assert said or seed not in (0, 1)


def doubled(rng: random.Random, program: Program) -> Program:
    """Return the program with a second copy of its states; about one in three programs has a changed copy."""
    graph = Graph()
    normal = graph.program(program)
    become = {graph.previous(n, s.type): graph.previous(f"copy {n}", s.type) for n, s in normal.states.items()}
    known = graph.take([s.next for s in normal.states.values()], become)
    copies = {f"copy {n}": replace(s, name=f"copy {n}", next=known[s.next]) for n, s in normal.states.items()}
    if rng.random() < 0.6:
        name = f"copy {rng.choice(['A.p', 'B.q', 'site.p'])}"
        x = Expr(Op.PREVIOUS, Type.INT, (), "A.n")
        i = Expr(Op.INPUT, Type.INT, (), "i")
        copies[name] = replace(copies[name], next=copies[name].next | (x.equals(rng.randint(0, 4)) & i.equals(2)))
    return Program(normal.inputs, {**normal.states, **copies}, {})


# -- nodes -----------------------------------------------------------------------------------------------------------


def nodes_of(b: Builder, *nodes: Expr) -> dict[int, int]:
    """Return which of the nodes are said to equal an earlier one, by their places."""
    for i, n in enumerate(nodes):
        b.output(f"o{i}", n)
    graph = Graph()
    program = graph.program(b.program())
    listed = list(program.outputs.values())
    return {listed.index(a): listed.index(b) for a, b in same_nodes(program, listed).items()}


def test_nodes_that_are_equal_and_nodes_that_differ_at_one_value() -> None:
    b = Builder()
    x, p = b.input_int("x", 0, 1_000_000), b.state_int("p", 0, 0, 100)
    b.assign("p", minimum(x, 100))
    same = [(x < 50) & (x < 70), x < 50, x + x < 100]
    other = [(x < 50) & ~x.equals(17), (p < 101) & (x < 50), (p < 100) & (x < 50)]
    assert nodes_of(b, *same, *other) == {1: 0, 2: 0, 4: 0}


def test_nodes_that_are_equal_in_reach_but_not_everywhere_stay_apart() -> None:
    """The state is never true; the nodes are asked about from any state all the same."""
    b = Builder()
    x, never = b.input_bool("x"), b.state_bool("never")
    b.assign("never", never & x)
    assert nodes_of(b, x | never, x & ~never) == {}


def test_nodes_that_no_trying_tells_apart_are_parted_by_the_solver() -> None:
    """All are false at whatever is tried, since no number of theirs is where they are true."""
    b = Builder()
    x = b.input_int("x", 0, 1_000_000)
    here, there = times(3, x).equals(3 * 222_223), times(3, x).equals(3 * 777_776)
    assert nodes_of(b, here, there, here & (x > 5), there & (x > 6), here | there) == {2: 0, 3: 1}
