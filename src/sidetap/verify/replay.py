"""The last word on a counter-example: the unchanged scheme, run scan by scan in the runner that the station uses.

A course -> what happened in each scan. The scheme runs as the station would run it: restarted from its first states
after a crash, with the stored inputs that the model has on disk. The model with its judges runs beside it; that both
give the same outputs in every scan is checked here, so that nothing is shown which only a model did.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from sidetap.promises.model import CRASH, Model
from sidetap.scheme import GeneratedRunner, Value
from sidetap.verify.course import Course, Plant, rest_values
from sidetap.verify.near import simplified


class ModelDiffers(AssertionError):
    """The model and the scheme it models gave different outputs: a fault of ours, never of a site."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """One scan: its time, its inputs, and the outputs of the scheme, its judges and the goals."""

    now_ms: int
    elapsed_ms: int
    inputs: dict[str, Value]
    outputs: dict[str, Value]


class Replayer:
    """Replays courses of one model, for the sake of some of its clauses or goals, named by their outputs."""

    def __init__(self, model: Model, judged: Collection[str]) -> None:
        self._model = model
        self._scheme = GeneratedRunner(model.scheme)
        self._stored = dict(model.stored)
        self._valves = [v.tag for v in model.site.valves]
        commands = [f"{v}.command" for v in self._valves]
        # the judges' own program: what they need, the commands, and what is on disk
        program = simplified(model.program, [*judged, *commands], {}, keep=self._stored.values())
        self._judged = GeneratedRunner(program)
        self._module = {i.tag: f"{i.module}.live" for i in model.site.inputs if i.tag in model.scheme.inputs}
        self._rest = rest_values(model)

    def scans(self, course: Course) -> Iterator[Replayed]:
        """Yield the course scan by scan."""
        judged_states, states = self._judged.first_states(), self._scheme.first_states()
        plant = Plant(self._model, course, self._rest)
        wired = [n for n in self._scheme.program.inputs if n not in self._stored]
        for elapsed_ms, inputs in plant.scans():
            seen = {n: inputs[n] for n in wired}
            seen |= {n: judged_states[state] for n, state in self._stored.items()}
            seen |= {n: bool(inputs[n]) and bool(inputs[live]) for n, live in self._module.items()}
            if inputs[CRASH]:
                states = self._scheme.first_states()
            judged_states, outputs = self._judged.step(judged_states, inputs, elapsed_ms)
            states, real = self._scheme.step(states, seen, elapsed_ms)
            if any(outputs[n] != real[n] for n in outputs.keys() & real.keys()):
                raise ModelDiffers(f"at {plant.now_ms} ms")
            plant.commands = {v: bool(real[f"{v}.command"]) for v in self._valves}
            yield Replayed(plant.now_ms, elapsed_ms, inputs, {**real, **outputs})


def trace(model: Model, course: Course) -> list[Replayed]:
    """Return every scan of a course, with every clause and goal of the model judged."""
    judged = [c.output for p in model.promises for c in p.clauses] + [g.reached for g in model.goals]
    return list(Replayer(model, judged).scans(course))


def changed(scans: Sequence[Replayed]) -> tuple[list[str], list[str]]:
    """Return the names of the inputs and of the outputs that changed in a course, for a picture of it.

    Left out is what moves in every course and tells nothing: ages, new levels, and the watchdog's beat.
    """
    if not scans:
        return [], []
    first = scans[0]
    inputs = [
        n
        for n, value in first.inputs.items()
        if not n.endswith((".new", ".age")) and any(s.inputs[n] != value for s in scans)
    ]
    outputs = [
        n
        for n, value in first.outputs.items()
        if n != "site.watchdog" and "/" not in n and any(s.outputs[n] != value for s in scans)
    ]
    return inputs, outputs
