"""The reference runner: a program, stepped by plain Python.

``step(states, inputs, elapsed_ms) -> (states, outputs)`` is a pure function; whoever calls it keeps the states.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from operator import itemgetter, le
from typing import TypeAlias

from sidetap.scheme.expression import Op, Type, ordered
from sidetap.scheme.program import Input, Program

Value: TypeAlias = int | bool


class InputOutOfRange(ValueError):
    """An input outside its declared range, or of another type: the scheme was not verified for it."""


class InputCheck:
    """Looks at the inputs of every scan, in the order of their declarations."""

    def __init__(self, declared: Iterable[Input]) -> None:
        self._declared = tuple(declared)
        self._types: list[type] = [bool if d.type is Type.BOOL else int for d in self._declared]
        numbers = [(i, d) for i, d in enumerate(self._declared) if d.type is Type.INT]
        self._numbers = _picked([i for i, _ in numbers])
        self._low = [d.low for _, d in numbers]
        self._high = [d.high for _, d in numbers]

    def __call__(self, values: Sequence[Value], elapsed_ms: int) -> None:
        """Raise InputOutOfRange when an input is not what was declared, or elapsed_ms is under 1."""
        if elapsed_ms < 1:
            raise InputOutOfRange(f"{elapsed_ms} ms since the scan before; scans in one ms are one scan")
        numbers = self._numbers(values)
        if not (
            list(map(type, values)) == self._types
            and all(map(le, self._low, numbers))
            and all(map(le, numbers, self._high))
        ):
            self._tell(values)

    def _tell(self, values: Sequence[Value]) -> None:
        for declared, wanted, value in zip(self._declared, self._types, values, strict=True):
            if type(value) is not wanted:
                raise InputOutOfRange(f"{declared.name} is {value!r}, not {declared.type}")
            if declared.type is Type.INT and not declared.low <= value <= declared.high:
                raise InputOutOfRange(f"{declared.name} is {value}, outside {declared.low}..{declared.high}")


def _picked(places: Sequence[int]) -> Callable[[Sequence[Value]], tuple[Value, ...]]:
    """Return what takes the values at these places out of a sequence: a thousand inputs come in every scan."""
    if len(places) < 2:  # an itemgetter of one place gives no tuple
        return lambda values: tuple(values[i] for i in places)
    return itemgetter(*places)


class Runner:
    """Steps one program. Holds no state of its own but the program laid out in order."""

    def __init__(self, program: Program) -> None:
        self.program = program
        self._check = InputCheck(program.inputs.values())
        roots = [s.next for s in program.states.values()] + list(program.outputs.values())
        nodes = ordered(roots)
        place = {node: i for i, node in enumerate(nodes)}
        self._code = [(node.op, tuple(place[a] for a in node.args), node.value) for node in nodes]
        self._next = [(name, place[s.next]) for name, s in program.states.items()]
        self._outputs = [(name, place[e]) for name, e in program.outputs.items()]

    def first_states(self) -> dict[str, Value]:
        """Return the states before the first scan."""
        return {name: s.first for name, s in self.program.states.items()}

    def step(
        self, states: Mapping[str, Value], inputs: Mapping[str, Value], elapsed_ms: int
    ) -> tuple[dict[str, Value], dict[str, Value]]:
        """Run one scan; InputOutOfRange when an input is not what was declared, or elapsed_ms is under 1."""
        self._check([inputs[name] for name in self.program.inputs], elapsed_ms)
        v: list[int | bool] = []
        put = v.append
        for op, a, value in self._code:
            if op is Op.AND:
                put(all(v[i] for i in a))
            elif op is Op.OR:
                put(any(v[i] for i in a))
            elif op is Op.NOT:
                put(not v[a[0]])
            elif op is Op.CHOOSE:
                put(v[a[1]] if v[a[0]] else v[a[2]])
            elif op is Op.PREVIOUS:
                put(states[value])  # type: ignore[index]  # PREVIOUS and INPUT carry a name
            elif op is Op.INPUT:
                put(inputs[value])  # type: ignore[index]
            elif op is Op.CONSTANT:
                put(value)  # type: ignore[arg-type]  # CONSTANT carries a number
            elif op is Op.LESS:
                put(v[a[0]] < v[a[1]])
            elif op is Op.AT_MOST:
                put(v[a[0]] <= v[a[1]])
            elif op is Op.EQUAL:
                put(v[a[0]] == v[a[1]])
            elif op is Op.ADD:
                put(sum(v[i] for i in a))
            elif op is Op.SUBTRACT:
                put(v[a[0]] - v[a[1]])
            elif op is Op.TIMES:
                put(int(value) * v[a[0]])  # type: ignore[arg-type]  # TIMES carries its factor
            elif op is Op.QUOTIENT:
                put(int(v[a[0]]) // int(value))  # type: ignore[arg-type]  # QUOTIENT carries its divisor
            elif op is Op.MINIMUM:
                put(min(v[a[0]], v[a[1]]))
            else:
                put(elapsed_ms)
        return {name: v[i] for name, i in self._next}, {name: v[i] for name, i in self._outputs}
