"""Whole exchanges as published: the examples of the MODBUS Application Protocol Specification V1.1b3 (2012).

Pages as noted, unit 0x11 and check bytes added; those were computed in Python apart from this project's code, and the
tests compare them with `fastcrc`. Left out, since the document errs there: the example lengths of 43/14 (p. 45), the
event of FC 12 (p. 27). Answers without an example are made after the field lists of the same section.
"""

FRAMES = """
01 p12 110100130013 8E92 | 110103CD6B05 4012
02 p13 110200C40016 BAA9 | 110203ACDB35 2018
03 p15 1103006B0003 7687 | 110306022B00000064 C8BA
04 p16 110400080001 B298 | 110402000A F8F4
05 p18 110500ACFF00 4E8B | 110500ACFF00 4E8B
06 p19 110600010003 9A9B | 110600010003 9A9B
08 p24 11080000A537 D81D | 11080000A537 D81D
0B p26 110B 4C27 | 110BFFFF0108 A6E9
0F p29 110F0013000A02CD01 BF0B | 110F0013000A 2699
10 p30 11100001000204000A0102 C6F0 | 111000010002 1298
14 p33 11140E0600040001000206000300090002 F938 | 11140C05060DFE0020050633CD0040 69AD
15 p35 11150D0600040007000306AF04BE100D DBC7 | 11150D0600040007000306AF04BE100D DBC7
16 p37 1116000400F20025 66E2 | 1116000400F20025 66E2
17 p38 111700030006000E00030600FF00FF00FF 4B54 | 11170C00FE0ACD00010003000D00FF 0D75
18 p40 111804DE 0787 | 11180006000201B81284 188D
01 p47 110104A10001 AF88 | 118102 C054
"""
MADE = """
07 p20 1107 | 11076D
0C p28 110C | 110C08000001080121 2000
11 p31 1111 | 1111095461726E20486F6C FF
2B p44 112B0E0100 | 112B0E01010000020003 414243 0102 3132
"""


def _rows(table: str) -> list[list[str]]:
    return [line.split(" ", 2)[2].split("|") for line in table.strip().splitlines()]


EXCHANGES: list[tuple[bytes, bytes]] = [
    (bytes.fromhex(request), bytes.fromhex(response)) for request, response in _rows(FRAMES)
]
"""Request and answer, check bytes included."""

MADE_BODIES: list[tuple[bytes, bytes]] = [
    (bytes.fromhex(request), bytes.fromhex(response)) for request, response in _rows(MADE)
]
"""Address and PDU of the functions whose example holds no whole exchange."""
