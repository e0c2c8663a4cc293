"""What a made-up instrument makes of a quantity before it is sent: lag, noise, steps, old values, standstill.

In come a series on the grid and the moments of the answers; out goes what the instrument holds at those moments.
"""

import numpy as np

from registers.apart_plant import GRID_S, Floats, lagged


def sensed(random: np.random.Generator, grid_s: Floats, series: Floats, at_s: Floats, resolution: float) -> Floats:
    """Return what the instrument holds at at_s [answers].

    resolution: the size of noise that suits the quantity. Some instruments are quiet, some noisy, some smooth their
    noise, some refresh more slowly than they are polled, some show only larger changes, and a few stand still for a
    while.
    """
    noise = resolution * random.choice([0, 0.1, 0.5, 1, 3], p=[0.1, 0.2, 0.3, 0.25, 0.15])
    shown = series + random.normal(0, 1, len(series)) * noise
    shown = lagged(shown, random.choice([0, 0, 1, 4, 15, 40]))
    if random.random() < 0.1:
        shown = _larger_changes(shown, resolution * random.uniform(1, 6))
    refresh_s = random.choice([0, 0.5, 1, 2, 5, 10, 30], p=[0.35, 0.1, 0.2, 0.15, 0.1, 0.06, 0.04])
    moments = at_s if refresh_s == 0 else np.floor((at_s + random.uniform(0, 1)) / refresh_s) * refresh_s
    held = shown[np.clip(np.floor(moments / GRID_S), 0, len(shown) - 1).astype(np.int64)]
    if refresh_s == 0:
        held = held + random.normal(0, 0.3 * noise, len(held))
    if random.random() < 0.04:
        held = _stands_still(random, held)
    return held


def _larger_changes(series: Floats, least: float) -> Floats:
    shown = np.empty(len(series))
    here = series[0]
    for n, value in enumerate(series.tolist()):
        if abs(value - here) >= least:
            here = value
        shown[n] = here
    return shown


def _stands_still(random: np.random.Generator, held: Floats) -> Floats:
    first = int(random.integers(0, len(held)))
    last = first + int(random.integers(len(held) // 20 + 1, len(held) // 2 + 2))
    still = held.copy()
    still[first:last] = held[first]
    return still
