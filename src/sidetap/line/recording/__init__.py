"""Recordings of a line: files -> chunks, and chunks -> files. One module a format.

``read(path)`` tells the format by content, then by suffix. Files of the line's own bytes only: nothing here looks
into frames.
"""

from sidetap.line.recording.csv_format import write_csv
from sidetap.line.recording.model import ClockStep, Format, Recording, Scan
from sidetap.line.recording.pcapng_writer import Pair, PcapngWriter, write_pcapng
from sidetap.line.recording.reading import FORMATS, read

__all__ = [
    "FORMATS",
    "ClockStep",
    "Format",
    "Pair",
    "PcapngWriter",
    "Recording",
    "Scan",
    "read",
    "write_csv",
    "write_pcapng",
]
