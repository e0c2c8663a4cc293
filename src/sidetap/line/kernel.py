"""The functions of `resolve`, compiled: arrays in, rows out. Importing this costs half a second, compiling a minute.

The compiled code is kept in a cache beside the sources, or in the user's own where that can't be written.
"""

import inspect
from collections.abc import Callable

import numpy as np
from numba import njit
from numba.extending import register_jitable
from numpy.typing import NDArray

from sidetap.line import resolve
from sidetap.line.wire import memory, wire

Numbers = NDArray[np.int64]

for _name, _function in inspect.getmembers(resolve, inspect.isfunction):
    if _function.__module__ == resolve.__name__:
        register_jitable(_function)
_advance: Callable[..., int] = njit(cache=True, nogil=True)(resolve.advance)


class Kernel:
    """The compiled runner of one line: `resolve` and its memory, as arrays."""

    def __init__(self, mends: bool) -> None:
        self.memory: Numbers = np.array(memory(mends), dtype=np.int64)
        self._wire: Numbers = np.array(wire(), dtype=np.int64)

    def advance(
        self, data: NDArray[np.uint8], came: Numbers, rows: Numbers, room: int, stop: int, final: bool
    ) -> int:
        """Settle what can be settled; as `resolve.advance`."""
        return int(_advance(self._wire, data, came, self.memory, rows, room, stop, int(final)))
