"""Virtual time: actions with a due time in, actions run in order of time out. Never looks at a real clock."""

import heapq
import random
from collections.abc import Callable

Action = Callable[[], object]


class Agenda:
    """What is going to happen in the yard, in order of time; ties run in the order in which they were entered.

    now_ns: virtual time since the yard's start.
    """

    __slots__ = ("_entered", "_heap", "now_ns")

    def __init__(self) -> None:
        self.now_ns = 0
        self._heap: list[tuple[int, int, Action]] = []
        self._entered = 0

    def at(self, t_ns: int, action: Action) -> None:
        """Enter an action for t_ns; ValueError when that is past."""
        if t_ns < self.now_ns:
            raise ValueError(f"{t_ns} ns is past; it is {self.now_ns} ns in the yard")
        self._entered += 1
        heapq.heappush(self._heap, (t_ns, self._entered, action))

    def run(self, to_ns: int) -> None:
        """Run all that is due up to and including to_ns, which then is the present."""
        if to_ns < self.now_ns:
            raise ValueError(f"time can't run back from {self.now_ns} to {to_ns} ns")
        heap = self._heap
        while heap and heap[0][0] <= to_ns:
            self.now_ns, _, action = heapq.heappop(heap)
            action()
        self.now_ns = to_ns


def dice(seed: int, purpose: str) -> random.Random:
    """Return the random numbers of one purpose: the same seed gives the same ones, whatever others draw."""
    return random.Random(f"{seed}:{purpose}")  # noqa: S311 - a simulation must repeat itself; nothing is secret here
