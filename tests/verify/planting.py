"""Planting faults into a compiled scheme, and looking for the counter-example without proving all the rest."""

from collections.abc import Callable
from dataclasses import replace
from types import MappingProxyType

from small_site import small_site

from sidetap.promises.build import build_model
from sidetap.promises.model import Model
from sidetap.scheme import FALSE, Expr, Op, Program, ordered
from sidetap.site.cause_effect import CompiledScheme, compile_site
from sidetap.verify.search import CounterExample, Search
from sidetap.verify.story import Step

Change = Callable[[Expr], Expr | None]
Fault = Callable[[Program], Program]


def previous(program: Program, name: str) -> Expr:
    return Expr(Op.PREVIOUS, program.states[name].type, (), name)


def given(program: Program, name: str) -> Expr:
    return Expr(Op.INPUT, program.inputs[name].type, (), name)


def rewritten(program: Program, change: Change) -> Program:
    """Return the program with every node that change answers for replaced; a change that finds nothing fails."""
    new: dict[Expr, Expr] = {}
    touched = False
    for node in ordered([s.next for s in program.states.values()] + list(program.outputs.values())):
        other = change(node)
        if other is not None:
            touched = True
            new[node] = other
        elif all(new[a] is a for a in node.args):
            new[node] = node
        else:
            new[node] = Expr(node.op, node.type, tuple(new[a] for a in node.args), node.value)
    assert touched, "the fault found nothing to change"
    return Program(
        program.inputs,
        MappingProxyType({n: replace(s, next=new[s.next]) for n, s in program.states.items()}),
        MappingProxyType({n: new[e] for n, e in program.outputs.items()}),
    )


def without(output: str) -> Fault:
    """Return the fault that one cause never stands against any valve."""

    def fault(program: Program) -> Program:
        cause = program.outputs[output]
        return rewritten(program, lambda node: FALSE if node is cause else None)

    return fault


def planted(fault: Fault) -> CompiledScheme:
    scheme = compile_site(small_site())
    return replace(scheme, program=fault(scheme.program))


def counter_example(model: Model, promise: str, subject: str) -> CounterExample | None:
    """Return the counter-example for one promise, replayed, or None; nothing is proved on the way."""
    (wanted,) = (p for p in model.promises if (p.name, p.subject) == (promise, subject))
    return Search(model, wanted.clauses).counter_example(wanted)


def story_of(scheme: CompiledScheme, promise: str, subject: str) -> tuple[Step, ...] | None:
    """Return the story of a counter-example in the small site, or None."""
    found = counter_example(build_model(small_site(), scheme.program), promise, subject)
    return None if found is None else found.story
