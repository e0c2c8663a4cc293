"""What the parser hands out: transactions, and bytes that are none.

Every byte of the line is in the ``raw`` of exactly one event; joined in order they are the recording.
"""

import struct
from dataclasses import dataclass, field
from enum import StrEnum

from sidetap.line import rules


class Outcome(StrEnum):
    """How a request ended."""

    ANSWERED = "answered"
    EXCEPTION = "exception"
    UNANSWERED = "unanswered"
    DAMAGED = "damaged"  # bytes came that make no whole answer
    BROADCAST = "broadcast"  # to everybody: no answer is due
    UNPAIRED_RESPONSE = "unpaired-response"  # an answer whose request was not seen whole


@dataclass(frozen=True, slots=True)
class Noise:
    """Bytes that belong to no frame anything else on the line supports. t_ns: of the chunk with the first one."""

    t_ns: int | None
    raw: bytes


@dataclass(frozen=True, slots=True)
class Transaction:
    """One request with what became of it, or an answer without its request.

    t_ns: delivery of the chunk that holds the request's last byte (the response's, when unpaired). t_end_ns: of the
    one that holds the response's last byte; None without a response. Both None where the recording has no times.
    table, register (0-based), count: None for an unpaired response. request, response: address and PDU, without
    check bytes. repaired: a bit of either frame was mended (this parser mends none). backlog: bytes came faster
    than the line allows, so that they are older than t_ns says. raw: all its bytes as they came, check bytes and
    what could not be read included.
    """

    t_ns: int | None
    t_end_ns: int | None
    device: int
    function: int
    table: str | None
    register: int | None
    count: int | None
    request: bytes | None
    response: bytes | None
    outcome: Outcome
    retry: bool = False
    repaired: bool = False
    backlog: bool = False
    raw: bytes = field(default=b"", repr=False)

    @property
    def words(self) -> tuple[int, ...] | None:
        """The registers of an answered read (FC 3, 4, 23), each 0-65535; None for everything else."""
        if self.outcome is not Outcome.ANSWERED or self.function not in rules.REGISTER_READS or self.response is None:
            return None
        return _words(self.response[3:])

    @property
    def bits(self) -> tuple[bool, ...] | None:
        """The coils or inputs of an answered FC 1 or 2, as many as were asked for; None for everything else."""
        if self.outcome is not Outcome.ANSWERED or self.function not in rules.BIT_READS or self.response is None:
            return None
        count = self.count or 0
        return tuple(bool(self.response[3 + n // 8] >> n % 8 & 1) for n in range(count))

    @property
    def written(self) -> tuple[int, tuple[int, ...]] | None:
        """First register and the words that a request of FC 6, 16 or 23 asks to write; None for everything else."""
        request = self.request
        if request is None:
            return None
        if self.function == 6:
            return rules.word(request, 2), _words(request[4:6])
        if self.function == 16:
            return rules.word(request, 2), _words(request[7:])
        if self.function == 23:
            return rules.word(request, 6), _words(request[11:])
        return None

    @property
    def exception_code(self) -> int | None:
        """The code of an exception (an unpaired one included), else None."""
        if self.response is not None and self.response[1] & rules.EXCEPTION:
            return self.response[2]
        return None


def _words(data: bytes) -> tuple[int, ...]:
    return struct.unpack(f">{len(data) // 2}H", data[: len(data) // 2 * 2])
