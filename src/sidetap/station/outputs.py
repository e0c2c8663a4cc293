"""Wanted coils and answers' bytes -> requests' bytes, inputs, and what the module has confirmed. Our only requests.

Sans-I/O: whoever owns the port hands bytes and times in, takes bytes out and sends them at once. It owns no clock,
never speaks first on a port that it has not listened to, and never sends again once it has heard a stranger.

Theory of operation. A *cycle* is three requests: write all coils (function 15), read all inputs (2), read the coils
back (1). ``want`` starts one. One request is out at a time; it ends with its answer, or at its deadline. A coil that
is to go off overtakes whatever waits: the next request is then the write. Nothing is taken as done because it was
asked: ``confirmed_ns`` moves only when the coils read back are the coils last written, twice in a row and not twice
the same (the watchdog's coil sees to that), so that neither an adapter that echoes nor a module that answers and
does nothing passes for a working output.

Echo: where an adapter hands back what it sends, exactly the bytes sent are discarded, and the true answer is still
waited for. Strangers: any frame's worth of bytes before our first request, and later a whole frame that can't be an
answer of our module, or bytes that come unasked again and again, mean that this is not our line (a plant's line,
after two adapters have swapped names): ``stranger`` says what was heard, and ``send`` gives nothing any more.

Request and answer layouts: MODBUS Application Protocol Specification V1.1b3, 6.1, 6.2, 6.11 and 7; the silence of
3.5 characters: MODBUS over Serial Line V1.02, 2.5.1.1.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from sidetap.line import crc16
from sidetap.line.rules import EXCEPTION, LAST_DEVICE, REQUEST_LENGTH, RESPONSE_LENGTH, Length
from sidetap.quantity import NS_PER_MS, NS_PER_S

LISTEN_NS = 10 * NS_PER_S  # a port is listened to this long before its first byte
ANSWER_NS = 40 * NS_PER_MS  # from the end of a request: 16 ms of a USB adapter, 8 characters, and time to think
SILENCE_CHARACTERS_HALVES = 7  # 3.5 characters between frames; 1.75 ms where that is longer
SHORTEST_SILENCE_NS = 1_750_000
QUIET_NS = 20 * NS_PER_MS  # unasked bytes are judged once nothing more has come for this long: an adapter's 16 ms
SHORTEST_FRAME = 4  # bytes; fewer are a spike of a driver that switches, not a frame
MOST_HEARD = 64  # bytes in one answer's time; no answer of a module is longer, its echo included
UNASKED_IN_A_ROW = 3  # so many times, each within a minute of the one before: no accident (no source)
UNASKED_WITHIN_NS = 60 * NS_PER_S
LATE_NS = 250 * NS_PER_MS  # an answer of ours may come so long after its deadline (no source; generous)


class Function(IntEnum):
    """The functions of a cycle, in its order."""

    WRITE_COILS = 15
    READ_INPUTS = 2
    READ_COILS = 1


_AFTER = {Function.WRITE_COILS: Function.READ_INPUTS, Function.READ_INPUTS: Function.READ_COILS}


@dataclass(slots=True)
class Counts:
    """What the port has seen since it was opened."""

    requests: int = 0
    answers: int = 0
    exceptions: int = 0
    missing: int = 0
    damaged: int = 0
    echoes: int = 0
    unasked: int = 0


@dataclass(frozen=True, slots=True)
class _Request:
    function: Function
    frame: bytes
    sent_ns: int
    deadline_ns: int


class Master:
    """The master of one module on a port of its own.

    inputs: the bits last read, bit 0 lowest, and inputs_ns, when they were asked for, so that they are never younger
    than said. confirmed_ns: when the coils were last asked back and found as written. Both times are None before.
    stranger: what was heard of another talker; nothing is sent from then on.
    """

    def __init__(
        self, device: int, coil_count: int, input_count: int, closing: int, character_ns: int, now_ns: int
    ) -> None:
        """Start to listen.

        device: the module's address. coil_count, input_count: how many of each it has, from 0 on. closing: the
        coils that may not wait when they go off, as bits (valves and pump permits, but not a toggling watchdog).
        """
        self.inputs = 0
        self.inputs_ns: int | None = None
        self.confirmed_ns: int | None = None
        self.stranger: str | None = None
        self.counts = Counts()
        self._device = device
        self._coil_count = coil_count
        self._input_count = input_count
        self._closing = closing
        self._character_ns = character_ns
        self._wanted = 0
        self._written = 0
        self._read_back: int | None = None
        self._read_since_write = False
        self._matched: int | None = None  # what the last read-back was, where it was as written
        self._next: Function | None = None
        self._again = False
        self._request: _Request | None = None
        self._echo_seen = False
        self._heard = bytearray()
        self._heard_ns = now_ns
        self._listen_until_ns = now_ns + LISTEN_NS
        self._free_ns = now_ns
        self._late_until_ns = now_ns
        self._unasked: list[int] = []

    def listening_ns(self, now_ns: int) -> int:
        """Return for how long the port is still only listened to."""
        return max(0, self._listen_until_ns - now_ns)

    @property
    def next_due_ns(self) -> int | None:
        """When ``send`` has something to do without new bytes; None while nothing waits."""
        if self.stranger is not None:
            return None
        if self._request is not None:
            return self._request.deadline_ns
        if self._heard:
            return self._heard_ns + QUIET_NS
        return None if self._next is None else max(self._free_ns, self._listen_until_ns)

    @property
    def closing_is_out(self) -> bool:
        """Whether every coil that is to close something has been sent off."""
        return not self._written & ~self._wanted & self._closing

    def reads_off(self, coils: int) -> bool:
        """Return whether coils, as bits, are wanted off and were off when last read back."""
        return self._read_back is not None and not (self._read_back | self._wanted) & coils

    @property
    def reads_anew(self) -> bool:
        """Whether the coils were read back since they were last written."""
        return self._read_since_write

    def want(self, coils: int) -> None:
        """Take the coils to be written, bit 0 lowest, and start a cycle."""
        self._wanted = coils
        if self._next is None or not self.closing_is_out:
            self._next = Function.WRITE_COILS
        elif self._request is not None or self._next is not Function.WRITE_COILS:
            self._again = True

    def receive(self, data: bytes, now_ns: int) -> None:
        """Take bytes that came in on the port."""
        self._pass(now_ns)
        if self.stranger is not None or not data:
            return
        self._heard += data
        self._heard_ns = now_ns
        if now_ns < self._listen_until_ns:
            self._listen_until_ns = now_ns + LISTEN_NS
            if len(self._heard) >= SHORTEST_FRAME:
                self._refuse(self._heard, "before anything was asked")
        elif len(self._heard) > MOST_HEARD:
            self._refuse(self._heard, "where a short answer belongs")
        elif self._request is not None:
            self._look_for_answer(self._request)

    def send(self, now_ns: int) -> bytes | None:
        """Return the bytes to send now, or None; whoever takes them sends them at once."""
        self._pass(now_ns)
        if self.stranger is not None or self._next is None or self._request is not None or self._heard:
            return None
        if now_ns < max(self._listen_until_ns, self._free_ns):
            return None
        function = self._next
        frame = self._encode(function)
        deadline_ns = now_ns + len(frame) * self._character_ns + ANSWER_NS
        self._request = _Request(function, frame, now_ns, deadline_ns)
        self._echo_seen = False
        self.counts.requests += 1
        return frame

    # -- requests ------------------------------------------------------------------------------------------------

    def _encode(self, function: Function) -> bytes:
        count = self._input_count if function is Function.READ_INPUTS else self._coil_count
        body = bytes([self._device, function, 0, 0]) + count.to_bytes(2, "big")
        if function is Function.WRITE_COILS:
            self._written = self._wanted
            self._read_since_write = False
            size = _bytes_for(count)
            body += bytes([size]) + self._wanted.to_bytes(size, "little")
        return _with_check(body)

    def _finish(self, request: _Request) -> None:
        """End the request that is out and choose the next; it waits for a silence of 3.5 characters."""
        self._request = None
        silence_ns = max(SILENCE_CHARACTERS_HALVES * self._character_ns // 2, SHORTEST_SILENCE_NS)
        self._free_ns = self._heard_ns + silence_ns
        if not self.closing_is_out or self._next is not request.function:
            self._next = Function.WRITE_COILS  # a closing has overtaken
        elif request.function in _AFTER:
            self._next = _AFTER[request.function]
        else:
            self._next, self._again = (Function.WRITE_COILS if self._again else None), False

    # -- answers -------------------------------------------------------------------------------------------------

    def _look_for_answer(self, request: _Request) -> None:
        if not self._echo_seen:
            if self._heard.startswith(request.frame):
                del self._heard[: len(request.frame)]
                self._echo_seen = True
                self.counts.echoes += 1
            elif request.frame.startswith(self._heard):
                return  # the beginning of an echo, or of an answer that begins in the same way
        # a driver that switches may leave a spike or two in front of an answer
        for start in range(min(SHORTEST_FRAME, len(self._heard))):
            answer = self._answer_at(request.frame, bytes(self._heard[start:]))
            if answer is not None:
                del self._heard[: start + len(answer)]  # what is left was not asked for, and is judged as that
                if answer[1] & EXCEPTION:
                    self.counts.exceptions += 1
                else:
                    self.counts.answers += 1
                    self._take(request, answer)
                self._finish(request)
                return

    def _answer_at(self, request: bytes, heard: bytes) -> bytes | None:
        """Return the whole answer to request with which heard begins, or None."""
        if request[1] == Function.WRITE_COILS:
            answer = _with_check(request[:6])
        else:
            size = _bytes_for(int.from_bytes(request[4:6], "big"))
            answer = _with_check(request[:2] + bytes([size]) + heard[3 : 3 + size])
        exception = _with_check(bytes([request[0], request[1] | EXCEPTION]) + heard[2:3])
        return next((a for a in (answer, exception) if heard.startswith(a)), None)

    def _take(self, request: _Request, answer: bytes) -> None:
        if request.function is Function.WRITE_COILS:
            return
        bits = int.from_bytes(answer[3:-2], "little")
        if request.function is Function.READ_INPUTS:
            self.inputs, self.inputs_ns = bits, request.sent_ns
        else:
            self._read_back, self._read_since_write = bits, True
            if bits == self._written and self._matched not in (None, bits):
                self.confirmed_ns = request.sent_ns
            self._matched = bits if bits == self._written else None

    # -- strangers -----------------------------------------------------------------------------------------------

    def _pass(self, now_ns: int) -> None:
        """Let time go by: end a request at its deadline, judge bytes that nobody has asked for."""
        request = self._request
        if request is not None:
            if now_ns >= request.deadline_ns:
                self.counts.missing += 1
                self.counts.damaged += bool(self._heard)
                heard = bytes(self._heard)
                self._heard.clear()
                self._finish(request)
                self._late_until_ns = now_ns + LATE_NS
                self._search(heard)
        elif self._heard and now_ns >= self._heard_ns + QUIET_NS:
            heard = bytes(self._heard)
            self._heard.clear()
            late_answer = self._search(heard) and self._heard_ns <= self._late_until_ns
            if len(heard) >= SHORTEST_FRAME and not late_answer and self.stranger is None:
                self._count_unasked(heard)

    def _search(self, heard: bytes) -> bool:
        """Refuse at a whole frame that isn't our module's; return whether an answer of our module's is in heard."""
        ours = False
        for start in range(len(heard) - SHORTEST_FRAME + 1):
            frame = _frame_at(heard, start)
            if frame is None:
                continue
            if frame[0] != self._device or frame[1] & ~EXCEPTION not in list(Function):
                self._refuse(frame, "from another talker")
            ours = True
        return ours

    def _count_unasked(self, heard: bytes) -> None:
        self.counts.unasked += 1
        recent = [t for t in self._unasked if self._heard_ns - t <= UNASKED_WITHIN_NS]
        self._unasked = [*recent, self._heard_ns]
        if len(self._unasked) >= UNASKED_IN_A_ROW:
            self._refuse(heard, "unasked, again and again")

    def _refuse(self, heard: bytes | bytearray, when: str) -> None:
        self.stranger = f"{heard[:16].hex(' ').upper()} came {when}"
        self._request = None
        self._heard.clear()


def _bytes_for(bits: int) -> int:
    return (bits + 7) // 8


def _with_check(body: bytes) -> bytes:
    return body + crc16(body).to_bytes(2, "little")


def _frame_at(heard: bytes, start: int) -> bytes | None:
    """Return the whole request or answer, of a length that the wire rules allow, that begins at start, or None."""
    if heard[start] > LAST_DEVICE:
        return None
    for table in (REQUEST_LENGTH, RESPONSE_LENGTH):
        length = _length(table.get(heard[start + 1]), heard, start)
        frame = heard[start : start + length]
        if length and len(frame) == length and crc16(frame) == 0:
            return frame
    return None


def _length(length: Length | None, heard: bytes, start: int) -> int:
    if length is None:
        return 0
    if length.count_at is None:
        return length.fixed
    at = start + length.count_at
    return length.fixed + heard[at] if at < len(heard) else 0
