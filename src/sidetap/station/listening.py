"""One tapped line: chunks in, transactions that may be believed out. Never a byte towards the line.

Bytes that were held back (by an adapter, a network, this machine) come faster than the line carries them; that they
were is known only when enough of them have come. So a transaction waits ``HOLD_NS`` before it is handed out, and one
that turns out to be part of a backlog by then never counts as fresh. Its age counts from its delivery all the same.
"""

from dataclasses import replace

from sidetap.line import Chunk, Pace, Parser, Settings, Transaction
from sidetap.quantity import NS_PER_MS

# Held-back bytes come in packets of 62 or more each 16 ms at the slowest; the third overfills the pace's allowance.
HOLD_NS = 40 * NS_PER_MS


class Listener:
    """The parser of a line, and what it has found that is not yet believed."""

    def __init__(self, settings: Settings) -> None:
        self._parser = Parser(settings)
        self._pace = Pace(settings)
        self._held: list[tuple[int, Transaction]] = []

    def receive(self, chunk: Chunk) -> None:
        """Take a chunk with its time."""
        late = self._pace.judge(chunk)
        self._parser.receive(chunk)
        self._collect(0 if chunk.t_ns is None else chunk.t_ns)
        if late and self._pace.began_ns is not None:
            since_ns = self._pace.began_ns
            self._held = [(t, replace(x, backlog=True) if t >= since_ns else x) for t, x in self._held]

    def take(self, now_ns: int) -> list[Transaction]:
        """Return what was delivered at least HOLD_NS ago, in order, once."""
        self._parser.idle(now_ns)
        self._collect(now_ns)
        ripe = [x for t, x in self._held if t <= now_ns - HOLD_NS]
        self._held = self._held[len(ripe) :]
        return ripe

    def _collect(self, now_ns: int) -> None:
        while (event := self._parser.next_event()) is not None:
            if isinstance(event, Transaction):
                self._held.append((now_ns, event))
