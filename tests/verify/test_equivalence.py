"""Two programs beside each other: told equal only when no output can ever differ; and what a bay must not look at."""

import random
from collections.abc import Mapping

import pytest
from tiny_programs import MOST, TIMES_MS, tiny_program

from sidetap.promises.model import Independence
from sidetap.scheme import (
    TRUE,
    Builder,
    Expr,
    Op,
    Program,
    Runner,
    Type,
    Value,
    choose,
    constant,
    elapsed,
    minimum,
    ordered,
    times,
)
from sidetap.verify import equivalent
from sidetap.verify.equivalence import is_independent


def timer(
    name: str = "ms",
    limit: int = 500,
    most: int = 800,
    first: int = 0,
    turned: bool = False,
    idle: int = 7,
    lamp: int = 3,
) -> Program:
    """A time that a key runs for: its output says whether it is over."""
    b = Builder()
    key, stop = b.input_bool("key"), b.input_bool("stop")
    ms, was = b.state_int(name, first, 0, 1000), b.state_bool(f"{name}.was")
    b.state_int("unused", idle, 0, 10)
    b.assign("unused", constant(idle))
    runs = (~stop & key) if turned else (key & ~stop)
    ms_now = b.assign(name, minimum(choose(runs, ms + elapsed(), 0), most))
    b.assign(f"{name}.was", runs)
    b.output("over", (ms_now >= limit) & was)
    b.output("lamp", choose(key, times(lamp, constant(2)), 0))
    return b.program()


def test_programs_that_say_the_same() -> None:
    assert equivalent(timer(), timer())
    assert equivalent(timer(), timer(name="other"))
    assert equivalent(timer(), timer(turned=True))
    assert equivalent(timer(), timer(idle=8))  # a constant that no output looks at


@pytest.mark.parametrize(
    "change",
    [{"limit": 501}, {"first": 600}, {"lamp": 4}, {"most": 499}],
    ids=str,
)
def test_programs_that_differ_in_one_number(change: Mapping[str, int]) -> None:
    changed = timer(**change)  # type: ignore[arg-type]  # every change in the table is a number for a number
    assert not equivalent(timer(), changed)
    assert not equivalent(changed, timer())


def test_a_number_beyond_what_matters_needs_a_word_of_help_or_is_not_shown() -> None:
    """Two times that saturate apart and say the same: never told different, and never told equal without a proof."""
    assert not equivalent(timer(limit=500, most=500), timer(limit=500, most=501))


def test_an_output_that_the_second_has_not() -> None:
    program = timer()
    fewer = Program(program.inputs, program.states, {"over": program.outputs["over"]})
    assert not equivalent(program, fewer)
    assert equivalent(fewer, program)


def test_a_difference_in_the_first_scan_alone() -> None:
    def program(first: bool) -> Program:
        b = Builder()
        was = b.state_bool("was", first)
        b.assign("was", b.input_bool("x"))
        b.output("o", was)
        return b.program()

    assert equivalent(program(False), program(False))
    assert not equivalent(program(False), program(True))


def test_a_lemma_shows_what_no_scan_alone_can_and_a_wrong_one_nothing() -> None:
    """Two flags that are never on together, for one is never on while the other is never off."""

    def program(both: bool) -> Program:
        b = Builder()
        x, p, q = b.input_bool("x"), b.state_bool("p"), b.state_bool("q", True)
        b.assign("p", p | (x & ~q))
        b.assign("q", q | (x & p))
        b.output("o", ~(p & q) if both else TRUE)
        return b.program()

    p, q = (Expr(Op.PREVIOUS, Type.BOOL, (), n) for n in "pq")
    assert equivalent(program(True), program(False), [~p, q])
    assert equivalent(program(True), program(False), [~q, p, q, ~p])
    for lemmas in ([], [~p], [q], [~q, ~p]):
        assert not equivalent(program(True), program(False), lemmas)


def test_ranges_are_not_taken_for_granted() -> None:
    """A count beyond its range, which one program shows and the other denies."""

    def program(shown: bool) -> Program:
        b = Builder()
        n = b.state_int("n", 0, 0, 10)
        following = b.assign("n", minimum(n + 1, 20))
        b.output("o", (n > 15) | (following > 18) if shown else ~TRUE)
        return b.program()

    assert not equivalent(program(True), program(False))


