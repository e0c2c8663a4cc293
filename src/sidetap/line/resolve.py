"""Which bytes of a line are frames, and what became of each request: the one algorithm behind both runners.

Bytes with their delivery times -> rows of integers. The incremental parser runs these functions as they stand; the
offline runner compiles the very same functions (see `kernel`). So they keep to what both can do: whole numbers, flat
sequences, no objects. All bytes are looked at in a window of bounded length; nothing is written but rows and memory.

Theory of operation
-------------------
There is a boundary: everything before it has been settled. At the boundary, in this order:

1. *The chain.* A whole request, and directly behind it the whole answer it calls for: two check codes, and device,
   function and length agree. That is evidence enough, whatever comes next, so a live value is not held back. A whole
   request with another request directly behind it got no answer. On a good line this is all that ever happens.
2. *The anchor.* Else look ahead for the place where the chain goes on: of all request-and-answer pairs the one that
   is complete first. That rule makes the outcome independent of how the input was cut: a runner that gets everything
   at once decides as one that gets single bytes.
3. *Unravelling.* The bytes from the boundary to the anchor are divided into frames and noise so that the sum of
   weights is greatest (`_divide`): a frame found by its form, or by its check code alone where the function is
   unknown; more for one that pairs with another, that was heard before or that touches a whole frame; noise costs
   for beginning and for every byte. A frame alone is no evidence: one of 65,536 random blocks passes the check.
4. *Mending.* Where the bytes between two whole frames are exactly as many as the frames that must stand there, and
   each of those is wrong in a single bit, the bits were flipped, and no byte was lost or added: see `_mend`.

Without an anchor a window is unravelled once it is full, and its later half is looked at again with the next one.
At a pause longer than ``QUIET_NS``, and at the end, what is pending is settled with what there is.

Times decide three things only: such pauses; that what comes after the controller's own time-out, which its retries
show, is no answer; and that of an odd number of equal frames the closer two are a request and its echo.
"""

from collections.abc import MutableSequence, Sequence
from typing import TypeAlias

from sidetap.line.rules import (
    BROADCAST,
    DIAGNOSTICS,
    EXCEPTION,
    EXCEPTION_LENGTH,
    IDENTIFICATION,
    INTERFACE,
    LAST_DEVICE,
    LONGEST_FRAME,
    READ_QUEUE,
    SILENT_DIAGNOSTICS,
    WRITE_FILE,
)

# No controller waits longer for an answer: common practice, no source.
QUIET_NS = 2_000_000_000
# The longest request, as much damage, and a short exchange that ends it.
WINDOW = 1024
# In a window without an anchor, only what starts here or later may still grow into a frame with more bytes.
GIVE_UP = WINDOW - 2 * LONGEST_FRAME
# More stray bytes than a turn-around leaves. Behind more, an echo is rather the request sent again, and two frames of
# an unknown function, which have nothing but their check codes to tell them, are no pair. From memory.
MOST_STRAY = 3
# An adapter delivers up to so late: common practice, no source.
LATENESS_NS = 16_000_000
# So late an echo is not suspected to be a retry, before any retry has shown the time-out: common practice, no source.
PROMPT_NS = 50_000_000
# A device that missed so many reads in a row does not answer a write either. From memory.
MISSES_OF_THE_DEAD = 4

NO = 0
WAIT = -1  # more bytes are needed to tell
_ASKED = -2  # more bytes are needed to tell, and what asks for them is whole
DONE = 1

LAST_EXCEPTION = 11  # the codes that are given out end here: MODBUS V1.1b3, 7; others are believed where one is due

# Outcomes as in `columns.OUTCOMES`
ANSWERED, EXCEPTED, UNANSWERED, DAMAGED, BROADCASTED, UNPAIRED, NOISE = range(7)

# One row: so many numbers, in this order; NONE where it has none
NONE = -1
NO_TIME = -(2**63)
(
    END,
    OUTCOME,
    DEVICE,
    FUNCTION,
    REGISTER,
    COUNT,
    REQUEST,
    REQUEST_END,
    RESPONSE,
    RESPONSE_END,
    REQUEST_BIT,
    RESPONSE_BIT,
    T,
    T_END,
    RETRY,
    BACKLOG,
) = range(16)
WIDTH = 16

# What is remembered first in Memory
(
    BOUNDARY,  # offset: everything before it is settled
    TOUCHES,  # a whole frame ends exactly at the boundary
    CURSOR,  # the delivery with the byte at the boundary, or one before
    ANCHOR,  # where the next anchor starts; at or before the boundary: not known
    SCANNED,  # requests that start before here have been looked for
    OPEN_KEY,  # the latest request, if it still wants a whole answer
    OPEN_WORD,
    OPEN_T,
    OPEN_OUTCOME,
    PAUSES,  # how many times from a read to its retry were learnt, and
    PAUSE_NS,  # the middle one of the latest: the controller's time-out; 0: not known
    SOUND_BITS,  # of frames found whole, and
    MENDED_BITS,  # of those that were mended: how often this line flips one
    PENDING,  # how many requests wait for bytes before they can be anchors
    TIMED,  # deliveries have times
    MENDS,  # mending is wanted
    CANDIDATES,  # how many frames were found by the latest division
    JOINS,  # how many stretches were looked through for unknown functions
    CHARACTER_NS,  # how long a byte takes on the line; 0: not known
    ANSWERS,  # how many reads were answered, and
    SLOWEST_NS,  # the longest time that one of them took
    HITS,  # how many damaged answers of the right length were wrong in what looks like a single bit, and
    CHANCES,  # in how many of 65,536 such cases this is chance, summed up
) = range(23)

POLLS = 4096  # places for requests that were heard
_PROBES = 8
_ANSWERS_ENOUGH = 10
_HEARD_ENOUGH = 2
_BEYOND_CHANCE = 8
_PATIENCE = 4  # so many times the longest wait for a read's answer, a write's echo is not waited for. From memory.
_PAUSES_KEPT = 9
_PENDING_MOST = 600
_SLOTS = 4096
_USUALS = 8192
_MATCHES_MOST = 1024
CANDIDATES_MOST = 4096

# Weights of a division, about ten a bit of evidence; found by trying on seeded lines, noise 0 to 1e-3 a bit
_NOISE = -30
_NOISE_BYTE = -1
_STRAY_BYTE = -5  # between a request and its answer
_STRANGER = -25  # a frame alone that nobody has heard of, and its bytes count as those of noise
_KNOWN = 60
_TOUCHING = 95  # a frame that begins or ends exactly where another does
_PAIR = 420  # more than two frames alone that both were heard before
_EXCEPTION_PAIR = 400
_UNKNOWN_PAIR = 380
_USUAL = 60  # for a request, and for an answer, as long as one was before
_STRANGE_PAIR = -50  # of a function that this device was not heard to answer before, far from whole frames
_IMPOSSIBLE = -(10**9)

_IS_REQUEST, _IS_RESPONSE, _IS_UNKNOWN = 1, 2, 4

# What comes in and what is kept, as flat sequences of whole numbers: lists, or arrays for the compiled runner.
Data: TypeAlias = MutableSequence[int]  # the bytes in reach
Came: TypeAlias = MutableSequence[int]  # per delivery three: where it ends in data, when it came, 1 if it is backlog
Rows: TypeAlias = MutableSequence[int]  # WIDTH a row
Wire: TypeAlias = Sequence[int]  # the rules, made by `wire.wire`
Memory: TypeAlias = MutableSequence[int]  # what the line has taught, made by `wire.memory`

