"""The runner for many scenarios at once: a program, written out once as NumPy calls, one lane a scenario.

Arrays of states, inputs and elapsed times come in, arrays of states and outputs go out, bit for bit what the
reference runner says of each lane. Nothing that comes in is written to. NumPy is needed here alone: the station,
which does without, imports the package and not this module.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any

import numpy as np

from sidetap.scheme.array_writing import Lanes, array_source
from sidetap.scheme.expression import Type
from sidetap.scheme.program import Program
from sidetap.scheme.ranges import MOST_MS, Range, declared, kind_of
from sidetap.scheme.runner import InputOutOfRange

BEST_LANES = 8192  # as many as go through a program of some hundred states fastest


class StateOutOfRange(ValueError):
    """A state left the range it was declared with, on which the widths of numbers stand."""


class ArrayRunner:
    """Steps one program for many lanes. Holds no state of its own but the program and its buffers."""

    def __init__(self, program: Program, outputs: Collection[str] | None = None) -> None:
        """Write out and compile; outputs: the names of those that are wanted, all where it is None.

        OverflowError when a value may need more than 64 bits.
        """
        self.program = program
        wanted = program.outputs if outputs is None else set(outputs)
        self.outputs = tuple(name for name in program.outputs if name in wanted)
        written = array_source(program, self.outputs)
        names: dict[str, Any] = {"np": np, "StateOutOfRange": StateOutOfRange, **written.constants}
        exec(compile(written.text, "<scheme>", "exec"), names)  # noqa: S102  (our own text, from checked nodes)
        self._scan: Callable[..., tuple[list[Lanes], list[Lanes]]] = names["scan"]
        self._buffer_kinds = written.buffer_kinds
        self._buffers: list[Lanes] = []

    def first_states(self, lanes: int) -> dict[str, Lanes]:
        """Return the states of so many scenarios before their first scan."""
        return {n: np.full(lanes, s.first, kind_of(s.type, declared(s))) for n, s in self.program.states.items()}

    def step(
        self, states: Mapping[str, Lanes], inputs: Mapping[str, Lanes], elapsed_ms: Lanes
    ) -> tuple[dict[str, Lanes], dict[str, Lanes]]:
        """Run one scan of each lane; what goes out may be the very arrays that came in.

        states: as ``first_states`` and ``step`` return them. inputs: bool or whole numbers. elapsed_ms: 1..MOST_MS.
        InputOutOfRange when they are not what was declared, StateOutOfRange when a state leaves its range.
        """
        given = [checked(n, inputs[n], d.type, declared(d)) for n, d in self.program.inputs.items()]
        elapsed = checked("elapsed_ms", elapsed_ms, Type.INT, Range(1, MOST_MS))
        lanes = len(elapsed)
        if not self._buffers or len(self._buffers[0]) != lanes:
            self._buffers = [np.empty(lanes, kind) for kind in self._buffer_kinds]
        before = [states[name] for name in self.program.states]
        following, outputs = self._scan(before, given, elapsed, self._buffers, lanes)
        return (
            dict(zip(self.program.states, following, strict=True)),
            dict(zip(self.outputs, outputs, strict=True)),
        )


def checked(name: str, values: Lanes, kind: Type, allowed: Range) -> Lanes:
    """Return values in the kind of number that holds what is allowed; InputOutOfRange when they are not that."""
    if (values.dtype == np.bool_) is not (kind is Type.BOOL):
        raise InputOutOfRange(f"{name} is {values.dtype}, not {kind}")
    if kind is Type.INT:
        low, high = int(values.min()), int(values.max())
        if low < allowed.low or high > allowed.high:
            raise InputOutOfRange(f"{name} is {low}..{high}, outside {allowed.low}..{allowed.high}")
    return values.astype(kind_of(kind, allowed), copy=False)
