"""Files of a recording that is torn off, killed, or out of disk: what is there stays good."""

import contextlib
import hashlib
import itertools
import os
import resource
import signal
import struct
import subprocess
from collections.abc import Callable, Iterator
from io import FileIO
from pathlib import Path
from typing import NoReturn

import pytest

from sidetap.errors import BadInput
from sidetap.line import Chunk, Settings
from sidetap.line.recording import Pair, read
from sidetap.quantity import NS_PER_S
from sidetap.station.recorder import Files, Rotation
from sidetap.station.recorder.growing_file import GrowingFile

LINE = Settings.parse("19200 8E1")
T_NS = 1_773_241_200 * NS_PER_S  # 2026-03-11T15:00:00Z
CHUNKS = [
    Chunk(T_NS, bytes.fromhex("0B0300640003")),
    Chunk(T_NS + 16_000_000, bytes.fromhex("0B03060D98000100B76EA2"), "...p......."),
    Chunk(T_NS + 32_000_000, b"\xff"),
]


class Now:
    """A clock that stands still until it is set."""

    def __init__(self) -> None:
        self.ns = T_NS

    def __call__(self) -> int:
        return self.ns


CLOCKS = "recording 1773241200000000000 ns, UTC 2026-03-11T15:00:00.000000000Z, monotonic 5000000000000 ns"


def made(
    path: Path,
    now: Now | None = None,
    rotation: Rotation | None = None,
    open_new: Callable[[Path], FileIO] = lambda path: FileIO(path, "xb"),
) -> Files:
    pair = Pair("/dev/a", "adapter, USB serial number RX0001")
    return Files(path, LINE, (pair,), now or Now(), lambda: CLOCKS, rotation, open_new)


def blocks(path: Path) -> list[tuple[int, bytes]]:
    """Kinds and bodies, by the layout of the pcapng draft and no reader of ours."""
    data, at, found = path.read_bytes(), 0, []
    while at < len(data):
        kind, length = struct.unpack_from("<II", data, at)
        assert struct.unpack_from("<I", data, at + length - 4)[0] == length
        found.append((kind, data[at + 8 : at + length - 4]))
        at += length
    return found


def test_a_recording_with_its_remarks_and_its_sum(tmp_path: Path) -> None:
    path = tmp_path / "line.pcapng"
    files = made(path)
    for chunk in CHUNKS:
        files.write(chunk)
    files.note("gap begins: unplugged")
    files.close()
    files.close()
    found = read(path)
    assert list(found.chunks) == CHUNKS
    assert found.settings == LINE
    assert not found.truncated
    kinds = [kind for kind, _ in blocks(path)]
    assert kinds == [0x0A0D0D0A, 1, 6, 6, 6, 5, 5]
    assert f"begin: {CLOCKS}".encode() in blocks(path)[0][1]
    assert b"/dev/a" in blocks(path)[1][1]
    assert b"RX0001" in blocks(path)[1][1]
    assert b"gap begins: unplugged" in blocks(path)[5][1]
    assert f"end: {CLOCKS}".encode() in blocks(path)[6][1]
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    assert [(kept.path, kept.size, kept.sha256) for kept in files.kept] == [(path, path.stat().st_size, digest)]


@pytest.mark.parametrize("name", ["line.pcapng", "a line.pcapng", "back\\slash.pcapng", "two\nlines.pcapng"])
def test_sha256sum_agrees(tmp_path: Path, name: str) -> None:
    files = made(tmp_path / name)
    files.write(CHUNKS[0])
    files.close()
    command = ["sha256sum", "-c", f"{name}.sha256"]
    assert subprocess.run(command, cwd=tmp_path, capture_output=True, check=False).returncode == 0
    with (tmp_path / name).open("ab") as file:
        file.write(b"x")
    assert subprocess.run(command, cwd=tmp_path, capture_output=True, check=False).returncode == 1


def test_cut_at_every_byte_it_is_at_most_truncated(tmp_path: Path) -> None:
    """What a crash at any moment leaves: a prefix, since nothing but appending is done."""
    path = tmp_path / "line.pcapng"
    files = made(path)
    for chunk in CHUNKS:
        files.write(chunk)
        files.note("a remark")
    files.close()
    whole = path.read_bytes()
    ends = list(itertools.accumulate(12 + len(body) for _, body in blocks(path)))
    first_chunk_end = ends[2]
    cut = tmp_path / "cut.pcapng"
    for size in range(first_chunk_end, len(whole) + 1):
        cut.write_bytes(whole[:size])
        found = read(cut)
        assert found.truncated == (size not in ends)
        chunks = list(found.chunks)
        assert chunks == CHUNKS[: len(chunks)]
        assert len(chunks) == sum(end <= size for end in ends[2:7:2])


