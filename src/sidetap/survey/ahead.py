"""Something that takes its time to come, one item ahead: while one is worked on, the next is made in a thread.

Order and errors are those of the iterable. For work that leaves the interpreter alone (numpy, numba, reading).
"""

from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")


def ahead(items: Iterable[T]) -> Iterator[T]:
    """Yield the items; the iterable runs in one thread only."""
    iterator = iter(items)
    with ThreadPoolExecutor(1) as worker:
        coming = worker.submit(next, iterator, None)
        while (item := coming.result()) is not None:
            coming = worker.submit(next, iterator, None)
            yield item