# Where in Wire each table begins; 256 entries by function code (0: none), but for the check's and the last
W_CRC = 0  # four of them: what a code becomes after its low byte and none to three more zero bytes
W_REQUEST = 1024
W_REQUEST_COUNT_AT = 1280
W_RESPONSE = 1536
W_RESPONSE_COUNT_AT = 1792
W_SYNDROME = 2048  # check of a frame with one wrong bit -> 8 × bytes behind it + bit; -1: no such frame
W_BACK = (
    W_SYNDROME + 65536
)  # per offset in a stretch 32: what a byte's low and high half are, turned back to its start
W_OPENED = W_BACK + 32 * WINDOW  # per offset: what a frame begins with there, turned back
WIRE_SIZE = W_OPENED + WINDOW

# Where in Memory each part begins, behind the numbers named above
M_PAUSES = 32  # the latest times from a read to its retry
M_MEND_SPAN = 48  # of a mended gap: start, length and bit of each request, then of its answer
M_MISSES = 192  # per device its latest requests without an answer, echoes aside
M_KNOWN = M_MISSES + 256  # by device × 128 + function: 1 if it answered
M_POLL_KEYS = M_KNOWN + 32768  # requests that were heard, and how often
M_POLL_WORDS = M_POLL_KEYS + POLLS
M_POLL_SEEN = M_POLL_WORDS + POLLS
M_PENDING_START = M_POLL_SEEN + POLLS  # requests that wait for bytes, to be anchors
# The rest is for dividing a stretch: its candidate frames in order,
M_START = M_PENDING_START + _PENDING_MOST + 1
M_LENGTH = M_START + CANDIDATES_MOST
M_KIND = M_LENGTH + CANDIDATES_MOST
# and by offset in it:
M_FIRST = M_KIND + CANDIDATES_MOST  # the first candidate that starts there
M_FRAMED = M_FIRST + WINDOW + 1  # best sum of weights with a frame ending there
M_NOISY = M_FRAMED + WINDOW + 1  # and with noise up to there
M_NOISE_FROM = M_NOISY + WINDOW + 1
M_BY = M_NOISE_FROM + WINDOW + 1  # the candidate that ends there in the best division
M_ANSWER = M_BY + WINDOW + 1  # and its answer, which then is what ends there; NONE without one
M_PATH = M_ANSWER + WINDOW + 1  # where the frames (or pairs) of the best division end, the last first
# Frames of unknown functions: what may start where, by its code, and what was found to start there
M_SLOTS = M_PATH + WINDOW + 1
M_CODE = M_SLOTS + _SLOTS
M_EARLIER = M_CODE + WINDOW
M_MATCHES = M_EARLIER + WINDOW
M_MATCH_LENGTH = M_MATCHES + WINDOW + 1
M_MATCH_NEXT = M_MATCH_LENGTH + _MATCHES_MOST
M_USUAL = M_MATCH_NEXT + _MATCHES_MOST  # of unknown functions: 1 where frames of that length were paired before
MEMORY_SIZE = M_USUAL + _USUALS


def advance(wire: Wire, data: Data, came: Came, memory: Memory, rows: Rows, room: int, stop: int, final: int) -> int:
    """Settle what can be settled of the bytes before ``stop``; return how many rows were written (room: at most).

    final: no byte will follow, or none for longer than QUIET_NS. The boundary moves on in memory.
    """
    place = 0
    while place < room and memory[BOUNDARY] < stop:
        outcome = _chain(wire, data, came, memory, rows, place, stop, final)
        if outcome == DONE:
            place += 1
            continue
        if outcome == WAIT:
            break
        written = _unravel(wire, data, came, memory, rows, place, room, stop, final)
        if written <= 0:  # bytes are missing, or room
            break
        place += written
    return place


def _chain(wire: Wire, data: Data, came: Came, memory: Memory, rows: Rows, place: int, stop: int, final: int) -> int:
    """Settle the request at the boundary by what directly follows it: DONE (one row), WAIT, or NO."""
    start = memory[BOUNDARY]
    short = NO if final else WAIT
    if start + 2 > stop:
        return short
    length = request_length(wire, data, start, stop)
    if length == WAIT or start + length > stop:
        return short
    if length == NO or not whole(wire, data, start, length):
        return NO
    answer = start + length
    size = NO
    if data[start] != BROADCAST:
        size = answer_length(wire, data, start, length, answer, stop)
        if size == WAIT or answer + size > stop:
            if not final:
                return WAIT
            size = NO
        if size > NO and not whole(wire, data, answer, size):
            size = NO
    if size > NO:
        again = _is_another_request(wire, data, came, memory, start, length, size, stop, final)
        if again == WAIT:
            return WAIT
        if again == NO:
            _row(data, came, memory, rows, place, start, length, answer, size, answer + size, NONE, NONE)
            return DONE
    known = memory[TOUCHES] == 1 or _heard(data, memory, start, length) > 0
    if size == NO and not known and _reads_as_answer(wire, data, start, stop):
        return NO
    if data[start] == BROADCAST and known:
        _row(data, came, memory, rows, place, start, length, NONE, 0, answer, NONE, NONE)
        return DONE
    if size > NO or (answer + 2 <= stop and (known or within_limits(data, start))):
        follower = size if size > NO else request_length(wire, data, answer, stop)
        if follower > NO and answer + follower <= stop and whole(wire, data, answer, follower):
            _row(data, came, memory, rows, place, start, length, NONE, 0, answer, NONE, NONE)
            return DONE
    return NO


# Single frames


def request_length(wire: Wire, data: Data, at: int, stop: int) -> int:
    """Return the length of a request that starts at ``at`` by its form; NO, or WAIT. Two bytes must be there."""
    function = data[at + 1]
    length = wire[W_REQUEST + function]
    if length == 0 or data[at] > LAST_DEVICE:
        return NO
    if function == INTERFACE:
        if at + 2 >= stop:
            return WAIT
        if data[at + 2] != IDENTIFICATION:
            return NO
    count_at = wire[W_REQUEST_COUNT_AT + function]
    if count_at > 0:
        if at + count_at >= stop:
            return WAIT
        length += data[at + count_at]
        if length > LONGEST_FRAME or (function == 20 and (length - 5) % 7 > 0):
            return NO
    return length


def response_length(wire: Wire, data: Data, at: int, stop: int) -> int:
    """Return the length of a response that starts at ``at`` by its form; NO, or WAIT. Two bytes must be there."""
    function = data[at + 1]
    length = wire[W_RESPONSE + function]
    if length == 0 or data[at] > LAST_DEVICE or data[at] == BROADCAST:
        return NO  # nobody answers a broadcast, and nobody has that address
    count_at = wire[W_RESPONSE_COUNT_AT + function]
    if count_at == 0:
        return _identification_length(data, at, stop) if function == INTERFACE else length
    if function == READ_QUEUE:
        if at + 3 >= stop:
            return WAIT
        count = data[at + 2] * 256 + data[at + 3]
        if count % 2 > 0 or count < 2:
            return NO
    else:
        if at + count_at >= stop:
            return WAIT
        count = int(data[at + count_at])
        if count == 0 or ((function == 3 or function == 4 or function == 23) and count % 2 > 0):
            return NO
    return length + count if length + count <= LONGEST_FRAME else NO


def _identification_length(data: Data, at: int, stop: int) -> int:
    """Return the length of a response to 43/14: its objects tell theirs one by one (MODBUS V1.1b3, 6.21)."""
    if at + 8 > stop:
        return WAIT
    if data[at + 2] != IDENTIFICATION:
        return NO
    end = at + 8
    for _ in range(data[at + 7]):
        if end + 2 > stop:
            return WAIT if end + 2 - at <= LONGEST_FRAME else NO
        end += 2 + data[end + 1]
    return end + 2 - at if end + 2 - at <= LONGEST_FRAME else NO


def whole(wire: Wire, data: Data, at: int, length: int) -> int:
    """Return 1 if the bytes pass the check of a frame, check bytes included, else 0."""
    return 1 if check(wire, data, at, length) == 0 else 0


