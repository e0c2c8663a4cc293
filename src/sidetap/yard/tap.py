"""Where a listener's adapter sits on the line: spans in, chunks as an adapter delivers them out.

An adapter collects bytes and hands them over at its ticks: several frames in one chunk, a frame over several. It
may hold its bytes for a while and then hand over all at once. Nothing that the tap does reaches the line; ``write``
exists so that a test can show that the count of written bytes counts.
"""

from collections import deque
from typing import Literal

from sidetap.yard.uart import GOOD, NS, Receiver
from sidetap.yard.wire import Span, Wire

Latency = Literal["usb16ms", "immediate"]
_TICK_NS: dict[Latency, int] = {"usb16ms": 16_000_000, "immediate": 1_000_000}  # common practice, no source

Chunk = tuple[int, bytes, str | None]
"""Delivery time in ns, bytes, a flag letter a byte (. good, p parity, f framing, b break) or None if all are good."""


class TapPoint:
    """A listening adapter.

    latency: "usb16ms" hands over every 16 ms, "immediate" every millisecond.
    flags: whether the adapter reports the errors of each byte. Without, errored bytes come through like any other.
    bytes_written_to_line: what anybody wrote into the line from this side. Must stay 0.
    """

    def __init__(
        self, wire: Wire, *, receiver: Receiver | None = None, latency: Latency = "usb16ms", flags: bool = False
    ) -> None:
        self.receiver = receiver or Receiver(wire.settings)
        self.bytes_written_to_line = 0
        self._wire = wire
        self._tick_ns = _TICK_NS[latency]
        self._flags = flags
        self._chunks: deque[tuple[int, bytearray, list[str]]] = deque()
        self._taken_of_open = 0
        self._held_from_ns: int | None = None
        self._held: deque[Chunk] = deque()
        wire.taps.append(self)

    def write(self, data: bytes) -> None:
        """Count bytes that came from our side; they go nowhere."""
        self.bytes_written_to_line += len(data)

    def hold(self, from_ns: int) -> None:
        """Let the adapter keep what it would hand over from from_ns on, until it is released."""
        self._held_from_ns = from_ns

    def release(self, at_ns: int) -> None:
        """Hand over all that was held, at at_ns, and go on as before."""
        since_ns = at_ns if self._held_from_ns is None else self._held_from_ns
        ready = self._ready(at_ns)
        early = [chunk for chunk in ready if chunk[0] < since_ns]
        late = [*self._held, *ready[len(early) :]]
        self._held = deque([*early, *((at_ns, data, flags) for _, data, flags in late)])
        self._held_from_ns = None

    def take(self, now_ns: int) -> list[Chunk]:
        """Return what the adapter has handed over by now_ns, which must not be later than the yard's present."""
        if self._held_from_ns is None:
            chunks = [*self._held, *self._ready(now_ns)]
            self._held.clear()
            return chunks
        chunks = []
        for chunk in self._ready(now_ns):
            (chunks if chunk[0] < self._held_from_ns else self._held).append(chunk)
        return chunks

    def hear_span(self, span: Span) -> None:
        """Take a span that has ended."""
        self._collect(span, None)
        self._taken_of_open = 0

    def _ready(self, now_ns: int) -> list[Chunk]:
        if self._wire.open_span is not None:
            self._collect(self._wire.open_span, now_ns)
        ready: list[Chunk] = []
        while self._chunks and self._chunks[0][0] <= now_ns:
            t_ns, data, flags = self._chunks.popleft()
            marks = "".join(flags) if self._flags else ""
            ready.append((t_ns, bytes(data), marks if marks.strip(GOOD) else None))
        return ready

    def _collect(self, span: Span, until_ns: int | None) -> None:
        """Add the bytes of a span that were whole by until_ns, and not collected before, to the chunks."""
        settings = self._wire.settings
        tick_ns, character_bits = self._tick_ns, settings.framing.bits
        passed = 0
        for first_end_ns, data, flags in self._wire.received(span, self.receiver):
            index = max(0, self._taken_of_open - passed)
            passed += len(data)
            while index < len(data):
                end_ns = first_end_ns + settings.characters_ns(index)
                if until_ns is not None and end_ns > until_ns:
                    return
                due_ns = -(-end_ns // tick_ns) * tick_ns
                last_ns = due_ns if until_ns is None else min(due_ns, until_ns)
                # bytes whole by last_ns: the largest i with first_end + floor(i × character) <= last, plus one
                stop = ((last_ns - first_end_ns + 1) * settings.baud - 1) // (character_bits * NS) + 1
                piece, marks = data[index:stop], flags[index:stop]
                if self._chunks and self._chunks[-1][0] == due_ns:
                    self._chunks[-1][1].extend(piece)
                    self._chunks[-1][2].append(marks)
                else:
                    self._chunks.append((due_ns, bytearray(piece), [marks]))
                self._taken_of_open += len(piece)
                index += len(piece)
