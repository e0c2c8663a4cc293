"""Were these bytes on the wire just now? Chunks with their delivery times -> fresh or backlog.

Theory of operation: a line carries one character every character time and not more. Every byte delivered fills a
bucket by one character time, and time that passes empties it. An honest adapter never fills it beyond the little it
collects before it delivers; an adapter, a network or a machine that held bytes back delivers faster than the line
could have carried them, and the bucket runs over. From the moment it began to fill until it is empty again
everything is a backlog: older than its delivery time says, by an unknown amount.

What it can't see: bytes held back of a line that was nearly silent meanwhile, and a delay that never ends.
"""

from collections.abc import MutableSequence

from sidetap.line.chunk import Chunk
from sidetap.line.rules import LONGEST_FRAME
from sidetap.line.settings import Settings
from sidetap.quantity import NS_PER_MS

# Four deliveries of an adapter with a 16 ms latency timer: common practice, no source.
ALLOWANCE_NS = 64 * NS_PER_MS
# However long the backlog was, so much quiet line time ends it: a busy line would else never be fresh again.
DEEPEST_NS = 500 * NS_PER_MS


_LEVEL, _LAST, _OVER, _BEGAN, _CREDIT = range(5)  # what a bucket holds; _LEVEL 0 and _LAST 0 before anything came


def pour(bucket: MutableSequence[int], t_ns: int, size: int, character_ns: int) -> int:
    """Pour a chunk of so many bytes into a bucket of five numbers; return 1 if it runs over, else 0."""
    own_ns = size * character_ns
    since_ns = t_ns - bucket[_LAST]
    # as long after the one before as it takes on the line: it may be one frame, delivered at its end, and then it
    # doesn't count, which shows when the next one comes as late again
    credit_ns = min(size, LONGEST_FRAME) * character_ns if since_ns >= own_ns else 0
    if bucket[_LEVEL] > 0:
        bucket[_LEVEL] = max(0, bucket[_LEVEL] - max(0, since_ns) - (bucket[_CREDIT] if credit_ns > 0 else 0))
    bucket[_LAST], bucket[_CREDIT] = t_ns, credit_ns
    if bucket[_LEVEL] == 0:
        bucket[_OVER] = 0
        bucket[_BEGAN] = t_ns
    bucket[_LEVEL] = min(DEEPEST_NS, bucket[_LEVEL] + own_ns)
    if bucket[_LEVEL] > ALLOWANCE_NS + credit_ns:
        bucket[_OVER] = 1
    return bucket[_OVER]


def mark(came: MutableSequence[int], first: int, bucket: MutableSequence[int], character_ns: int) -> None:
    """Mark the backlog among deliveries, three numbers each as in `resolve.Came`, from the ``first`` on.

    Those before, back to where the bucket began to fill, are marked too: it is recognised only when it runs over.
    """
    start = came[3 * first - 3] if first > 0 else 0
    for place in range(first, len(came) // 3):
        end, t_ns = came[3 * place], came[3 * place + 1]
        over_before = bucket[_OVER]
        over = pour(bucket, t_ns, end - start, character_ns)
        start = end
        came[3 * place + 2] = over
        if over and not over_before:
            before = place - 1
            while before >= 0 and came[3 * before + 1] >= _since(bucket):
                came[3 * before + 2] = 1
                before -= 1


def _since(bucket: MutableSequence[int]) -> int:
    """Return from which delivery time on what was said is to be taken back."""
    return max(bucket[_BEGAN], bucket[_LAST] - DEEPEST_NS)


class Pace:
    """The bucket. ``began_ns``: since when its present filling lasts, DEEPEST_NS back at most."""

    def __init__(self, settings: Settings) -> None:
        self._character_ns = settings.character_ns
        self._bucket = [0] * 5
        self.began_ns: int | None = None

    def judge(self, chunk: Chunk) -> bool:
        """Return whether the chunk is (part of) a backlog; False without times. Call once for every chunk.

        When it says yes, chunks delivered since ``began_ns`` are backlog as well, whatever was said about them.
        """
        if chunk.t_ns is None:
            return False
        over = pour(self._bucket, chunk.t_ns, len(chunk.data), self._character_ns)
        self.began_ns = _since(self._bucket)
        return over == 1
