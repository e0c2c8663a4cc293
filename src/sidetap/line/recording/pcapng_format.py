"""Recordings as pcapng, the native form: one packet per delivered chunk, link type USER0, nanosecond times.

Source: the pcapng file format, as drafted at the IETF (draft-ietf-opsawg-pcapng): section header, interface
description, enhanced and simple packet blocks and their options; either byte order, several sections. The settings of
the line stand in the interface's if_description, flags of errored bytes in a packet's opt_comment.
"""

import re
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import FileIO
from math import gcd

import numpy as np

from sidetap.errors import BadInput
from sidetap.line.batch import Batch
from sidetap.line.chunk import Chunk
from sidetap.line.recording.gathering import Gathering
from sidetap.line.recording.model import Format
from sidetap.line.recording.pcapng_layout import (
    COMMENT,
    ENHANCED,
    FINEST_BINARY,
    FINEST_DECIMAL,
    IF_DESCRIPTION,
    IF_TSOFFSET,
    IF_TSRESOL,
    INTERFACE,
    LARGEST_BLOCK,
    LATEST_NS,
    LINK_TYPE_USER0,
    MAGIC,
    MOST_HEADERS,
    MOST_OPTIONS,
    SECTION,
    SIMPLE,
)
from sidetap.line.recording.window import Window
from sidetap.line.settings import Settings
from sidetap.quantity import NS_PER_S

_SMALLEST_PACKET = 16  # bytes of its block
_FLAGS = re.compile(r"[.pfb]+")
_REMEDY = "Give a recording made by sidetap record, or the bytes alone as .bin."


@dataclass(frozen=True, slots=True)
class _Interface:
    resolution: int  # ticks a second
    offset_s: int

    @property
    def for_walk(self) -> tuple[int, int, int, int]:
        """What `walk_blocks` takes: offset in ns, factor and divisor of ticks, largest quotient without overflow."""
        common = gcd(NS_PER_S, self.resolution)
        multiply = NS_PER_S // common
        return self.offset_s * NS_PER_S, multiply, self.resolution // common, LATEST_NS // multiply - 1


class _Torn(Exception):
    """The file ends inside a block."""


