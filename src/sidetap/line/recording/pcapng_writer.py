"""Chunks -> a recording as pcapng, the native form. Appends whole blocks; reads nothing back.

One packet per delivered chunk, link type USER0, nanosecond times. The settings of the line stand in an interface's
if_description, flags of errored bytes in a packet's opt_comment. A pair of wires is an interface; the two pairs of a
4-wire line are two, and their packets follow each other in order of time. What else there is to say (a gap, what the
clocks show) stands in interface statistics blocks, which readers of the bytes pass over.

Source: the pcapng file format, as drafted at the IETF (draft-ietf-opsawg-pcapng).
"""

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from sidetap.line.chunk import Chunk
from sidetap.line.recording.beside import written_beside
from sidetap.line.recording.pcapng_layout import (
    COMMENT,
    ENHANCED,
    IF_DESCRIPTION,
    IF_TSRESOL,
    INTERFACE,
    LINK_TYPE_USER0,
    MAGIC,
    SECTION,
)
from sidetap.line.settings import Settings

_STATISTICS = 5  # a block that no reader of the bytes needs
_IF_NAME, _IF_HARDWARE = 2, 15
_LONGEST_TEXT = 4096  # bytes of an option; the format's own limit is 65,535


class Sink(Protocol):
    """What a writer appends to: an open binary file, or anything that takes bytes and says how many it took."""

    def write(self, data: bytes, /) -> int:
        """Append data, or the first bytes of it."""
        ...


@dataclass(frozen=True, slots=True)
class Pair:
    """A pair of wires and what listens to it. source: as given; hardware: the adapter, in words."""

    source: str | None = None
    hardware: str | None = None


class PcapngWriter:
    """Appends chunks to a recording, each as one whole block in one write: after a crash all but the last are good.

    The file must be open for writing bytes without a buffer of its own where that matters (``buffering=0``).
    pairs: one interface each. comment: said in the section header.
    """

    def __init__(
        self,
        file: Sink,
        settings: Settings | None = None,
        pairs: Sequence[Pair] = (Pair(),),
        comment: str | None = None,
    ) -> None:
        self._file = file
        section = struct.pack("<IHHq", MAGIC, 1, 0, -1) + _options((COMMENT, comment))
        described = None if settings is None else str(settings)
        interfaces = [
            struct.pack("<HHI", LINK_TYPE_USER0, 0, 0)
            + _options(
                (_IF_NAME, pair.source),
                (IF_DESCRIPTION, described),
                (_IF_HARDWARE, pair.hardware),
                (IF_TSRESOL, b"\x09"),
            )
            for pair in pairs
        ]
        self._put(_block(SECTION, section) + b"".join(_block(INTERFACE, each) for each in interfaces))

    def write(self, chunk: Chunk, pair: int = 0) -> None:
        """Append a chunk heard on a pair (its place in pairs); ValueError when it has no time."""
        if chunk.t_ns is None:
            raise ValueError("a pcapng recording needs the time of every chunk")
        size = len(chunk.data)
        body = struct.pack("<I", pair) + _ticks(chunk.t_ns) + struct.pack("<II", size, size)
        body += chunk.data.ljust(_padded(size), b"\0") + _options((COMMENT, chunk.flags))
        self._put(_block(ENHANCED, body))

    def note(self, t_ns: int, text: str, pair: int = 0) -> None:
        """Append a remark about a pair, with its time. It is no part of the line's bytes."""
        self._put(_block(_STATISTICS, struct.pack("<I", pair) + _ticks(t_ns) + _options((COMMENT, text))))

    def _put(self, data: bytes) -> None:
        written = 0
        while written < len(data):
            written += self._file.write(data[written:])


def write_pcapng(path: Path, chunks: Iterable[Chunk], settings: Settings | None = None) -> None:
    """Write a recording as pcapng; the file appears whole under its name or not at all."""
    with written_beside(path) as file:
        writer = PcapngWriter(file, settings)
        for chunk in chunks:
            writer.write(chunk)


def _block(kind: int, body: bytes) -> bytes:
    length = struct.pack("<I", 12 + len(body))
    return struct.pack("<I", kind) + length + body + length


def _ticks(t_ns: int) -> bytes:
    """Return a time as blocks hold it, high word first; negative ones in two's complement."""
    ticks = t_ns & 0xFFFF_FFFF_FFFF_FFFF
    return struct.pack("<II", ticks >> 32, ticks & 0xFFFF_FFFF)


def _options(*options: tuple[int, str | bytes | None]) -> bytes:
    """Return those options that have a value, and the end that belongs behind them; nothing when none has."""
    parts = []
    for code, value in options:
        if value is not None:
            data = value.encode()[:_LONGEST_TEXT] if isinstance(value, str) else value
            parts.append(struct.pack("<HH", code, len(data)) + data.ljust(_padded(len(data)), b"\0"))
    return b"".join(parts) + bytes(4) if parts else b""


def _padded(length: int) -> int:
    return (length + 3) // 4 * 4
