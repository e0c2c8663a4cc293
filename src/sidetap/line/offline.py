"""A whole line: batches of chunks in, columns of events out. For records; the live line has the parser.

The same algorithm as the parser's runs here, compiled once there is enough to do. Small records, and machines that
have not compiled it yet, never wait for a compiler: `resolve` runs as it stands until ``LARGE`` bytes have come.
"""

from collections.abc import Iterable, Iterator, MutableSequence
from functools import cache
from pathlib import Path
from typing import Protocol, cast

import numpy as np
from numpy.typing import NDArray

from sidetap.line import resolve
from sidetap.line.ascii import Piece, Retelling, mode_of
from sidetap.line.batch import Batch
from sidetap.line.columns import Columns, Mode
from sidetap.line.pace import DEEPEST_NS, mark
from sidetap.line.pieces import Pieces
from sidetap.line.resolve import NONE, QUIET_NS, WIDTH
from sidetap.line.settings import Settings
from sidetap.line.wire import memory, wire

LARGE = 1 << 19  # bytes from which on loading the compiled code pays
VERY_LARGE = 1 << 24  # and compiling it, which takes the better part of a minute
_HEAD = 4096  # bytes from which the mode is told
_ROOM = 1 << 16  # rows taken at once

Numbers = NDArray[np.int64]
Octets = NDArray[np.uint8]


def listen(batches: Iterable[Batch], settings: Settings | None = None, *, repair: bool = True) -> Iterator[Columns]:
    """Yield the events of a line as columns, in order; the same rows however the line was cut into batches.

    settings: with them, rows of bytes that came faster than the line allows are marked ``backlog``. repair: mend
    single wrong bits where what must stand there is known; such rows are marked.
    """
    line: _Line | None = None
    held: list[Batch] = []
    for batch in batches:
        held.append(batch)
        if line is None:
            if sum(len(one.data) for one in held) < _HEAD:
                continue
            line = _Line(_mode(held), settings, repair)
        for one in held:
            yield from line.take(one)
        held = []
    if line is None and held:
        line = _Line(_mode(held), settings, repair)
        for one in held:
            yield from line.take(one)
    if line is not None:
        yield from line.close()


def _mode(batches: list[Batch]) -> Mode:
    return mode_of(b"".join(batch.data[:_HEAD].tobytes() for batch in batches)[:_HEAD])


class _Runner(Protocol):
    """Runs `resolve.advance` over one line."""

    def advance(self, data: Octets, came: Numbers, stop: int, final: bool) -> Numbers:
        """Return the next rows [rows, WIDTH], at most _ROOM."""
        ...

    def mark(self, came: Numbers, first: int, character_ns: int) -> None:
        """Mark the backlog among the deliveries from the first on."""
        ...

    @property
    def memory(self) -> MutableSequence[int]:
        """What `resolve` remembers."""
        ...


class _Plain:
    """The functions as they stand."""

    def __init__(self, memory: MutableSequence[int]) -> None:
        self.memory = memory
        self._wire = wire()
        self._data = bytearray()
        self._came: list[int] = []
        self._rows = [0] * (_PLAIN_ROOM * WIDTH)
        self._of: Octets | None = None
        self.bucket = [0] * 5

    def advance(self, data: Octets, came: Numbers, stop: int, final: bool) -> Numbers:
        if self._of is not data:  # as plain sequences once a batch
            self._of, self._data, self._came = data, bytearray(data.tobytes()), came.tolist()
        room, rows = _PLAIN_ROOM, self._rows
        count = resolve.advance(self._wire, self._data, self._came, self.memory, rows, room, stop, int(final))
        return np.array(rows[: count * WIDTH], dtype=np.int64).reshape(count, WIDTH)

    def mark(self, came: Numbers, first: int, character_ns: int) -> None:
        plain: list[int] = came.tolist()
        mark(plain, first, self.bucket, character_ns)
        came[:] = plain


@cache
def _wire_array() -> Numbers:
    return np.array(wire(), dtype=np.int64)


