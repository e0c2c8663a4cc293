"""Cuts: what faults of a program have in common, by the names of its inputs, states and outputs.

A name and what goes wrong come in; a cut, from program to program, goes out.
"""

from collections.abc import Callable

from sidetap.scheme import FALSE, Expr, Op, Program, constant
from yards.fault import Fault, Yard, in_program
from yards.surgery import (
    Change,
    before,
    never,
    now,
    preset,
    raw,
    reading,
    recut,
    replaced,
    rewritten,
    with_number,
    with_operation,
)

Cut = Callable[[Program], Program]


def cause_ignored(cause: str, breaks: str, promise: str | None, valve: str = "B1-1", yard: Yard = Yard()) -> Fault:  # noqa: B008
    """Return the fault that one cause never stands."""
    return in_program(
        f"{cause} is ignored at {valve}", breaks, promise, lambda p: never(p, f"{valve}.block.{cause}"), yard
    )


def commanded(valve: str, change: Callable[[Program, Expr], Expr]) -> Cut:
    """Return the cut that a command is something else, for its output and for all who look at it."""

    def cut(program: Program) -> Program:
        command = now(program, f"{valve}.command")
        return replaced(program, command, change(program, command))

    return cut


def ahead(state: str, change: Callable[[Program, Expr], Expr]) -> Cut:
    """Return the cut that a state goes on as something else, for all who look at it."""

    def cut(program: Program) -> Program:
        following = now(program, state)
        return replaced(program, following, change(program, following))

    return cut


def read_as(name: str, other: Expr | int | bool) -> Cut:
    """Return the cut that an input, or a state before, is read as something else."""
    return lambda p: rewritten(p, reading(name, constant(other)))


def inside_of(output: str, change: Callable[[Program], Change]) -> Cut:
    """Return the cut that something is read or done otherwise in what makes one output, and there only."""
    return lambda p: recut(p, p.outputs[output], change(p))


def read_inside(output: str, name: str, other: Expr | bool | int) -> Cut:
    """Return the cut that what makes one output reads something else than an input, or a state before."""
    return inside_of(output, lambda p: reading(name, constant(other)))


def counted(output: str, old: int, new: int) -> Cut:
    """Return the cut that what makes an output counts with another number."""
    return lambda p: with_number(p, p.outputs[output], old, new)


def compared(output: str, number: int, op: Op) -> Cut:
    """Return the cut that what makes an output compares with a number by another operation."""
    return lambda p: with_operation(p, p.outputs[output], number, op)


def timed(timer: str, old: int, new: int) -> Cut:
    """Return the cut that a running time counts to another preset."""
    return lambda p: preset(p, timer, old, new)


def untold(output: str) -> Cut:
    """Return the cut that an output is never true, though all else goes on as before."""
    return lambda p: p.with_output(output, FALSE)


def both(one: Cut, other: Cut) -> Cut:
    """Return two cuts, one after the other."""
    return lambda p: other(one(p))


def post_press(program: Program, bay: str) -> Expr:
    """Return whether the post's open key of a bay rises in this scan."""
    return raw(program, f"PB-{bay}-OPEN") & ~before(program, f"{bay}.post_key.before")


def bypassed(program: Program, vessel: str) -> Expr:
    """Return whether a vessel's trip is bypassed in this scan."""
    return program.outputs[f"{vessel}.bypassed"]
