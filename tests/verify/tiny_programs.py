"""Random programs so small that every scan of every reachable state can be tried; what is so in all of them is truth.

A seeded generator -> a program of two owners and everybody, with clauses; a program -> what its reachable states are
and which outputs are true in every scan. Time has a say only as far as the alphabet knows it, so nothing is missed.
"""

import random
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np

from sidetap.scheme import (
    Builder,
    Expr,
    Op,
    Program,
    Type,
    Value,
    all_of,
    any_of,
    choose,
    constant,
    elapsed,
    minimum,
)
from sidetap.scheme.arrays import ArrayRunner

TIMES_MS = (1, 2, 3)
MOST = 4  # of whole-number states
OWNERS = {
    "A.p": "A",
    "A.q": "A",
    "A.n": "A",
    "a": "A",
    "i": "A",
    "B.p": "B",
    "B.q": "B",
    "B.n": "B",
    "b": "B",
}


def within(x: Expr) -> Expr:
    """Return a number held in 0..MOST."""
    low = choose(x < 0, 0, x)
    return minimum(low, MOST)


def tiny_program(rng: random.Random, clauses: int = 10) -> Program:
    """Return a program of random states, and of outputs that often are true."""
    b = Builder()
    flags = [b.input_bool("a"), b.input_bool("b")]
    numbers = [b.input_int("i", -1, 2), minimum(elapsed(), max(TIMES_MS)), constant(rng.randint(0, MOST))]
    flag_states = ["A.p", "A.q", "B.p", "B.q", "site.p"]
    flags += [b.state_bool(n, rng.random() < 0.3) for n in flag_states]
    numbers += [b.state_int(n, rng.randint(0, 1), 0, MOST) for n in ("A.n", "B.n")]
    for _ in range(14):
        c, d, x, y = rng.choice(flags), rng.choice(flags), rng.choice(numbers), rng.choice(numbers)
        flags.append(
            rng.choice(
                [c & d, c | d, ~c, choose(c, d, x < y), x < y, x <= y, x.equals(y), all_of(c, ~d, x < 2), d & ~c]
            )
        )
        numbers.append(within(rng.choice([x + y, x - y, choose(c, x, y), choose(c, x + 1, 0), minimum(x, y)])))
    following = [b.assign(n, rng.choice(flags[7:])) for n in flag_states]
    counts = [b.assign(n, rng.choice(numbers[5:])) for n in ("A.n", "B.n")]
    befores = [Expr(Op.PREVIOUS, Type.BOOL, (), n) for n in flag_states]
    for i in range(clauses):
        c, d, e = (rng.choice(following + befores) for _ in range(3))
        n, m = rng.sample(counts, 2)
        k = rng.randint(0, MOST)
        said = [
            ~c | d,
            ~c | ~d,
            any_of(c, d, e),
            n <= k,
            n >= k,
            n <= m,
            ~c | (n <= k),
            ~c | d | (n <= k),
            rng.choice(flags),
        ]
        b.output(f"clause {i}", rng.choice(said))
    return b.program()


def candidates(rng: random.Random) -> list[Expr]:
    """Return sentences about the states of such programs, true and false ones."""
    flags = [Expr(Op.PREVIOUS, Type.BOOL, (), n) for n in ("A.p", "A.q", "B.p", "B.q", "site.p")]
    n, m = (Expr(Op.PREVIOUS, Type.INT, (), name) for name in ("A.n", "B.n"))
    said = [s for c, d in product(flags, flags) if c is not d for s in (~c | d, ~c | ~d, c | d)]
    said += [*flags, *(~f for f in flags), n <= m, m <= n]
    said += [s for k in range(MOST) for x in (n, m) for s in (x <= k, x > k, *(~f | (x <= k) for f in flags))]
    rng.shuffle(said)
    return said


@dataclass(frozen=True, slots=True)
class Truth:
    """Every reachable state as a row in the order of names, and the outputs that are true in every scan."""

    names: tuple[str, ...]
    rows: frozenset[tuple[int, ...]]
    always: frozenset[str]

    def states(self) -> Iterator[Mapping[str, int]]:
        """Yield the reachable states, those before the first scan apart, which need not come again."""
        return (dict(zip(self.names, row, strict=True)) for row in self.rows)


def truth(program: Program, starts: Mapping[str, Value] | None = None) -> Truth:
    """Return what is so in every scan; starts: inputs whose value in the first scan is known."""
    runner, names = ArrayRunner(program), tuple(program.states)
    values = [(False, True) if i.type is Type.BOOL else range(i.low, i.high + 1) for i in program.inputs.values()]
    letters = [dict(zip([*program.inputs, ""], row, strict=True)) for row in product(*values, TIMES_MS)]
    first = [letter for letter in letters if all(letter[n] == v for n, v in (starts or {}).items())]
    always = set(program.outputs)
    met: set[tuple[int, ...]] = set()
    frontier = {tuple(int(s.first) for s in program.states.values())}
    alphabet = first
    while frontier:
        found = _step(runner, program, names, sorted(frontier), alphabet, always)
        frontier, alphabet = found - met, letters
        met |= found
    return Truth(names, frozenset(met), frozenset(always))


def _step(
    runner: ArrayRunner,
    program: Program,
    names: Iterable[str],
    rows: list[tuple[int, ...]],
    alphabet: list[dict[str, int]],
    always: set[str],
) -> set[tuple[int, ...]]:
    columns = np.repeat(np.array(rows), len(alphabet), axis=0).T
    states = {
        n: c.astype(bool) if program.states[n].type is Type.BOOL else c for n, c in zip(names, columns, strict=True)
    }
    inputs = {n: np.tile(np.array([letter[n] for letter in alphabet]), len(rows)) for n in program.inputs}
    times_ms = np.tile(np.array([letter[""] for letter in alphabet]), len(rows))
    after, outputs = runner.step(states, inputs, times_ms)
    always -= {n for n, column in outputs.items() if not np.all(column)}
    lanes = [np.broadcast_to(after[n], times_ms.shape).astype(int) for n in names]
    return {tuple(map(int, row)) for row in np.unique(np.stack(lanes, axis=1), axis=0)}