class _Compiled:
    """The functions compiled. Goes on where a plain runner is."""

    def __init__(self, plain: _Plain) -> None:
        from sidetap.line.kernel import advance, mark  # takes half a second, which small records don't have

        self.memory = cast(MutableSequence[int], np.array(plain.memory, dtype=np.int64))
        self._bucket = np.array(plain.bucket, dtype=np.int64)
        self._advance, self._mark = advance, mark
        self._wire = _wire_array()
        self._rows = np.empty(_ROOM * WIDTH, dtype=np.int64)

    def advance(self, data: Octets, came: Numbers, stop: int, final: bool) -> Numbers:
        rows = self._rows
        count = self._advance(self._wire, data, came, self.memory, rows, _ROOM, stop, int(final))
        return rows[: count * WIDTH].reshape(count, WIDTH).copy()

    def mark(self, came: Numbers, first: int, character_ns: int) -> None:
        self._mark(came, first, self._bucket, character_ns)


_PLAIN_ROOM = 1 << 12


def _is_compiled() -> bool:
    """Whether the compiled code lies in its cache."""
    source = Path(resolve.__file__)
    made = list((source.parent / "__pycache__").glob("resolve.advance-*.nbi"))
    return any(one.stat().st_mtime >= source.stat().st_mtime for one in made)


