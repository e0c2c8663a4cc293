"""Lines for the tests of line health: the simulated yard's, heard as a tap is set, and hand-made ones."""

from collections.abc import Iterable, Sequence

from sidetap.line import Batch, Chunk, Settings, crc16, listen
from sidetap.survey import Finding, YardEvent, survey
from sidetap.survey.findings import About
from sidetap.survey.health import Health
from sidetap.yard import Framing, LineSettings, Receiver, Yard

S = 1_000_000_000
MS = 1_000_000
STATED = Settings(19200, "8E1")


def receiver(
    text: str = "19200 8E1", *, inverted: bool = False, biased: bool = True, takes_low_stop: bool = False
) -> Receiver:
    """Return the yard's receiver set as text says."""
    baud, framing = text.split()
    after = "start" if takes_low_stop else "wait"
    return Receiver(LineSettings(int(baud), Framing.parse(framing)), inverted, biased, after)  # type: ignore[arg-type]  # text


def heard(yard: Yard, seconds: int, own: Receiver | None = None, *, latency: str = "usb16ms") -> list[Chunk]:
    """Return what a tap with flags hears of a yard in its next seconds."""
    tap = yard.add_tap(receiver=own, latency=latency, flags=True)  # type: ignore[arg-type]  # None too
    to_ns = yard.now_ns + seconds * S
    yard.advance(to_ns)
    return [Chunk(*chunk) for chunk in tap.take(to_ns)]


def without_flags(chunks: Iterable[Chunk]) -> list[Chunk]:
    return [Chunk(chunk.t_ns, chunk.data) for chunk in chunks]


def health_of(chunks: Sequence[Chunk], settings: Settings | None = STATED, *, at_once: int = 1000) -> Health:
    """Return the health of a line, heard so many chunks at once."""
    health = Health(settings)

    def batches() -> Iterable[Batch]:
        for start in range(0, len(chunks), at_once):
            batch = Batch.of(chunks[start : start + at_once])
            health.hear(batch)
            yield batch

    for columns in listen(batches(), settings):
        health.see(columns)
    return health


def told(
    chunks: Sequence[Chunk], settings: Settings | None = STATED, yard_events: Sequence[YardEvent] = ()
) -> list[Finding]:
    """Return what health finds on a line whose values nobody knows."""
    return health_of(chunks, settings).findings(NOTHING, (), About(yard_events=tuple(yard_events)))


NOTHING = survey(()).history


def names(findings: Iterable[Finding]) -> list[tuple[str, int | None]]:
    return [(finding.finding, finding.device) for finding in findings]


def frame(*octets: int) -> bytes:
    data = bytes(octets)
    return data + crc16(data).to_bytes(2, "little")


def read_request(device: int, register: int, count: int, function: int = 3) -> bytes:
    return frame(device, function, *register.to_bytes(2, "big"), *count.to_bytes(2, "big"))


def read_answer(device: int, words: Sequence[int], function: int = 3) -> bytes:
    return frame(device, function, 2 * len(words), *(octet for word in words for octet in word.to_bytes(2, "big")))
