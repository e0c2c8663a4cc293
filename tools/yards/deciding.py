"""Whether a planted fault is caught by a promise, with a story that was replayed, or shown to change nothing.

A fault goes in; how it was decided, by which promises, in how many steps and CPU seconds comes out. The yard as it is
meant to be is proved first, so that a fault costs what it changes and no more.
"""

import time
from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import cache
from itertools import chain
from types import MappingProxyType

from sidetap.promises.build import build_model
from sidetap.promises.model import Model, Promise
from sidetap.scheme import TRUE, Program, ordered
from sidetap.verify import Memory, equivalent, smt
from sidetap.verify.equivalence import is_independent
from sidetap.verify.graph import Graph
from sidetap.verify.lemmas import lemmas
from sidetap.verify.prover import prove
from sidetap.verify.search import CounterExample, Search
from yards.fault import Fault, Yard

MOST_STEPS = 12  # a story that a person reads to its end

CAUGHT, SAME, SAME_BUT_REASONS, UNDECIDED = "caught", "same", "same but reasons", "undecided"


@dataclass(frozen=True, slots=True)
class Decision:
    """How a fault was decided: CAUGHT by a promise that breaks, or by what can't differ.

    SAME: no output can ever differ. SAME_BUT_REASONS: none but the reasons that are stated for a closed valve.

    broken: the promise that was seen to break first; steps: of its story. unproved: what could not be proved either.
    """

    fault: Fault
    how: str
    broken: str
    unproved: tuple[str, ...]
    steps: int
    seconds: float


@cache
def proved(yard: Yard) -> Memory:
    """Return what is known once the yard as it is meant to be is proved."""
    memory = Memory()
    prove(build_model(yard.site, yard.scheme.program), memory)
    return memory


def decide(fault: Fault) -> Decision:
    """Decide a fault by the first promise that is seen to break; the seconds are CPU seconds of this process."""
    ranged = _keeps_its_ranges(fault.yard)
    started = time.process_time()
    model = faulty_model(fault)
    if ranged and same_scan(fault.yard.scheme.program, model.scheme):
        return Decision(fault, SAME, "", (), 0, time.process_time() - started)
    found, left = seen_to_break(fault, model), list[Promise]()
    how = UNDECIDED if found else _same(fault, model.scheme)
    if found is None and how is UNDECIDED:
        asked_already = time.process_time() - started
        memory = proved(fault.yard)
        started = time.process_time() - asked_already
        found, left = _searched(model, memory)
    if found is not None and len(found[1].story) <= MOST_STEPS:
        how = CAUGHT
    seconds = time.process_time() - started
    broken, steps = ("", 0) if found is None else (name_of(found[0]), len(found[1].story))
    return Decision(fault, how, broken, tuple(map(name_of, left)), steps, seconds)


def _searched(model: Model, memory: Memory) -> tuple[tuple[Promise, CounterExample] | None, list[Promise]]:
    """Return what a search with the solver finds, and the promises that were not proved before it."""
    holds = prove(model, memory).holds
    left = [p for p in model.promises if not _holds(model, p, holds)]
    return Search(model, [c for p in left for c in p.clauses if c.output not in holds]).first_broken(left), left


def faulty_model(fault: Fault) -> Model:
    """Return the model of the site as it is meant to be, with the faulty program as its scheme."""
    return build_model(fault.yard.site, hearing_all_of(fault.yard.scheme.program, fault.program()))


def seen_to_break(fault: Fault, model: Model) -> tuple[Promise, CounterExample] | None:
    """Return the promise that courses near what differs are seen to break, or None; no solver is asked.

    Courses are run of the bays where it may matter, and between bays.
    """
    bay_of = {v.tag: v.bay for v in model.site.valves}
    changed = {bay_of.get(tag, tag) for tag in _changed(fault, model)}
    near = {p: {bay_of.get(t, t) for t in chain((p.subject,), *(c.near for c in p.clauses))} for p in model.promises}
    asked = [p for p in model.promises if p.independent is None and near[p] & changed]
    asked.sort(key=lambda p: len(near[p] - changed))
    bays = [b.tag for b in model.site.bays]
    touched = changed & set(bays) or {v.bay for v in model.site.valves if v.vessel in changed} or set(bays)
    return Search(model, [c for p in asked for c in p.clauses]).seen_broken(
        asked, [tag for tag in bays if tag in touched]
    )


