"""One delivered piece of a line, as an adapter handed it over."""

from dataclasses import dataclass

GOOD, PARITY, FRAMING, BREAK = ".", "p", "f", "b"


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes that were delivered together.

    t_ns: when they were delivered; None where a recording has no times. Adapters deliver up to 16 ms late,
        several frames at once or a frame in pieces, so a time is a hint and never a rule.
    flags: one letter a byte, ``.`` good, ``p`` parity, ``f`` framing, ``b`` break; None when all are good.
    """

    t_ns: int | None
    data: bytes
    flags: str | None = None
