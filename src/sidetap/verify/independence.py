"""Two courses that differ in other bays' inputs alone: whether a bay's outputs ever tell them apart.

A model and what one bay must not depend on -> a story of two courses in one, or None. Theory of operation: the scheme
is written down twice, over the same inputs but for the foreign ones, of which the second copy may read others; the
clause is that the outputs agree as long as the channels have. That is one program with one clause, so the search for
a course that breaks it is the same as for any other; the unchanged scheme then runs both courses side by side.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from types import MappingProxyType

from sidetap.promises.model import CRASH, Clause, Independence, Model
from sidetap.scheme import (
    TRUE,
    Expr,
    Input,
    ListRunner,
    Op,
    Program,
    State,
    Type,
    Value,
    all_of,
    choose,
    ordered,
)
from sidetap.verify.course import DIFFERS, INSTEAD, Course, Plant
from sidetap.verify.near import Near, Surroundings, simplified
from sidetap.verify.replay import Replayed
from sidetap.verify.story import Step, tell

_AGREED, _CLAUSE = "channels agreed", "independent"


def composed(model: Model, around: Surroundings, bay: str, apart: Independence) -> tuple[Model, Near, Clause]:
    """Return the model of two courses around a bay, and the clause that its outputs agree."""
    near = _near(model, around, bay, apart)
    names = [n for n in (*apart.outputs, *apart.channels) if n in model.program.outputs]
    cut = around.cut(near, names)
    program = simplified(cut.program, cut.program.outputs, {(Op.INPUT, CRASH): False})
    twice = _twice(program, apart)
    clause = Clause(
        f"bay {bay} does not do the same in both courses",
        twice.outputs[_CLAUSE],
        output=_CLAUSE,
    )
    return replace(cut, program=twice), near, clause


def _near(model: Model, around: Surroundings, bay: str, apart: Independence) -> Near:
    """Return the bay, those that share a vessel with it, and those whose inputs its outputs look at."""
    near = around.wider(Near(frozenset([bay]), frozenset()))
    foreign = set(apart.foreign)
    roots = [model.program.outputs[n] for n in apart.outputs if n in model.program.outputs]
    roots += [s.next for n, s in model.program.states.items() if model.owners[n] == bay]
    seen = {str(n.value) for n in ordered(roots) if n.op is Op.INPUT} & foreign
    looked_at = around.owners(seen) & {b.tag for b in model.site.bays}
    return Near(near.bays | looked_at, near.vessels)


def _twice(program: Program, apart: Independence) -> Program:
    """Return the program beside itself, with the one output of the clause and the commands of the first."""
    inputs: dict[str, Input] = dict(program.inputs)
    other: dict[Expr, Expr] = {}
    for node in ordered([*program.outputs.values(), *(s.next for s in program.states.values())]):
        if node.op is Op.PREVIOUS:
            other[node] = replace(node, value=f"2:{node.value}")
        elif node.op is Op.INPUT and node.value in apart.foreign:
            other[node] = _other_input(node, program.inputs[str(node.value)], inputs)
        else:
            other[node] = replace(node, args=tuple(other[a] for a in node.args)) if node.args else node
    states: dict[str, State] = dict(program.states)
    for name, s in program.states.items():
        states[f"2:{name}"] = replace(s, name=f"2:{name}", next=other[s.next])
    agreed = all_of(Expr(Op.PREVIOUS, Type.BOOL, (), _AGREED), *_same(program.outputs, other, apart.channels))
    states[_AGREED] = State(_AGREED, Type.BOOL, True, agreed)
    holds = ~agreed | all_of(TRUE, *_same(program.outputs, other, apart.outputs))
    commands = {n: e for n, e in program.outputs.items() if n.endswith(".command")}
    return Program(MappingProxyType(inputs), MappingProxyType(states), MappingProxyType({**commands, _CLAUSE: holds}))


def _other_input(node: Expr, declared: Input, inputs: dict[str, Input]) -> Expr:
    """Declare what the second course reads in place of an input, and return it."""
    differs = f"{DIFFERS}{node.value}"
    inputs[differs] = Input(differs, Type.BOOL)
    flag = Expr(Op.INPUT, Type.BOOL, (), differs)
    if node.type is Type.BOOL:
        return choose(flag, ~node, node)
    instead = f"{INSTEAD}{node.value}"
    inputs[instead] = replace(declared, name=instead)
    return choose(flag, Expr(Op.INPUT, Type.INT, (), instead), node)


def _same(outputs: Mapping[str, Expr], other: Mapping[Expr, Expr], names: Iterable[str]) -> list[Expr]:
    return [outputs[n].equals(other[outputs[n]]) for n in names if n in outputs]


def second_inputs(inputs: Mapping[str, Value]) -> dict[str, Value]:
    """Return what the second course reads, from the inputs of both."""
    read = dict(inputs)
    for name, value in inputs.items():
        if name.startswith(DIFFERS) and value:
            plain = name.removeprefix(DIFFERS)
            read[plain] = inputs[f"{INSTEAD}{plain}"] if f"{INSTEAD}{plain}" in inputs else not inputs[plain]
    return read


def replayed_twice(
    model: Model, both: Model, apart: Independence, course: Course
) -> tuple[tuple[Replayed, ...], list[str]] | None:
    """Return the first course in the unchanged scheme up to where the outputs differ, and which do; None if none.

    both: the model of two courses, whose inputs say what differs.
    """
    runner = ListRunner(model.scheme)
    plant = Plant(replace(model, program=_all_inputs(model, both)), course)
    live = {i.tag: f"{i.module}.live" for i in model.site.inputs}
    first, second = runner.first_states(), runner.first_states()
    scans = []
    for elapsed_ms, inputs in plant.scans():
        results = []
        for states, read in ((first, inputs), (second, second_inputs(inputs))):
            seen = [_heard(model, name, read, live) for name in runner.inputs]
            results.append(runner.step(states, seen, elapsed_ms))
        (first, given), (second, others) = results
        outputs, different = (
            dict(zip(runner.outputs, given, strict=True)),
            dict(zip(runner.outputs, others, strict=True)),
        )
        plant.commands = {v.tag: bool(outputs[f"{v.tag}.command"]) for v in model.site.valves}
        scans.append(Replayed(plant.now_ms, elapsed_ms, {n: inputs[n] for n in model.program.inputs}, outputs))
        if any(outputs[n] != different[n] for n in apart.channels if n in outputs):
            return None
        apart_now = [n for n in apart.outputs if n in outputs and outputs[n] != different[n]]
        if apart_now:
            return tuple(scans), apart_now
    return None


def _heard(model: Model, name: str, read: Mapping[str, Value], live: Mapping[str, str]) -> Value:
    if name in model.stored:
        return model.program.states[model.stored[name]].first  # nothing crashes here
    return read[name] and read[live[name]] if name in live else read[name]


def _all_inputs(model: Model, both: Model) -> Program:
    return replace(model.program, inputs=MappingProxyType({**both.program.inputs, **model.program.inputs}))


def tell_both(
    model: Model, bay: str, course: Course, scans: tuple[Replayed, ...], different: list[str]
) -> tuple[Step, ...]:
    """Return one story of both courses: what happens in them, and what one of them has besides."""
    called = [f"command of {n.removesuffix('.command')}" if n.endswith(".command") else n for n in different[:3]]
    text = f"this alone makes another {' and another '.join(called)} at bay {bay}"
    return tell(model.site, course, scans, Clause(text, TRUE))
