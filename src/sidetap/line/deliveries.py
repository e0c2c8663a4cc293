"""Which byte came when: offsets of bytes -> delivery times, for the chunks a parser still has in reach."""

from bisect import bisect_right


class Deliveries:
    """Ends, times and backlog marks of chunks, in order of arrival. last_ns: time of the latest, kept for good."""

    def __init__(self) -> None:
        self.last_ns: int | None = None
        self._ends: list[int] = []
        self._times: list[int | None] = []
        self._backlog: list[bool] = []

    def add(self, end: int, t_ns: int | None, backlog: bool) -> None:
        """Note a chunk that ends before offset ``end``."""
        self.last_ns = t_ns
        self._ends.append(end)
        self._times.append(t_ns)
        self._backlog.append(backlog)

    def time_at(self, offset: int) -> int | None:
        """Return when the byte at offset was delivered, None without times."""
        return self._times[bisect_right(self._ends, offset)]

    def backlog_in(self, start: int, end: int) -> bool:
        """Whether any chunk with bytes from start up to before end is a backlog."""
        return any(self._backlog[bisect_right(self._ends, start) : bisect_right(self._ends, end - 1) + 1])

    def mark_since(self, since_ns: int) -> None:
        """Mark the latest chunks, back to that time, as backlog."""
        for index in range(len(self._times) - 1, -1, -1):
            t_ns = self._times[index]
            if t_ns is None or t_ns < since_ns:
                break
            self._backlog[index] = True

    def forget(self, before: int) -> None:
        """Drop the chunks that end at ``before`` or earlier; offsets count from there on."""
        gone = bisect_right(self._ends, before)
        self._ends = [end - before for end in self._ends[gone:]]
        del self._times[:gone], self._backlog[:gone]
