"""The check of an RTU frame: bytes -> CRC-16/MODBUS.

Source: MODBUS over Serial Line Specification and Implementation Guide V1.02 (2006), 6.2.2: polynomial A001
(reflected 8005), start FFFF, no final exclusive or; on the wire the low byte goes first.
"""


def _entry(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)
    return byte


# what a code becomes after one byte, by the low byte of code and byte together
TABLE = tuple(_entry(byte) for byte in range(256))


def crc16(data: bytes | bytearray | memoryview) -> int:
    """Return the CRC-16/MODBUS of data; ``.to_bytes(2, "little")`` is how it travels.

    Over a frame together with its own check bytes it is 0.

    >>> hex(crc16(b"123456789"))
    '0x4b37'
    """
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ TABLE[(crc ^ byte) & 0xFF]
    return crc
