"""A value's other ways to be read: which are left, how they are named, and up to where they agree with it.

A device and one of its values in, candidates and words out; nothing is weighed here.
"""

from sidetap.line import reference
from sidetap.survey.values import Candidate, Device, Status, Value
from sidetap.survey.words.vocabulary import encoding_words

_MOST = 2
_WIDEST = 4  # registers of a number
_FLAGS = ("uint16", "bits16")


class Ways:
    """All ways to read a device's registers, by place: there may be thousands, and each value asks for a few."""

    def __init__(self, device: Device) -> None:
        self._values = device.values
        self._at: dict[tuple[str, int, str], list[Candidate]] = {}
        for way in device.candidates:
            key = (way.block.table, way.register, way.hypothesis.encoding)
            self._at.setdefault(key, []).append(way)

    def own(self, value: Value) -> Candidate | None:
        """Return the way in which a value is read, with the longest series there is."""
        ways = self._at.get((value.table, value.register, value.encoding), [])
        return max(ways, key=lambda way: len(way.block.words), default=None)

    def others(self, value: Value) -> list[Candidate]:
        """Return the other ways to read a value that is not settled, else those that its neighbours leave."""
        if value.status is Status.SETTLED:
            return []
        found = self._alternatives(value, value)
        for one in self._values:
            near = one.table == value.table and abs(one.register - value.register) < _WIDEST
            if not found and near and one is not value:
                found = self._alternatives(one, value)
        return found[:_MOST]

    def _alternatives(self, one: Value, value: Value) -> list[Candidate]:
        """Return the alternatives of one value that read another's registers too, the likeliest first.

        Those that read every answer the same are left out.
        """
        found = []
        for other in one.alternatives:
            if other.confidence == one.confidence and _kind(other.encoding) != _kind(one.encoding):
                continue  # of equal confidence are those that read alike; but two word orders part at the next change
            starts = range(value.register - _WIDEST + 1, value.register + value.width)
            ways = [way for start in starts for way in self._at.get((value.table, start, other.encoding), [])]
            both = [way for way in ways if _cover(way, one) and _cover(way, value)]
            if both:
                found.append(max(both, key=lambda way: way.probability))
        return found


def _cover(way: Candidate, value: Value) -> bool:
    return not set(_registers(value)).isdisjoint(way.registers)


def _registers(value: Value) -> range:
    return range(value.register, value.register + value.width)


def _kind(encoding: str) -> str:
    return encoding.partition("-")[0]


def way_words(way: Candidate, value: Value) -> str:
    """Return how another way reads a value's registers."""
    words = encoding_words(way.hypothesis.encoding)
    if way.register == value.register:
        return words
    place = reference(way.block.table, way.register)
    if set(way.registers) < set(_registers(value)):
        return f"{words} in {place} alone"
    return f"part of {words} from {place} on"


def agree_below(one: str, other: str) -> int | None:
    """Return up to which number two encodings that read alike go on to do so; None where no number tells it."""
    kinds = {_kind(one), _kind(other)}
    if kinds == {"uint16", "int16"}:
        return 32_768
    if "bcd16" in kinds and kinds & {*_FLAGS, "int16"}:
        return 10
    if "mod10k32" in kinds and not any(kind.startswith("float") for kind in kinds):
        return 10_000
    if kinds & {"uint16", "int16"} and kinds & {"uint32", "int32"}:
        return 65_536
    return None
