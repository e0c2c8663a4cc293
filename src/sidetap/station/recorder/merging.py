"""Chunks of several pairs of wires -> one line, in order of time.

Each pair's own chunks stay in their order. A chunk waits for at most ``hold_ns``, in case another pair brings an
older one; an older one that comes later still goes out when it comes. Deliveries are up to 16 ms late, so that an
answer can overtake its request all the same: the recording keeps which pair a chunk came from.
"""

from sidetap.line import Chunk


class Merger:
    """hold_ns: how long a chunk may wait. 0 on a line of one pair."""

    def __init__(self, hold_ns: int) -> None:
        self._hold_ns = hold_ns
        self._waiting: list[tuple[int, Chunk]] = []

    @property
    def due_ns(self) -> int | None:
        """When the oldest chunk that waits has waited long enough; None when none waits."""
        if not self._waiting:
            return None
        return min(chunk.t_ns or 0 for _, chunk in self._waiting) + self._hold_ns

    def put(self, pair: int, chunk: Chunk) -> None:
        """Take a chunk with its time."""
        self._waiting.append((pair, chunk))

    def take(self, now_ns: int) -> list[tuple[int, Chunk]]:
        """Return pairs and chunks that need not wait any longer, in order of time."""
        self._waiting.sort(key=lambda item: item[1].t_ns or 0)  # stable: equal times stay in order of arrival
        ripe = [item for item in self._waiting if (item[1].t_ns or 0) <= now_ns - self._hold_ns]
        self._waiting = self._waiting[len(ripe) :]
        return ripe
