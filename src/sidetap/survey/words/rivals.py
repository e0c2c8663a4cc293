"""A value's other ways to be read: which are left, how they are named, and up to where they agree with it.

A device and one of its values in, candidates and words out; nothing is weighed here.
"""

from sidetap.line import reference
from sidetap.survey.values import Candidate, Device, Status, Value
from sidetap.survey.words.vocabulary import encoding_words

_MOST = 2
_WIDEST = 4  # registers of a number
_FLAGS = ("uint16", "bits16")


def own_way(device: Device, value: Value) -> Candidate | None:
    """Return the way in which a value is read, with the longest series there is."""
    ways = [
        c
        for c in device.candidates
        if (c.block.table, c.register, c.hypothesis.encoding) == (value.table, value.register, value.encoding)
    ]
    return max(ways, key=lambda c: len(c.block.words), default=None)


def other_ways(device: Device, value: Value) -> list[Candidate]:
    """Return the other ways to read a value that is not settled: its own, else those that its neighbours leave."""
    if value.status is Status.SETTLED:
        return []
    found = _alternatives(device, value)
    for one in device.values:
        near = one.table == value.table and abs(one.register - value.register) < _WIDEST
        if not found and near and one is not value:
            found = [c for c in _alternatives(device, one) if _covers(c, value)]
    return found[:_MOST]


def _alternatives(device: Device, value: Value) -> list[Candidate]:
    """Return the alternatives of a value, the likeliest first, but for those that read every answer the same."""
    found = []
    for other in value.alternatives:
        if other.confidence == value.confidence and _kind(other.encoding) != _kind(value.encoding):
            continue  # of equal confidence are those that read alike; but two word orders part at the next change
        ways = [c for c in device.candidates if c.hypothesis.encoding == other.encoding and _covers(c, value)]
        if ways:
            found.append(max(ways, key=lambda c: c.probability))
    return found


def _covers(way: Candidate, value: Value) -> bool:
    return way.block.table == value.table and not set(_registers(value)).isdisjoint(way.registers)


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