class _Scan:
    """Takes blocks one by one; in a large file the compiled walk goes ahead over what is plain."""

    def __init__(self, file: FileIO, size: int, place: str) -> None:
        self.settings: Settings | None = None
        self.truncated = False
        self._place = place
        self._window = Window(file, size, LARGEST_BLOCK)
        self._block_at = 0
        self._order = "<"
        self._in_section = False
        self._headers = 0
        self._interfaces: list[_Interface] = []
        self._for_walk = np.empty((MOST_HEADERS, 4), dtype=np.int64)  # a row for each of them
        self._timed: bool | None = None
        self._gathered = Gathering()

    def __iter__(self) -> Iterator[Batch]:
        walk = self._walker() if self._window.large else None
        while self._took_block():
            if walk is not None:
                walk()
            if self._gathered.full:
                yield self._gathered.take()
        if len(self._gathered):
            yield self._gathered.take()

    def _walker(self) -> Callable[[], None]:
        from sidetap.line.recording.pcapng_walk import walk_blocks  # loading numba takes longer than a small file

        window = self._window
        room = len(window.buffer)
        data, flags = np.empty(room, dtype=np.uint8), np.empty(room, dtype=np.uint8)
        ends, t_ns = (np.empty(room // _SMALLEST_PACKET, dtype=np.int64) for _ in range(2))

        def walk() -> None:
            simple = self._timed is False
            place = window.octets, window.at, window.end, self._order == ">"
            what = simple, LARGEST_BLOCK, MOST_OPTIONS, self._for_walk[: len(self._interfaces)]
            window.at, chunks, size, flagged = walk_blocks(*place, *what, data, ends, t_ns, flags)
            if chunks:
                self._timed = not simple
                self._gathered.put_many(
                    data[:size],
                    ends[:chunks],
                    None if simple else t_ns[:chunks],
                    flags[:size] if flagged else None,
                )

        return walk

    def _bad(self, problem: str) -> BadInput:
        return BadInput(self._place, f"{problem} (block at byte {self._block_at})", _REMEDY)

    def _took_block(self) -> bool:
        """Take the next block; False at the end of the file, torn or not."""
        try:
            block = self._block()
        except _Torn:
            if not self._in_section:
                raise self._bad("the section header is torn") from None
            self.truncated = True
            return False
        if block is None:
            return False
        kind, body = block
        if kind == ENHANCED:
            self._put(self._enhanced(body))
        elif kind == SIMPLE:
            self._put(self._simple(body))
        elif kind in (SECTION, INTERFACE):
            self._headers += 1
            if self._headers > MOST_HEADERS:
                raise self._bad(f"over {MOST_HEADERS} sections and interfaces")
            if kind == SECTION:
                self._interfaces = []
            else:
                interface = self._interface(body)
                self._for_walk[len(self._interfaces)] = interface.for_walk
                self._interfaces.append(interface)
        return True

    def _put(self, chunk: Chunk) -> None:
        timed = chunk.t_ns is not None
        if self._timed is not None and timed != self._timed:
            raise self._bad("packets with a time and packets without in one file")
        self._timed = timed
        self._gathered.put(chunk)

    def _block(self) -> tuple[int, bytes] | None:
        """Return kind and body of one block; None at the end of the file."""
        window = self._window
        self._block_at = window.offset
        if not window.holds(1):
            return None
        if not window.holds(8):
            raise _Torn
        buffer = window.buffer
        (kind,) = struct.unpack_from(f"{self._order}I", buffer, window.at)
        if kind == SECTION:  # the same in both byte orders
            self._start_section()
        elif not self._in_section:
            raise self._bad("no section header at the start")
        (length,) = struct.unpack_from(f"{self._order}I", buffer, window.at + 4)
        if kind == length == 0 and self._only_zeros_follow():
            raise _Torn  # what a file system leaves after a power cut
        if length < 12 or length % 4 or length > LARGEST_BLOCK:
            raise self._bad(f"a block of {length} bytes")
        if not window.holds(length):
            raise _Torn
        at, tail = window.at, window.at + length - 4
        if buffer[tail : tail + 4] != buffer[at + 4 : at + 8]:
            raise self._bad("the two lengths of the block differ")
        body = bytes(buffer[at + 8 : tail])
        if kind == SECTION:
            if len(body) < 16 or struct.unpack_from(f"{self._order}H", body, 4)[0] != 1:
                raise self._bad("the section header is of an unknown version")
            self._in_section = True
        window.at += length
        return kind, body

    def _start_section(self) -> None:
        if not self._window.holds(12):
            raise _Torn
        at = self._window.at + 8
        magic = bytes(self._window.buffer[at : at + 4])
        orders = {struct.pack(f"{order}I", MAGIC): order for order in "<>"}
        if magic not in orders:
            raise self._bad("the section header names no byte order")
        self._order = orders[magic]

    def _only_zeros_follow(self) -> bool:
        window = self._window
        while not window.octets[window.at : window.end].any():
            window.at = window.end
            if not window.refill():
                return True
        return False

    def _interface(self, body: bytes) -> _Interface:
        if len(body) < 8:
            raise self._bad("the interface description is too short")
        (link_type,) = struct.unpack_from(f"{self._order}H", body)
        if link_type != LINK_TYPE_USER0:
            raise self._bad(f"link type {link_type} is no serial line; ours is {LINK_TYPE_USER0}")
        resolution, offset_s = 1_000_000, 0
        for code, value in self._options(body, 8):
            if code == IF_TSRESOL and len(value) == 1:
                exponent = value[0] & 0x7F
                if exponent > (FINEST_BINARY if value[0] & 0x80 else FINEST_DECIMAL):
                    raise self._bad(f"a time resolution of exponent {exponent}")
                resolution = 2**exponent if value[0] & 0x80 else 10**exponent
            elif code == IF_TSOFFSET and len(value) == 8:
                (offset_s,) = struct.unpack(f"{self._order}q", value)
                if abs(offset_s) * NS_PER_S > LATEST_NS:
                    raise self._bad(f"times that count from {offset_s} s")
            elif code == IF_DESCRIPTION and self.settings is None:
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
        if abs(t_ns) > LATEST_NS:
            raise self._bad("a time that does not fit 64 bits in nanoseconds")
        data = body[20 : 20 + length]
        flags = None
        for code, value in self._options(body, 20 + _padded(length)):
            text = value.rstrip(b"\0").decode("utf-8", "replace")
            if code == COMMENT and _FLAGS.fullmatch(text):
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
        options = 0
        while at + 4 <= len(body):
            code, length = struct.unpack_from(f"{self._order}HH", body, at)
            if code == 0:
                return
            options += 1
            if options > MOST_OPTIONS:
                raise self._bad(f"over {MOST_OPTIONS} options")
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


PCAPNG = Format("pcapng", ".pcapng", (SECTION.to_bytes(4, "big"),), _Scan)
