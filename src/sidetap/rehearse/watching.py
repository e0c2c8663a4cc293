"""The judges of the promises, over the scans of a real station.

Scans in, the clauses that each of them breaks out. The judges see what the station's scheme had as inputs and gave as
outputs. What its store has to have after a power cut they reckon themselves, so that storing is judged as well.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from sidetap.promises.model import CRASH, Clause, Model
from sidetap.rehearse.stage import Scan
from sidetap.scheme import ListRunner, Op, Value
from sidetap.verify.near import simplified


class Watching:
    """Judges of some clauses of a model, over one station's scans in order."""

    def __init__(self, model: Model, clauses: Iterable[Clause]) -> None:
        outputs, names = model.program.outputs, model.scheme.outputs
        given = {outputs[name]: name for name in names if outputs[name].op is not Op.CONSTANT}
        self._clauses = {clause.output: clause for clause in clauses}
        judges = simplified(model.program, self._clauses, {}, given=given)
        self._runner = ListRunner(judges)
        self._states = self._runner.first_states()
        self._of_scheme = set(given.values())

    def broken(self, scan: Scan) -> Collection[Clause]:
        """Take the next scan and return the clauses that it breaks."""
        inputs = [self._value(scan, name) for name in self._runner.inputs]
        self._states, held = self._runner.step(self._states, inputs, scan.elapsed_ms)
        return [self._clauses[name] for name, holds in zip(self._runner.outputs, held, strict=True) if not holds]

    def _value(self, scan: Scan, name: str) -> Value:
        if name == CRASH:
            return scan.crashed
        return scan.outputs[name] if name in self._of_scheme else scan.inputs[name]
