"""What is answered for one name, and the contract's form of it."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from sidetap.quantity import NS_PER_S


class MatchStatus(StrEnum):
    """How far an answer is known."""

    SETTLED = "settled"
    SCALE_OPEN = "scale-open"
    AMBIGUOUS = "ambiguous"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Rival:
    """A register, encoding and law that explains the readings, and with what probability."""

    device: int
    table: str
    register: int
    encoding: str
    scale: float
    offset: float
    confidence: float

    def document(self) -> dict[str, Any]:
        """Return the contract's form."""
        return {
            "device": self.device,
            "table": self.table,
            "register": self.register,
            "encoding": self.encoding,
            "scale": self.scale,
            "offset": self.offset,
            "confidence": self.confidence,
        }


@dataclass(frozen=True, slots=True)
class Answer:
    """What stands behind one name: reading in unit = decoded × scale + offset. best: None for none.

    valid_below: the reading up to which two encodings can't be told apart. suspect_readings: rows that don't fit,
    because the others agree without them. outside_readings: rows left out, taken before or after the record. next_ns:
    a moment of the record whose reading would have settled it.
    """

    name: str
    status: MatchStatus
    best: Rival | None
    unit: str | None
    valid_below: float | None
    suspect_readings: tuple[int, ...]
    rivals: tuple[Rival, ...]
    next: str | None
    next_ns: int | None
    outside_readings: tuple[int, ...]

    @property
    def confidence(self) -> float | None:
        """Probability that the promise holds; None without an answer."""
        return None if self.best is None else self.best.confidence

    def document(self) -> dict[str, Any]:
        """Return the contract's form."""
        best = self.best
        none = self.status is MatchStatus.NONE
        return {
            "name": self.name,
            "status": self.status.value,
            "device": None if best is None else best.device,
            "table": None if best is None else best.table,
            "register": None if best is None else best.register,
            "encoding": None if best is None else best.encoding,
            "scale": None if best is None else best.scale,
            "offset": None if best is None else best.offset,
            "unit": self.unit,
            "confidence": self.confidence,
            "valid_below": self.valid_below,
            "suspect_readings": None if none else sorted(self.suspect_readings + self.outside_readings),
            "rivals": None if none else [r.document() for r in self.rivals],
            "next": self.next,
            "next_at_s": None if self.next_ns is None else self.next_ns / NS_PER_S,
        }
