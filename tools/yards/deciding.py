"""Whether a planted fault is caught by a promise, with a story that was replayed, or shown to change nothing.

A fault goes in; how it was decided, by which promises, in how many steps and CPU seconds comes out. Of what verifies,
only the public names are used.
"""

import time
from dataclasses import dataclass, replace
from types import MappingProxyType

from sidetap.scheme import Program
from sidetap.verify import Verdict, equivalent, verify_model
from yards.fault import Fault

MOST_STEPS = 12  # a story that a person reads to its end

CAUGHT, SAME, SAME_BUT_REASONS, UNDECIDED = "caught", "same", "same but reasons", "undecided"


@dataclass(frozen=True, slots=True)
class Decision:
    """How a fault was decided: CAUGHT by the promises in broken (the expected one first), or by what can't differ.

    SAME: no output can ever differ. SAME_BUT_REASONS: none but the reasons that are stated for a closed valve.

    steps: of the first one's story. unknown: promises that were neither proved nor broken.
    """

    fault: Fault
    how: str
    broken: tuple[str, ...]
    unknown: tuple[str, ...]
    steps: int
    seconds: float

    @property
    def as_expected(self) -> bool:
        """Whether what a person expected to be broken was, or nothing was where nothing was expected."""
        names = {name.split(" ")[0] for name in self.broken}
        return self.fault.promise in names if self.fault.promise else not names


def decide(fault: Fault) -> Decision:
    """Decide a fault; the seconds are CPU seconds of this process."""
    meant = fault.yard.scheme.program
    program = hearing_all_of(meant, fault.program())
    started = time.process_time()
    found = verify_model(fault.yard.site, program)
    caught = sorted(
        (v for v in found.promises if v.verdict == "broken" and v.replayed and len(v.trace) <= MOST_STEPS),
        key=lambda v: v.promise != fault.promise,
    )
    unknown = tuple(_name(v) for v in found.promises if v.verdict == "unknown")
    how = CAUGHT if caught else _same(meant, program)
    seconds = time.process_time() - started
    steps = len(caught[0].trace) if caught else 0
    return Decision(fault, how, tuple(_name(v) for v in caught), unknown, steps, seconds)


def hearing_all_of(meant: Program, program: Program) -> Program:
    """Return the program that hears every input of the one that was meant: the station tells it all the same."""
    return replace(program, inputs=MappingProxyType({**meant.inputs, **program.inputs}))


def _same(meant: Program, program: Program) -> str:
    if equivalent(meant, program):
        return SAME
    return SAME_BUT_REASONS if equivalent(_without_reasons(meant), _without_reasons(program)) else UNDECIDED


def _without_reasons(program: Program) -> Program:
    """Return the program without the outputs that say why a valve is closed."""
    kept = {name: output for name, output in program.outputs.items() if ".block." not in name}
    return replace(program, outputs=MappingProxyType(kept))


def _name(verdict: Verdict) -> str:
    return f"{verdict.promise} {verdict.subject}"
