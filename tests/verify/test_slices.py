"""Slices: what holds in one holds in the whole, and a key is shared by those alone that are equal but for names."""

import random
from collections.abc import Mapping

import pytest
from tiny_programs import OWNERS, candidates, tiny_program, truth

from sidetap.scheme import Builder, Expr, Op, Program, Type, any_of, choose, minimum
from sidetap.verify import facts
from sidetap.verify.graph import Graph
from sidetap.verify.slices import EVERYBODY, Cut, Slice, Speakers, cut_out


def two_bays(one: str = "A", two: str = "B") -> Program:
    """Return the program of a bay that opens under a height that another owner watches."""
    b = Builder()
    ask, other, stop = b.input_bool(f"{one}.ask"), b.input_bool(f"{two}.ask"), b.input_bool("stop")
    height = b.input_int(f"{two}.height", 0, 100)
    is_open, open_ms = b.state_bool(f"{one}.open"), b.state_int(f"{one}.ms", 0, 0, 9)
    is_full, is_empty = b.state_bool(f"{two}.full"), b.state_bool(f"{two}.empty")
    now = b.assign(f"{one}.open", ask & ~stop & (open_ms < 5) & (height < 50) & ~is_full)
    ms = b.assign(f"{one}.ms", choose(now, minimum(open_ms + 1, 5), 0))
    b.assign(f"{two}.full", ~(height < 50))
    b.assign(f"{two}.empty", (height < 10) & ~other)
    b.output("stop closes", ~(now & stop))
    b.output("counts to five", ms <= 5)
    b.output("not when it was full", ~(now & is_full))
    b.output("full or empty", ~(is_full & is_empty & is_open))
    b.output("opens when asked", ~ask | now)
    return b.program()


def sliced(
    program: Program,
    outputs: tuple[str, ...],
    wanted: tuple[str, ...] = ("A",),
    states: tuple[str, ...] = (),
    at: Cut = Cut.SAYINGS,
    owners: Mapping[str, str] | None = None,
) -> tuple[Graph, Slice]:
    graph = Graph()
    names = [*program.states, *program.inputs]
    of = {n: n.split(".")[0] for n in names if "." in n and not n.startswith("site.")} if owners is None else owners
    of = dict.fromkeys(program.states, EVERYBODY) | dict(of)
    part = cut_out(graph, graph.program(program), Speakers(of), {*wanted, EVERYBODY}, outputs, states, at)
    return graph, part


def proved(graph: Graph, part: Slice) -> set[str]:
    full, empty = (Expr(Op.PREVIOUS, Type.BOOL, (), f"B.{w}") for w in ("full", "empty"))
    fact = ~(full & empty)
    return set(facts.prove(graph, part.program, [graph.take([fact])[fact]], part.starts).holds)


def test_a_slice_keeps_its_owners_states_and_what_others_say_is_free() -> None:
    _, part = sliced(two_bays(), ("opens when asked", "full or empty"))
    assert set(part.program.states) == {"A.open", "A.ms"}
    kinds = {n: i.type for n, i in part.program.inputs.items()}
    (height,) = kinds.keys() - {"A.ask", "stop", "B.full before", "B.empty before"}
    assert height.startswith("free")  # what the height says is a flag, for the number is B's
    assert set(kinds.values()) == {Type.BOOL}
    assert dict(part.starts) == {"B.full before": False, "B.empty before": False}


def test_not_loose_the_numbers_of_others_stay() -> None:
    _, part = sliced(two_bays(), ("opens when asked",), at=Cut.STATES)
    assert set(part.program.states) == {"A.ms"}
    assert set(part.program.inputs) == {"A.ask", "stop", "B.height", "B.full before"}


def test_what_others_say_together_is_one_flag_where_it_meets_what_is_kept() -> None:
    """Five vessels before A and five after it: where only verdicts count, their slices are alike."""
    b = Builder()
    tags = [*(f"B{i}" for i in range(5)), "A", *(f"C{i}" for i in range(5))]
    before = {t: b.state_int(f"{t}.ms", 0, 0, 9) for t in tags}
    runs = ~any_of(*(ms > 0 for ms in before.values()))
    for n, tag in enumerate(tags):
        asks = [b.input_bool(f"{t}.ask") if t == tag else before[t] > 5 for t in tags[: n + 1]]
        b.assign(f"{tag}.ms", choose(asks[n] & runs & ~any_of(*asks[:n]), 9, minimum(before[tag], 3)))
    _, part = sliced(b.program(), (), states=("A.ms",), at=Cut.VERDICTS)
    assert set(part.program.states) == {"A.ms"}
    assert "A.ask" in part.program.inputs
    assert len(part.program.inputs) == 3  # who runs, and who asked before
    keys = {t: sliced(b.program(), (), (t,), (f"{t}.ms",), at=Cut.VERDICTS)[1].key for t in tags[1:]}
    assert len(set(keys.values())) == 1
    _, near = sliced(b.program(), (), states=("A.ms",))
    assert len(near.program.inputs) > 10


def test_what_others_and_everybody_say_together_is_free_too() -> None:
    b = Builder()
    up, far = b.state_int("site.up", 0, 0, 9), b.state_int("B.far", 3, 2, 7)
    b.assign("site.up", up)
    b.assign("B.far", far)
    b.output("o", (far < up) | (up < 5))
    _, part = sliced(b.program(), ("o",))
    assert set(part.program.states) == {"site.up"}
    assert [i.type for i in part.program.inputs.values()] == [Type.BOOL]
    assert dict(part.starts) == {"free 0": False}


