"""Chunks -> a recording as pcapng, the native form. Appends whole blocks; reads nothing back.

One packet per delivered chunk, link type USER0, nanosecond times; the settings of the line stand in the interface's
if_description, flags of errored bytes in a packet's opt_comment. Source: the pcapng file format, as drafted at the
IETF (draft-ietf-opsawg-pcapng).
"""

import struct
from collections.abc import Iterable
from pathlib import Path
from typing import BinaryIO

from sidetap.line.chunk import Chunk
from sidetap.line.recording.beside import written_beside
from sidetap.line.settings import Settings

LINK_TYPE_USER0 = 147
_SECTION, _INTERFACE, _ENHANCED = 0x0A0D0D0A, 1, 6
_MAGIC = 0x1A2B3C4D
_COMMENT, _IF_DESCRIPTION, _IF_TSRESOL = 1, 3, 9


class PcapngWriter:
    """Appends chunks to a recording, each as one whole block in one write: after a crash all but the last are good.

    The file must be open for writing bytes without a buffer of its own where that matters (``buffering=0``).
    """

    def __init__(self, file: BinaryIO, settings: Settings | None = None) -> None:
        self._file = file
        options = _option(_IF_TSRESOL, bytes([9]))
        if settings is not None:
            options = _option(_IF_DESCRIPTION, str(settings).encode()) + options
        section = struct.pack("<IHHq", _MAGIC, 1, 0, -1)
        interface = struct.pack("<HHI", LINK_TYPE_USER0, 0, 0) + options + bytes(4)
        self._put(_block(_SECTION, section) + _block(_INTERFACE, interface))

    def write(self, chunk: Chunk) -> None:
        """Append a chunk; ValueError when it has no time."""
        if chunk.t_ns is None:
            raise ValueError("a pcapng recording needs the time of every chunk")
        ticks = chunk.t_ns & 0xFFFF_FFFF_FFFF_FFFF
        size = len(chunk.data)
        body = struct.pack("<IIIII", 0, ticks >> 32, ticks & 0xFFFF_FFFF, size, size)
        body += chunk.data.ljust(_padded(size), b"\0")
        if chunk.flags is not None:
            body += _option(_COMMENT, chunk.flags.encode()) + bytes(4)
        self._put(_block(_ENHANCED, body))

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


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + value.ljust(_padded(len(value)), b"\0")


def _padded(length: int) -> int:
    return (length + 3) // 4 * 4
