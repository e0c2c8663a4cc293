"""Line bytes -> transactions, as they come. No I/O, no clock, and never a byte towards the line.

Feed and take: ``receive(chunk)``, then ``next_event()`` until None; ``close()`` at the end of the input. What is a
frame and what became of each request is decided in `resolve`, where the theory of operation stands; here bytes are
kept until they are settled, and rows become events.
"""

from collections import deque
from dataclasses import replace

from sidetap.line import resolve
from sidetap.line.ascii import Retelling
from sidetap.line.chunk import Chunk
from sidetap.line.columns import OUTCOMES, Mode
from sidetap.line.pace import Pace
from sidetap.line.pieces import Pieces
from sidetap.line.resolve import NO_TIME, NONE, QUIET_NS, WIDTH
from sidetap.line.rules import CHECK_BYTES, TABLE
from sidetap.line.settings import Settings
from sidetap.line.transaction import Noise, Transaction
from sidetap.line.wire import memory, wire

FORGET_AFTER = 65_536  # bytes behind the boundary; only to move memory seldom
_ROOM = 64  # rows taken at once

Event = Transaction | Noise

_WIRE = wire()


class Parser:
    """The incremental parser of a line.

    mode: how the line frames its messages. settings: with them, transactions of bytes that came faster than the line
    allows are marked ``backlog``. repair: mend single wrong bits where what must stand there is known; never for what
    controls.
    """

    def __init__(self, settings: Settings | None = None, mode: Mode = Mode.RTU, *, repair: bool = False) -> None:
        self._pace = None if settings is None else Pace(settings)
        self._in_backlog = False  # the latest chunk is a backlog
        self._data = bytearray()
        self._came: list[int] = []  # per delivery: end, time, 1 if backlog
        rtu = mode is Mode.RTU
        character_ns = 0 if settings is None else settings.character_ns
        self._memory = memory(repair and rtu, character_ns * mode.characters)
        self._retelling = None if rtu else Retelling()
        self._pieces = Pieces()  # of an ASCII line: the characters behind the data, and what they are
        self._characters = bytearray()
        self._rows = [0] * (_ROOM * WIDTH)
        self._last_ns: int | None = None
        self._events: deque[Event] = deque()

    def receive(self, chunk: Chunk) -> None:
        """Take the next chunk of the line, in order of arrival."""
        if chunk.t_ns is not None:
            self.idle(chunk.t_ns)
        if not chunk.data:
            return
        self._last_ns = chunk.t_ns
        backlog = self._pace is not None and self._pace.judge(chunk)
        if self._retelling is None:
            self._append(chunk.data, chunk.t_ns, backlog)
        else:
            self._characters += chunk.data
            for piece in self._retelling.take(chunk.data):
                self._pieces.add(piece)
                self._append(piece.told, chunk.t_ns, backlog)
        self._memory[resolve.TIMED] = int(chunk.t_ns is not None)
        if backlog and not self._in_backlog and self._pace is not None and self._pace.began_ns is not None:
            self._spread_backlog(self._pace.began_ns)
        self._in_backlog = backlog
        self._run(final=False)

    def next_event(self) -> Event | None:
        """Return the next event in the order of the line, or None when more bytes are needed."""
        return self._events.popleft() if self._events else None

    def idle(self, now_ns: int) -> None:
        """Settle what is pending if nothing came for longer than QUIET_NS; now_ns on the clock of the chunks."""
        if self._last_ns is not None and now_ns - self._last_ns > QUIET_NS:
            self._run(final=True)

    def close(self) -> None:
        """Settle everything: no more bytes will come."""
        self._run(final=True)

    def _append(self, data: bytes, t_ns: int | None, backlog: bool) -> None:
        self._data += data
        self._came += (len(self._data), 0 if t_ns is None else t_ns, int(backlog))

    def _run(self, final: bool) -> None:
        if final and self._retelling is not None:
            for piece in self._retelling.close():
                self._pieces.add(piece)
                self._append(piece.told, self._last_ns, self._in_backlog)
        data, memory = self._data, self._memory
        size = len(data)
        while memory[resolve.BOUNDARY] < size:
            start = memory[resolve.BOUNDARY]
            count = resolve.advance(_WIRE, data, self._came, memory, self._rows, _ROOM, size, int(final))
            for row in range(count):
                values = self._rows[row * WIDTH : (row + 1) * WIDTH]
                self._events.append(_event(data, values, self._raw(start, values[resolve.END])))
                start = values[resolve.END]
            if count < _ROOM // 2:
                break
        if memory[resolve.BOUNDARY] == size or memory[resolve.BOUNDARY] >= FORGET_AFTER:
            self._forget()

    def _raw(self, start: int, end: int) -> bytes:
        """Return the bytes of the line behind the data from start up to end."""
        if self._retelling is None:
            return bytes(self._data[start:end])
        return bytes(self._characters[self._pieces.heard(start) : self._pieces.heard(end)])

    def _forget(self) -> None:
        """Drop what is settled; offsets count from the boundary on."""
        gone = self._memory[resolve.BOUNDARY]
        if self._retelling is not None:
            del self._characters[: self._pieces.forget(gone)]
        del self._data[:gone]
        first = self._memory[resolve.CURSOR] if self._data else len(self._came) // 3
        del self._came[: 3 * first]
        self._came[::3] = [end - gone for end in self._came[::3]]
        resolve.shift(self._memory, gone)

    def _spread_backlog(self, since_ns: int) -> None:
        """Mark what came since the bucket began to fill: a backlog is recognised only when it runs over."""
        for place in range(len(self._came) - 3, -1, -3):
            if self._came[place + 1] < since_ns:
                break
            self._came[place + 2] = 1
        for index, event in enumerate(self._events):
            if isinstance(event, Transaction) and not event.backlog:
                seen_ns = event.t_ns if event.t_end_ns is None else event.t_end_ns
                if seen_ns is not None and seen_ns >= since_ns:
                    self._events[index] = replace(event, backlog=True)


def _event(data: bytearray, row: list[int], raw: bytes) -> Event:
    (
        _,
        outcome,
        device,
        function,
        register,
        count,
        request,
        request_end,
        response,
        response_end,
        request_bit,
        response_bit,
        t_ns,
        t_end_ns,
        retry,
        backlog,
    ) = row
    time = None if t_ns == NO_TIME else t_ns
    if outcome == resolve.NOISE:
        return Noise(time, raw)
    return Transaction(
        time,
        None if t_end_ns == NO_TIME else t_end_ns,
        device,
        function,
        TABLE[function] if register != NONE else None,
        register if register != NONE else None,
        count if count != NONE else None,
        _message(data, request, request_end, request_bit),
        _message(data, response, response_end, response_bit),
        OUTCOMES[outcome],
        retry == 1,
        request_bit != NONE or response_bit != NONE,
        backlog == 1,
        raw,
    )


def _message(data: bytearray, start: int, end: int, bit: int) -> bytes | None:
    if start == NONE:
        return None
    frame = data[start : end - CHECK_BYTES]
    if NONE != bit < 8 * (end - CHECK_BYTES):
        frame[bit // 8 - start] ^= 1 << bit % 8
    return bytes(frame)
