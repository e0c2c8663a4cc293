"""What goes on around a made-up device: when it is polled, how its vessel fills and drains, how warm it is.

In come a generator, a duration and a period; out go times and series on an even grid. Invented, in the sizes of small
industrial yards: vessels 0.8 to 15 m high, levels that move by 2 to 300 mm a minute while a pump runs.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Times = NDArray[np.int64]

GRID_S = 0.5
GRAVITY = 9.80665  # m/s²; standard gravity, ISO 80000-3
_SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Plant:
    """The vessel and its surroundings on a grid of GRID_S.

    grid_s: seconds from the start. level_m: of the liquid, waves left out. wave_m: what waves add. filling, drawing:
    whether a pump runs in or out. ambient_c: °C. density: kg/m³.
    """

    grid_s: Floats
    height_m: float
    level_m: Floats
    wave_m: Floats
    filling: NDArray[np.bool_]
    drawing: NDArray[np.bool_]
    ambient_c: Floats
    density: float


def poll_times(random: np.random.Generator, duration_s: float, period_s: float) -> Times:
    """Return when answers were delivered: with jitter, some polls missed, at times a spell without any."""
    due = np.arange(0.05, duration_s, period_s)
    jitter_s = period_s * random.choice([0.002, 0.01, 0.05])
    late = np.abs(random.normal(0, jitter_s, len(due))).clip(0, 0.4 * period_s)
    missed = random.random(len(due)) < random.choice([0, 0, 0.001, 0.01, 0.04])
    if random.random() < 0.15 and len(due) > 100:
        start = random.integers(10, len(due) - 10)
        missed[start : start + int(random.integers(5, max(6, len(due) // 20)))] = True
    missed[[0, -1]] = False
    start_ns = int(random.integers(0, 3 * _SECOND_NS))
    return np.asarray(start_ns + np.rint((due + late)[~missed] * _SECOND_NS), dtype=np.int64)


def plant(random: np.random.Generator, duration_s: float) -> Plant:
    """Return a vessel with what happens to it for so long."""
    grid_s = np.arange(0, duration_s + 2 * GRID_S, GRID_S)
    height_m = float(np.round(np.exp(random.uniform(np.log(0.8), np.log(15))), 2))
    rate = _rates(random, len(grid_s), duration_s, height_m)
    low, high = height_m * random.uniform(0.02, 0.12), height_m * random.uniform(0.85, 0.98)
    level, used = _within(height_m * random.uniform(0.15, 0.9) if random.random() < 0.9 else low, rate, low, high)
    moving = np.abs(used) > 1e-5
    reach_m = random.choice([0, 0.001, 0.003, 0.01, 0.02]) * min(height_m, 4)
    strength = lagged(moving.astype(np.float64), random.uniform(20, 120))
    period_s = random.uniform(1.6, 6.5)
    beat = np.sin(2 * np.pi * grid_s / period_s + random.uniform(0, 6)) + 0.4 * np.sin(
        2 * np.pi * grid_s / (period_s / 1.75)
    )
    mean_c = random.choice([-12, -2, 3, 12, 18, 24, 33]) + random.normal(0, 2)
    daily_k = random.uniform(0.5, 8)
    ambient = (
        mean_c
        + daily_k * np.sin(2 * np.pi * grid_s / 86_400 + random.uniform(0, 6))
        + wander(random, grid_s, random.uniform(0.1, 1.0), random.uniform(600, 7200))
    )
    return Plant(
        grid_s,
        height_m,
        level,
        reach_m * strength * beat,
        used > 1e-5,
        used < -1e-5,
        ambient,
        float(random.choice([998, 1000, 850, 1100, 1280, 1325, 1396])),
    )


def lagged(series: Floats, time_constant_s: float) -> Floats:
    """Return a series on the grid behind a first-order lag."""
    if time_constant_s < GRID_S:
        return series
    steps = min(len(series), int(6 * time_constant_s / GRID_S))
    kernel = np.exp(-np.arange(steps) * GRID_S / time_constant_s)
    kernel /= kernel.sum()
    padded = np.concatenate([np.full(steps - 1, series[0]), series])
    size = 1 << int(np.ceil(np.log2(len(padded) + steps)))
    product = np.fft.irfft(np.fft.rfft(padded, size) * np.fft.rfft(kernel, size), size)
    # What is at rest is at rest: the transform leaves some 1e-15 of what came before.
    return np.round(product[steps - 1 : steps - 1 + len(series)], 12)


def wander(random: np.random.Generator, grid_s: Floats, spread: float, memory_s: float) -> Floats:
    """Return a slow random wandering around 0 with a standard deviation and a memory."""
    coarse_s = np.arange(0, grid_s[-1] + 20, 10.0)
    keep = np.exp(-10.0 / memory_s)
    pushes = random.normal(0, spread * np.sqrt(1 - keep**2), len(coarse_s))
    walk = np.empty(len(coarse_s))
    walk[0] = random.normal(0, spread)
    for n in range(1, len(walk)):
        walk[n] = keep * walk[n - 1] + pushes[n]
    return np.asarray(np.interp(grid_s, coarse_s, walk))


def _rates(random: np.random.Generator, steps: int, duration_s: float, height_m: float) -> Floats:
    """Return how fast the level is driven [m/s]."""
    style = random.choice(["loads", "batches", "use", "idle", "hold"], p=[0.4, 0.2, 0.22, 0.06, 0.12])
    rate = np.zeros(steps)
    slow = height_m * np.exp(random.uniform(np.log(1 / 40_000), np.log(1 / 4_000)))  # m/s
    if style == "use":
        wave = 1 + 0.3 * np.sin(2 * np.pi * np.arange(steps) * GRID_S / random.uniform(600, 20_000))
        return np.asarray(-slow * wave * random.choice([1, -1], p=[0.8, 0.2]))
    if style == "idle":
        return rate
    if style == "hold":  # a pump keeps the level between two marks
        out = -slow
        swing_m = height_m * random.uniform(0.02, 0.2)
        fill_s, drain_s = swing_m / (slow * random.uniform(1, 4)), swing_m / slow
        cycle = max(4, int((fill_s + drain_s) / GRID_S))
        phase = (np.arange(steps) + random.integers(cycle)) % cycle
        return np.asarray(np.where(phase < fill_s / GRID_S, swing_m / fill_s, out))
    at_s = -random.exponential(300)
    fast = height_m * np.exp(random.uniform(np.log(1 / 9_000), np.log(1 / 500)))  # m/s, with the pump on
    busy_s = random.uniform(60, 900)
    while at_s < duration_s:
        length_s = busy_s * random.uniform(0.3, 1.5)
        sign = -1 if random.random() < (0.8 if style == "loads" else 0.5) else random.uniform(1, 3)
        first, last = (int(np.clip(s / GRID_S, 0, steps)) for s in (at_s, at_s + length_s))
        rate[first:last] = sign * fast * random.uniform(0.7, 1.1)
        at_s += length_s + random.exponential(busy_s * random.choice([0.3, 1.5]))
    return lagged(rate, random.choice([0, 2, 5]))


def _within(start_m: float, rate: Floats, low_m: float, high_m: float) -> tuple[Floats, Floats]:
    """Return the level that a rate makes between two marks, and the rate that remains [m/s]."""
    level = np.empty(len(rate))
    here = float(np.clip(start_m, low_m, high_m))
    for n, step in enumerate((rate * GRID_S).tolist()):
        here = min(max(here + step, low_m), high_m)
        level[n] = here
    return level, np.diff(level, prepend=level[0]) / GRID_S
