"""The line as a pseudo-terminal. The clock is ours: no test waits."""

import fcntl
import os
import select
import sys
import termios
import time
from pathlib import Path

import pytest
from yard_tools import MS, NS, bytes_of

from sidetap.yard import Yard
from sidetap.yard.live import LiveLine

CLOCK_NS = 123_456_789_000


def unread(fd: int) -> int:
    return int.from_bytes(fcntl.ioctl(fd, termios.FIONREAD, bytes(4)), sys.byteorder)


def read(fd: int, count: int) -> bytes:
    """Read so many bytes: the system hands over what was written when it finds the time."""
    data = b""
    while len(data) < count and select.select([fd], [], [], 5)[0]:
        data += os.read(fd, count - len(data))
    return data


def test_the_line_s_bytes_come_out_and_none_goes_in(tmp_path: Path) -> None:
    live = LiveLine(Yard(), tmp_path / "line", CLOCK_NS)
    fd = os.open(tmp_path / "line", os.O_RDONLY | os.O_NOCTTY)
    try:
        said = bytes_of(Yard(), 3 * NS)
        for n in range(1, 31):
            live.step(CLOCK_NS + n * 100 * MS)
        assert read(fd, len(said)) == said
        assert unread(fd) == 0
        assert live.yard_ns(CLOCK_NS + NS) == NS
        assert live.bytes_lost == 0
    finally:
        os.close(fd)
        live.close()
    assert not (tmp_path / "line").is_symlink()


def test_acceptance_02_a_byte_written_into_the_line_is_counted(tmp_path: Path) -> None:
    yard = Yard()
    live = LiveLine(yard, tmp_path / "line", CLOCK_NS)
    fd = os.open(tmp_path / "line", os.O_RDWR | os.O_NOCTTY)
    try:
        live.step(CLOCK_NS + NS)
        assert yard.tap.bytes_written_to_line == 0  # nothing comes back by echo
        os.write(fd, b"\x0b\x03\x00\x0a\x03")  # a line feed and an interrupt character as well: raw
        assert select.select([live], [], [], 5)[0]
        live.step(CLOCK_NS + 2 * NS)
        assert yard.tap.bytes_written_to_line == 5
    finally:
        os.close(fd)
        live.close()


def test_whoever_comes_late_gets_fresh_bytes(tmp_path: Path) -> None:
    """What nobody reads is thrown away after some seconds, oldest first, and counted."""
    live, twin = LiveLine(Yard(), tmp_path / "line", CLOCK_NS), Yard()
    fd = os.open(tmp_path / "line", os.O_RDONLY | os.O_NOCTTY)
    try:
        said = b""
        for second in range(1, 21):
            live.step(CLOCK_NS + second * NS)
            said += bytes_of(twin, second * NS)
            deadline = time.monotonic() + 5
            while unread(fd) + live.bytes_lost < len(said) and time.monotonic() < deadline:
                select.select([], [], [], 0.001)
        assert len(said) > 3 * 1024
        assert live.bytes_lost > 2 * 1024
        stale = read(fd, unread(fd))
        assert 0 < len(stale) <= 1024 + 200
        assert said.endswith(stale)
        assert live.bytes_lost + len(stale) == len(said)
    finally:
        os.close(fd)
        live.close()


def test_a_file_in_the_way_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "line").write_text("mine")
    with pytest.raises(FileExistsError):
        LiveLine(Yard(), tmp_path / "line", CLOCK_NS)
    assert (tmp_path / "line").read_text() == "mine"
    (tmp_path / "stale").symlink_to("/nowhere")
    live = LiveLine(Yard(), tmp_path / "stale", CLOCK_NS)
    assert os.readlink(tmp_path / "stale") == live.path
    live.close()
