"""Recordings as pcapng, the native form: one packet per delivered chunk, link type USER0, nanosecond times.

Source: the pcapng file format, as drafted at the IETF (draft-ietf-opsawg-pcapng): section header, interface
description, enhanced and simple packet blocks and their options; either byte order, several sections. The settings of
the line stand in the interface's if_description, flags of errored bytes in a packet's opt_comment.
"""

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from sidetap.errors import BadInput
from sidetap.line.chunk import Chunk
from sidetap.line.recording.model import Format
from sidetap.line.settings import Settings
from sidetap.quantity import NS_PER_S

LINK_TYPE_USER0 = 147
_SECTION, _INTERFACE, _SIMPLE, _ENHANCED = 0x0A0D0D0A, 1, 3, 6
_MAGIC = 0x1A2B3C4D
_COMMENT, _IF_DESCRIPTION, _IF_TSRESOL, _IF_TSOFFSET = 1, 3, 9, 14
_LARGEST_BLOCK = 1 << 24  # bytes; a chunk is a few hundred
_FLAGS = re.compile(r"[.pfb]+")
_REMEDY = "Give a recording made by sidetap record, or the bytes alone as .bin."


@dataclass(frozen=True, slots=True)
class _Interface:
    resolution: int  # ticks a second
    offset_s: int


class _Torn(Exception):
    """The file ends inside a block."""


class _Scan:
    def __init__(self, file: BinaryIO, place: str) -> None:
        self.settings: Settings | None = None
        self.truncated = False
        self._file = file
        self._place = place
        self._at = 0
        self._order = "<"
        self._interfaces: list[_Interface] = []

    def __iter__(self) -> Iterator[Chunk]:
        in_section = False
        while True:
            try:
                block = self._block()
            except _Torn:
                if not in_section:
                    raise self._bad("the section header is torn") from None
                self.truncated = True
                return
            if block is None:
                return
            kind, body = block
            if kind == _SECTION:
                self._interfaces = []
                in_section = True
            elif not in_section:
                raise self._bad("no section header at the start")
            elif kind == _INTERFACE:
                self._interfaces.append(self._interface(body))
            elif kind == _ENHANCED:
                yield self._enhanced(body)
            elif kind == _SIMPLE:
                yield self._simple(body)
            self._at = self._file.tell()

    def _bad(self, problem: str) -> BadInput:
        return BadInput(self._place, f"{problem} (block at byte {self._at})", _REMEDY)

    def _block(self) -> tuple[int, bytes] | None:
        """Read one block; None at the end of the file."""
        head = self._file.read(8)
        if not head:
            return None
        if len(head) < 8:
            raise _Torn
        if head[:4] == _SECTION.to_bytes(4, "big"):  # the same in both byte orders
            magic = self._file.read(4)
            if len(magic) < 4:
                raise _Torn
            orders = {struct.pack(f"{order}I", _MAGIC): order for order in "<>"}
            if magic not in orders:
                raise self._bad("the section header names no byte order")
            self._order = orders[magic]
            head += magic
        kind, length = struct.unpack(f"{self._order}II", head[:8])
        if kind == length == 0 and self._only_zeros_follow():
            raise _Torn  # what a file system leaves after a power cut
        if length < 12 or length % 4 or length > _LARGEST_BLOCK:
            raise self._bad(f"a block of {length} bytes")
        rest = self._file.read(length - len(head))
        if len(rest) < length - len(head):
            raise _Torn
        if rest[-4:] != head[4:8]:
            raise self._bad("the two lengths of the block differ")
        body = head[8:] + rest[:-4]
        if kind == _SECTION and (len(body) < 16 or struct.unpack_from(f"{self._order}H", body, 4)[0] != 1):
            raise self._bad("the section header is of an unknown version")
        return kind, body

    def _only_zeros_follow(self) -> bool:
        while piece := self._file.read(1 << 16):
            if piece.strip(b"\0"):
                return False
        return True

    def _interface(self, body: bytes) -> _Interface:
        if len(body) < 8:
            raise self._bad("the interface description is too short")
        (link_type,) = struct.unpack_from(f"{self._order}H", body)
        if link_type != LINK_TYPE_USER0:
            raise self._bad(f"link type {link_type} is no serial line; ours is {LINK_TYPE_USER0}")
        resolution, offset_s = 1_000_000, 0
        for code, value in self._options(body, 8):
            if code == _IF_TSRESOL and len(value) == 1:
                exponent = value[0] & 0x7F
                if exponent > (63 if value[0] & 0x80 else 18):
                    raise self._bad(f"a time resolution of exponent {exponent}")
                resolution = 2**exponent if value[0] & 0x80 else 10**exponent
            elif code == _IF_TSOFFSET and len(value) == 8:
                (offset_s,) = struct.unpack(f"{self._order}q", value)
            elif code == _IF_DESCRIPTION and self.settings is None:
                self.settings = _settings(value)
        return _Interface(resolution, offset_s)

    def _enhanced(self, body: bytes) -> Chunk:
        if len(body) < 20:
            raise self._bad("the packet is too short")
        number, high, low, length, _ = struct.unpack_from(f"{self._order}IIIII", body)
        if number >= len(self._interfaces):
            raise self._bad(f"a packet of interface {number}, which is not described")
        if 20 + length > len(body):
            raise self._bad(f"a packet of {length} bytes in a block of {len(body)}")
        interface = self._interfaces[number]
        ticks = high << 32 | low
        ticks -= (ticks >> 63) << 64  # times may be negative
        t_ns = interface.offset_s * NS_PER_S + ticks * NS_PER_S // interface.resolution
        if abs(t_ns) >> 63:
            raise self._bad("a time that does not fit 64 bits in nanoseconds")
        data = body[20 : 20 + length]
        flags = None
        for code, value in self._options(body, 20 + _padded(length)):
            text = value.rstrip(b"\0").decode("utf-8", "replace")
            if code == _COMMENT and _FLAGS.fullmatch(text):
                if len(text) != length:
                    raise self._bad(f"{len(text)} flags for {length} bytes")
                flags = text if text.strip(".") else None
        return Chunk(t_ns, data, flags)

    def _simple(self, body: bytes) -> Chunk:
        if len(body) < 4 or not self._interfaces:
            raise self._bad("a packet without its interface")
        (length,) = struct.unpack_from(f"{self._order}I", body)
        return Chunk(None, body[4 : 4 + length])

    def _options(self, body: bytes, at: int) -> Iterator[tuple[int, bytes]]:
        while at + 4 <= len(body):
            code, length = struct.unpack_from(f"{self._order}HH", body, at)
            if code == 0:
                return
            if at + 4 + length > len(body):
                raise self._bad("an option runs over the end of its block")
            yield code, body[at + 4 : at + 4 + length]
            at += 4 + _padded(length)


def _settings(description: bytes) -> Settings | None:
    """Return what if_description says of the line; a description of anything else says nothing."""
    try:
        return Settings.parse(description.rstrip(b"\0").decode("utf-8"))
    except ValueError:
        return None


def _padded(length: int) -> int:
    return (length + 3) // 4 * 4


PCAPNG = Format("pcapng", ".pcapng", (_SECTION.to_bytes(4, "big"),), _Scan)