def check(wire: Wire, data: Data, at: int, length: int) -> int:
    """Return the check code over so many bytes; 0 over a whole frame."""
    code = 0xFFFF
    place, end = at, at + length
    while place + 4 <= end:  # four bytes a step, by what a code becomes after one to four bytes
        code ^= data[place] | data[place + 1] << 8
        code = (
            wire[W_CRC + 768 + (code & 0xFF)]
            ^ wire[W_CRC + 512 + (code >> 8)]
            ^ wire[W_CRC + 256 + data[place + 2]]
            ^ wire[W_CRC + data[place + 3]]
        )
        place += 4
    while place < end:
        code = code >> 8 ^ wire[W_CRC + ((code ^ data[place]) & 0xFF)]
        place += 1
    return code


def within_limits(data: Data, at: int) -> int:
    """Return 1 if count, byte count and value of the request keep the specification's limits, else 0.

    A request outside them is still a request (it earns exception 03), but is believed on better evidence only.
    """
    function = data[at + 1]
    if not (function <= 5 or function == 15 or function == 16 or function == 23):
        return 1
    first = data[at + 2] * 256 + data[at + 3]
    count = data[at + 4] * 256 + data[at + 5]
    if function <= 4:
        most = 2000 if function <= 2 else 125
        return 1 if 1 <= count <= most and first + count <= 65536 else 0
    if function == 5:
        return 1 if count == 0 or count == 0xFF00 else 0
    if function == 15:
        return 1 if 1 <= count <= 1968 and data[at + 6] == (count + 7) >> 3 and first + count <= 65536 else 0
    if function == 16:
        return 1 if 1 <= count <= 123 and data[at + 6] == 2 * count and first + count <= 65536 else 0
    written = data[at + 8] * 256 + data[at + 9]
    good = 1 <= count <= 125 and first + count <= 65536 and 1 <= written <= 121
    return 1 if good and data[at + 10] == 2 * written else 0


def answer_length(wire: Wire, data: Data, request: int, length: int, at: int, stop: int) -> int:
    """Return the length of what starts at ``at`` if it begins as an answer to the request; NO, or WAIT.

    An exception of the same function answers too. An echo answers only when it repeats what it has to repeat.
    """
    if at < stop and data[at] != data[request]:
        return NO
    if at + 2 > stop:
        return WAIT
    function = data[request + 1]
    if data[at + 1] == function | EXCEPTION:
        return EXCEPTION_LENGTH
    if data[at + 1] != function:
        return NO
    expected = expected_length(data, request, length)
    if function == 5 or function == 6 or function == 15 or function == 16:
        same = 6
    elif function == 22 or function == WRITE_FILE:
        same = length
    elif function == DIAGNOSTICS:
        same = 6 if data[request + 2] == 0 and data[request + 3] <= 1 else 4  # queries are sent back, counters told
    else:
        size = response_length(wire, data, at, stop)
        return size if size <= NO or expected in (NO, size) else NO
    repeats = _repeats(data, request, same, at, stop)
    return expected if repeats == DONE else repeats


def expected_length(data: Data, request: int, length: int) -> int:
    """Return the length of the normal answer to a request; NO where the request does not tell, or asks too much."""
    function = data[request + 1]
    if function <= 4 or function == 23:
        count = data[request + 4] * 256 + data[request + 5]
        size = 5 + ((count + 7) >> 3) if function <= 2 else 5 + 2 * count
        return size if 5 < size <= LONGEST_FRAME else WAIT
    if function == 5 or function == 6 or function == 15 or function == 16 or function == DIAGNOSTICS:
        return 8
    if function == 22 or function == WRITE_FILE:
        return length
    if function == 7:
        return 5
    if function == 11:
        return 8
    if function == 20:
        size = 5
        for group in range(request + 3, request + length - 2, 7):
            size += 2 + 2 * (data[group + 5] * 256 + data[group + 6])
        return size if size <= LONGEST_FRAME else WAIT
    return NO


# What tells an answer from another request


def _reads_as_answer(wire: Wire, data: Data, start: int, stop: int) -> int:
    """Return 1 if the request at start has the form of an answer too: FC 1 or 2 with three bytes of bits."""
    return 1 if data[start + 1] <= 2 and response_length(wire, data, start, stop) == 8 else 0


