"""One good input for each fuzz target, made here: what mutations start from."""

from pathlib import Path

from judge.anything import CONTROL
from judge.damage import CLEAN, Delivery, damaged, delivered
from judge.sender import send
from sidetap.line import Chunk, Mode, Settings
from sidetap.line.recording import write_csv, write_pcapng
from sidetap.yard import LineSettings
from sidetap.yard.uart import UNDRIVEN, character_bits

EXAMPLE = Path(__file__).resolve().parents[2] / "examples"
_READINGS = """time_s,name,value,unit,device,tolerance,kind
10,T1,3.48,m,11,,display
20,T1,11 ft 5 in,ft-in,,0.01 m,dip
30,T2,27.1,kPa,,,
"""
_EVENTS = "time_s,name\n10,pump 2 on\n20.5,pump 2 off\n"


def samples(folder: Path) -> dict[str, list[bytes]]:
    """Return good inputs by target; folder is for files on the way."""
    lines = []
    for seed, mode in ((1, Mode.RTU), (2, Mode.RTU), (3, Mode.ASCII)):
        sent = send(seed, 12, mode)
        batch = delivered(sent, damaged(sent, CLEAN), Delivery.LUMPS)
        lines.append((sent.settings, list(batch.chunks())))
    settings, chunks = lines[0]
    chunks = [Chunk(c.t_ns, c.data, "p" * len(c.data) if n % 5 == 0 else None) for n, c in enumerate(chunks[:20])]
    csv, pcapng = folder / "sample.csv", folder / "sample.pcapng"
    write_csv(csv, chunks, settings)
    write_pcapng(pcapng, chunks, settings)
    raw = [b"".join(chunk.data for chunk in chunks) for _, chunks in lines]
    site = next(EXAMPLE.glob("**/site.toml"))
    return {
        "line": [bytes((30, 20, how, 1)) + data for data in raw for how in (0, 1, 5)],
        "csv": [csv.read_bytes()],
        "bin": raw[:1],
        "pcapng": [pcapng.read_bytes()],
        "edges-csv": [_edges_csv(raw[0][:40])],
        "edges-vcd": [_edges_vcd(raw[0][:40])],
        "readings": [_READINGS.encode()],
        "events": [_EVENTS.encode()],
        "site": [site.read_bytes()],
    }


def _edges(data: bytes) -> list[tuple[int, int]]:
    """Return the changes of level of bytes at 19200 8E1: (ns, level)."""
    line, changes, now_ns, last = LineSettings(), [], 1_000_000, 1
    for byte in data:
        for place, bit in enumerate(character_bits(line.framing)[byte]):
            if bit not in (last, UNDRIVEN):
                changes.append((now_ns + line.bits_ns(place), bit))
                last = bit
        now_ns += line.characters_ns(1)
    return changes


def _edges_csv(data: bytes) -> bytes:
    return ("time_s,level\n" + "".join(f"{t / 1e9:.9f},{bit}\n" for t, bit in _edges(data))).encode()


def _edges_vcd(data: bytes) -> bytes:
    head = (
        "$timescale 1ns $end\n$scope module tap $end\n$var wire 1 ! line $end\n$upscope $end\n$enddefinitions $end\n"
    )
    return (head + "#0\n1!\n" + "".join(f"#{t}\n{bit}!\n" for t, bit in _edges(data))).encode()


__all__ = ["CONTROL", "Settings", "samples"]
