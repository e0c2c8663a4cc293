"""The station's runners: a program, written out once as Python text and compiled.

They do what the reference runner does, two orders of magnitude faster, so that a scan is cheap on small hardware and
a rehearsal runs many times faster than time. A test holds them against each other.
"""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from typing import Any, TypeAlias

from sidetap.scheme.program import Program
from sidetap.scheme.runner import InputCheck, Value
from sidetap.scheme.writing import source

_Scan: TypeAlias = Callable[[list[Value], Sequence[Value], int], tuple[list[Value], list[Value]]]


class ListRunner:
    """Steps one program on lists, for a caller that keeps its values in the order of the names here.

    states, inputs, outputs: the names of what stands at each place.
    """

    def __init__(self, program: Program, outputs: Collection[str] | None = None) -> None:
        """Compile; outputs: the names of those that are wanted in every scan, all where it is None."""
        self.program = program
        self.states = tuple(program.states)
        self.inputs = tuple(program.inputs)
        wanted = program.outputs if outputs is None else set(outputs)
        self.outputs = tuple(name for name in program.outputs if name in wanted)
        self._others = tuple(name for name in program.outputs if name not in wanted)
        self._check = InputCheck(program.inputs.values())
        self._scan = _compiled(source(program, self.outputs))
        self._tell: _Scan | None = None

    def first_states(self) -> list[Value]:
        """Return the states before the first scan."""
        return [s.first for s in self.program.states.values()]

    def step(self, states: list[Value], inputs: Sequence[Value], elapsed_ms: int) -> tuple[list[Value], list[Value]]:
        """Run one scan; InputOutOfRange when an input is not what was declared, or elapsed_ms is under 1."""
        self._check(inputs, elapsed_ms)
        return self._scan(states, inputs, elapsed_ms)

    def others(self, states: list[Value], inputs: Sequence[Value], elapsed_ms: int) -> dict[str, Value]:
        """Return, by name, the outputs of one scan that ``step`` leaves out: what is asked for now and then."""
        self._check(inputs, elapsed_ms)
        if self._tell is None:
            self._tell = _compiled(source(self.program, self._others, states=False))
        return dict(zip(self._others, self._tell(states, inputs, elapsed_ms)[1], strict=True))


class Named(Mapping[str, Value]):
    """Values by name, read where they stand in a list: to make a dict of thousands takes longer than a scan."""

    __slots__ = ("listed", "places")

    def __init__(self, places: Mapping[str, int], listed: list[Value]) -> None:
        self.places = places
        self.listed = listed  # nobody writes to it

    def __getitem__(self, name: str) -> Value:
        return self.listed[self.places[name]]

    def __iter__(self) -> Iterator[str]:
        return iter(self.places)

    def __len__(self) -> int:
        return len(self.places)

    def __repr__(self) -> str:
        return repr(dict(self))


class GeneratedRunner:
    """Steps one program by name, as Runner does, by compiled code."""

    def __init__(self, program: Program) -> None:
        self.program = program
        self._lists = ListRunner(program)
        self._states = {name: i for i, name in enumerate(self._lists.states)}
        self._outputs = {name: i for i, name in enumerate(self._lists.outputs)}

    def first_states(self) -> Named:
        """Return the states before the first scan."""
        return Named(self._states, self._lists.first_states())

    def step(self, states: Mapping[str, Value], inputs: Mapping[str, Value], elapsed_ms: int) -> tuple[Named, Named]:
        """Run one scan; InputOutOfRange when an input is not what was declared, or elapsed_ms is under 1."""
        if isinstance(states, Named) and states.places is self._states:
            listed = states.listed
        else:
            listed = [states[name] for name in self._states]
        following, outputs = self._lists.step(listed, [inputs[name] for name in self._lists.inputs], elapsed_ms)
        return Named(self._states, following), Named(self._outputs, outputs)


def _compiled(text: str) -> _Scan:
    names: dict[str, Any] = {}
    exec(compile(text, "<scheme>", "exec"), names)  # noqa: S102  (our own text, from checked nodes)
    scan: _Scan = names["scan"]
    return scan
