"""What the tests of the yard share: a record of who said what and when."""

from dataclasses import dataclass, field

from sidetap.yard import Yard
from sidetap.yard.wire import Burst, Span

MS = 1_000_000
NS = 1_000_000_000


@dataclass
class Record:
    """Every burst on the line, and the spans they came in."""

    spans: list[Span] = field(default_factory=list)

    def hear_span(self, span: Span) -> None:
        self.spans.append(span)

    @property
    def bursts(self) -> list[Burst]:
        return sorted((burst for span in self.spans for burst in span.bursts), key=lambda burst: burst.start_ns)

    def of(self, talker: str, begins: str = "") -> list[Burst]:
        return [b for b in self.bursts if b.talker == talker and b.data.hex().startswith(begins.lower())]


def recorded(yard: Yard) -> Record:
    record = Record()
    yard.wire.taps.append(record)
    return record


def bytes_of(yard: Yard, to_ns: int) -> bytes:
    yard.advance(to_ns)
    return b"".join(data for _, data, _ in yard.tap.take(to_ns))
