"""Events of a line as columns: one row each, in order, every byte of the line in exactly one row.

What the offline runner hands out and what long records are worked on with; ``event`` gives a single row in the words
of the incremental parser.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from sidetap.line import rules
from sidetap.line.transaction import Noise, Outcome, Transaction

OUTCOMES: tuple[Outcome, ...] = tuple(Outcome)
NOISE = len(OUTCOMES)  # in the column `outcome`: the row is no transaction
NO_TIME = -(2**63)
NONE = -1  # no device, function, register, count, frame or bit

Rows = NDArray[np.int64]


class Mode(StrEnum):
    """How a line frames its messages."""

    RTU = "rtu"
    ASCII = "ascii"

    @property
    def characters(self) -> int:
        """How many characters of the line one byte of a message takes."""
        return 2 if self is Mode.ASCII else 1


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Rows of events. All columns have one item a row, but for ``data``.

    data: the bytes of these rows and of no others, as they came, uint8. ends: where each row ends in data.
    outcome: place in OUTCOMES, or NOISE. device, function, register, count: int32, NONE where the event has none.
    request, response: [rows, 2], where the frame starts and ends in data, check bytes included; NONE without one.
    request_bit, response_bit: the bit of data (8 × byte + bit, bit 0 the lowest) that was mended; NONE if none was.
    t_ns, t_end_ns: as in `Transaction` (of noise: of its first byte), int64, NO_TIME where it has none.
    """

    mode: Mode
    data: NDArray[np.uint8]
    ends: Rows
    outcome: NDArray[np.uint8]
    device: NDArray[np.int32]
    function: NDArray[np.int32]
    register: NDArray[np.int32]
    count: NDArray[np.int32]
    request: Rows
    response: Rows
    request_bit: Rows
    response_bit: Rows
    t_ns: Rows
    t_end_ns: Rows
    retry: NDArray[np.bool_]
    backlog: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.ends)

    @property
    def repaired(self) -> NDArray[np.bool_]:
        """Of each row whether a bit of it was mended."""
        mended: NDArray[np.bool_] = (self.request_bit != NONE) | (self.response_bit != NONE)
        return mended

    def select(self, outcome: Outcome) -> Rows:
        """Return the places of the rows with an outcome."""
        return np.flatnonzero(self.outcome == OUTCOMES.index(outcome))

    def raw(self, row: int) -> bytes:
        """Return all bytes of a row as they came."""
        start = int(self.ends[row - 1]) if row else 0
        return self.data[start : int(self.ends[row])].tobytes()

    def request_bytes(self, row: int) -> bytes | None:
        """Return address and PDU of the request, mended; None without one."""
        return self._message(self.request[row], int(self.request_bit[row]))

    def response_bytes(self, row: int) -> bytes | None:
        """Return address and PDU of the response, mended; None without one."""
        return self._message(self.response[row], int(self.response_bit[row]))

    def answer_words(self, rows: Rows, count: int) -> NDArray[np.uint16]:
        """Return the registers that answered reads (FC 3, 4, 23) of so many registers brought: [rows, count]."""
        return self._words(self.response, self.response_bit, rows, 3, count)

    def written_words(self, rows: Rows, count: int) -> NDArray[np.uint16]:
        """Return the registers that requests of one function (FC 6, 16, 23) write: [rows, count]."""
        if not len(rows):
            return np.empty((0, count), dtype=np.uint16)
        at = {6: 4, 16: 7, 23: 11}[int(self.function[rows[0]])]
        return self._words(self.request, self.request_bit, rows, at, count)

    def event(self, row: int) -> Transaction | Noise:
        """Return one row as the incremental parser hands it out."""
        t_ns = int(self.t_ns[row])
        time = None if t_ns == NO_TIME else t_ns
        if self.outcome[row] == NOISE:
            return Noise(time, self.raw(row))
        end_ns = int(self.t_end_ns[row])
        function, register, count = int(self.function[row]), int(self.register[row]), int(self.count[row])
        return Transaction(
            t_ns=time,
            t_end_ns=None if end_ns == NO_TIME else end_ns,
            device=int(self.device[row]),
            function=function,
            table=None if register == NONE else rules.TABLE[function],
            register=None if register == NONE else register,
            count=None if count == NONE else count,
            request=self.request_bytes(row),
            response=self.response_bytes(row),
            outcome=OUTCOMES[self.outcome[row]],
            retry=bool(self.retry[row]),
            repaired=bool(self.request_bit[row] != NONE or self.response_bit[row] != NONE),
            backlog=bool(self.backlog[row]),
            raw=self.raw(row),
        )

    def events(self) -> Iterator[Transaction | Noise]:
        """Yield all rows as events, in order."""
        return (self.event(row) for row in range(len(self)))

    def _message(self, span: Rows, bit: int) -> bytes | None:
        start, end = int(span[0]), int(span[1])
        if start == NONE:
            return None
        frame = bytearray(self.data[start:end].tobytes())
        if bit != NONE:
            frame[bit // 8 - start] ^= 1 << bit % 8
        if self.mode is Mode.ASCII:
            return bytes.fromhex(frame[1:-4].decode("ascii"))  # without colon, LRC and line end
        return bytes(frame[:-2])

    def _words(self, spans: Rows, bits: Rows, rows: Rows, at: int, count: int) -> NDArray[np.uint16]:
        """Return count words from byte ``at`` of the messages in rows."""
        wide = 2 if self.mode is Mode.ASCII else 1
        first = spans[rows, 0] + at * wide + (self.mode is Mode.ASCII)
        if not len(rows):
            return np.empty((0, count), dtype=np.uint16)
        octets = np.lib.stride_tricks.sliding_window_view(self.data, 2 * count * wide)[first]
        bit = bits[rows]
        mended = np.flatnonzero((bit != NONE) & (bit // 8 >= first) & (bit // 8 < first + octets.shape[1]))
        octets[mended, (bit // 8 - first)[mended]] ^= (1 << bit[mended] % 8).astype(np.uint8)
        if wide == 2:
            digits = np.where(octets > ord("9"), (octets & 0x4F) - 0x37, octets - 0x30).astype(np.uint8)
            octets = digits[:, ::2] << 4 | digits[:, 1::2]
        words: NDArray[np.uint16] = octets[:, ::2].astype(np.uint16) << 8 | octets[:, 1::2]
        return words


def of_events(events: Sequence[Transaction | Noise], mode: Mode = Mode.RTU) -> Columns:
    """Return events of the incremental parser as columns, mended bits left out of account."""
    rows = len(events)
    data = np.frombuffer(b"".join(event.raw for event in events), dtype=np.uint8)
    ends = np.cumsum([len(event.raw) for event in events], dtype=np.int64)
    columns = Columns(
        mode=mode,
        data=data,
        ends=ends,
        outcome=np.full(rows, NOISE, dtype=np.uint8),
        device=np.full(rows, NONE, dtype=np.int32),
        function=np.full(rows, NONE, dtype=np.int32),
        register=np.full(rows, NONE, dtype=np.int32),
        count=np.full(rows, NONE, dtype=np.int32),
        request=np.full((rows, 2), NONE, dtype=np.int64),
        response=np.full((rows, 2), NONE, dtype=np.int64),
        request_bit=np.full(rows, NONE, dtype=np.int64),
        response_bit=np.full(rows, NONE, dtype=np.int64),
        t_ns=np.full(rows, NO_TIME, dtype=np.int64),
        t_end_ns=np.full(rows, NO_TIME, dtype=np.int64),
        retry=np.zeros(rows, dtype=np.bool_),
        backlog=np.zeros(rows, dtype=np.bool_),
    )
    for row, event in enumerate(events):
        if event.t_ns is not None:
            columns.t_ns[row] = event.t_ns
        if isinstance(event, Noise):
            continue
        start, end = int(ends[row]) - len(event.raw), int(ends[row])
        columns.outcome[row] = OUTCOMES.index(event.outcome)
        columns.device[row], columns.function[row] = event.device, event.function
        columns.retry[row], columns.backlog[row] = event.retry, event.backlog
        if event.register is not None and event.count is not None:
            columns.register[row], columns.count[row] = event.register, event.count
        if event.t_end_ns is not None:
            columns.t_end_ns[row] = event.t_end_ns
        if event.request is not None:
            columns.request[row] = start, start + len(event.request) + 2
        if event.response is not None:
            columns.response[row] = end - len(event.response) - 2, end
    return columns