def test_a_free_number_has_its_state_s_bounds() -> None:
    b = Builder()
    far = b.state_int("B.far", 3, 2, 7)
    b.assign("B.far", far)
    b.output("o", far < b.input_int("A.x", 0, 9))
    _, part = sliced(b.program(), ("o",))
    i = part.program.inputs["B.far before"]
    assert (i.type, i.low, i.high) == (Type.INT, 2, 7)


@pytest.mark.parametrize(
    ("owners", "holds"),
    [
        (("A",), {"stop closes", "counts to five", "not when it was full"}),
        (("A", "B"), {"stop closes", "counts to five", "not when it was full", "full or empty"}),
    ],
)
def test_what_only_others_make_true_is_proved_with_them_alone(owners: tuple[str, ...], holds: set[str]) -> None:
    assert proved(*sliced(two_bays(), tuple(two_bays().outputs), owners)) == holds


@pytest.mark.parametrize("seed", range(6))
def test_what_holds_in_a_slice_holds_in_the_whole(seed: int) -> None:
    """Each owner's slice, cut at each of the three places, of random programs whose every state can be tried."""
    rng = random.Random(seed)
    program, said = tiny_program(rng), candidates(rng)[:30]
    always = truth(program).always
    for wanted in (("A",), ("B",), ()):
        for at in Cut:
            graph, part = sliced(program, tuple(program.outputs), wanted, at=at, owners=OWNERS)
            known = graph.take(said)
            outcome = facts.prove(graph, part.program, [known[c] for c in said], part.starts)
            assert outcome.holds <= always


def test_slices_that_are_equal_but_for_names_share_a_key_and_the_order_of_names() -> None:
    outputs = tuple(two_bays().outputs)
    (_, here), (_, there) = sliced(two_bays(), outputs), sliced(two_bays("N", "S"), outputs, ("N",))
    assert here.key == there.key
    renamed = {"A": "N", "B": "S"}
    assert [".".join(renamed.get(w, w) for w in n.split(".")) for n in here.names] == list(there.names)


def test_a_copy_that_was_built_in_another_order_shares_the_key() -> None:
    def built(turned: bool) -> Program:
        b = Builder()
        x, y = (b.input_bool(n) for n in (("A.y", "A.x") if turned else ("A.x", "A.y")))
        x, y = (y, x) if turned else (x, y)
        was = b.state_bool("A.was")
        b.assign("A.was", y)
        b.output("o", (was & x) | (x & ~y) if not turned else (~y & x) | (x & was))
        return b.program()

    assert sliced(built(False), ("o",))[1].key == sliced(built(True), ("o",))[1].key


def _keyed(  # one for each thing that a key must tell apart
    number: int = 5,
    top: int = 100,
    low: int = 0,
    high: int = 9,
    first: int = 0,
    flag: bool = False,
    unread: bool = False,
    unread_low: int = 0,
    foreign: bool = False,
    foreign_high: int = 7,
    less: bool = True,
    swapped: bool = False,
    turned: bool = False,
    both: bool = True,
    crossed: bool = False,
    flows: bool = True,
) -> str:
    b = Builder()
    x, y, go = b.input_int("A.x", 0, top), b.input_int("A.y", 0, 100), b.input_bool("A.go")
    n, was = b.state_int("A.n", first, low, high), b.state_bool("A.was", flag)
    b.state_bool("A.unread", unread)
    b.state_int("A.last", 3, unread_low, 100)
    there, far = b.state_bool("B.there", foreign), b.state_int("B.far", 1, 0, foreign_high)
    b.assign("A.n", choose(go, minimum(n + 1, number), n) if flows else choose(go, n, minimum(n + 1, number)))
    b.assign("A.was", go)
    b.assign("A.unread", go)
    b.assign("A.last", y)
    b.assign("B.there", go)
    b.assign("B.far", minimum(far, foreign_high))
    left, right = (y, x) if swapped else (x, y)
    compared = (left + n < right) if less else (left + n <= right)
    compared = (right < left + n) if turned else compared
    said = (compared & was) if both else (compared | was)
    b.output("o", said & (there | (n < far)))
    b.output("p", ~(go if crossed else was))
    graph = Graph()
    program = graph.program(b.program())
    of = {n: n.split(".")[0] for n in [*program.states, *program.inputs]}
    return cut_out(graph, program, Speakers(of), {"A"}, ("o", "p"), ("A.unread", "A.last")).key


DIFFERENT: list[dict[str, int]] = [
    {"number": 6},
    {"top": 101},
    {"low": -1},
    {"high": 10},
    {"first": 1},
    {"flag": True},
    {"unread": True},
    {"unread_low": -1},
    {"foreign": True},
    {"foreign_high": 8},
    {"less": False},
    {"swapped": True},
    {"turned": True},
    {"both": False},
    {"crossed": True},
    {"flows": False},
]


@pytest.mark.parametrize("change", DIFFERENT, ids=str)
def test_one_difference_makes_another_key(change: dict[str, int]) -> None:
    assert _keyed() == _keyed()
    assert _keyed(**change) != _keyed()  # type: ignore[arg-type]
