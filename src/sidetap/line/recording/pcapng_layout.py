"""Numbers of the pcapng file format that its readers share, and the bounds we keep. Nothing but numbers.

Source: the pcapng file format, as drafted at the IETF (draft-ietf-opsawg-pcapng).
"""

LINK_TYPE_USER0 = 147
SECTION, INTERFACE, SIMPLE, ENHANCED = 0x0A0D0D0A, 1, 3, 6
MAGIC = 0x1A2B3C4D
COMMENT, IF_DESCRIPTION, IF_TSRESOL, IF_TSOFFSET = 1, 3, 9, 14

FINEST_DECIMAL, FINEST_BINARY = 18, 51  # exponents of a time resolution: beyond them lies no clock
LATEST_NS = 2**63 - 1  # what 64 bits hold

# Bounds of ours, far above what a recording needs, so that no file can keep us busy for long.
LARGEST_BLOCK = 1 << 20  # bytes; a chunk is a few hundred
MOST_HEADERS = 10_000  # section headers and interface descriptions in a file
MOST_OPTIONS = 1000  # in a block