def test_every_chunk_is_in_the_file_when_write_returns(tmp_path: Path) -> None:
    """So that SIGKILL takes nothing back: no buffer of ours stands between."""
    path = tmp_path / "line.pcapng"
    files = made(path)
    for number, chunk in enumerate(CHUNKS, 1):
        files.write(chunk)
        assert read(path).chunk_count == number
        assert files.current == (path, path.stat().st_size)
    files.close()


def test_nothing_heard_leaves_nothing(tmp_path: Path) -> None:
    files = made(tmp_path / "line.pcapng")
    files.note("waiting")
    files.close()
    assert list(tmp_path.iterdir()) == []
    assert files.kept == []


def test_a_file_that_is_there_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "line.pcapng"
    path.write_bytes(b"precious")
    with pytest.raises(BadInput, match="there already"):
        made(path)
    assert path.read_bytes() == b"precious"


# -- rotation -----------------------------------------------------------------------------------------------------


def test_a_new_file_by_time(tmp_path: Path) -> None:
    now = Now()
    files = made(tmp_path / "line.pcapng", now, rotation=Rotation(longest_ns=60 * NS_PER_S))
    for seconds in (0, 59, 60, 200):
        now.ns = T_NS + seconds * NS_PER_S
        files.rotate()
        files.write(Chunk(now.ns, bytes([seconds])))
    now.ns += 60 * NS_PER_S
    files.rotate()
    assert files.current is None  # a silent line makes no empty files
    files.note("nowhere to remark it")
    files.close()
    names = sorted(path.name for path in tmp_path.iterdir() if path.suffix == ".pcapng")
    assert names == [f"line-20260311T{time}Z.pcapng" for time in ("150000", "150100", "150320")]
    assert [b"".join(c.data for c in read(tmp_path / name).chunks) for name in names] == [
        b"\x00\x3b",
        b"\x3c",
        b"\xc8",
    ]
    assert all((tmp_path / f"{name}.sha256").exists() for name in names)
    assert [kept.path.name for kept in files.kept] == names


def test_a_new_file_by_size(tmp_path: Path) -> None:
    """No file is larger than was asked for, its end included; none is split where it need not be."""
    most = 3000
    files = made(tmp_path / "line.pcapng", rotation=Rotation(most_bytes=most))
    chunks = [
        Chunk(T_NS + n, bytes([n % 256]) * (1 + n % 90), None if n % 3 else "p" * (1 + n % 90)) for n in range(200)
    ]
    for chunk in chunks:
        files.write(chunk)
    files.close()
    sizes = [kept.path.stat().st_size for kept in files.kept]
    assert len(sizes) > 5
    assert all(most - 600 < size <= most for size in sizes[:-1])
    assert sizes[-1] <= most
    assert [chunk for kept in files.kept for chunk in read(kept.path).chunks] == chunks
    # all of them begun in the same second
    assert [kept.path.name for kept in files.kept][:2] == [
        "line-20260311T150000Z.pcapng",
        "line-20260311T150000Z-2.pcapng",
    ]


def test_a_chunk_larger_than_a_file_is_kept(tmp_path: Path) -> None:
    files = made(tmp_path / "line.pcapng", rotation=Rotation(most_bytes=500))
    chunks = [Chunk(T_NS, b"a" * 1000), Chunk(T_NS, b"b" * 1000)]
    for chunk in chunks:
        files.write(chunk)
    files.close()
    assert [chunk for kept in files.kept for chunk in read(kept.path).chunks] == chunks


# -- disks that fill up -------------------------------------------------------------------------------------------


class FullDisk:
    """Opens files that take so many bytes in all, and then none; what fits of a write is written."""

    def __init__(self, room: int) -> None:
        self.room = room

    def __call__(self, path: Path) -> FileIO:
        disk = self

        class Limited(FileIO):
            def write(self, data: bytes | memoryview, /) -> int:  # type: ignore[override]  # bytes are all it is given
                size = len(data)
                if disk.room == 0:
                    raise OSError(28, "No space left on device")
                taken = min(size, disk.room)
                disk.room -= taken
                return super().write(bytes(data[:taken]))

        return Limited(path, "xb")


def attempt(path: Path, open_new: Callable[[Path], FileIO]) -> tuple[int, BadInput | None]:
    """Record until it ends; return how many chunks were taken without complaint, and the complaint."""
    done = 0
    try:
        files = made(path, open_new=open_new)
        for chunk in CHUNKS:
            files.write(chunk)
            done += 1
        files.close()
    except BadInput as problem:
        return done, problem
    return done, None


