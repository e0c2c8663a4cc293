"""The form in which made-up devices come: words over time, and the truth about every register."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Field:
    """One value among a device's registers.

    name: what it is ("level", "distance", "percent", "temperature", "status", "heartbeat", "setting", "text", ...).
    start: its first register in the block, 0-based; width: registers. encoding: as the contract spells it. analog: a
    measured quantity (level, temperature, current ...), not a flag, counter, text or setting. truth: what the device
    means, decoded, answer by answer; NaN where it sent a code for "no value"; empty for text. level_scale,
    level_offset: level in m = decoded × scale + offset, where the value tells the level; else None.
    """

    name: str
    start: int
    width: int
    encoding: str
    analog: bool
    truth: NDArray[np.float64]
    level_scale: float | None = None
    level_offset: float | None = None


@dataclass(frozen=True, slots=True)
class Unit:
    """A device as a listener sees it: one poll of neighbouring registers, answered again and again.

    device: its address. table, register: where the block lies. t_ns: when each answer was delivered [answers]. words:
    [answers, registers]. order: its word order ("high-word-first", ...). height_m: of its vessel. level_m: the true
    level at t_ns (before noise and rounding) [answers].
    """

    device: int
    table: str
    register: int
    t_ns: NDArray[np.int64]
    words: NDArray[np.uint16]
    fields: tuple[Field, ...]
    order: str
    height_m: float
    level_m: NDArray[np.float64]
