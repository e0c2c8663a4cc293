"""The last word on a counter-example: the unchanged scheme, run scan by scan in the runner that the station uses.

A course -> what happened in each scan. The scheme runs as the station would run it: restarted from its first states
after a crash, with the stored inputs that the model has on disk. The model with its judges runs beside it; that both
give the same outputs in every scan is checked here, so that nothing is shown which only a model did.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sidetap.promises.model import CRASH, Model
from sidetap.scheme import GeneratedRunner, Value
from sidetap.verify.course import Course, Plant


class ModelDiffers(AssertionError):
    """The model and the scheme it models gave different outputs: a fault of ours, never of a site."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """One scan: its time, its inputs, and the outputs of the scheme, its judges and the goals."""

    now_ms: int
    elapsed_ms: int
    inputs: dict[str, Value]
    outputs: dict[str, Value]


def replay(model: Model, course: Course) -> Iterator[Replayed]:
    """Yield the course scan by scan."""
    judged, scheme = GeneratedRunner(model.program), GeneratedRunner(model.scheme)
    judged_states, states = judged.first_states(), scheme.first_states()
    valves = [v.tag for v in model.site.valves]
    module = {i.tag: f"{i.module}.live" for i in model.site.inputs}
    plant = Plant(model, course)
    for elapsed_ms, inputs in plant.scans():
        stored = {name: judged_states[state] for name, state in model.stored.items()}
        seen = {n: inputs[n] if n in inputs else stored[n] for n in model.scheme.inputs}
        seen |= {n: bool(seen[n]) and bool(seen[live]) for n, live in module.items() if n in seen}
        if inputs[CRASH]:
            states = scheme.first_states()
        judged_states, outputs = judged.step(judged_states, inputs, elapsed_ms)
        states, real = scheme.step(states, seen, elapsed_ms)
        if any(outputs[n] != value for n, value in real.items()):
            raise ModelDiffers(f"at {plant.now_ms} ms")
        plant.commands = {v: bool(real[f"{v}.command"]) for v in valves}
        yield Replayed(plant.now_ms, elapsed_ms, inputs, outputs)
