"""Answers that came to harm -> in which way: bits turned over, or two answers over each other; requests heard double.

How it works. Of each damaged read it is known how long the answer should be. A turned bit leaves the length as it is
and can be found by the check bytes alone: the check over the whole tells which bit it was. Two devices that speak at
once make something longer than either answer, which no single bit mends.
"""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Columns, Mode, Outcome, crc16
from sidetap.line.columns import NO_TIME, NOISE, NONE, OUTCOMES
from sidetap.line.crc import TABLE
from sidetap.quantity import NS_PER_MS
from sidetap.survey.health.exchanges import DEVICES

_BIT_READS, _REGISTER_READS = (1, 2), (3, 4)
_REQUEST_BYTES = 8
_EXCEPTION_BYTES = 5
_LONGEST_FRAME = 256
_Item = TypeVar("_Item", bound=np.generic)
_LOOKED_AT = 2000  # damaged answers of a device
_TOO_SOON_NS = 30 * NS_PER_MS  # for a retry: no master's time-out is shorter. Common practice, no source


@dataclass(frozen=True, slots=True)
class Harm:
    """Damaged answers to reads of one device. turned: a single turned bit explains them. longer, shorter: than due.

    doubled_answers: a second whole answer came behind the first. reads: first tries of reads; doubled_requests: of
    these, how often the request was there twice, sooner than any master repeats it.
    """

    device: int
    looked_at: int
    turned: int
    longer: int
    shorter: int
    doubled_answers: int
    reads: int
    doubled_requests: int


class Examining:
    """Gathers `Harm`."""

    def __init__(self) -> None:
        self._counts = np.zeros((DEVICES, 7), dtype=np.int64)
        self._before = _Before(NONE, NONE, NOISE, False, NO_TIME)

    def see(self, columns: Columns) -> None:
        """Take the next rows."""
        if not len(columns):
            return
        self._repeats(columns)
        if columns.mode is not Mode.RTU:
            return
        for row in columns.select(Outcome.DAMAGED).tolist():
            counts = self._counts[columns.device[row]]
            for request, answer in _answers(columns.raw(row), columns.request[row]):
                if counts[0] < _LOOKED_AT and answer:
                    _judge(counts, request, answer)

    def _repeats(self, columns: Columns) -> None:
        before = self._before
        device = columns.device.astype(np.int64)
        previous = _shifted(device, before.device)
        function = _shifted(columns.function, before.function)
        outcome = _shifted(columns.outcome, before.outcome)
        retry = _shifted(columns.retry, before.retry)
        t_ns = _shifted(columns.t_ns, before.t_ns)
        same = (device == previous) & (columns.function == function) & (columns.outcome != NOISE)
        again = same & (columns.outcome == OUTCOMES.index(Outcome.UNPAIRED_RESPONSE)) & ~retry
        again &= outcome == OUTCOMES.index(Outcome.ANSWERED)
        self._counts[:, 4] += np.bincount(device[again], minlength=DEVICES)
        read = (columns.request[:, 0] != NONE) & np.isin(columns.function, (*_BIT_READS, *_REGISTER_READS))
        self._counts[:, 5] += np.bincount(device[read & ~columns.retry], minlength=DEVICES)
        timeless = (columns.t_ns == NO_TIME) | (t_ns == NO_TIME)
        soon = timeless | ((columns.t_ns >= t_ns) & (columns.t_ns - t_ns < _TOO_SOON_NS) & ~columns.backlog)
        doubled = same & read & columns.retry & ~retry & soon & (outcome == OUTCOMES.index(Outcome.UNANSWERED))
        self._counts[:, 6] += np.bincount(device[doubled], minlength=DEVICES)
        self._before = _Before(
            int(device[-1]),
            int(columns.function[-1]),
            int(columns.outcome[-1]),
            bool(columns.retry[-1]),
            int(columns.t_ns[-1]),
        )

    def harms(self) -> tuple[Harm, ...]:
        """Return what has been gathered, of every device that was asked or answered anything."""
        return tuple(
            Harm(device, *self._counts[device].tolist())
            for device in np.flatnonzero(self._counts.any(axis=1)).tolist()
        )


@dataclass(frozen=True, slots=True)
class _Before:
    """The last row of the columns before."""

    device: int
    function: int
    outcome: int
    retry: bool
    t_ns: int


def _shifted(column: NDArray[_Item], first: int) -> NDArray[_Item]:
    return np.concatenate([np.array([first], dtype=column.dtype), column[:-1]])


def _answers(raw: bytes, request: NDArray[np.int64]) -> list[tuple[bytes, bytes]]:
    """Return each request in a damaged row with what came after it: a row may hold a request and its retries."""
    size = int(request[1] - request[0])
    starts = [0]
    at = size
    while at + _REQUEST_BYTES <= len(raw):
        window = raw[at : at + _REQUEST_BYTES]
        if window[0] == raw[0] and 1 <= window[1] <= 6 and crc16(window) == 0:
            starts.append(at)
            at += _REQUEST_BYTES
        else:
            at += 1
    sizes = [size] + [_REQUEST_BYTES] * (len(starts) - 1)
    ends = [*starts[1:], len(raw)]
    return [
        (raw[start : start + length], raw[start + length : end])
        for start, length, end in zip(starts, sizes, ends, strict=True)
    ]


def _judge(counts: NDArray[np.int64], request: bytes, answer: bytes) -> None:
    due = _due(request)
    if due is None:
        return
    counts[0] += 1
    if len(answer) in (due, _EXCEPTION_BYTES) and crc16(answer) in _ONE_BIT:
        counts[1] += 1
    elif len(answer) == due:
        return
    elif len(answer) > due:
        counts[2] += 1
    else:
        counts[3] += 1


def _due(request: bytes) -> int | None:
    """Return the length of a whole answer to a read (MODBUS Application Protocol V1.1b3, 6.1-6.4)."""
    count = int.from_bytes(request[4:6], "big")
    if request[1] in _BIT_READS:
        return 5 + (count + 7) // 8
    return 5 + 2 * count if request[1] in _REGISTER_READS else None


def _one_bit() -> frozenset[int]:
    """Return what the check over a frame becomes when one of its bits is turned over, whatever the frame."""
    codes = set()
    for bit in range(8):
        code = TABLE[1 << bit]
        for _ in range(_LONGEST_FRAME):  # the turned bit stands so many bytes before the end
            codes.add(code)
            code = code >> 8 ^ TABLE[code & 0xFF]
    return frozenset(codes)


_ONE_BIT = _one_bit()