def _is_another_request(
    wire: Wire, data: Data, came: Came, memory: Memory, start: int, length: int, size: int, stop: int, final: int
) -> int:
    """Tell whether what fits as the answer to the request is rather the next request: DONE (yes), NO, or WAIT.

    Some answers are requests by their form: echoed writes, and three bytes of bits. Then an answer never comes after
    the controller's own time-out, where reads that were retried have shown it, nor from a device that answers
    nothing. Else what follows tells: a write that is retried and then answered is the same frame three times over,
    and of three the echo is the closer one; without times, the first of an odd run is alone.
    """
    answer = start + length
    function = data[start + 1]
    if data[answer + 1] != function or request_length(wire, data, answer, stop) != size:
        return NO
    if function == DIAGNOSTICS and data[start + 2] == 0 and data[start + 3] == SILENT_DIAGNOSTICS:
        return DONE
    if function <= 2 and size == length and _repeats(data, start, length, answer, stop) == DONE:
        return DONE  # bits that happen to repeat the whole request: far rather its retry
    if function <= 2 and _heard(data, memory, start, length) > 0 and _heard(data, memory, answer, size) == 0:
        return NO  # a request that was polled before, and what would be one that never was
    waited_ns = 0
    if memory[TIMED]:
        waited_ns = _waited_ns(came, memory, answer - 1, answer)
        if memory[PAUSE_NS] > 0 and waited_ns >= memory[PAUSE_NS] - min(2 * LATENESS_NS, memory[PAUSE_NS] // 4):
            return DONE
        if waited_ns <= PROMPT_NS:
            return NO
        if memory[M_MISSES + data[start]] >= MISSES_OF_THE_DEAD:
            return DONE
        if memory[ANSWERS] >= _ANSWERS_ENOUGH and waited_ns > PROMPT_NS + _PATIENCE * memory[SLOWEST_NS]:
            return DONE
    elif memory[M_MISSES + data[start]] >= MISSES_OF_THE_DEAD:
        return DONE
    if size != length or function <= 2:
        return NO
    third = _repeats(data, start, length, answer + size, stop)
    if third != DONE:
        return NO if final else third
    if memory[TIMED]:
        third_ns = _waited_ns(came, memory, answer + size - 1, answer + size)
        return DONE if third_ns + LATENESS_NS < waited_ns else NO
    fourth = _repeats(data, start, length, answer + 2 * size, stop)
    if fourth == NO:
        return DONE
    return WAIT if fourth == WAIT and not final else NO


def _repeats(data: Data, start: int, length: int, at: int, stop: int) -> int:
    """Tell whether the frame at start stands at ``at`` again: DONE (yes), NO, or WAIT."""
    for offset in range(length):
        if at + offset >= stop:
            return WAIT
        if data[at + offset] != data[start + offset]:
            return NO
    return DONE


def _time_at(came: Came, memory: Memory, offset: int) -> int:
    """Return when the byte at an offset at or behind the boundary was delivered."""
    place = memory[CURSOR]
    while came[place * 3] <= offset:
        place += 1
    return came[place * 3 + 1]


def _is_late(came: Came, memory: Memory, start: int, end: int) -> int:
    """Return 1 if any delivery with bytes from start up to before end is a backlog, else 0."""
    place = memory[CURSOR]
    while came[place * 3] <= start:
        place += 1
    while came[place * 3 + 2] == 0 and came[place * 3] < end:
        place += 1
    return 1 if came[place * 3 + 2] else 0


def _waited_ns(came: Came, memory: Memory, sent: int, at: int) -> int:
    """Return the time from the byte ``sent`` to the byte ``at``, as far as deliveries tell.

    Bytes may be delivered together, a whole frame at its end: then it began earlier by as long as it takes.
    """
    place = memory[CURSOR]
    while came[place * 3] <= at:
        place += 1
    begun_ns = came[place * 3 + 1] - (came[place * 3] - at) * memory[CHARACTER_NS]
    return begun_ns - _time_at(came, memory, sent)


def _is_too_late(came: Came, memory: Memory, sent: int, at: int, tolerance_ns: int) -> bool:
    """Whether the frame ``at`` began after the controller gave up the request that ended with the byte ``sent``."""
    if not memory[TIMED] or memory[PAUSE_NS] == 0:
        return False
    return _waited_ns(came, memory, sent, at) >= memory[PAUSE_NS] - min(tolerance_ns, memory[PAUSE_NS] // 4)


# What is remembered of the line


def _key(data: Data, start: int, length: int) -> int:
    """Return device, function, check code and length of a request as one number."""
    code = data[start + length - 1] * 256 + data[start + length - 2]
    return ((data[start] * 256 + data[start + 1]) * 65536 + code) * 512 + length


def _word(data: Data, start: int, length: int) -> int:
    """Return the first four bytes behind the function of a request: with the check code they tell it from others."""
    word = 0
    for place in range(start + 2, start + min(6, length - 2)):
        word = word * 256 + data[place]
    return word


def _is_kept(memory: Memory, place: int, key: int, word: int) -> bool:
    return memory[M_POLL_KEYS + place] == key and memory[M_POLL_WORDS + place] == word


def _poll_place(memory: Memory, key: int, word: int) -> int:
    """Return where a request is kept, or could be: the first free of its places, or the least heard one."""
    best = (key >> 9) & (POLLS - 1)
    for probe in range(_PROBES):
        place = ((key >> 9) + probe) & (POLLS - 1)
        if memory[M_POLL_SEEN + place] == 0 or _is_kept(memory, place, key, word):
            return place
        if memory[M_POLL_SEEN + place] < memory[M_POLL_SEEN + best]:
            best = place
    return best


def _is_whole_echo(function: int) -> bool:
    """Whether the answer to a function is the request again, as in `rules.WHOLE_ECHOES`."""
    return function in (5, 6, DIAGNOSTICS, WRITE_FILE, 22)


def _heard(data: Data, memory: Memory, start: int, length: int) -> int:
    """Return how often a request was heard before."""
    key, word = _key(data, start, length), _word(data, start, length)
    place = _poll_place(memory, key, word)
    return memory[M_POLL_SEEN + place] if _is_kept(memory, place, key, word) else 0


def _hear(memory: Memory, key: int, word: int) -> None:
    place = _poll_place(memory, key, word)
    if _is_kept(memory, place, key, word):
        memory[M_POLL_SEEN + place] += 1
    elif memory[M_POLL_SEEN + place] <= 1:
        memory[M_POLL_KEYS + place] = key
        memory[M_POLL_WORDS + place] = word
        memory[M_POLL_SEEN + place] = 1


def _learn_pause(memory: Memory, pause_ns: int) -> None:
    """Note a time from a read to its retry; shorter ones were delivered glued together and tell nothing.

    The time-out is taken as the one that a quarter of the latest are below: deliveries are late, more or less.
    """
    if pause_ns <= PROMPT_NS:
        return
    memory[M_PAUSES + memory[PAUSES] % _PAUSES_KEPT] = pause_ns
    memory[PAUSES] += 1
    count = min(memory[PAUSES], _PAUSES_KEPT)
    for place in range(M_PAUSES, M_PAUSES + count):
        below = 0
        equal = 0
        for other in range(M_PAUSES, M_PAUSES + count):
            below += memory[other] < memory[place]
            equal += memory[other] == memory[place]
        if below <= (count - 1) // 4 < below + equal:
            memory[PAUSE_NS] = memory[place]


# Rows


def _row(
    data: Data,
    came: Came,
    memory: Memory,
    rows: Rows,
    place: int,
    start: int,
    length: int,
    answer: int,
    size: int,
    until: int,
    request_bit: int,
    response_bit: int,
) -> None:
    """Write the row of a request, with its answer or (answer NONE) without, and move the boundary to ``until``."""
    _flip(data, request_bit)
    _flip(data, response_bit)
    device, function = data[start], data[start + 1]
    if answer != NONE:
        outcome = EXCEPTED if data[answer + 1] >= EXCEPTION else ANSWERED
    elif device == BROADCAST:
        outcome = BROADCASTED
    else:
        outcome = UNANSWERED if until == start + length else DAMAGED
    base = place * WIDTH
    _begin_row(rows, base, until, outcome, device, function)
    if function <= 6 or function == 15 or function == 16 or function == 22 or function == 23:
        rows[base + REGISTER] = data[start + 2] * 256 + data[start + 3]
        single = function == 5 or function == 6 or function == 22
        rows[base + COUNT] = 1 if single else data[start + 4] * 256 + data[start + 5]
    rows[base + REQUEST], rows[base + REQUEST_END] = start, start + length
    rows[base + REQUEST_BIT], rows[base + RESPONSE_BIT] = request_bit, response_bit
    sent_ns = NO_TIME
    if memory[TIMED]:
        sent_ns = _time_at(came, memory, start + length - 1)
        rows[base + T] = sent_ns
        rows[base + BACKLOG] = _is_late(came, memory, start, start + length if answer == NONE else until)
    if answer != NONE:
        rows[base + RESPONSE], rows[base + RESPONSE_END] = answer, answer + size
        rows[base + T_END] = _time_at(came, memory, answer + size - 1) if memory[TIMED] else NO_TIME
        memory[M_KNOWN + device * 128 + (function & 127)] = 1
        if function > INTERFACE or 24 < function < INTERFACE:
            memory[_usual_place(device, function, length, 0)] = 1
            memory[_usual_place(device, data[answer + 1], size, 1)] = 1
        if memory[TIMED] and not _is_whole_echo(function) and answer == start + length:
            memory[ANSWERS] += 1
            waited_ns = _waited_ns(came, memory, answer - 1, answer)
            memory[SLOWEST_NS] = max(memory[SLOWEST_NS], waited_ns)
    memory[M_KNOWN + device * 128] = 1  # as no function: it is one of this line's
    key, word = _key(data, start, length), _word(data, start, length)
    retry = memory[OPEN_KEY] == key and memory[OPEN_WORD] == word
    rows[base + RETRY] = 1 if retry else 0
    _hear(memory, key, word)
    if not _is_whole_echo(function):
        memory[M_MISSES + device] = memory[M_MISSES + device] + 1 if outcome == UNANSWERED else 0
        if retry and memory[OPEN_OUTCOME] == UNANSWERED and memory[TIMED]:
            _learn_pause(memory, sent_ns - memory[OPEN_T])
    wanting = outcome in (UNANSWERED, DAMAGED)
    memory[OPEN_KEY], memory[OPEN_WORD] = key if wanting else NONE, word
    memory[OPEN_T], memory[OPEN_OUTCOME] = sent_ns, outcome
    if request_bit == NONE and response_bit == NONE:
        memory[SOUND_BITS] += 8 * (length + size)
    else:
        memory[MENDED_BITS] += (request_bit != NONE) + (response_bit != NONE)
    _flip(data, request_bit)
    _flip(data, response_bit)
    _settle(came, memory, until, 1 if answer != NONE or until == start + length else 0)


def _unpaired_row(data: Data, came: Came, memory: Memory, rows: Rows, place: int, start: int, size: int) -> None:
    """Write the row of an answer without its request and move the boundary behind it."""
    base = place * WIDTH
    _begin_row(rows, base, start + size, UNPAIRED, data[start], data[start + 1] & ~EXCEPTION)
    rows[base + RESPONSE], rows[base + RESPONSE_END] = start, start + size
    if memory[TIMED]:
        rows[base + T] = rows[base + T_END] = _time_at(came, memory, start + size - 1)
        rows[base + BACKLOG] = _is_late(came, memory, start, start + size)
    memory[OPEN_KEY] = NONE
    _settle(came, memory, start + size, 1)


def _noise_row(came: Came, memory: Memory, rows: Rows, place: int, until: int) -> None:
    """Write the bytes from the boundary as noise and move the boundary behind them."""
    base = place * WIDTH
    _begin_row(rows, base, until, NOISE, NONE, NONE)
    if memory[TIMED]:
        rows[base + T] = _time_at(came, memory, memory[BOUNDARY])
    _settle(came, memory, until, 0)


def _begin_row(rows: Rows, base: int, end: int, outcome: int, device: int, function: int) -> None:
    rows[base + END], rows[base + OUTCOME] = end, outcome
    rows[base + DEVICE], rows[base + FUNCTION] = device, function
    for column in range(REGISTER, T):
        rows[base + column] = NONE
    rows[base + T] = rows[base + T_END] = NO_TIME
    rows[base + RETRY] = rows[base + BACKLOG] = 0


def _settle(came: Came, memory: Memory, until: int, touches: int) -> None:
    memory[BOUNDARY], memory[TOUCHES] = until, touches
    place = memory[CURSOR]
    while place < len(came) // 3 - 1 and came[place * 3] <= until:
        place += 1
    memory[CURSOR] = place


def _flip(data: Data, bit: int) -> None:
    if bit != NONE:
        data[bit >> 3] ^= 1 << (bit & 7)


# The anchor


def _find_anchor(wire: Wire, data: Data, memory: Memory, stop: int, final: int) -> int:
    """Return where the pair starts that is complete first behind the boundary; NONE if none is before stop.

    A pair within the frames of an earlier one is none, and while a whole request waits for its answer a later pair
    waits as well: it may lie within that answer.
    """
    if memory[ANCHOR] > memory[BOUNDARY]:
        return memory[ANCHOR]
    best, best_end = NONE, stop + 1
    start = max(memory[SCANNED], memory[BOUNDARY] + 1)
    pending = 0
    for place in range(memory[PENDING]):
        asked = memory[M_PENDING_START + place]
        if asked > memory[BOUNDARY] and (best == NONE or asked < best):
            end = _pair_end(wire, data, asked, stop)
            if NO < end < best_end:
                best, best_end = asked, end
            elif end < NO and pending < _PENDING_MOST:
                memory[M_PENDING_START + pending] = asked
                pending += 1
    while start + 2 <= stop and best == NONE:
        if wire[W_REQUEST + data[start + 1]] > 0 and 0 < data[start] <= LAST_DEVICE:
            end = _pair_end(wire, data, start, stop)
            if end > NO:
                best, best_end = start, end
            elif end < NO and pending < _PENDING_MOST:
                memory[M_PENDING_START + pending] = start
                pending += 1
        start += 1
    memory[SCANNED], memory[PENDING] = start, pending
    for place in range(pending):
        asked = memory[M_PENDING_START + place]
        if not final and best != NONE and asked < best and _pair_end(wire, data, asked, stop) == _ASKED:
            # come back when that answer has come, or can't any more
            memory[M_PENDING_START + pending] = best
            memory[PENDING] = pending + 1
            return NONE
    memory[ANCHOR] = best
    return best


def _pair_end(wire: Wire, data: Data, start: int, stop: int) -> int:
    """Return where the request at start and its answer directly behind it end; NO if they don't stand there.

    WAIT if bytes are missing to tell, _ASKED if they are and the request is whole.
    """
    length = request_length(wire, data, start, stop)
    if length == WAIT or (length > NO and start + length > stop):
        return WAIT
    if length == NO or not within_limits(data, start) or not whole(wire, data, start, length):
        return NO
    answer = start + length
    size = answer_length(wire, data, start, length, answer, stop)
    if size == WAIT or (size > NO and answer + size > stop):
        return _ASKED
    return answer + size if size > NO and whole(wire, data, answer, size) else NO


# Unravelling


def _unravel(
    wire: Wire,
    data: Data,
    came: Came,
    memory: Memory,
    rows: Rows,
    place: int,
    room: int,
    stop: int,
    final: int,
) -> int:
    """Settle bytes up to the next anchor; return how many rows were written, or WAIT."""
    anchor = _find_anchor(wire, data, memory, stop, final)
    limit, certain = stop, stop  # divided up to limit, settled up to certain
    if anchor != NONE and anchor - memory[BOUNDARY] <= WINDOW:
        limit = certain = anchor
    elif stop - memory[BOUNDARY] >= WINDOW:
        limit = memory[BOUNDARY] + WINDOW
        certain = memory[BOUNDARY] + GIVE_UP
    elif not final:
        return WAIT
    hard = 1 if limit == anchor else 0
    begin = memory[BOUNDARY]
    if hard:  # flipped bits alone: what must stand there fills the stretch, and nothing needs to be divided
        mended = _mend(wire, data, came, memory, rows, place, begin, NONE, 0, limit, NONE)
        if mended > 0:
            return mended
        length = _whole_request(wire, data, begin, limit)
        end = begin + length
        fills = length > NO and end + expected_length(data, begin, length) == limit
        if fills and not _is_too_late(came, memory, end - 1, end, LATENESS_NS):
            # an answer of the right length, beyond mending
            _row(data, came, memory, rows, place, begin, length, NONE, 0, limit, NONE, NONE)
            return 1
    frames = _divide(wire, data, came, memory, begin, limit, hard)
    if hard and memory[TOUCHES] and begin + 4 <= stop and _is_unknown(wire, data, begin):
        middle = _outer_request(wire, data, begin, anchor)
        if middle > NO and (frames == 0 or memory[M_ANSWER + memory[M_PATH + frames - 1]] == NONE):
            # the anchor may lie within the answer
            if stop < middle + LONGEST_FRAME and not final:
                return WAIT
            for end in range(anchor + 1, min(stop, middle + LONGEST_FRAME) + 1):
                if whole(wire, data, middle, end - middle):
                    length, size = middle - begin, end - middle
                    _row(data, came, memory, rows, place, begin, length, middle, size, end, NONE, NONE)
                    return 1
    written = 0
    while place + written + 8 < room and memory[BOUNDARY] < certain:
        start = memory[BOUNDARY]
        # the frame (or pair) that is next in the division
        while frames > 0 and memory[M_PATH + frames - 1] <= start - begin:
            frames -= 1
        behind, request, answer = limit, NONE, NONE
        if frames > 0:
            ends = memory[M_PATH + frames - 1]
            request, answer = memory[M_BY + ends], memory[M_ANSWER + ends]
            behind = memory[M_START + request]
        if behind > start:
            alone = frames > 0 and answer == NONE and _is_orphan(data, memory, request, 0)
            orphan = request if alone else NONE
            mended = 0
            if hard or behind < limit:
                mended = _mend(wire, data, came, memory, rows, place + written, start, NONE, 0, behind, orphan)
            if mended == 0:
                until = min(behind, certain)
                _remember_alone(data, memory, memory[M_FIRST + start - begin], until)
                _noise_row(came, memory, rows, place + written, until)
                mended = 1
            written += mended
            continue
        length = memory[M_LENGTH + request]
        if answer != NONE:
            echoes = memory[M_KIND + answer] & (_IS_REQUEST | _IS_UNKNOWN) == _IS_REQUEST
            if written > 0 and echoes and memory[M_START + answer] == start + length:
                break  # the chain decides whether an echo is one
            until = memory[M_START + answer] + memory[M_LENGTH + answer]
            size = memory[M_LENGTH + answer]
            _row(data, came, memory, rows, place + written, start, length, until - size, size, until, NONE, NONE)
            written += 1
            continue
        if _is_orphan(data, memory, request, memory[TOUCHES]):
            _unpaired_row(data, came, memory, rows, place + written, start, length)
            written += 1
            continue
        # a request without its answer: what follows up to the next frame is what became of it
        frames -= 1
        behind = limit
        orphan = NONE
        while frames > 0:
            following = memory[M_BY + memory[M_PATH + frames - 1]]
            behind = memory[M_START + following]
            alone = memory[M_ANSWER + memory[M_PATH + frames - 1]] == NONE
            orphan = following if alone and _is_orphan(data, memory, following, 0) else NONE
            if (
                orphan == NONE
                or not _same_kind(data, start, behind)
                or _fits(wire, data, memory, start, length, orphan)
            ):
                break
            frames -= 1  # an answer of this very device and function that doesn't fit: damage, and no frame
            behind, orphan = limit, NONE
        end = start + length
        if written > 0 and behind == limit and not hard and limit < stop and limit - end < LONGEST_FRAME:
            break
        fits = hard or behind < limit
        mended = 0
        if fits and behind > end and data[start] != BROADCAST:
            mended = _mend(wire, data, came, memory, rows, place + written, end, start, length, behind, orphan)
        if mended == 0:
            until = min(behind, end + LONGEST_FRAME)
            if data[start] == BROADCAST or (
                until > end and _is_too_late(came, memory, end - 1, end, 2 * LATENESS_NS)
            ):
                until = end
            _row(data, came, memory, rows, place + written, start, length, NONE, 0, until, NONE, NONE)
            mended = 1
        written += mended
    return written


def _outer_request(wire: Wire, data: Data, begin: int, anchor: int) -> int:
    """Return where a request of an unknown function ends that begins here, if what looks like its answer follows."""
    for middle in range(begin + 4, min(anchor - 2, begin + LONGEST_FRAME) + 1):
        same = data[middle] == data[begin] and data[middle + 1] == data[begin + 1]
        if same and whole(wire, data, begin, middle - begin):
            return middle
    return NO


def _is_orphan(data: Data, memory: Memory, candidate: int, touches: int) -> int:
    """Return 1 if a frame that is alone is an answer whose request got lost, else 0.

    What has both forms is a request; of FC 1 and 2 only where that request was heard before or touches a whole frame.
    """
    if memory[M_KIND + candidate] & _IS_REQUEST == 0:
        return 1
    at, length = memory[M_START + candidate], memory[M_LENGTH + candidate]
    both = memory[M_KIND + candidate] & _IS_RESPONSE > 0 and data[at + 1] <= 2
    return 1 if both and not touches and _heard(data, memory, at, length) == 0 else 0


def _fits(wire: Wire, data: Data, memory: Memory, request: int, length: int, answer: int) -> bool:
    """Whether a candidate has the form of the answer to a request."""
    at, size = memory[M_START + answer], memory[M_LENGTH + answer]
    return answer_length(wire, data, request, length, at, at + size) == size


def _same_kind(data: Data, start: int, other: int) -> int:
    """Return 1 if two frames are of one device and one function, an exception to it included, else 0."""
    return 1 if data[start] == data[other] and data[start + 1] == data[other + 1] & ~EXCEPTION else 0


def _remember_alone(data: Data, memory: Memory, place: int, until: int) -> None:
    """Remember the requests within limits, from a candidate on, that were given up: a second one supports itself."""
    count = memory[CANDIDATES]
    while place < count and memory[M_START + place] < until:
        at, length = memory[M_START + place], memory[M_LENGTH + place]
        if memory[M_KIND + place] & _IS_REQUEST and at + length <= until and within_limits(data, at):
            _hear(memory, _key(data, at, length), _word(data, at, length))
        place += 1


def _candidates(wire: Wire, data: Data, memory: Memory, begin: int, limit: int) -> int:
    """Note every frame that lies between begin and limit, by its form or by its check code; return how many."""
    _join(wire, data, memory, begin, limit)
    count = 0
    for at in range(begin, limit):
        memory[M_FIRST + at - begin] = count
        if at + 4 > limit or data[at] > LAST_DEVICE or count + LONGEST_FRAME >= CANDIDATES_MOST:
            continue
        function = data[at + 1]
        asked = told = NO
        if wire[W_REQUEST + function] > 0:
            asked = request_length(wire, data, at, limit)
            if asked > NO and (at + asked > limit or not whole(wire, data, at, asked)):
                asked = NO
        if wire[W_RESPONSE + function] > 0 and (function < EXCEPTION or data[at + 2] <= LAST_EXCEPTION):
            told = response_length(wire, data, at, limit)
            if told > NO and told != asked and (at + told > limit or not whole(wire, data, at, told)):
                told = NO
        if asked > NO:
            memory[M_START + count], memory[M_LENGTH + count] = at, asked
            memory[M_KIND + count] = _IS_REQUEST | _IS_RESPONSE if told == asked else _IS_REQUEST
            count += 1
        if told > NO and told != asked:
            memory[M_START + count], memory[M_LENGTH + count], memory[M_KIND + count] = at, told, _IS_RESPONSE
            count += 1
        match = memory[M_MATCHES + at - begin]
        while match != NONE:
            memory[M_START + count], memory[M_LENGTH + count] = at, memory[M_MATCH_LENGTH + match]
            memory[M_KIND + count] = _IS_REQUEST | _IS_RESPONSE | _IS_UNKNOWN
            count += 1
            match = memory[M_MATCH_NEXT + match]
    memory[M_FIRST + limit - begin] = count
    memory[CANDIDATES] = count
    return count


def _is_unknown(wire: Wire, data: Data, at: int) -> bool:
    """Whether a frame that starts there has a function whose lengths are in no table. Four bytes must be there."""
    function = data[at + 1]
    if data[at] > LAST_DEVICE or function == 0 or function >= EXCEPTION:
        return False
    if function == INTERFACE:
        return data[at + 2] != IDENTIFICATION
    return wire[W_REQUEST + function] == 0 or (function == DIAGNOSTICS and data[at + 2] == 0 and data[at + 3] == 0)


def _join(wire: Wire, data: Data, memory: Memory, begin: int, limit: int) -> None:
    """Find every span of 4 to 256 bytes that starts as an unknown function and passes the check.

    A code can be turned back byte by byte. Turned back to the start of the stretch, the code up to an end and the
    code that a frame begins with are the same number exactly if what lies between is whole: two look-ups a byte.
    """
    size = limit - begin
    memory[JOINS] += 1
    base = memory[JOINS] * 2 * WINDOW  # so that entries of stretches before are known as old
    count = 0
    code = 0
    for offset in range(size + 1):
        memory[M_MATCHES + offset] = NONE
        entry = memory[M_SLOTS + (code & (_SLOTS - 1))]
        while entry >= base and offset - (entry - base) <= LONGEST_FRAME:
            start = entry - base
            if memory[M_CODE + start] == code and offset - start >= 4 and count < _MATCHES_MOST:
                memory[M_MATCH_LENGTH + count] = offset - start
                memory[M_MATCH_NEXT + count] = memory[M_MATCHES + start]
                memory[M_MATCHES + start] = count
                count += 1
            entry = memory[M_EARLIER + start]
        if offset + 4 <= size and _is_unknown(wire, data, begin + offset):
            opened = code ^ wire[W_OPENED + offset]
            slot = M_SLOTS + (opened & (_SLOTS - 1))
            memory[M_CODE + offset], memory[M_EARLIER + offset] = opened, memory[slot]
            memory[slot] = base + offset
        if offset < size:
            byte = data[begin + offset]
            back = W_BACK + offset * 32
            code ^= wire[back + (byte & 15)] ^ wire[back + 16 + (byte >> 4)]


def _divide(wire: Wire, data: Data, came: Came, memory: Memory, begin: int, limit: int, hard: int) -> int:
    """Divide the bytes into frames and noise with the greatest sum of weights; return how many frames or pairs.

    hard: a whole frame starts at the limit. The result is left in memory, from M_BY on.
    """
    count = _candidates(wire, data, memory, begin, limit)
    if count == 0:
        return 0
    size = limit - begin
    for offset in range(size + 1):
        memory[M_FRAMED + offset] = _IMPOSSIBLE
    touches = memory[TOUCHES]
    memory[M_FRAMED + 0] = 0 if touches else _IMPOSSIBLE
    memory[M_NOISE_FROM + 0] = 0
    memory[M_NOISY + 0] = _IMPOSSIBLE if touches else 0  # noise went before, or nothing
    candidate = 0
    for offset in range(size + 1):
        if offset > 0:
            fresh = memory[M_FRAMED + offset - 1] + _NOISE
            if fresh > memory[M_NOISY + offset - 1]:
                memory[M_NOISY + offset], memory[M_NOISE_FROM + offset] = fresh + _NOISE_BYTE, offset - 1
            else:
                memory[M_NOISY + offset] = memory[M_NOISY + offset - 1] + _NOISE_BYTE
                memory[M_NOISE_FROM + offset] = memory[M_NOISE_FROM + offset - 1]
        here = max(memory[M_FRAMED + offset] + _TOUCHING, memory[M_NOISY + offset])
        while candidate < count and memory[M_START + candidate] == begin + offset:
            end = offset + memory[M_LENGTH + candidate]
            weight = here + _weight(wire, data, memory, candidate)
            if weight > memory[M_FRAMED + end]:
                memory[M_FRAMED + end], memory[M_BY + end], memory[M_ANSWER + end] = weight, candidate, NONE
            if memory[M_KIND + candidate] & _IS_REQUEST and data[begin + offset] != BROADCAST:
                _weigh_pairs(wire, data, came, memory, begin, candidate, here, hard)
            candidate += 1
    frames = 0
    offset = size
    while offset > 0:
        touching = _TOUCHING if offset < size or hard else 0  # a frame begins here
        if memory[M_FRAMED + offset] + touching >= memory[M_NOISY + offset]:
            memory[M_PATH + frames] = offset
            frames += 1
            offset = memory[M_START + memory[M_BY + offset]] - begin
        else:
            offset = memory[M_NOISE_FROM + offset]
            if offset > 0:  # a frame ended where the noise began
                memory[M_PATH + frames] = offset
                frames += 1
                offset = memory[M_START + memory[M_BY + offset]] - begin
    return frames


def _weight(wire: Wire, data: Data, memory: Memory, candidate: int) -> int:
    """Return what a frame without its other half is worth."""
    at = memory[M_START + candidate]
    length, kind = memory[M_LENGTH + candidate], memory[M_KIND + candidate]
    weight = _STRANGER + length * _NOISE_BYTE
    if memory[M_KNOWN + data[at] * 128 + (data[at + 1] & ~EXCEPTION)]:
        weight += _KNOWN
    elif kind & _IS_UNKNOWN and _heard(data, memory, at, length) < _HEARD_ENOUGH:
        return _IMPOSSIBLE // 2  # so many spans pass the check that it tells nothing alone
    elif kind & _IS_REQUEST and memory[M_KNOWN + data[at] * 128] and within_limits(data, at):
        weight += _KNOWN  # one of this line's devices
    if kind & _IS_REQUEST and (_heard(data, memory, at, length) > 0 or _comes_again(data, memory, candidate)):
        weight += _KNOWN
    return weight


def _comes_again(data: Data, memory: Memory, candidate: int) -> int:
    """Return 1 if the same request within its limits stands elsewhere in the stretch, else 0."""
    at, length = memory[M_START + candidate], memory[M_LENGTH + candidate]
    if not within_limits(data, at):
        return 0
    for other in range(memory[CANDIDATES]):
        start = memory[M_START + other]
        apart = memory[M_LENGTH + other] == length and (start >= at + length or start + length <= at)
        if apart and _repeats(data, at, length, start, start + length) == DONE:
            return 1
    return 0


def _weigh_pairs(
    wire: Wire, data: Data, came: Came, memory: Memory, begin: int, request: int, here: int, hard: int
) -> None:
    """Weigh a request together with each answer that directly follows it, or after a few stray bytes."""
    start, length = memory[M_START + request], memory[M_LENGTH + request]
    unknown = memory[M_KIND + request] & _IS_UNKNOWN
    end = start + length
    function = data[start + 1]
    most = MOST_STRAY if unknown or _is_whole_echo(function) else LONGEST_FRAME
    answer = memory[M_FIRST + end - begin]
    count = memory[CANDIDATES]
    while answer < count and memory[M_START + answer] <= end + most:
        at, size, kind = memory[M_START + answer], memory[M_LENGTH + answer], memory[M_KIND + answer]
        weight = _IMPOSSIBLE
        if kind & _IS_RESPONSE and data[at] == data[start]:
            if unknown:
                bare = size == EXCEPTION_LENGTH and data[at + 1] == function | EXCEPTION
                like = kind & _IS_UNKNOWN > 0 and data[at + 1] == function
                if bare or (like and not _is_no_answer(data, came, memory, start, end, at, size)):
                    heard = memory[M_KNOWN + data[start] * 128 + function]
                    weight = _UNKNOWN_PAIR if heard or hard else _STRANGE_PAIR
                    weight += _USUAL * memory[_usual_place(data[start], function, length, 0)]
                    weight += _USUAL * memory[_usual_place(data[start], data[at + 1], size, 1)]
                    if data[at + size - 1] == 0 and _is_delivered_alone(came, memory, at + size - 1):
                        weight -= 2 * _TOUCHING  # a whole frame and a zero pass the check as well
            elif _fits(wire, data, memory, start, length, answer) and (
                at == end or not _is_anothers(data, came, memory, start, end, at)
            ):
                weight = _EXCEPTION_PAIR if data[at + 1] >= EXCEPTION else _PAIR
        if weight > _IMPOSSIBLE:
            if at > end:
                weight += _NOISE + (at - end) * (_NOISE_BYTE if _is_framed(memory, begin, end, at) else _STRAY_BYTE)
            weight += here
            place = at + size - begin
            if weight > memory[M_FRAMED + place]:
                memory[M_FRAMED + place], memory[M_BY + place], memory[M_ANSWER + place] = weight, request, answer
        answer += 1


def _is_delivered_alone(came: Came, memory: Memory, at: int) -> bool:
    """Whether a byte came in a delivery of its own."""
    if not memory[TIMED]:
        return False
    place = memory[CURSOR]
    while came[place * 3] <= at:
        place += 1
    return place > 0 and came[place * 3] == at + 1 and came[place * 3 - 3] == at


def _is_framed(memory: Memory, begin: int, start: int, end: int) -> bool:
    """Whether the bytes between are one whole frame: somebody else's, in between."""
    candidate = memory[M_FIRST + start - begin]
    while candidate < memory[CANDIDATES] and memory[M_START + candidate] == start:
        if memory[M_LENGTH + candidate] == end - start:
            return True
        candidate += 1
    return False


def _usual_place(device: int, function: int, length: int, role: int) -> int:
    """Return where it is noted that frames of an unknown function are so long. role: 0 request, 1 answer."""
    return M_USUAL + ((device * 256 + function) * 512 + length * 2 + role) * 40503 % _USUALS


def _is_no_answer(data: Data, came: Came, memory: Memory, start: int, end: int, at: int, size: int) -> bool:
    """Whether of two frames of an unknown function the second came too late to answer the first.

    A repeat is then a retry; anything else comes later than any answer on this line. Of diagnostics, whose data is
    sent back, only a repeat answers.
    """
    repeats = size == end - start and _repeats(data, start, size, at, at + size) == DONE
    if data[start + 1] == DIAGNOSTICS and not repeats:
        return True
    if not memory[TIMED]:
        return False
    waited_ns = _waited_ns(came, memory, end - 1, at)
    if repeats and waited_ns > PROMPT_NS:
        return True
    return memory[ANSWERS] >= _ANSWERS_ENOUGH and waited_ns > PROMPT_NS + 2 * memory[SLOWEST_NS]


def _is_anothers(data: Data, came: Came, memory: Memory, start: int, end: int, at: int) -> bool:
    """Whether what fits as the answer, behind stray bytes, rather answers a request that is among them.

    So it is after the controller's time-out, behind a damaged copy of the request, and, of an exception, which little
    tells apart, behind more than a few bytes.
    """
    if _is_too_late(came, memory, end - 1, at, LATENESS_NS):
        return True
    if data[at + 1] >= EXCEPTION and at > end + MOST_STRAY:
        return True
    length, gap = end - start, at - end
    if gap < length - 2:
        return False
    forward = 0  # bytes that are the same counted from the front, and from the back
    backward = 0
    for offset in range(min(length, gap)):
        forward += data[start + offset] == data[end + offset]
        backward += data[end - 1 - offset] == data[at - 1 - offset]
    if 2 * max(forward, backward) >= length:
        return True
    for place in range(end, at - length + 1):  # and nearly the same anywhere in between
        same = 0
        for offset in range(length):
            same += data[start + offset] == data[place + offset]
        if same >= length - 2:
            return True
    return False


# Mending


def _mend(
    wire: Wire,
    data: Data,
    came: Came,
    memory: Memory,
    rows: Rows,
    place: int,
    begin: int,
    request: int,
    length: int,
    limit: int,
    orphan: int,
) -> int:
    """Mend the bytes between two whole frames if single bits are all that is wrong; return how many rows that gave.

    request (NONE: there is none): the whole request that ends at begin. orphan (NONE: the next frame is none): the
    candidate at limit, an answer without its request. The frames that the poll list and the requests predict must
    fill the gap to the byte: a lost or an added byte would show in its length. The frame must be so short that on
    this line, by what was mended so far, three wrong bits that look like one are five hundred times rarer than one.
    And far more damaged answers must look so than chance makes: lost and added bytes look so by chance only.
    """
    if not memory[MENDS] or limit - begin > 3 * LONGEST_FRAME:
        return 0
    frames = _tile(wire, data, came, memory, begin, request, length, limit, orphan)
    for frame in range(frames):
        span = M_MEND_SPAN + frame * 6
        start, asked, asked_bit = memory[span], memory[span + 1], memory[span + 2]
        answer, size, bit = memory[span + 3], memory[span + 4], memory[span + 5]
        until = start + asked if answer == NONE else answer + size
        _row(data, came, memory, rows, place + frame, start, asked, answer, size, until, asked_bit, bit)
    return frames


def _tile(
    wire: Wire,
    data: Data,
    came: Came,
    memory: Memory,
    begin: int,
    request: int,
    length: int,
    limit: int,
    orphan: int,
) -> int:
    """Fill the gap with predicted frames, each whole or with one wrong bit; return how many rows they make.

    0: they don't fill it. The rows are left in memory: start, length and bit of each request, then of its answer.
    """
    at, rows = begin, 0
    asking, asked, asked_bit = request, length, NONE
    while rows < 12:
        if asking == NONE:
            if at >= limit:
                return rows if at == limit or orphan != NONE else 0
            asking, asked = at, _whole_request(wire, data, at, limit)
            if asked == NO:
                asked, asked_bit = 8, _poll_bit(wire, data, memory, at, limit)
                if asked_bit == NONE:
                    return 0
            at += asked
        answer, bit = at, NONE
        _flip(data, asked_bit)
        if at == limit and orphan != NONE:
            size = memory[M_LENGTH + orphan] if _fits(wire, data, memory, asking, asked, orphan) else NO
        else:
            size, bit = _mended_answer(wire, data, came, memory, asking, asked, at, limit)
        _flip(data, asked_bit)
        if size == NO:
            if at == limit and asked_bit == NONE:
                return 0
            answer = NONE  # nothing came, and what follows is the next request
        span = M_MEND_SPAN + rows * 6
        memory[span], memory[span + 1], memory[span + 2] = asking, asked, asked_bit
        memory[span + 3], memory[span + 4], memory[span + 5] = answer, size, bit
        rows += 1
        at += size
        asking, asked_bit = NONE, NONE
    return 0


def _whole_request(wire: Wire, data: Data, at: int, limit: int) -> int:
    """Return the length of the whole request at ``at``, within limits and not to everybody; NO if there is none."""
    if at + 4 > limit or data[at] == BROADCAST:
        return NO
    length = request_length(wire, data, at, limit)
    fits = length > NO and at + length <= limit and within_limits(data, at)
    return length if fits and whole(wire, data, at, length) else NO


def _mended_answer(
    wire: Wire, data: Data, came: Came, memory: Memory, request: int, length: int, at: int, limit: int
) -> tuple[int, int]:
    """Return length and wrong bit (NONE: it is whole) of the answer at ``at``, or NO and NONE."""
    size = answer_length(wire, data, request, length, at, limit)
    if size > NO and at + size <= limit and whole(wire, data, at, size):
        late = _is_too_late(came, memory, request + length - 1, at, LATENESS_NS)
        return (NO, NONE) if late else (size, NONE)
    expected = expected_length(data, request, length)
    for size in (expected, EXCEPTION_LENGTH):
        if size > NO and at + size <= limit and _short_enough(memory, size):
            if _is_too_late(came, memory, request + length - 1, at, LATENESS_NS):
                return NO, NONE
            bit = _wrong_bit(wire, data, at, size)
            memory[CHANCES] += 8 * size
            if bit != NONE:
                memory[HITS] += 1
                _flip(data, bit)
                fits = answer_length(wire, data, request, length, at, limit) == size
                _flip(data, bit)
                if fits and memory[HITS] * 65536 >= _BEYOND_CHANCE * memory[CHANCES]:
                    return size, bit
    return NO, NONE


def _poll_bit(wire: Wire, data: Data, memory: Memory, at: int, limit: int) -> int:
    """Return the bit that makes the eight bytes at ``at`` a request of the poll list; NONE if there is none."""
    if at + 8 > limit or not _short_enough(memory, 8):
        return NONE
    bit = _wrong_bit(wire, data, at, 8)
    if bit == NONE:
        return NONE
    _flip(data, bit)
    heard = _heard(data, memory, at, 8) if request_length(wire, data, at, limit) == 8 else 0
    good = heard >= 2 and data[at] != BROADCAST
    _flip(data, bit)
    return bit if good else NONE


def _wrong_bit(wire: Wire, data: Data, at: int, length: int) -> int:
    """Return the one bit of data that is wrong if the check code says it is a single one; else NONE."""
    found = wire[W_SYNDROME + check(wire, data, at, length)]
    return NONE if found < 0 or found >= 8 * length else (at + length - 1 - (found >> 3)) * 8 + (found & 7)


def _short_enough(memory: Memory, length: int) -> int:
    """Return 1 if a single wrong bit in a frame of this length is to be believed on this line, else 0.

    With rate r of wrong bits and n bits, three wrong ones are (n r)² / 6 as frequent as one, and n in 32,768 of them
    look like one. The rate is not taken to be less than one in 20,000 before many bits were seen.
    """
    bits = 8 * length
    rate = (memory[MENDED_BITS] + 5) / (memory[SOUND_BITS] + 5000)
    return 1 if (bits * rate) ** 2 / 6 * bits / 32768 <= 0.002 else 0


# Offsets


def shift(memory: Memory, gone: int) -> None:
    """Count offsets anew when so many settled bytes were dropped, and their deliveries."""
    memory[BOUNDARY] -= gone
    memory[CURSOR] = 0
    memory[ANCHOR] = max(NONE, memory[ANCHOR] - gone)
    memory[SCANNED] = max(0, memory[SCANNED] - gone)
    for place in range(memory[PENDING]):
        memory[M_PENDING_START + place] -= gone
