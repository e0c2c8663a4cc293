"""Health -> does somebody answer in the devices' place? Finding `gateway-repeats`.

A gateway that asks the devices in its own time and answers from what it remembers repeats answers between its
rounds. Listening shows that in two ways: repeats come sooner than new answers do, or the answers of several devices
change only together, every so many polls. A slow transmitter alone does the second, so it takes several devices.
"""

from collections.abc import Sequence

import numpy as np

from sidetap.survey.findings import Finding, Severity
from sidetap.survey.health.result import LineHealth
from sidetap.survey.health.stillness import Stillness
from sidetap.survey.timeline import Span

_FEWEST = 50  # answers of each kind
_FINEST_US = 4_000  # a coarser adapter hides the difference
_TIMES = 2
_APART_US = 5_000
_FEWEST_RUNS, _STEADY = 30, 0.8
_SHORTEST = 3  # polls in a round
_LONGEST_US = 30_000_000  # clocks in devices change in step as well, each minute
_IN_STEP = 0.95
_SETTLE = (
    "Follow the cable from the controller: a box with the line on one side and other devices or a network on the "
    "other is it. Ask for its poll period: values are older than they look by up to that."
)


def find(health: LineHealth) -> list[Finding]:
    """Return the findings: one for each device that repeats sooner than it answers, else one for the line."""
    span = None if health.ends_ns is None else Span(*health.ends_ns)
    found = [finding for block in health.blocks if (finding := _sooner(health, block, span)) is not None]
    return found or _together(health, span)


def _sooner(health: LineHealth, block: Stillness, span: Span | None) -> Finding | None:
    resolution = health.resolution_us
    if resolution is None or resolution > _FINEST_US or min(block.repeated.number, block.fresh.number) < _FEWEST:
        return None
    repeated, fresh = block.repeated.quantile_us(0.5), block.fresh.quantile_us(0.5)
    latest, earliest = block.repeated.quantile_us(0.9), block.fresh.quantile_us(0.1)
    if repeated is None or fresh is None or latest is None or earliest is None:
        return None
    if fresh < _TIMES * max(repeated, 0) or fresh - repeated < max(_APART_US, 3 * resolution) or latest >= earliest:
        return None
    device, _, register, count = block.poll
    return Finding(
        "gateway-repeats",
        Severity.WARNING,
        device,
        register,
        span,
        f"Device {device} repeats an answer sooner than it gives a new one: something answers from memory for it.",
        f"registers {register} × {count}: {block.repeated.number} repeats came {repeated / 1000:.1f} ms after the "
        f"request, {block.fresh.number} changed answers after {fresh / 1000:.1f} ms (medians; times are good to "
        f"{resolution / 1000:.0f} ms)",
        _SETTLE,
    )


def _round(block: Stillness) -> int | None:
    """Return how many polls the same answer lasts, where it nearly always lasts as long."""
    runs = dict(block.runs)
    number = sum(runs.values())
    if number < _FEWEST_RUNS:
        return None
    usual = max(runs, key=lambda length: (runs[length], -length))
    near = sum(runs.get(usual + n, 0) for n in (-1, 0, 1))
    return usual if near >= _STEADY * number and usual >= _SHORTEST else None


def _together(health: LineHealth, span: Span | None) -> list[Finding]:
    periods = {rhythm.poll: rhythm.periods.quantile_us(0.5) for rhythm in health.exchanges.rhythms}
    steady: list[tuple[Stillness, int, int]] = []
    for block in health.blocks:
        polls, period = _round(block), periods.get(block.poll)
        if polls is not None and period is not None and block.changed_ns and polls * period < _LONGEST_US:
            steady.append((block, polls, period))
    best: list[tuple[Stillness, int]] = []
    for block, polls, period in steady:
        step = [
            (other, others)
            for other, others, _ in steady
            if others == polls and _in_step(block.changed_ns, other.changed_ns, 600 * period)
        ]
        if len({other.poll[0] for other, _ in step}) > len({other.poll[0] for other, _ in best}):
            best = step
    devices = sorted({block.poll[0] for block, _ in best})
    if len(devices) < 2:
        return []
    polls = best[0][1]
    changes = min(sum(number for _, number in block.runs) for block, _ in best)
    return [
        Finding(
            "gateway-repeats",
            Severity.WARNING if len(devices) > 2 else Severity.INFO,
            None,
            None,
            span,
            f"Devices {', '.join(map(str, devices))} change their answers only together, every {polls} polls: "
            "something in between seems to answer from memory.",
            f"at least {changes} changes of each, {_IN_STEP:.0%} of them in the same round of polls as those of the "
            f"others, and the same answer lasts {polls} polls nearly every time",
            _SETTLE,
        )
    ]


def _in_step(one: Sequence[int], other: Sequence[int], within_ns: int) -> bool:
    return min(_near(one, other, within_ns), _near(other, one, within_ns)) >= _IN_STEP


def _near(one: Sequence[int], other: Sequence[int], within_ns: int) -> float:
    """Return the share of times in one with a time of the other nearby, over the time that both cover."""
    ours, theirs = np.array(one), np.array(other)
    ours = ours[(ours >= theirs[0] - within_ns) & (ours <= theirs[-1] + within_ns)]
    if not len(ours):
        return 0.0
    after = np.searchsorted(theirs, ours).clip(1, len(theirs) - 1) if len(theirs) > 1 else np.zeros(len(ours), int)
    nearest = np.minimum(np.abs(theirs[after] - ours), np.abs(theirs[np.maximum(after - 1, 0)] - ours))
    return float((nearest <= within_ns).mean())
