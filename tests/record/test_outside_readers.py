"""Recordings as others read them: tshark, which shares no code with ours, on a file with all that one may hold.

tshark is Debian's (GPL-2, tests only); it reads the pcapng format of the IETF draft.
"""

import subprocess
from pathlib import Path

from test_files import T_NS, Now

from sidetap.line import Chunk, Settings
from sidetap.line.recording import Pair
from sidetap.station.recorder import Files

CHUNKS = [
    (0, Chunk(T_NS + 1, bytes.fromhex("0B0300640003446E"))),
    (1, Chunk(T_NS + 23_456_789, bytes.fromhex("0B03060D98000100B76EA2"), "...p.......")),
    (0, Chunk(T_NS + 1_000_000_000, bytes(range(1, 255)))),
]


def told(path: Path, *fields: str) -> list[list[str]]:
    command = ["tshark", "-r", str(path), "-T", "fields", "-E", "separator=|"]
    for field in fields:
        command += ["-e", field]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return [line.split("|") for line in done.stdout.splitlines()]


def test_tshark_reads_times_pairs_lengths_and_flags(tmp_path: Path) -> None:
    path = tmp_path / "line.pcapng"
    pairs = (Pair("/dev/a", "an adapter"), Pair("/dev/b"))
    files = Files(path, Settings.parse("19200 8E1"), pairs, Now(), lambda: "what the clocks show")
    for pair, chunk in CHUNKS:
        files.write(chunk, pair)
        files.note("a remark", pair)
    files.close()
    fields = ("frame.time_epoch", "frame.interface_id", "frame.interface_name", "frame.len", "frame.comment")
    assert told(path, *fields) == [
        ["1773241200.000000001", "0", "/dev/a", "8", ""],
        ["1773241200.023456789", "1", "/dev/b", "11", "...p......."],
        ["1773241201.000000000", "0", "/dev/a", "254", ""],
    ]
    assert told(path, "frame.interface_description") == [["19200 8E1"]] * 3
