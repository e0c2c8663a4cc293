"""Is there a whole frame here? Bytes and an offset -> where the frame ends. Decides nothing beyond that one span.

All functions look at the bytes from start up to stop only and answer with an end (greater than 0), NONE (more bytes
would not change that) or WAIT (the bytes before stop do not tell yet).
"""

from sidetap.line import rules
from sidetap.line.stretch import Stretch

NONE = 0
WAIT = -1


def request_end(line: Stretch, start: int, stop: int) -> int:
    """Return the end of the whole request at start, its limits not looked at, or NONE or WAIT."""
    return _end(line, start, stop, rules.REQUEST_LENGTH)


def response_end(line: Stretch, start: int, stop: int) -> int:
    """Return the end of the whole response at start, an exception included, or NONE or WAIT."""
    data = line.data
    if stop - start >= 3:
        function, count = data[start + 1], data[start + 2]
        if function in rules.BIT_READS and count == 0:
            return NONE
        if function in rules.REGISTER_READS and (count == 0 or count % 2):
            return NONE
    if data[start] == rules.BROADCAST:
        return NONE  # nobody answers a broadcast, and nobody has that address
    return _end(line, start, stop, rules.RESPONSE_LENGTH)


def answer_end(line: Stretch, request: int, start: int, stop: int) -> int:
    """Return the end of the frame at start that answers the request at ``request``, or NONE or WAIT.

    An exception of the same function answers too. An echo answers only when it repeats what it has to repeat.
    """
    data = line.data
    if data[request] == rules.BROADCAST:
        return NONE
    expected = _expected_head(data, request)
    here = bytes(data[start : min(stop, start + len(expected))])
    if expected.startswith(here):
        length = rules.answer_length(data, request)
    else:
        exception = bytes((data[request], data[request + 1] | rules.EXCEPTION))
        if not exception.startswith(here[:2]):
            return NONE
        length = rules.EXCEPTION_LENGTH
    end = start + length
    if end > stop:
        return WAIT
    if data[request + 1] in rules.BIT_READS and data[start:end] == data[request : request + length]:
        return NONE  # bits that happen to repeat the whole request: far rather its retry
    return end if length <= rules.LONGEST_FRAME and line.checks(start, end) else NONE


def _expected_head(data: bytearray, request: int) -> bytes:
    function = data[request + 1]
    if function in rules.WHOLE_ECHOES:
        return bytes(data[request : request + rules.REQUEST_LENGTH[function].fixed])
    if function in rules.HEAD_ECHOES:
        return bytes(data[request : request + 6])
    return bytes((data[request], function, (rules.answer_length(data, request) - 5) & 0xFF))


def _end(line: Stretch, start: int, stop: int, lengths: dict[int, rules.Length]) -> int:
    if stop - start < 2:
        return WAIT
    data = line.data
    length = lengths.get(data[start + 1])
    if length is None or data[start] > rules.LAST_DEVICE:
        return NONE
    end = start + length.fixed
    if length.count_at is not None:
        if start + length.count_at >= stop:
            return WAIT
        end += data[start + length.count_at]
        if end - start > rules.LONGEST_FRAME:
            return NONE
    if end > stop:
        return WAIT
    return end if line.checks(start, end) else NONE
