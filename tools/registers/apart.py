"""Made-up Modbus devices, as a practitioner meets them: registers over time, and the truth about each.

In come a generator, a duration and a period; out comes a `Unit`. Written apart from what reads registers, which it
never uses: its encoders are its own (`apart_words`), and it knows nothing of how it is judged. The mixes are
realistic rather than hard: mostly one word order in a device (one field in another in 2 %), mostly plain numbers,
with the odd digit-coded meter. All devices and numbers are invented.
"""

from dataclasses import replace

import numpy as np

from registers.apart_columns import Column
from registers.apart_faults import with_faults
from registers.apart_maps import Map
from registers.apart_plant import plant, poll_times
from registers.apart_words import ORDERS, arranged
from registers.form import Field, Unit

_ORDER_SHARES = (0.5, 0.33, 0.07, 0.1)
_TABLES = ("holding-register", "input-register")
_MOST_REGISTERS = 64
_ODD_ONE = 0.02  # of devices: one field in another order


def unit(random: np.random.Generator, *, duration_s: float, period_s: float, faults: bool = False) -> Unit:
    """Return a made-up device, polled every period_s for duration_s; with faults, bursts of codes for "no value"."""
    t_ns = poll_times(random, duration_s, period_s)
    at_s = (t_ns - t_ns[0]) / 1e9
    around = plant(random, float(at_s[-1]) + 1)
    order = str(random.choice(ORDERS, p=_ORDER_SHARES))
    columns = Map(random, around, at_s, order).columns()
    if random.random() < _ODD_ONE:
        columns = _with_odd_one(random, columns, order)
    if faults:
        columns = with_faults(random, columns)
    placed = _placed(random, columns)
    words = np.zeros((len(at_s), max(start + column.words.shape[1] for start, column in placed)), dtype=np.uint16)
    for start, column in placed:
        words[:, start : start + column.words.shape[1]] = column.words
    return Unit(
        device=int(random.integers(1, 248)),
        table=str(random.choice(_TABLES, p=[0.65, 0.35])),
        register=int(random.choice([0, 1, 4, 20, 30, 100, 200, 256, 1000, 4096])),
        t_ns=t_ns,
        words=words,
        fields=tuple(
            Field(c.name, start, c.words.shape[1], c.encoding, c.analog, c.truth, c.scale, c.offset)
            for start, c in placed
        ),
        order=order,
        height_m=around.height_m,
        level_m=np.interp(at_s, around.grid_s, around.level_m),
    )


def _with_odd_one(random: np.random.Generator, columns: list[Column], order: str) -> list[Column]:
    pairs = [n for n, column in enumerate(columns) if column.encoding.endswith(order) and column.words.shape[1] == 2]
    if len(pairs) < 2:
        return columns
    odd = pairs[int(random.integers(len(pairs)))]
    kind = columns[odd].encoding.split("-")[0]
    mine, other = columns[odd].encoding, f"{kind}-{random.choice([o for o in ORDERS if o != order])}"
    plain = arranged(mine, columns[odd].words)  # both steps undo themselves
    return [
        replace(c, encoding=other, words=arranged(other, plain)) if n == odd else c for n, c in enumerate(columns)
    ]


def _placed(random: np.random.Generator, columns: list[Column]) -> list[tuple[int, Column]]:
    """Return where each column lies; some devices start wide values at even registers, some leave gaps of zeros."""
    even, gaps = random.random() < 0.3, random.random() < 0.1
    placed: list[tuple[int, Column]] = []
    here = 0
    for column in columns:
        if gaps and here and random.random() < 0.3:
            here += int(random.integers(1, 4))
        if even and column.words.shape[1] > 1:
            here += here % 2
        if here + column.words.shape[1] > _MOST_REGISTERS:
            break
        placed.append((here, column))
        here += column.words.shape[1]
    return placed
