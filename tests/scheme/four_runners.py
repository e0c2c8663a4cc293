"""One program through all runners: the reference, the generated ones, many lanes both ways, and the solver."""

from collections.abc import Mapping, Sequence

import numpy as np

from sidetap.scheme import Expr, GeneratedRunner, ListRunner, Op, Program, Runner, Value
from sidetap.scheme.array_writing import Lanes
from sidetap.scheme.arrays import ArrayRunner
from sidetap.scheme.lanes import LaneRunner, Rows
from sidetap.verify import smt

Values = Mapping[str, Value]


class FourRunners:
    """Steps one program four times over and fails where they differ by a bit."""

    def __init__(self, program: Program) -> None:
        self.program = program
        self.reference = Runner(program)
        self._generated = GeneratedRunner(program)
        every_second = list(program.outputs)[::2]
        self._lists = ListRunner(program, every_second)
        self._arrays = ArrayRunner(program)

    def step(self, states: Values, inputs: Values, elapsed_ms: int, solve: bool = True) -> tuple[Values, Values]:
        """Run one scan; solve: by the solver too."""
        said = following, outputs = self.reference.step(states, inputs, elapsed_ms)
        assert _typed(self._generated.step(states, inputs, elapsed_ms)) == _typed(said)
        self._by_lists(states, inputs, elapsed_ms, said)
        lanes = self._arrays.step(_lanes([states]), _lanes([inputs]), np.array([elapsed_ms]))
        assert [_lane(lanes[0], 0), _lane(lanes[1], 0)] == [following, outputs]
        if solve:
            self._solve(states, inputs, elapsed_ms, said)
        return said

    def _by_lists(self, states: Values, inputs: Values, elapsed_ms: int, said: tuple[Values, Values]) -> None:
        runner = self._lists
        state_list, input_list = [states[n] for n in runner.states], [inputs[n] for n in runner.inputs]
        before = state_list.copy()
        following, outputs = runner.step(state_list, input_list, elapsed_ms)
        others = runner.others(state_list, input_list, elapsed_ms)
        assert state_list == before
        assert dict(zip(runner.states, following, strict=True)) == said[0]
        assert dict(zip(runner.outputs, outputs, strict=True)) | others == said[1]

    def _solve(self, states: Values, inputs: Values, elapsed_ms: int, said: tuple[Values, Values]) -> None:
        """Ask whether the scan can go otherwise, which it can't, after whether it can go at all."""
        program, scan, solver = self.program, smt.Scan(self.program), smt.Solver()
        given = [Expr(Op.INPUT, program.inputs[n].type, (), n).equals(v) for n, v in inputs.items()]
        solver.add(*scan.bounds(elapsed_ms), *(scan.term(e) for e in given))
        if states:
            solver.add(scan.states_are(states))
        assert solver.ask() not in (False, None)
        same = [program.states[n].next.equals(v) for n, v in said[0].items()]
        same += [program.outputs[n].equals(v) for n, v in said[1].items()]
        assert solver.ask_with(smt.some([smt.negation(scan.term(e)) for e in same])) is False


def _typed(said: tuple[Values, Values]) -> list[tuple[str, type, Value]]:
    return [(name, type(value), value) for values in said for name, value in values.items()]


def _lanes(rows: Sequence[Values]) -> dict[str, Lanes]:
    return {name: np.array([row[name] for row in rows]) for name in rows[0]}


def _lane(lanes: Mapping[str, Lanes], lane: int) -> Values:
    return {name: values[lane].item() for name, values in lanes.items()}


def filled(rows: Rows, values: Mapping[str, Lanes]) -> Rows:
    """Return rows with these values in them."""
    for name in rows:
        rows[name][:] = values[name]
    return rows


def lanes_agree(program: Program, rows: Sequence[Sequence[Values]], elapsed_ms: Sequence[Sequence[int]]) -> None:
    """Run scans of many lanes at once, both ways, and each lane through the reference.

    rows: by scan, then by lane; a multiple of WIDTH lanes.
    """
    arrays, compiled, reference = ArrayRunner(program), LaneRunner(program), Runner(program)
    lanes = len(elapsed_ms[0])
    states, compiled_states = arrays.first_states(lanes), compiled.first_states(lanes)
    apart = [reference.first_states() for _ in range(lanes)]
    for inputs, times in zip(rows, elapsed_ms, strict=True):
        given = _lanes(inputs)
        compiled_given = filled(compiled.inputs(lanes), given)
        came = [*states.items(), *given.items(), *compiled_states.items(), *compiled_given.items()]
        kept = [(n, v, v.copy()) for n, v in came]
        states, outputs = arrays.step(states, given, np.array(times))
        compiled_states, compiled_outputs = compiled.step(compiled_states, compiled_given, np.array(times))
        for name, values, before in kept:
            assert np.array_equal(values, before), name
        for lane in range(lanes):
            apart[lane], told = reference.step(apart[lane], inputs[lane], times[lane])
            assert _lane(states, lane) == _lane(compiled_states, lane) == apart[lane]
            assert _lane(outputs, lane) == _lane(compiled_outputs, lane) == told
