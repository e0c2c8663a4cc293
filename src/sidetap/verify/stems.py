"""Running courses, each from where it parts from one that was run before.

Courses come in; their scans go out as if each were run from the start, but scans that were the same in an earlier
course are left out. Most courses begin as others do, with a valve that is opened on a new ticket.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from operator import itemgetter

from sidetap.promises.model import Model
from sidetap.scheme import ListRunner, Value
from sidetap.verify.course import Change, Course, Plant, changes


@dataclass(frozen=True, slots=True)
class _Reached:
    """Where the plant and the program stood after a scan; neither is ever changed again."""

    plant: Plant
    states: list[Value]


@dataclass(slots=True)
class _Stem:
    """What was reached once these changes had come, and the stems that go on from here."""

    reached: _Reached | None = None
    then: dict[Change, _Stem] = field(default_factory=dict)


class Stems:
    """Runs the courses of one model, whose program a runner steps; rest: as rest_values gives it."""

    def __init__(self, model: Model, runner: ListRunner, rest: Mapping[str, Value]) -> None:
        self._model = model
        self._rest = rest
        self._runner = runner
        self._inputs = itemgetter(*runner.inputs)
        place = {name: n for n, name in enumerate(runner.outputs)}
        self._commands = [(v.tag, place[f"{v.tag}.command"]) for v in model.site.valves]
        self._stems: dict[int, _Stem] = defaultdict(_Stem)  # by the stride of the course

    def forget(self) -> None:
        """Keep nothing of what was run: the courses that come now are of another kind."""
        self._stems.clear()

    def scans(self, course: Course) -> Iterator[tuple[Plant, list[Value], list[Value]]]:
        """Yield, scan by scan that is new, the plant, the states after the scan, and its outputs."""
        coming = changes(course, self._rest)
        stem, start = self._parting(course, coming)
        if start is None:
            plant, states = Plant(self._model, course, self._rest), self._runner.first_states()
        else:
            plant, states = start.plant.fork().along(course, coming), start.states
        come = plant.come
        for elapsed_ms, inputs in plant.scans():
            states, outputs = self._runner.step(states, self._inputs(inputs), elapsed_ms)
            plant.commands = {tag: bool(outputs[n]) for tag, n in self._commands}
            yield plant, states, outputs
            if plant.come > come:
                for change in coming[come : plant.come]:
                    stem = stem.then.setdefault(change, _Stem())
                come = plant.come
                stem.reached = stem.reached or _Reached(plant.fork(), states)

    def _parting(self, course: Course, coming: list[Change]) -> tuple[_Stem, _Reached | None]:
        """Return the last stem that the course has in common with others, and what was reached there."""
        stem = found = self._stems[course.stride_ms]
        for n, change in enumerate(coming, 1):
            following = stem.then.get(change)
            if following is None:
                break
            stem = following
            next_ms = coming[n].at_ms if n < len(coming) else course.end_ms
            if stem.reached is not None and stem.reached.plant.now_ms < next_ms:
                found = stem
        return found, found.reached
