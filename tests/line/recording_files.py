"""Parts of pcapng files for tests, built by the layout of the IETF draft and apart from our writer."""

import struct


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    size = 12 + len(body) + -len(body) % 4
    return struct.pack(f"{order}II", kind, size) + body.ljust(size - 12, b"\0") + struct.pack(f"{order}I", size)


def section(order: str = "<") -> bytes:
    return block(0x0A0D0D0A, struct.pack(f"{order}IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def interface(options: bytes = b"", link_type: int = 147, order: str = "<") -> bytes:
    return block(1, struct.pack(f"{order}HHI", link_type, 0, 0) + options, order)


def packet(ticks: int, data: bytes, options: bytes = b"", order: str = "<", number: int = 0) -> bytes:
    head = struct.pack(f"{order}IIIII", number, ticks >> 32, ticks & 0xFFFFFFFF, len(data), len(data))
    return block(6, head + data.ljust(len(data) + -len(data) % 4, b"\0") + options, order)


def option(code: int, value: bytes, order: str = "<") -> bytes:
    return struct.pack(f"{order}HH", code, len(value)) + value.ljust(len(value) + -len(value) % 4, b"\0")
