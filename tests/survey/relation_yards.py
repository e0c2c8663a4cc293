"""Made-up devices for the tests of relations: numbers over time -> blocks -> devices. Own formulas, all seeded."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from survey_lines import Floats, S, encode

from sidetap.survey import YardEvent
from sidetap.survey.answers import Block, block_of
from sidetap.survey.values import Device, read_devices

ANSWERS = 1500


def block(
    device: int,
    columns: Sequence[tuple[Floats, str]],
    *,
    order: str = "high-word-first",
    register: int = 0,
    period_s: float = 1.0,
    late_s: float = 0.0,
) -> Block:
    """Return the block whose registers hold these values one behind the other."""
    words = np.column_stack([encode(v, kind, order if kind.endswith("32") else "") for v, kind in columns])
    t_ns = np.rint((np.arange(len(words)) * period_s + late_s) * S).astype(np.int64)
    return block_of(device, "holding-register", register, t_ns, words)


def device(columns: Sequence[tuple[Floats, str]], *, order: str = "high-word-first", period_s: float = 1.0) -> Device:
    """Return what is told of a device with one block."""
    (one,) = read_devices([block(7, columns, order=order, period_s=period_s)])
    return one


@dataclass(frozen=True, slots=True)
class Meter:
    """What a three-phase meter measures [answers], in V, A, kW, kvar, kVA, 1, Hz and kWh."""

    volts: tuple[Floats, ...]
    amperes: tuple[Floats, ...]
    factor: Floats
    hertz: Floats

    @property
    def apparent(self) -> Floats:
        return np.asarray(sum(v * i for v, i in zip(self.volts, self.amperes, strict=True)) / 1000)

    @property
    def active(self) -> Floats:
        return self.apparent * self.factor

    @property
    def reactive(self) -> Floats:
        return self.apparent * np.sin(np.arccos(self.factor))

    @property
    def energy(self) -> Floats:
        return 4321.0 + np.cumsum(self.active) / 3600


def meter(seed: int, answers: int = ANSWERS) -> Meter:
    """Return a meter behind a load that jumps and drifts."""
    random = np.random.default_rng(seed)
    load = 30 + 12 * np.sin(np.arange(answers) / 37) + 8 * np.repeat(random.random(answers // 50 + 1), 50)[:answers]
    return Meter(
        volts=tuple(random.normal(231, 0.8, answers) for _ in range(3)),
        amperes=tuple(load * share + random.normal(0, 0.1, answers) for share in (1.0, 0.93, 1.08)),
        factor=np.clip(0.86 + 0.001 * load + random.normal(0, 0.003, answers), 0, 1),
        hertz=random.normal(50, 0.01, answers),
    )


def drawn(seed: int, answers: int) -> tuple[list[tuple[int, int]], Floats]:
    """Return when a pump runs (from, to, in s), at irregular times, and its flow in gpm, one a second."""
    random = np.random.default_rng(seed)
    flow, times, at = np.zeros(answers), [], 300
    while at < answers - 1000:
        length = int(random.uniform(120, 600))
        flow[at : at + length] = random.uniform(300, 420)
        times.append((at, at + length))
        at += length + 200 + int(random.exponential(500))
    return times, flow


def starts_and_stops(times: Sequence[tuple[int, int]], name: str, seed: int) -> list[YardEvent]:
    """Return how a person notes it, some 2 s off."""
    random = np.random.default_rng(seed)
    return [
        YardEvent(int((at + random.normal(0, 2)) * S), f"{name} {word}")
        for start, stop in times
        for at, word in ((start, "start"), (stop, "stop"))
    ]


def with_lag(series: Floats, answers: int) -> Floats:
    """Return what a transmitter with a filter of so many answers makes of a series."""
    out, state = np.empty_like(series), series[0]
    for n, now in enumerate(series):
        state += (now - state) / answers
        out[n] = state
    return out


def stepped(seed: int, answers: int, *, top: float = 6000.0, moves: int = 8) -> Floats:
    """Return a level that rises and falls at a rate of its own for a while each, with rests between."""
    random = np.random.default_rng(seed)
    rate = np.zeros(answers)
    edges = np.sort(random.choice(np.arange(answers // 50, answers), 2 * moves, replace=False))
    way = 1.0 if random.random() < 0.5 else -1.0
    for start, stop in edges.reshape(-1, 2):
        rate[start:stop] = way * random.uniform(0.3, 1.0) * top / (4 * (stop - start))
        way = -way
    return np.asarray(0.5 * top + np.cumsum(rate) + random.normal(0, 0.3, answers))
