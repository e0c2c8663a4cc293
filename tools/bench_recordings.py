"""What long recordings cost: MB/s by format and stage, beside chunk by chunk, peak memory, and rows written a second.

A made-up line, 28 bytes a chunk (a saturated 19200 8E1 line in pieces of 16 ms); its bytes mean nothing. CPU seconds;
every file is read in a process of its own, so that its peak memory is its own. Printed, never asserted.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from unittest.mock import patch

import numpy as np

from sidetap.cli.rows import CSV, JSONL, Form, lines
from sidetap.line import Chunk, Settings, Transaction, listen
from sidetap.line.recording import read, window, write_csv, write_pcapng
from sidetap.rehearse.working_day import record_working_day

LINE = Settings.parse("19200 8E1")
CHUNK_NS, CHUNK_BYTES = 16_000_000, 28
PIECE_CHUNKS = 100_000
FILE_MEGABYTES = (10, 100, 300)
PEER_MEGABYTES = 10  # chunk by chunk takes its time


def write_bin(path: Path, chunks: Iterable[Chunk], _: Settings | None) -> None:
    """Write bare bytes."""
    path.write_bytes(b"".join(chunk.data for chunk in chunks))


WRITERS: dict[str, Callable[[Path, Iterable[Chunk], Settings | None], None]] = {
    ".pcapng": write_pcapng,
    ".csv": write_csv,
    ".bin": write_bin,
}


def chunks() -> Iterator[Chunk]:
    """Yield a piece of the line."""
    octets = np.random.default_rng(7).integers(0, 256, (PIECE_CHUNKS, CHUNK_BYTES), dtype=np.uint8)
    return (Chunk(n * CHUNK_NS, row.tobytes()) for n, row in enumerate(octets))


def write_long(path: Path, megabytes: int) -> None:
    """Write a recording of so many MB: a head once, and the piece again and again."""
    write = WRITERS[path.suffix]
    write(path, [], LINE)
    head = path.read_bytes()
    write(path, chunks(), LINE)
    body = path.read_bytes()[len(head) :]
    with path.open("wb") as file:
        file.write(head)
        while file.tell() + len(body) <= megabytes * 1e6:
            file.write(body)
        row = len(body) // PIECE_CHUNKS  # all but those of csv are of one length; a row more or less is none
        cut = (int(megabytes * 1e6) - file.tell()) // row * row
        file.write(body[:cut] if path.suffix != ".csv" else body[: body.rfind(b"\n", 0, cut) + 1])


def cpu_s(work: Callable[[], object]) -> float:
    """Return the CPU seconds of one run."""
    began = time.process_time()
    work()
    return time.process_time() - began


def one(path: Path) -> dict[str, float]:
    """Read one file as the verbs do, in this process, and tell what it cost."""
    first_s = cpu_s(lambda: read(path))
    recording = read(path)
    pass_s = min(cpu_s(lambda: [None for _ in recording.batches]) for _ in range(3))
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"first_s": first_s, "pass_s": pass_s, "peak_mb": peak_mb, "line_mb": recording.byte_count / 1e6}


def chunk_by_chunk(path: Path) -> dict[str, float]:
    """Read one file with the careful readers alone, to a Python object a chunk."""
    with patch.object(window, "LARGE", sys.maxsize):
        recording = read(path)
        return {"pass_s": cpu_s(lambda: [None for _ in recording.chunks])}


def apart(path: Path, how: str) -> dict[str, float]:
    """Run one of the two above in a process of its own."""
    command = [sys.executable, __file__, how, str(path)]
    found: dict[str, float] = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)
    return found


def bench_reading(folder: Path, sizes: Iterable[int]) -> None:
    """Read every format at every size, beside the careful readers on the smallest."""
    print(f"{'file':<16}{'first read':>12}{'a pass':>10}{'of file':>12}{'of line':>12}{'peak':>10}   chunk by chunk")
    for suffix in WRITERS:
        path = folder / f"line{suffix}"
        write_long(path, PEER_MEGABYTES)
        peer = PEER_MEGABYTES / apart(path, "--careful")["pass_s"]
        apart(path, "--one")  # compiles, where that was not done yet
        for megabytes in sizes:
            write_long(path, megabytes)
            cost = apart(path, "--one")
            speed = megabytes / cost["pass_s"]
            print(
                f"{megabytes:>4} MB {suffix:<8}{cost['first_s']:>10.2f} s{cost['pass_s']:>8.2f} s"
                f"{speed:>7.0f} MB/s{cost['line_mb'] / cost['pass_s']:>7.0f} MB/s{cost['peak_mb']:>7.0f} MB"
                f"   {peer:.1f} MB/s of file, ratio {speed / peer:.0f}"
            )
        path.unlink()


def json_peer(event: Transaction) -> str:
    """Write a row the plain way."""
    request, response = event.request, event.response
    row = {
        "t_s": None if event.t_ns is None else event.t_ns / 1e9,
        **{name: getattr(event, name) for name in ("device", "function", "table", "register", "count")},
        "request": None if request is None else request.hex(),
        "response": None if response is None else response.hex(),
        **{name: getattr(event, name) for name in ("outcome", "retry", "repaired")},
    }
    return json.dumps(row) + "\n"


def bench_rows(folder: Path) -> None:
    """Write the rows of a quarter of an hour of the demo line."""
    record_working_day(folder, 1, 0.25)
    recording = read(folder / "line.pcapng")
    tables = list(listen(recording.batches, recording.settings))
    count = sum(1 for columns in tables for _ in lines(columns, CSV))

    def ours(form: Form) -> None:
        with open("/dev/null", "w", encoding="utf-8") as nowhere:
            for columns in tables:
                nowhere.writelines(lines(columns, form))

    def theirs() -> None:
        with open("/dev/null", "w", encoding="utf-8") as nowhere:
            for columns in tables:
                nowhere.writelines(json_peer(e) for e in columns.events() if isinstance(e, Transaction))

    peer = count / min(cpu_s(theirs) for _ in range(3))
    for name, form in (("jsonl", JSONL), ("csv", CSV)):
        speed = count / min(cpu_s(lambda form=form: ours(form)) for _ in range(5))  # type: ignore[misc]
        print(f"rows written as {name:<6}{speed:>9,.0f} /s   event by event {peer:,.0f} /s, ratio {speed / peer:.1f}")


def main() -> None:
    """Print the whole table, or as a process of its own the costs of one file."""
    parser = argparse.ArgumentParser(description="Measure reading and writing of long recordings.")
    parser.add_argument("--one", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--careful", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--megabytes", type=int, nargs="+", default=FILE_MEGABYTES, help="sizes of the files")
    arguments = parser.parse_args()
    if arguments.one is not None:
        print(json.dumps(one(arguments.one)))
    elif arguments.careful is not None:
        print(json.dumps(chunk_by_chunk(arguments.careful)))
    else:
        with tempfile.TemporaryDirectory() as folder:
            bench_reading(Path(folder), arguments.megabytes)
            bench_rows(Path(folder))


if __name__ == "__main__":
    main()
