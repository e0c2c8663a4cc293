"""Readings of frames that nobody here wrote: tshark's dissector and scapy's layers, as functions of bytes.

tshark reads whole RTU frames of link type 147 by its dissector `mbrtu`; it tells nothing of FC 7, 11, 12 and 17, and
of some others it can't tell which way they go, as it says. scapy knows PDUs behind a TCP header: that is put on.
"""

import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sidetap.line import Chunk
from sidetap.line.recording import write_pcapng

USER_DLT = 'uat:user_dlts:"User 0 (DLT=147)","mbrtu","0","","0",""'
FIELDS = (
    "mbrtu.unit_id",
    "modbus.func_code",
    "mbrtu.crc16.status",
    "modbus.reference_num",
    "modbus.word_cnt",
    "modbus.bit_cnt",
    "modbus.byte_cnt",
    "modbus.regval_uint16",
    "modbus.exception_code",
    "frame.len",
)


@dataclass(frozen=True, slots=True)
class Dissected:
    """What tshark says of one frame; None where it says nothing. way: Query, Response or unknown."""

    unit: int
    function: int
    crc_good: bool
    reference: int | None
    words: int | None
    bits: int | None
    octets: int | None
    registers: tuple[int, ...]
    exception: int | None
    length: int
    way: str


def dissect(frames: Sequence[bytes], folder: Path) -> list[Dissected]:
    """Return tshark's reading of frames, each a packet of its own, 10 ms apart."""
    path = folder / "frames.pcapng"
    write_pcapng(path, (Chunk(number * 10_000_000, frame) for number, frame in enumerate(frames)))
    command = ["tshark", "-r", str(path), "-o", USER_DLT, "-o", "mbrtu.crc_verification:TRUE", "-T", "fields"]
    for field in (*FIELDS, "_ws.col.Info"):
        command += ["-e", field]
    run = subprocess.run(
        [*command, "-E", "separator=|"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        env={"PATH": "/usr/bin:/bin", "HOME": str(folder)},  # nobody's own settings
    )
    rows = []
    for line in run.stdout.splitlines():
        unit, function, crc, reference, words, bits, octets, registers, exception, length, info = line.split("|", 10)

        def number(text: str) -> int | None:
            return int(text.split(",")[0]) if text else None

        rows.append(
            Dissected(
                unit=int(unit),
                function=int(function),
                crc_good=crc == "1",
                reference=number(reference),
                words=number(words),
                bits=number(bits),
                octets=number(octets),
                registers=tuple(int(value) for value in registers.split(",")) if registers else (),
                exception=number(exception),
                length=int(length),
                way=info.strip().split(":")[0],
            )
        )
    return rows


def layered(body: bytes, *, answer: bool) -> tuple[str, dict[str, Any]]:
    """Return the name of scapy's layer for address and PDU, and its fields."""
    from scapy.contrib import modbus  # half a second, and only where it is needed

    kind = modbus.ModbusADUResponse if answer else modbus.ModbusADURequest
    header = b"\x00\x01\x00\x00" + len(body).to_bytes(2, "big") + body[:1]
    layer = kind(header + body[1:]).payload
    return type(layer).__name__, dict(layer.fields)
