"""What is to be written, and when: before a command, or as soon as the closing it tells of is on its way.

Entries, kept values and load records in; writes to the store out. A write that fails is never forgotten: it is tried
again each second, and ``failed`` stays set until everything that waits has been written. While it is set nothing may
be open: that is the engine's part.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sidetap.quantity import NS_PER_S
from sidetap.station.loads import Load
from sidetap.station.store import Entry, Json, Store, StoreFailed

RETRY_NS = NS_PER_S
LONGEST_HOLD_NS = NS_PER_S  # a module that is gone can't keep a closing out of the journal for longer
MOST_WAITING = 5000  # entries; when the store is gone for days, the newest of its time are given up


class Ledger:
    """The queue before a store. Entries are written in the order in which they are given."""

    def __init__(self, store: Store) -> None:
        self.failed: str | None = None
        self.lost = 0  # entries given up since the store failed
        self._store = store
        self._entries: list[Entry] = []
        self._kept: dict[str, Json] = {}
        self._loads: dict[int, Load] = {}
        self._hold_until_ns: int | None = None
        self._retry_ns = 0

    @property
    def waits(self) -> bool:
        """Whether something is still to be written."""
        return bool(self._entries or self._kept or self._loads)

    def note(
        self, entries: Sequence[Entry] = (), kept: Mapping[str, Json] | None = None, loads: Sequence[Load] = ()
    ) -> None:
        """Take what is to be written by the next ``settle``."""
        room = MOST_WAITING - len(self._entries)
        self._entries.extend(entries[:room])
        self.lost += max(0, len(entries) - room)
        self._kept |= kept or {}
        self._loads |= {load.ticket: load for load in loads}

    def hold(self, now_ns: int) -> None:
        """Write nothing before the closing commanded now is on its way."""
        self._hold_until_ns = now_ns + LONGEST_HOLD_NS

    def settle(self, now_ns: int, closing_is_out: bool) -> bool:
        """Write what waits, unless a closing has to go out first; return whether nothing waits any more."""
        if self._hold_until_ns is not None and not closing_is_out and now_ns < self._hold_until_ns:
            return False
        self._hold_until_ns = None
        if not self.waits:
            return True
        if self.failed is not None and now_ns < self._retry_ns:
            return False
        return self._write(now_ns)

    def commit(
        self,
        now_ns: int,
        entries: Sequence[Entry] = (),
        kept: Mapping[str, Json] | None = None,
        loads: Sequence[Load] = (),
    ) -> bool:
        """Write what waits and this, durably, before returning; False (and this is dropped) when that failed."""
        waiting = (list(self._entries), dict(self._kept), dict(self._loads))
        self.note(entries, kept, loads)
        if self._write(now_ns):
            return True
        self._entries, self._kept, self._loads = waiting
        return False

    def _write(self, now_ns: int) -> bool:
        try:
            self._store.write(self._entries, self._kept, self._loads.values())
        except StoreFailed as problem:
            self.failed = str(problem)
            self._retry_ns = now_ns + RETRY_NS
            return False
        self._entries, self._kept, self._loads = [], {}, {}
        self.failed = None
        return True
