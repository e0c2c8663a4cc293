"""The tool that writes the demo recording, and our own parser on what it wrote."""

import subprocess
import sys
from collections import Counter
from pathlib import Path

from sidetap.line import Parser
from sidetap.line.recording import read

TOOL = Path(__file__).parents[2] / "tools" / "make_recording.py"


def made(folder: Path, *arguments: str) -> dict[str, bytes]:
    command = [sys.executable, str(TOOL), str(folder), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_same_seed_same_files(tmp_path: Path) -> None:
    first = made(tmp_path / "a", "--hours", "0.03")
    assert list(first) == ["edges.csv", "line.pcapng", "readings.csv"]
    assert first == made(tmp_path / "b", "--hours", "0.03")
    other = made(tmp_path / "c", "--hours", "0.03", "--seed", "2")
    assert first["line.pcapng"] != other["line.pcapng"]
    assert first["readings.csv"] != other["readings.csv"]


def test_our_parser_finds_every_transaction(tmp_path: Path) -> None:
    made(tmp_path, "--hours", "0.05")
    recording = read(tmp_path / "line.pcapng")
    assert str(recording.settings) == "19200 8E1"
    parser = Parser(recording.settings)
    outcomes: Counter[str] = Counter()
    for chunk in recording.chunks:
        parser.receive(chunk)
    parser.close()
    while (event := parser.next_event()) is not None:
        outcomes[getattr(event, "outcome", "noise")] += 1
    assert sum(outcomes.values()) == 180 * 9
    assert outcomes["exception"] >= 180
    assert outcomes["answered"] + outcomes["exception"] == 180 * 9


def test_a_file_in_the_way(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    done = subprocess.run([sys.executable, str(TOOL), str(tmp_path / "file")], capture_output=True, check=False)
    assert done.returncode == 2
    assert b"Traceback" not in done.stderr
    assert (tmp_path / "file").read_text() == "mine"
