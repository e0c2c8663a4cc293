"""Long recordings take no more memory than short ones, and files that mean harm little time and less than 1 GB.

Each in a process of its own. Memory is compared, time only bounded by the ten seconds that a hostile file may take.
"""

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from recording_files import block, interface, option, packet, section

from sidetap.line import Chunk, Settings
from sidetap.line.recording import window, write_csv, write_pcapng
from sidetap.rehearse.folder import EXAMPLE

LINE = Settings.parse("19200 8E1")
SPARE_MB = 16  # what allocators keep, and pieces that were not yet full in the short one
READ = """
import json, pathlib, resource, sys
from sidetap.line.recording import read
peaks = []
for path in sys.argv[1:]:
    recording = read(pathlib.Path(path))
    size = sum(len(batch.data) for batch in recording.batches)
    peaks.append((size, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024))
print(json.dumps(peaks))
"""


def write_bin(path: Path, chunks: list[Chunk], _: Settings) -> None:
    path.write_bytes(b"".join(chunk.data for chunk in chunks))


@pytest.mark.parametrize(("suffix", "write"), [(".pcapng", write_pcapng), (".csv", write_csv), (".bin", write_bin)])
def test_memory_is_flat(tmp_path: Path, suffix: str, write: Callable[[Path, list[Chunk], Settings], None]) -> None:
    """From some 12 MB to 150 MB; the short one is above the size from which compiled code reads."""
    piece = tmp_path / f"piece{suffix}"
    write(piece, [], LINE)
    head = piece.read_bytes()
    write(piece, [Chunk(n * 16_000_000, bytes((n % 251, n % 7)) * (9 + n % 11)) for n in range(20_000)], LINE)
    body = piece.read_bytes()[len(head) :]
    paths = []
    for megabytes in (12, 150):
        paths.append(tmp_path / f"line-{megabytes}{suffix}")
        with paths[-1].open("wb") as file:
            file.write(head)
            for _ in range(megabytes * 1_000_000 // len(body)):
                file.write(body)
        assert paths[-1].stat().st_size > window.LARGE
    done = subprocess.run([sys.executable, "-c", READ, *paths], capture_output=True, text=True, check=True)
    (short, short_mb), (long, long_mb) = json.loads(done.stdout)
    assert long > 10 * short
    assert long_mb - short_mb < SPARE_MB


LOADED = """
import pathlib, sys
from sidetap.line.recording import read
for path in sys.argv[1:]:
    read(pathlib.Path(path))
    print("numba" in sys.modules)
"""


@pytest.mark.parametrize("suffix", [".pcapng", ".csv"])
def test_only_a_large_file_loads_compiled_code(tmp_path: Path, suffix: str) -> None:
    """What runs without stopping, a station, and short commands never wait for it."""
    write = write_pcapng if suffix == ".pcapng" else write_csv
    small, large = tmp_path / f"small{suffix}", tmp_path / f"large{suffix}"
    write(small, [Chunk(n, b"abc") for n in range(100)], LINE)
    write(large, [Chunk(n, bytes(200)) for n in range(21_000)], LINE)
    done = subprocess.run([sys.executable, "-c", LOADED, small, large], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]


# -- files that mean harm -----------------------------------------------------------------------------------------

EACH = """
import contextlib, io, json, resource, sys, time
from sidetap.cli.main import run
resource.setrlimit(resource.RLIMIT_AS, (1_000_000_000, 1_000_000_000))
for arguments in json.load(sys.stdin):
    began = time.process_time()
    with contextlib.redirect_stderr(io.StringIO()) as said, contextlib.redirect_stdout(io.StringIO()) as out:
        status = run(arguments)
    print(json.dumps([status, time.process_time() - began, said.getvalue(), out.getvalue()]))
"""
GB = 1 << 30


def sparse(path: Path, head: bytes, size: int, tail: bytes = b"") -> None:
    """Write a file that is mostly a hole: it reads as zeros and takes no room."""
    with path.open("wb") as file:
        file.write(head)
        file.truncate(size)
        file.seek(size - len(tail))
        file.write(tail)


def again(path: Path, head: bytes, body: bytes, megabytes: int, tail: bytes = b"") -> None:
    """Write a file of a body repeated."""
    with path.open("wb") as file:
        file.write(head)
        for _ in range(megabytes * 1_000_000 // len(body)):
            file.write(body)
        file.write(tail)


CSV = b"time_s,hex\n0,0b03\n"
PCAPNG = section() + interface(option(9, b"\x09")) + packet(0, b"\x0b\x03")
SIMPLE = block(3, b"\x01\0\0\0a\0\0\0")
OPTIONS = packet(1, b"a", option(2, b"") * 200_000)
REFUSED: dict[str, tuple[Callable[[Path], None], str]] = {  # name: how it is written, and what is said of it
    "sparse.csv": (lambda p: sparse(p, b"", GB), ".csv:1: the line is over 1 MiB long"),
    "hole.csv": (lambda p: sparse(p, CSV, GB), ".csv:3: the line is over 1 MiB long"),
    "row.csv": (lambda p: again(p, CSV + b"1,", b"0b" * 500_000, 100), ".csv:3: the line is over 1 MiB long"),
    "late.csv": (lambda p: again(p, CSV, b"1,0b\n" * 10_000, 60, b"nan,0b\n1,0b\n"), ".csv:12000003: 'nan' is no"),
    "lines.csv": (lambda p: again(p, b"time_s,hex\n", b"\n" * 100_000, 60), "not one byte"),
    "sparse.pcapng": (lambda p: sparse(p, b"", GB), "no section header at the start"),
    "odd.pcapng": (lambda p: sparse(p, PCAPNG, GB // 4, b"x"), "a block of 0 bytes"),
    "sections.pcapng": (lambda p: again(p, b"", section() * 1000, 100), "over 10000 sections and interfaces"),
    "interfaces.pcapng": (lambda p: again(p, section(), interface() * 1000, 100), "over 10000 sections and inter"),
    "options.pcapng": (lambda p: again(p, PCAPNG, OPTIONS, 100), "over 1000 options"),
    "foreign.pcapng": (lambda p: again(p, PCAPNG[:-36], block(77, b"") * 9000, 60), "not one byte"),
    "mixed.pcapng": (lambda p: again(p, PCAPNG, packet(1, b"a") + SIMPLE, 30), "with a time and packets without"),
    "huge.pcapng": (lambda p: sparse(p, PCAPNG + b"\6\0\0\0\xfc\xff\xff\xff", GB), "a block of 4294967292 bytes"),
    "nothing.bin": (lambda p: sparse(p, b"", 0), "not one byte"),
}
READ_UP_TO_A_TEAR: dict[str, Callable[[Path], None]] = {
    "hole.pcapng": lambda p: sparse(p, PCAPNG, GB),
    "torn.pcapng": lambda p: again(p, PCAPNG, block(77, b"") * 9000, 60, packet(1, b"a")[:-1]),
    "zeros.csv": lambda p: sparse(p, CSV, 1_000_000),
    "cut.csv": lambda p: again(p, CSV, b"\n" * 100_000, 60, b"7.5,0"),
}


def answers(folder: Path, commands: list[list[str]]) -> Iterator[tuple[list[str], int, str, str]]:
    """Yield each command with its exit status and what it said, all run in one process of 1 GB."""
    done = subprocess.run(
        [sys.executable, "-c", EACH],
        input=json.dumps(commands),
        capture_output=True,
        text=True,
        check=True,
        cwd=folder,
    )
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    for command, (status, seconds, err, out) in zip(commands, lines, strict=True):
        assert seconds < 10, command
        yield command, status, err, out


def test_what_can_not_be_read_is_one_line_soon(tmp_path: Path) -> None:
    for name, (write, _) in REFUSED.items():
        write(tmp_path / name)
    commands = [["transactions", name] for name in REFUSED]
    for (_, name), status, err, out in answers(tmp_path, commands):
        assert (status, out) == (2, ""), name
        assert err.startswith(f"error: {name}"), name
        assert REFUSED[name][1] in err
        assert err.count("\n") == 1
    for path in tmp_path.iterdir():
        path.unlink()  # they are large


def test_what_is_torn_is_read_up_to_there_soon(tmp_path: Path) -> None:
    for name, write in READ_UP_TO_A_TEAR.items():
        write(tmp_path / name)
    for (_, name), status, err, out in answers(tmp_path, [["transactions", name] for name in READ_UP_TO_A_TEAR]):
        assert (status, out) == (0, ""), name  # two bytes are no transaction
        assert "truncated-recording" in err
        assert err.count("\n") == 1
    for path in tmp_path.iterdir():
        path.unlink()


READINGS = "time_s,name,value,unit\n0,T1,1.5,m\n"


@pytest.mark.parametrize("name", ["hole.csv", "mixed.pcapng"])
def test_every_verb_answers_alike(tmp_path: Path, name: str) -> None:
    REFUSED[name][0](tmp_path / name)
    (tmp_path / "readings.csv").write_text(READINGS)
    site = str(EXAMPLE / "site.toml")
    commands = [["survey", name], ["match", name, "readings.csv"], ["level", site, name], ["transactions", name]]
    said = {(status, err, out) for _, status, err, out in answers(tmp_path, commands)}
    assert len(said) == 1
    ((status, err, out),) = said
    assert (status, out) == (2, "")
    assert REFUSED[name][1] in err
    (tmp_path / name).unlink()