def test_a_disk_that_is_full_after_any_byte(tmp_path: Path) -> None:
    """It is full at once, then after some bytes more ... until all fit: a good file, a right sum, one clear line."""
    size = 0
    for room in itertools.count(0, 5):
        path = tmp_path / f"{room}.pcapng"
        done, problem = attempt(path, FullDisk(room))
        if problem is None:
            size = room
            break
        assert "No space left on device".lower() in str(problem)
        assert "\n" not in str(problem)
        if done == 0:
            assert not path.exists()
            continue
        found = read(path)
        assert not found.truncated
        assert list(found.chunks) == CHUNKS[:done]
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        assert (tmp_path / f"{path.name}.sha256").read_text() == f"{digest}  {path.name}\n"
        assert f"{path.stat().st_size:,} bytes are kept" in str(problem)
    assert size - 5 < (tmp_path / f"{size}.pcapng").stat().st_size <= size


def test_a_disk_on_which_not_even_the_end_can_be_put_right(tmp_path: Path) -> None:
    """Truncating fails too: the torn block stays, the file reads as truncated, and no sum claims to know it."""

    class Broken(FileIO):
        full = False

        def write(self, data: bytes | memoryview, /) -> int:  # type: ignore[override]  # bytes are all it is given
            if self.full:
                super().write(bytes(data[:7]))
                raise OSError(5, "Input/output error")
            return super().write(bytes(data))

        def truncate(self, size: int | None = None, /) -> int:
            raise OSError(5, "Input/output error")

    opened: list[Broken] = []

    def open_new(path: Path) -> FileIO:
        opened.append(Broken(path, "xb"))
        return opened[-1]

    path = tmp_path / "line.pcapng"
    files = made(path, open_new=open_new)
    files.write(CHUNKS[0])
    opened[0].full = True
    with pytest.raises(BadInput, match="without their SHA-256"):
        files.write(CHUNKS[1])
    assert read(path).truncated
    assert list(read(path).chunks) == CHUNKS[:1]
    assert [path.name for path in tmp_path.iterdir()] == ["line.pcapng"]


def test_a_write_that_failed_is_as_if_it_had_not_been(tmp_path: Path) -> None:
    path, disk = tmp_path / "file", FullDisk(7)
    file = GrowingFile(path, disk(path))
    file.write(b"whole")
    with pytest.raises(OSError, match="No space left"):
        file.write(b"torn")
    assert file.size == path.stat().st_size == 5
    disk.room = 100
    file.write(b"again")
    kept = file.close()
    assert path.read_bytes() == b"wholeagain"
    assert kept.sha256 == hashlib.sha256(b"wholeagain").hexdigest()


def test_a_sum_that_can_not_be_written_is_said(tmp_path: Path) -> None:
    path = tmp_path / "line.pcapng"
    files = made(path)
    files.write(CHUNKS[0])
    (tmp_path / "line.pcapng.sha256").mkdir()
    with pytest.raises(BadInput, match=r"line\.pcapng\.sha256: it can't be written; the recording is good"):
        files.close()
    assert read(path).chunk_count == 1


@contextlib.contextmanager
def files_limited_to(size: int) -> Iterator[None]:
    """The kernel's own refusal, in the midst of a block; Python ignores the signal that goes with it."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def write_without_end(path: Path) -> NoReturn:
    files = made(path)
    while True:
        files.write(CHUNKS[1])


def test_the_kernel_s_own_limit(tmp_path: Path) -> None:
    path = tmp_path / "line.pcapng"
    with files_limited_to(1500), pytest.raises(BadInput, match="file too large"):
        write_without_end(path)
    found = read(path)
    assert not found.truncated
    assert found.chunk_count > 10
    command = ["sha256sum", "-c", "line.pcapng.sha256"]
    assert subprocess.run(command, cwd=tmp_path, capture_output=True, check=False).returncode == 0


def test_killed_in_the_midst_it_leaves_a_good_file(tmp_path: Path) -> None:
    path = tmp_path / "line.pcapng"
    child = os.fork()
    if child == 0:
        try:
            write_without_end(path)
        finally:
            os._exit(1)
    while not (path.exists() and path.stat().st_size > 100_000):
        assert os.waitpid(child, os.WNOHANG) == (0, 0)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    found = read(path)
    assert found.chunk_count > 1000
    assert all(chunk == CHUNKS[1] for chunk in found.chunks)
