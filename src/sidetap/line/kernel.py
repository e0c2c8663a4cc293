"""`resolve` compiled. Importing this takes half a second, the first time ever the better part of a minute.

The compiled code is kept in a cache beside the sources, or in the user's own where that can't be written.
Run as a module it compiles and does no more: `make setup` does, so that nobody waits later.
"""

import inspect
from collections.abc import Callable

from numba import njit
from numba.extending import register_jitable

from sidetap.line import pace, resolve

for _module in (resolve, pace):
    for _name, _function in inspect.getmembers(_module, inspect.isfunction):
        if _function.__module__ == _module.__name__:
            register_jitable(_function)

advance: Callable[..., int] = njit(cache=True, nogil=True)(resolve.advance)
"""As `resolve.advance`, on arrays: data uint8, all else int64."""

mark: Callable[..., None] = njit(cache=True, nogil=True)(pace.mark)
"""As `pace.mark`, on arrays of int64."""


def compile_now() -> None:
    """Compile, unless the cache holds it already."""
    import numpy as np

    from sidetap.line.wire import memory, wire

    numbers = np.zeros(resolve.WIDTH, dtype=np.int64)
    rules, nothing = np.array(wire(), dtype=np.int64), np.array(memory(True), dtype=np.int64)
    advance(rules, np.zeros(1, dtype=np.uint8), np.zeros(3, dtype=np.int64), nothing, numbers, 1, 0, 0)
    mark(np.zeros(3, dtype=np.int64), 1, np.zeros(5, dtype=np.int64), 1)


if __name__ == "__main__":
    compile_now()
