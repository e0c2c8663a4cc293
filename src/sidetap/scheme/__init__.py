"""The block language a scheme is written in, and its step.

A scheme is one integer program: inputs and previous states -> outputs and next states, once a scan. There is no
loop, no clock and no I/O in it; the time since the scan before comes in as whole milliseconds. The same program
runs in the station, in rehearsal and inside verification, so what was checked is what runs.
"""

from sidetap.scheme.blocks import (
    falls,
    first_order,
    hysteresis,
    latch,
    off_delay,
    on_delay,
    pulse,
    rises,
    running_time,
    second_mean,
    votes,
)
from sidetap.scheme.expression import (
    FALSE,
    TRUE,
    Expr,
    Op,
    Type,
    all_of,
    any_of,
    choose,
    constant,
    count_of,
    elapsed,
    minimum,
    ordered,
    quotient,
    times,
)
from sidetap.scheme.generated import GeneratedRunner, ListRunner
from sidetap.scheme.program import Builder, Input, Program, State
from sidetap.scheme.runner import InputOutOfRange, Runner, Value

__all__ = [
    "FALSE",
    "TRUE",
    "Builder",
    "Expr",
    "GeneratedRunner",
    "Input",
    "InputOutOfRange",
    "ListRunner",
    "Op",
    "Program",
    "Runner",
    "State",
    "Type",
    "Value",
    "all_of",
    "any_of",
    "choose",
    "constant",
    "count_of",
    "elapsed",
    "falls",
    "first_order",
    "hysteresis",
    "latch",
    "minimum",
    "off_delay",
    "on_delay",
    "ordered",
    "pulse",
    "quotient",
    "rises",
    "running_time",
    "second_mean",
    "times",
    "votes",
]
