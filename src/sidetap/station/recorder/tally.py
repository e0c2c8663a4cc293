"""What is heard, in numbers: chunks of a line in, a running account out. No I/O, no clock; it keeps no bytes."""

from collections import Counter, deque
from dataclasses import dataclass

from sidetap.line import Chunk, Noise, Outcome, Parser, Settings, Transaction
from sidetap.line.chunk import BREAK, FRAMING, PARITY
from sidetap.quantity import NS_PER_S

LOAD_OVER_NS = 10 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Device:
    """A device on the line. answered: times it did; the latest at last_ns (None: it was only asked)."""

    address: int
    asked: int
    answered: int
    last_ns: int | None


@dataclass(frozen=True, slots=True)
class Heard:
    """The account so far.

    frames: whole ones, requests and answers. outcomes: how requests ended. stray_bytes: part of no frame.
    parity, framing, breaks: bytes that the adapter marked so. devices: by address. load: share of the last
    ``LOAD_OVER_NS`` in which the line carried bytes, by their number; None before so much time has passed.
    silence_ns: the longest time without a byte; last_ns: when the last one was delivered, None before the first.
    """

    bytes: int
    chunks: int
    frames: int
    outcomes: dict[Outcome, int]
    stray_bytes: int
    parity: int
    framing: int
    breaks: int
    devices: tuple[Device, ...]
    load: float | None
    silence_ns: int
    last_ns: int | None


class Tally:
    """Feed it each chunk in order, and ask for the account whenever it is wanted. start_ns: on the chunks' clock."""

    def __init__(self, settings: Settings, start_ns: int) -> None:
        self._parser = Parser(settings)
        self._character_ns = settings.character_ns
        self._start_ns = start_ns
        self._bytes = self._chunks = self._frames = self._stray = 0
        self._outcomes: Counter[Outcome] = Counter()
        self._flags: Counter[str] = Counter()
        self._asked: Counter[int] = Counter()
        self._answered: Counter[int] = Counter()
        self._last_answers_ns: dict[int, int | None] = {}
        self._last_ns: int | None = None
        self._silence_ns = 0
        self._latest: deque[tuple[int, int]] = deque()  # time and number of bytes

    def receive(self, chunk: Chunk) -> None:
        """Take the next chunk; it has a time."""
        t_ns = chunk.t_ns or 0
        self._silence_ns = max(self._silence_ns, t_ns - self._since_ns)
        self._last_ns = t_ns
        self._bytes += len(chunk.data)
        self._chunks += 1
        if chunk.flags is not None:
            self._flags.update(chunk.flags)
        self._latest.append((t_ns, len(chunk.data)))
        self._forget(t_ns)
        self._parser.receive(chunk)
        self._count()

    def close(self) -> None:
        """Count what is still open: no more bytes will come."""
        self._parser.close()
        self._count()

    def heard(self, now_ns: int) -> Heard:
        """Return the account at now_ns."""
        self._parser.idle(now_ns)
        self._count()
        self._forget(now_ns)
        load = None
        if now_ns - self._start_ns >= LOAD_OVER_NS:
            load = min(1.0, sum(size for _, size in self._latest) * self._character_ns / LOAD_OVER_NS)
        return Heard(
            bytes=self._bytes,
            chunks=self._chunks,
            frames=self._frames,
            outcomes=dict(self._outcomes),
            stray_bytes=self._stray,
            parity=self._flags[PARITY],
            framing=self._flags[FRAMING],
            breaks=self._flags[BREAK],
            devices=tuple(
                Device(address, self._asked[address], self._answered[address], self._last_answers_ns.get(address))
                for address in sorted(self._asked.keys() | self._answered.keys())
            ),
            load=load,
            silence_ns=max(self._silence_ns, now_ns - self._since_ns),
            last_ns=self._last_ns,
        )

    @property
    def _since_ns(self) -> int:
        return self._start_ns if self._last_ns is None else self._last_ns

    def _forget(self, now_ns: int) -> None:
        while self._latest and self._latest[0][0] <= now_ns - LOAD_OVER_NS:
            self._latest.popleft()

    def _count(self) -> None:
        while (event := self._parser.next_event()) is not None:
            if isinstance(event, Noise):
                self._stray += len(event.raw)
            else:
                self._count_transaction(event)

    def _count_transaction(self, transaction: Transaction) -> None:
        self._outcomes[transaction.outcome] += 1
        device = transaction.device
        if transaction.request is not None:
            self._frames += 1
            if transaction.outcome is not Outcome.BROADCAST:
                self._asked[device] += 1
        if transaction.response is not None:
            self._frames += 1
            self._answered[device] += 1
            self._last_answers_ns[device] = transaction.t_end_ns
