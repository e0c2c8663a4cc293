"""Health -> values that stand still although they should not: finding `frozen-value`.

A level at rest stands still, so stillness alone is no finding. It takes a value that was never at rest before (its
last digits went up and down all the time), or one that jumped afterwards to where it had got to: either is worth a
word. Where something else says that it should have moved, it is a warning: a noted event after which it moved every
other time, or a register that it always moved with.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from sidetap.quantity import NS_PER_S
from sidetap.survey.events import YardEvent
from sidetap.survey.findings import Finding, Severity
from sidetap.survey.health.polls import PollKey
from sidetap.survey.health.result import LineHealth
from sidetap.survey.health.stillness import Stillness
from sidetap.survey.timeline import Span
from sidetap.survey.values import Device, Kind, Status, Value

_FEWEST_REPEATS, _SHORTEST_NS = 60, 120 * NS_PER_S
_TIMES_SECOND, _LEAST_SECOND = 20, 3
_FEWEST_TURNS, _TURNS, _MOVES = 50, 0.25, 0.3
_FEWEST_STEPS, _TIMES_STEP, _LEAST_JUMP = 50, 8, 8
_BEFORE_JUMP_NS = 60 * NS_PER_S
_AFTER_NS = 120 * NS_PER_S
_FEWEST_EVENTS = 3
_MOSTLY_STILL = 0.5
_FEWEST_EPISODES = 8
_TOGETHER, _ALONE = 0.85, 0.3  # a movement ends a span sooner or later than its company
_TABLES = {3: "holding-register", 4: "input-register", 23: "holding-register"}
_SETTLE = (
    "Compare it with the device's own display, or with a dip, while liquid moves. Until then the value may be no "
    "more than the last one the device could measure."
)

_Moved = NDArray[np.bool_]


def find(health: LineHealth, devices: Sequence[Device], yard_events: Sequence[YardEvent]) -> list[Finding]:
    """Return at most one finding for each block: a warning, where there is one."""
    values = {device.device: device.values for device in devices}
    moved: dict[PollKey, _Moved] = {
        block.poll: block.over_time.sum(axis=0) > 0 for block in health.blocks if block.answers
    }
    found = []
    for block in health.blocks:
        finding = (
            _after_event(health, block, moved[block.poll], yard_events)
            or _without_company(health, block, moved)
            or _jumped(block, values.get(block.poll[0], ()))
            or _restless(block, values.get(block.poll[0], ()))
        )
        if finding is not None:
            found.append(finding)
    return found


def _finding(block: Stillness, severity: Severity, span: Span, text: str, evidence: str) -> Finding:
    device, _, register, _ = block.poll
    return Finding("frozen-value", severity, device, register, span, text, evidence, _SETTLE)


def _place(block: Stillness) -> str:
    device, _, register, count = block.poll
    return f"registers {register} × {count} of device {device}"


def _after_event(
    health: LineHealth, block: Stillness, moved: _Moved, yard_events: Sequence[YardEvent]
) -> Finding | None:
    """Find an event after which the block moved every other time, and not this time."""
    if not moved.any() or moved.mean() > _MOSTLY_STILL:
        return None
    by_name: defaultdict[str, list[int]] = defaultdict(list)
    for event in yard_events:
        by_name[event.name].append(event.t_ns)
    for name, times in by_name.items():
        asked = [(t_ns, spans) for t_ns in times if (spans := _spans_after(health, block, t_ns)) is not None]
        still = [t_ns for t_ns, spans in asked if not moved[spans].any()]
        moving = len(asked) - len(still)
        if still and moving >= max(_FEWEST_EVENTS, 4 * len(still)):
            last_ns = still[-1]
            return _finding(
                block,
                Severity.WARNING,
                Span(last_ns, last_ns + _AFTER_NS),
                f"The {_place(block)} did not move after the event {name!r}, as they did the other times.",
                f"they moved within {_AFTER_NS // NS_PER_S} s of {moving} of {len(asked)} such events; not at "
                f"{', '.join(f'{t_ns / NS_PER_S:.0f} s' for t_ns in still[:5])}, while the device went on answering",
            )
    return None


def _spans_after(health: LineHealth, block: Stillness, t_ns: int) -> slice | None:
    """Return the spans of time after an event; None where the device was not asked all that time."""
    spans = health.spans
    first = (t_ns - spans.start_ns) // spans.width_ns
    last = (t_ns + _AFTER_NS - spans.start_ns) // spans.width_ns
    if first < 0 or last >= spans.number:
        return None
    tries = health.exchanges.tries_over_time[block.poll[0], first : last + 1]
    unanswered = health.exchanges.unanswered_over_time[block.poll[0], first : last + 1]
    return slice(first, last + 1) if (tries > unanswered).all() else None


def _quiet(health: LineHealth, block: Stillness) -> tuple[slice, Span] | None:
    """Return the spans that lie within the block's longest stillness, if that is long enough to tell."""
    run = block.longest
    if run.from_ns is None or run.to_ns is None or run.to_ns - run.from_ns < _SHORTEST_NS:
        return None
    spans = health.spans
    first = -(-(run.from_ns + 1 - spans.start_ns) // spans.width_ns)
    last = (run.to_ns - spans.start_ns) // spans.width_ns
    return (slice(first, last), Span(run.from_ns, run.to_ns)) if last > first else None


def _without_company(health: LineHealth, block: Stillness, moved: dict[PollKey, _Moved]) -> Finding | None:
    """Find a register that the block always moved with, and that went on moving while the block stood still."""
    quiet = _quiet(health, block)
    if quiet is None or block.longest.answers < _FEWEST_REPEATS:
        return None
    within, span = quiet
    own = moved[block.poll]
    outside = np.ones(len(own), dtype=bool)
    outside[within] = False
    for other, register, company in _registers(health, block):
        together = company & outside
        episodes = int((np.diff(together.astype(np.int8), prepend=0) == 1).sum())
        if episodes < _FEWEST_EPISODES or company[within].sum() < 3:
            continue
        share = own[together].mean()
        alone = own[outside & ~company].mean() if (outside & ~company).any() else 1.0
        if share >= _TOGETHER and alone <= _ALONE:
            return _finding(
                block,
                Severity.WARNING,
                span,
                f"The {_place(block)} stand still, while register {register} of device {other} moves, with which "
                "they always moved.",
                f"{episodes} times that register moved, and the {_place(block)} with it in {share:.0%} of the time; "
                f"then they gave the same answer {block.longest.answers} times more, and it went on moving",
            )
    return None


def _registers(health: LineHealth, block: Stillness) -> Iterator[tuple[int, int, _Moved]]:
    """Yield every register outside of the block: its device, its address, when it moved."""
    for other in health.blocks:
        if other is not block:
            for n in range(other.poll[3]):
                yield other.poll[0], other.poll[2] + n, other.over_time[n] > 0


def _restless(block: Stillness, values: Sequence[Value]) -> Finding | None:
    """Find a value whose last digits went up and down all the time, and then not once."""
    run = block.longest
    if run.from_ns is None or run.to_ns is None or run.to_ns - run.from_ns < _SHORTEST_NS:
        return None
    if run.answers < max(_FEWEST_REPEATS, _TIMES_SECOND * max(block.second, _LEAST_SECOND)):
        return None
    before = max(block.looked_at - run.answers, 1)
    for value in values:
        moves, turns = _motion(block, value)
        if turns >= _FEWEST_TURNS and turns >= _TURNS * moves and moves >= _MOVES * before:
            return _finding(
                block,
                Severity.INFO,
                Span(run.from_ns, run.to_ns),
                f"The {_place(block)} stand still, where their last digits were never at rest before.",
                f"register {value.register} changed in {moves} of {before} answers and turned back {turns} times, "
                f"never the same more than {block.second + 1} times; then the same answer {run.answers + 1} times",
            )
    return None


def _jumped(block: Stillness, values: Sequence[Value]) -> Finding | None:
    """Find a value that moves in small steps, stood still, and then went on from somewhere else."""
    for value in values:
        place = _number(block, value)
        if place is None:
            continue
        kind, at = place
        jump, step = block.jumps[kind][at], block.steps[kind][at]
        from_ns, to_ns = jump.run.from_ns, jump.run.to_ns
        if from_ns is None or to_ns is None or block.movements[kind][at] < _FEWEST_STEPS:
            continue
        if step and jump.step >= max(_TIMES_STEP * step, _LEAST_JUMP) and to_ns - from_ns >= _BEFORE_JUMP_NS:
            return _finding(
                block,
                Severity.INFO,
                Span(from_ns, to_ns),
                f"The {_place(block)} stood still and then jumped, as a value does that was not measured meanwhile.",
                f"the same answer {jump.run.answers + 1} times in a row; then register {value.register} made a step "
                f"{jump.step / step:.0f} times as large as any other of its {block.movements[kind][at]} steps",
            )
    return None


def _motion(block: Stillness, value: Value) -> tuple[int, int]:
    """Return how often a value moved, and how often it turned back; (0, 0) where its words don't tell."""
    place = _number(block, value)
    return (0, 0) if place is None else (block.movements[place[0]][place[1]], block.reversals[place[0]][place[1]])


def _number(block: Stillness, value: Value) -> tuple[int, int] | None:
    """Return which of a block's numbers a measured value is: how its words are taken, and which; None if none."""
    if value.table != _TABLES[block.poll[1]] or value.kind is not Kind.MEASUREMENT or value.status is Status.OPEN:
        return None
    at = value.register - block.poll[2]
    if at < 0 or at + value.width > block.poll[3]:
        return None
    if value.width == 1:
        return 0, at
    if value.encoding in ("float32-high-word-first", "uint32-high-word-first", "int32-high-word-first"):
        return 1, at
    if value.encoding in ("float32-low-word-first", "uint32-low-word-first", "int32-low-word-first"):
        return 2, at + 1
    return None
