"""Were these bytes on the wire just now? Chunks with their delivery times -> fresh or backlog.

Theory of operation: a line carries one character every character time and not more. Every byte delivered fills a
bucket by one character time, and time that passes empties it. An honest adapter never fills it beyond the little it
collects before it delivers; an adapter, a network or a machine that held bytes back delivers faster than the line
could have carried them, and the bucket runs over. From the moment it began to fill until it is empty again
everything is a backlog: older than its delivery time says, by an unknown amount.

What it can't see: bytes held back of a line that was nearly silent meanwhile, and a delay that never ends.
"""

from sidetap.line.chunk import Chunk
from sidetap.line.settings import Settings
from sidetap.quantity import NS_PER_MS

# Four deliveries of an adapter with a 16 ms latency timer: common practice, no source.
ALLOWANCE_NS = 64 * NS_PER_MS
# However long the backlog was, so much quiet line time ends it: a busy line would else never be fresh again.
DEEPEST_NS = 500 * NS_PER_MS


class Pace:
    """The bucket. ``began_ns`` is the delivery time with which its present filling began."""

    def __init__(self, settings: Settings) -> None:
        self._character_ns = settings.character_ns
        self._level_ns = 0
        self._last_ns: int | None = None
        self._over = False
        self.began_ns: int | None = None

    def judge(self, chunk: Chunk) -> bool:
        """Return whether the chunk is (part of) a backlog; False without times. Call once for every chunk.

        When it says yes, chunks delivered since ``began_ns`` are backlog as well, whatever was said about them.
        """
        if chunk.t_ns is None:
            return False
        if self._last_ns is not None:
            self._level_ns = max(0, self._level_ns - max(0, chunk.t_ns - self._last_ns))
        self._last_ns = chunk.t_ns
        if self._level_ns == 0:
            self._over = False
            self.began_ns = chunk.t_ns
        self._level_ns = min(DEEPEST_NS, self._level_ns + len(chunk.data) * self._character_ns)
        self._over = self._over or self._level_ns > ALLOWANCE_NS
        return self._over
