"""The last word on a counter-example: the unchanged scheme, run scan by scan in the runner that the station uses.

A course -> what happened in each scan. The scheme runs as the station would run it: restarted from its first states
after a crash, with the stored inputs that a station would have on disk. The judges watch its inputs and outputs and
nothing else, so that nothing is shown which only a model did.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from sidetap.promises.model import CRASH, Model
from sidetap.scheme import ListRunner, Op, Value
from sidetap.verify.course import Course, Plant, rest_values
from sidetap.verify.near import simplified


@dataclass(frozen=True, slots=True)
class Replayed:
    """One scan: its time, its inputs, and the outputs of the scheme, its judges and the goals."""

    now_ms: int
    elapsed_ms: int
    inputs: dict[str, Value]
    outputs: dict[str, Value]


class Replayer:
    """Replays courses of one model, for the sake of some of its clauses or goals, named by their outputs."""

    def __init__(self, model: Model, judged: Collection[str], *, goals_only: bool = False) -> None:
        """Prepare; goals_only: for courses without a crash, of which only what is judged and the commands matter."""
        scheme, inputs = model.scheme, model.program.inputs
        shown = {
            model.program.outputs[n]: n for n in scheme.outputs if model.program.outputs[n].op is not Op.CONSTANT
        }
        # the judges' own program: outputs of the scheme come in from outside, and it says what is on disk
        disk = () if goals_only else tuple(model.stored.values())
        judges = simplified(model.program, judged, {}, keep=disk, given=shown)
        needed = {n for n in scheme.outputs if n in judges.inputs or n.endswith(".command")}
        self._model = model
        self._judges = ListRunner(judges)
        self._scheme = ListRunner(scheme, needed if goals_only else None)
        self._commands = [(v.tag, f"{v.tag}.command") for v in model.site.valves]
        live = {i.tag: f"{i.module}.live" for i in model.site.inputs}
        place = {name: n for n, name in enumerate(self._judges.states)}
        # where each input of the scheme comes from: the plant, heard by a module or not, or the disk
        self._plain = [n if n in inputs else CRASH for n in self._scheme.inputs]
        self._heard = [(n, live[name]) for n, name in enumerate(self._scheme.inputs) if name in live]
        self._stored = [
            (n, place.get(model.stored[name]), model.program.states[model.stored[name]].first)
            for n, name in enumerate(self._scheme.inputs)
            if name in model.stored
        ]
        self._rest = rest_values(model)

    def scans(self, course: Course) -> Iterator[Replayed]:
        """Yield the course scan by scan."""
        scheme, judges = self._scheme, self._judges
        states, judged = scheme.first_states(), judges.first_states()
        plant = Plant(self._model, course, self._rest)
        for elapsed_ms, inputs in plant.scans():
            seen = [inputs[name] for name in self._plain]
            for n, live in self._heard:
                seen[n] = seen[n] and inputs[live]
            for n, state, first in self._stored:
                seen[n] = first if state is None else judged[state]
            if inputs[CRASH]:
                states = scheme.first_states()
            states, given = scheme.step(states, seen, elapsed_ms)
            outputs = dict(zip(scheme.outputs, given, strict=True))
            watched = inputs | outputs
            judged, verdicts = judges.step(judged, [watched[name] for name in judges.inputs], elapsed_ms)
            plant.commands = {tag: bool(outputs[name]) for tag, name in self._commands}
            yield Replayed(
                plant.now_ms, elapsed_ms, inputs, outputs | dict(zip(judges.outputs, verdicts, strict=True))
            )


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