def _changed(fault: Fault, model: Model) -> set[str]:
    """Return the tags of whose inputs, states and outputs differ from the scheme that was meant."""
    graph = Graph()
    before, after = graph.program(fault.yard.scheme.program), graph.program(model.scheme)
    names = {n for n, s in after.states.items() if before.states.get(n) != s}
    names |= {n for n, e in after.outputs.items() if before.outputs.get(n) is not e}
    names |= {n for n, i in after.inputs.items() if before.inputs.get(n) != i}
    site = model.site
    tags = [t.tag for things in (site.bays, site.valves, site.vessels, site.rules) for t in things]
    alarms = {f"alarm.{tag}-": tag for tag in tags}
    told = {tag for start, tag in alarms.items() if any(n.startswith(start) for n in names)}
    return told | {n.split(".")[0] for n in names}


def _holds(model: Model, promise: Promise, holds: Collection[str]) -> bool:
    """Return whether a promise is proved; holds: the outputs of the clauses that are."""
    if promise.independent is not None:
        return is_independent(model.scheme, promise.independent)
    return all(c.output in holds for c in promise.clauses)


def hearing_all_of(meant: Program, program: Program) -> Program:
    """Return the program that hears every input of the one that was meant: the station tells it all the same."""
    return replace(program, inputs=MappingProxyType({**meant.inputs, **program.inputs}))


def _same(fault: Fault, program: Program) -> str:
    meant, known = fault.yard.scheme.program, lemmas(fault.yard.site)
    if equivalent(meant, program, known):
        return SAME
    return SAME_BUT_REASONS if equivalent(_without_reasons(meant), _without_reasons(program), known) else UNDECIDED


def same_scan(meant: Program, program: Program) -> bool:
    """Return whether it is shown that no scan differs, from any states within their ranges.

    By states of the same names alone, so that few questions are asked; it says nothing of a program that is meant to
    leave its ranges.
    """
    declared = [{n: replace(s, next=TRUE) for n, s in p.states.items()} for p in (meant, program)]
    if declared[0] != declared[1] or meant.outputs.keys() != program.outputs.keys():
        return False
    graph = Graph()
    one, other = graph.program(replace(meant, inputs=program.inputs)), graph.program(program)
    pairs = [(s.next, other.states[n].next) for n, s in one.states.items()]
    pairs += [(e, other.outputs[n]) for n, e in one.outputs.items()]
    question, solver = smt.Scan(one), smt.Solver()
    solver.add(*question.bounds(), *question.ranges())
    # what others are made of comes first, and is given to them
    for a, b in sorted({pair for pair in pairs if pair[0] is not pair[1]}, key=lambda pair: len(ordered(pair))):
        different = smt.differ(question.term(a), question.term(b))
        if solver.ask_with(different) is not False:
            return False
        solver.add(smt.negation(different))
    return True


@cache
def _keeps_its_ranges(yard: Yard) -> bool:
    """Return whether it is shown that every number of the scheme as it is meant to be stays in its range."""
    meant = yard.scheme.program
    return equivalent(meant, meant, lemmas(yard.site))


def _without_reasons(program: Program) -> Program:
    """Return the program without the outputs that say why a valve is closed."""
    kept = {name: output for name, output in program.outputs.items() if ".block." not in name}
    return replace(program, outputs=MappingProxyType(kept))


def name_of(promise: Promise) -> str:
    """Return a promise's name and subject."""
    return f"{promise.name} {promise.subject}"
