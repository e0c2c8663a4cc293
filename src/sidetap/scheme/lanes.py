"""The runner for very many scenarios: a program, compiled by LLVM to vector instructions, one lane a scenario.

Rows of states and inputs and an array of elapsed times come in, rows of states and outputs go out, bit for bit what
the reference runner says of each lane. It takes a second or two to compile a yard's program, where the NumPy runner
in ``arrays`` is ready at once: that one is for some tries of a program, this one for millions. The station imports
neither.
"""

from __future__ import annotations

import ctypes
from collections.abc import Collection, Iterator, Mapping

import llvmlite.binding as llvm
import numpy as np

from sidetap.scheme.array_writing import Lanes
from sidetap.scheme.arrays import ArrayRunner, checked
from sidetap.scheme.expression import Type
from sidetap.scheme.lane_writing import ARGUMENTS, WIDTH, LaneWriter, Layout
from sidetap.scheme.program import Program
from sidetap.scheme.ranges import MOST_MS, Range

BEST_LANES = 1008  # of a yard of some hundred states: what goes in and out of a scan stays near the processor


class Rows(Mapping[str, Lanes]):
    """Values by name, one for each lane: views into one piece of memory."""

    def __init__(self, layout: Layout, lanes: int) -> None:
        """Make room; lanes: a multiple of WIDTH, else ValueError. What stands there at first is anything."""
        if lanes < 1 or lanes % WIDTH:
            raise ValueError(f"{lanes} lanes are no multiple of {WIDTH}")
        self.layout = layout
        self.lanes = lanes
        self._memory = np.empty(lanes * layout.lane_bytes, np.uint8)
        self.address = _address(self._memory)

    def __getitem__(self, name: str) -> Lanes:
        kind, before = self.layout.rows[name]
        return np.frombuffer(self._memory, kind, self.lanes, before * self.lanes)

    def __iter__(self) -> Iterator[str]:
        return iter(self.layout.rows)

    def __len__(self) -> int:
        return len(self.layout.rows)


class LaneRunner:
    """Steps one program for many lanes. Holds no state of its own but the program."""

    def __init__(self, program: Program, outputs: Collection[str] | None = None) -> None:
        """Write out and compile; outputs: the names of those that are wanted, all where it is None.

        OverflowError when a value may need more than 64 bits.
        """
        self.program = program
        wanted = program.outputs if outputs is None else set(outputs)
        self._writer = LaneWriter(program, [name for name in program.outputs if name in wanted])
        self._compiled = _compiled(self._writer.text)
        scan = ctypes.CFUNCTYPE(ctypes.c_bool, *[ctypes.c_void_p] * len(ARGUMENTS), ctypes.c_int64)
        self._scan = scan(self._compiled.get_function_address("scan"))

    def first_states(self, lanes: int) -> Rows:
        """Return the states of so many scenarios, a multiple of WIDTH, before their first scan."""
        states = Rows(self._writer.states, lanes)
        for name, state in self.program.states.items():
            states[name][:] = state.first
        return states

    def inputs(self, lanes: int) -> Rows:
        """Return rows of inputs for so many scenarios, to be written to."""
        return Rows(self._writer.inputs, lanes)

    def step(self, states: Rows, inputs: Rows, elapsed_ms: Lanes) -> tuple[Rows, Rows]:
        """Run one scan of each lane; nothing that comes in is written to.

        elapsed_ms: 1..MOST_MS. InputOutOfRange when an input is not what was declared, StateOutOfRange when a state
        leaves its range.
        """
        lanes = len(elapsed_ms)
        if (states.layout, inputs.layout) != (self._writer.states, self._writer.inputs):
            raise ValueError("rows of another runner")
        if not states.lanes == inputs.lanes == lanes:
            raise ValueError(f"{states.lanes} lanes of states, {inputs.lanes} of inputs, {lanes} of times")
        times = np.ascontiguousarray(checked("elapsed_ms", elapsed_ms, Type.INT, Range(1, MOST_MS)))
        following, outputs = Rows(self._writer.states, lanes), Rows(self._writer.outputs, lanes)
        if self._scan(states.address, inputs.address, _address(times), following.address, outputs.address, lanes):
            ArrayRunner(self.program, []).step(states, inputs, elapsed_ms)  # tells what it is
            raise AssertionError("one runner finds a value outside its range, and one does not")
        return following, outputs


def _address(values: Lanes) -> int:
    address: int = values.__array_interface__["data"][0]
    return address


def _compiled(text: str) -> llvm.ExecutionEngine:
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    machine = llvm.Target.from_default_triple().create_target_machine(
        cpu=llvm.get_host_cpu_name(), features=llvm.get_host_cpu_features().flatten(), opt=2
    )
    engine = llvm.create_mcjit_compiler(llvm.parse_assembly(text), machine)
    engine.finalize_object()
    return engine