@pytest.mark.parametrize("seed", range(16))
def test_random_changes_that_are_told_equal_are_not_seen(seed: int) -> None:
    """One node of a random program is changed; where that is called no change, no random run may show any."""
    rng = random.Random(seed)
    program = tiny_program(rng, clauses=4)
    changed = one_node_changed(rng, program)
    if equivalent(program, changed):
        assert seen_different(rng, program, changed) is None
    else:
        assert program.digest() != changed.digest()


def one_node_changed(rng: random.Random, program: Program) -> Program:
    roots = [s.next for s in program.states.values()] + list(program.outputs.values())
    nodes = [n for n in ordered(roots) if n.type is Type.BOOL and n.args]
    chosen, new = rng.choice(nodes), dict[Expr, Expr]()
    for node in ordered(roots):
        args = tuple(new[a] for a in node.args)
        same = all(a is b for a, b in zip(args, node.args, strict=True))
        new[node] = node if same else Expr(node.op, node.type, args, node.value)
        if node is chosen:
            n = Expr(Op.PREVIOUS, Type.INT, (), "A.n")
            new[node] = new[node] | n.equals(rng.randint(0, MOST)) | (n > rng.randint(1, MOST))
    with_states = program
    for name, s in program.states.items():
        with_states = with_states.with_next(name, new[s.next])
    for name, e in program.outputs.items():
        with_states = with_states.with_output(name, new[e])
    return with_states


def seen_different(rng: random.Random, before: Program, after: Program) -> int | None:
    """Return the scan of a random run in which the outputs differ."""
    one, two = Runner(before), Runner(after)
    first, second = one.first_states(), two.first_states()
    for scan in range(150):
        inputs: dict[str, Value] = {"a": rng.random() < 0.5, "b": rng.random() < 0.5, "i": rng.randint(-1, 2)}
        elapsed_ms = rng.choice(TIMES_MS)
        first, said = one.step(first, inputs, elapsed_ms)
        second, other = two.step(second, inputs, elapsed_ms)
        if said != other:
            return scan
    return None


# -- independence ----------------------------------------------------------------------------------------------------


def bay_beside_another(through: str = "") -> Program:
    """A bay that shares a vessel with another. through: how what that is asked gets to its command, if it does."""
    b = Builder()
    ask, other = b.input_bool("A.ask"), b.input_bool("B.ask")
    taken, seen, later = (b.state_bool(n) for n in ("vessel.taken", "A.seen", "A.later"))
    b.output("vessel.taken", b.assign("vessel.taken", other & ~taken))
    is_free = b.output("vessel.free", ~other | taken)
    b.assign("A.seen", other if through == "a state" else ask)
    b.assign("A.later", seen)
    ways = {"an input": ~other, "a number": choose(other, 1, 2) < 2, "a state": later}
    b.output("A.command", ask & ~taken & is_free & ways.get(through, later))
    b.output("A.lamp", ask)
    b.output("B.command", other)
    return b.program()


ALL = ("vessel.taken", "vessel.free")


@pytest.mark.parametrize(
    ("through", "outputs", "channels", "expected"),
    [
        ("", ("A.command", "A.lamp"), ALL, True),
        ("an input", ("A.command",), ALL, False),
        ("a number", ("A.lamp", "A.command"), ALL, False),
        ("a state", ("A.command",), ALL, False),
        ("a state", ("A.lamp",), (), True),
        ("", ("A.command",), ("vessel.taken",), False),  # by the output of this scan
        ("", ("A.command",), ("vessel.free",), False),  # by the state of the scan before
        ("", ("A.command", "elsewhere"), (*ALL, "nowhere"), True),
        ("", ("B.command",), ALL, False),
    ],
)
def test_a_way_for_foreign_inputs_is_found_and_channels_are_none(
    through: str, outputs: tuple[str, ...], channels: tuple[str, ...], expected: bool
) -> None:
    program = bay_beside_another(through)
    assert is_independent(program, Independence(outputs, ("B.ask",), channels)) is expected


def test_inputs_that_are_not_foreign_have_their_way() -> None:
    program = bay_beside_another("a state")
    assert is_independent(program, Independence(("A.command",), ("nobody's",), ()))


def test_a_channel_s_state_is_one_too_whatever_its_output_is() -> None:
    b = Builder()
    ask, other, taken = b.input_bool("A.ask"), b.input_bool("B.ask"), b.state_bool("vessel.taken")
    b.assign("vessel.taken", other & ~taken)
    b.output("vessel.taken", taken & ~other)
    b.output("A.command", ask & ~taken)
    program = b.program()
    assert is_independent(program, Independence(("A.command",), ("B.ask",), ("vessel.taken",)))
    assert not is_independent(program, Independence(("A.command",), ("B.ask",), ()))