class _Line:
    """A line as far as it came: what is not settled yet is kept for the next batch."""

    def __init__(self, mode: Mode, settings: Settings | None, repair: bool) -> None:
        self._mode = mode
        self._character_ns = 0 if settings is None else settings.character_ns
        self._runner: _Runner = _Plain(
            memory(repair and mode is Mode.RTU, self._character_ns if mode is Mode.RTU else 0)
        )
        self._size = 0  # bytes so far
        self._retelling = Retelling()
        self._pieces = Pieces()
        self._raw: Octets = np.empty(0, dtype=np.uint8)  # the characters behind data, of an ASCII line
        self._data: Octets = np.empty(0, dtype=np.uint8)
        self._came: Numbers = np.empty((0, 3), dtype=np.int64)
        self._last_ns = 0

    def take(self, batch: Batch) -> Iterator[Columns]:
        """Take the next batch, yield what it settles."""
        self._size += len(batch.data)
        if isinstance(self._runner, _Plain) and self._size >= (LARGE if _is_compiled() else VERY_LARGE):
            self._runner = _Compiled(self._runner)
        came = np.zeros((len(batch.ends), 3), dtype=np.int64)
        came[:, 0] = batch.ends
        if batch.t_ns is not None:
            came[:, 1] = batch.t_ns
            self._runner.memory[resolve.TIMED] = 1
        if self._mode is Mode.ASCII:
            self._append(*self._retold(batch.data, self._marked(came, 0)))
        else:
            before = len(self._came)
            self._append(batch.data, came)
            self._came = self._marked(self._came, before)
        yield from self._settle(final=False)

    def close(self) -> Iterator[Columns]:
        """Settle everything: no more bytes will come."""
        if self._mode is Mode.ASCII:
            pieces = list(self._retelling.close())
            self._append(*self._joined(pieces, [(self._last_ns, 0)] * len(pieces)))
        yield from self._settle(final=True)

    def _append(self, data: Octets, came: Numbers) -> None:
        """Take bytes as an RTU line carries them, with their deliveries."""
        came[:, 0] += len(self._data)
        self._data = np.concatenate((self._data, data))
        self._came = np.concatenate((self._came, came))
        if len(came):
            self._last_ns = int(came[-1, 1])

    def _marked(self, came: Numbers, first: int) -> Numbers:
        """Return the deliveries with the backlog among them marked, from the first on."""
        if not self._character_ns or not self._runner.memory[resolve.TIMED]:
            return came
        flat = came.ravel()
        self._runner.mark(flat, first, self._character_ns)
        return flat.reshape(-1, 3)

    def _retold(self, characters: Octets, came: Numbers) -> tuple[Octets, Numbers]:
        """Return what an RTU line would have carried, and when."""
        self._raw = np.concatenate((self._raw, characters))
        pieces: list[Piece] = []
        times: list[tuple[int, int]] = []
        start = 0
        for end, t_ns, late in came.tolist():
            told = list(self._retelling.take(characters[start:end].tobytes()))
            pieces += told
            times += [(t_ns, late)] * len(told)
            start = end
        return self._joined(pieces, times)

    def _joined(self, pieces: list[Piece], times: list[tuple[int, int]]) -> tuple[Octets, Numbers]:
        for piece in pieces:
            self._pieces.add(piece)
        came = np.zeros((len(pieces), 3), dtype=np.int64)
        came[:, 0] = np.cumsum([len(piece.told) for piece in pieces])
        came[:, 1:] = np.array(times, dtype=np.int64).reshape(-1, 2)
        return np.frombuffer(b"".join(piece.told for piece in pieces), dtype=np.uint8), came

    def _settle(self, final: bool) -> Iterator[Columns]:
        times, ends = self._came[:, 1], self._came[:, 0]
        stops = [(int(ends[place]), True) for place in np.flatnonzero(np.diff(times) > QUIET_NS)]
        stops.append((len(self._data) if final else self._ripe(), final))
        came = self._came.ravel()
        for stop, last in stops:
            while True:
                start = int(self._runner.memory[resolve.BOUNDARY])
                rows = self._runner.advance(self._data, came, stop, last)
                if len(rows):
                    yield self._columns(rows, start)
                if len(rows) == 0 or self._runner.memory[resolve.BOUNDARY] == stop:
                    break
        self._forget()

    def _ripe(self) -> int:
        """Return up to where no later delivery can show that what came is a backlog."""
        if not self._character_ns or not len(self._came) or not self._runner.memory[resolve.TIMED]:
            return len(self._data)
        since_ns = max(int(self._came[-1, 1]) - DEEPEST_NS, resolve.NO_TIME)
        old = np.flatnonzero(self._came[:, 1] < since_ns)
        return int(self._came[old[-1], 0]) if len(old) else 0

    def _forget(self) -> None:
        gone = int(self._runner.memory[resolve.BOUNDARY])
        deliveries = int(np.searchsorted(self._came[:, 0], gone, side="right"))
        self._data, self._came = self._data[gone:].copy(), self._came[deliveries:].copy()
        self._came[:, 0] -= gone
        resolve.shift(self._runner.memory, gone)
        if self._mode is Mode.ASCII:
            self._raw = self._raw[self._pieces.forget(gone) :].copy()

    def _columns(self, rows: Numbers, start: int) -> Columns:
        end = int(rows[-1, resolve.END])
        data = self._data[start:end]
        spans = rows[:, [resolve.END, *range(resolve.REQUEST, resolve.T)]]
        if self._mode is Mode.ASCII:
            heard = np.array(
                [[NONE if at == NONE else self._pieces.heard(at) for at in row] for row in spans.tolist()]
            )
            start = self._pieces.heard(start)
            spans, data = heard.reshape(spans.shape), self._raw[start : int(heard[-1, 0])]
        spans = np.where(spans == NONE, NONE, spans - start * np.array([1, 1, 1, 1, 1, 8, 8]))
        return Columns(
            mode=self._mode,
            data=data,
            ends=spans[:, 0],
            outcome=rows[:, resolve.OUTCOME].astype(np.uint8),
            device=rows[:, resolve.DEVICE].astype(np.int32),
            function=rows[:, resolve.FUNCTION].astype(np.int32),
            register=rows[:, resolve.REGISTER].astype(np.int32),
            count=rows[:, resolve.COUNT].astype(np.int32),
            request=spans[:, 1:3],
            response=spans[:, 3:5],
            request_bit=spans[:, 5],
            response_bit=spans[:, 6],
            t_ns=rows[:, resolve.T],
            t_end_ns=rows[:, resolve.T_END],
            retry=rows[:, resolve.RETRY].astype(np.bool_),
            backlog=rows[:, resolve.BACKLOG].astype(np.bool_),
        )
