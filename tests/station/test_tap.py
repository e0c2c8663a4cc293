"""Taps on a pty and on a loopback TCP server, with the far side counting what comes from us: nothing."""

import contextlib
import errno
import fcntl
import itertools
import os
import select
import socket
import struct
import termios
import tty
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidetap.errors import BadInput
from sidetap.line import Chunk, Settings
from sidetap.station.ports.identity import identity
from sidetap.station.ports.marks import Unmarker
from sidetap.station.ports.tap import Tap, TapLost, open_tap

LINE = Settings.parse("19200 8E1")
EVERY_BYTE = bytes(range(256))


@dataclass
class Pty:
    """The far side of a pseudo-terminal and the path of the near one."""

    master: int
    slave: int
    path: str

    def put(self, data: bytes) -> None:
        os.write(self.master, data)

    def came_from_us(self) -> bytes:
        os.set_blocking(self.master, False)
        try:
            return os.read(self.master, 4096)
        except BlockingIOError:
            return b""


@pytest.fixture
def pty_line() -> Iterator[Pty]:
    master, slave = os.openpty()
    tty.setraw(slave)
    yield Pty(master, slave, os.ttyname(slave))
    for descriptor in (master, slave):
        with contextlib.suppress(OSError):  # closed by the test
            os.close(descriptor)


def taken(tap: Tap, count: int) -> list[Chunk]:
    """Chunks until so many bytes have come; select waits, nothing sleeps."""
    chunks: list[Chunk] = []
    while sum(len(chunk.data) for chunk in chunks) < count:
        assert select.select([tap], [], [], 10)[0], "the tap fell silent"
        chunk = tap.read()
        if chunk is not None:
            chunks.append(chunk)
    return chunks


def test_every_byte_comes_through_a_pty_and_none_goes_back(pty_line: Pty) -> None:
    ticks = iter(range(7, 1000))
    tap = open_tap(f"pty:{pty_line.path}", LINE, lambda: next(ticks))
    assert tap.read() is None
    pty_line.put(EVERY_BYTE)
    chunks = taken(tap, 256)
    assert b"".join(chunk.data for chunk in chunks) == EVERY_BYTE
    assert all(chunk.flags is None for chunk in chunks)
    assert chunks[0].t_ns == 7
    assert tap.read() is None
    assert tap.raised_ns is None  # a pty has no modem lines
    tap.close()
    tap.close()
    assert pty_line.came_from_us() == b""


def test_the_descriptor_can_not_write(pty_line: Pty) -> None:
    tap = open_tap(pty_line.path, LINE)
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.write(tap.fileno(), b"x")
    assert fcntl.fcntl(tap.fileno(), fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY
    tap.close()
    assert not hasattr(tap, "write")


def test_a_terminal_that_echoes_is_silenced_before_the_first_byte(pty_line: Pty) -> None:
    attributes = termios.tcgetattr(pty_line.slave)
    attributes[3] |= termios.ECHO | termios.ICANON | termios.ISIG
    attributes[1] |= termios.OPOST | termios.ONLCR
    termios.tcsetattr(pty_line.slave, termios.TCSANOW, attributes)
    tap = open_tap(pty_line.path, LINE)
    pty_line.put(b"\x03\x04\x0a\x0d\x11\x13\x1a\x7f")
    assert b"".join(chunk.data for chunk in taken(tap, 8)) == b"\x03\x04\x0a\x0d\x11\x13\x1a\x7f"
    tap.close()
    assert pty_line.came_from_us() == b""


def test_speed_and_format_are_set(pty_line: Pty) -> None:
    tap = open_tap(pty_line.path, Settings.parse("4800 7O2"))
    _, _, control, _, speed_in, speed_out, _ = termios.tcgetattr(tap.fileno())
    assert (speed_in, speed_out) == (termios.B4800, termios.B4800)
    assert control & termios.PARODD
    assert control & termios.CSTOPB
    assert not control & termios.CRTSCTS  # the kernel would raise RTS by itself
    tap.close()


def test_a_hung_up_terminal_is_lost_and_not_silent(pty_line: Pty) -> None:
    tap = open_tap(pty_line.path, LINE)
    pty_line.put(b"last")
    assert taken(tap, 4)[0].data == b"last"
    os.close(pty_line.slave)
    os.close(pty_line.master)
    with pytest.raises(TapLost, match="the line's bytes ended"):
        tap.read()
    tap.close()


@pytest.fixture
def server() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(10)
        yield listening


def test_every_byte_comes_through_tcp_and_none_goes_back(server: socket.socket) -> None:
    tap = open_tap(f"tcp:127.0.0.1:{server.getsockname()[1]}", LINE, lambda: 42)
    far, _ = server.accept()
    with far:
        far.settimeout(10)
        assert tap.read() is None
        far.sendall(EVERY_BYTE)
        chunks = taken(tap, 256)
        assert b"".join(chunk.data for chunk in chunks) == EVERY_BYTE
        assert {chunk.t_ns for chunk in chunks} == {42}
        assert far.recv(100) == b""  # the end of our half, and not a byte before it
    assert select.select([tap], [], [], 10)[0]
    with pytest.raises(TapLost, match="hung up"):
        tap.read()
    tap.close()


def test_the_kernel_refuses_to_send_for_a_tcp_tap(server: socket.socket) -> None:
    tap = open_tap(f"tcp:127.0.0.1:{server.getsockname()[1]}", LINE)
    far, _ = server.accept()
    with far, pytest.raises(BrokenPipeError):
        os.write(tap.fileno(), b"x")
    tap.close()


@pytest.mark.parametrize(
    ("source", "problem"),
    [
        ("tcp:", "names no host and port"),
        ("tcp:localhost", "names no host and port"),
        ("tcp:localhost:0", "names no host and port"),
        ("tcp:localhost:99999", "names no host and port"),
        ("tcp:localhost:x", "names no host and port"),
        ("/nowhere/tty", "can't be opened: no such file"),
        ("pty:/nowhere/tty", "can't be opened: no such file"),
        ("", "no serial port"),
        ("/dev/null", "can't be set up"),
        ("/tmp", "no serial port"),
        ("a\0b", "can't be opened"),
    ],
)
def test_sources_that_are_none(source: str, problem: str) -> None:
    with pytest.raises(BadInput, match=problem):
        open_tap(source, LINE)


def test_a_plain_file_is_no_source_and_is_not_opened(tmp_path: Path) -> None:
    path = tmp_path / "line.pcapng"
    path.write_bytes(b"precious")
    with pytest.raises(BadInput, match="no serial port"):
        open_tap(str(path), LINE)
    assert path.read_bytes() == b"precious"


def test_a_closed_port_is_told(server: socket.socket) -> None:
    port = server.getsockname()[1]
    server.close()
    with pytest.raises(BadInput, match="no connection: connection refused"):
        open_tap(f"tcp:127.0.0.1:{port}", LINE)


def test_settings_that_a_port_can_not_take(pty_line: Pty) -> None:
    with pytest.raises(BadInput, match="inverted"):
        open_tap(pty_line.path, Settings.parse("19200 8E1 inverted"))


def test_modem_lines_are_cleared_at_once_and_the_time_is_told(pty_line: Pty, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pty has no modem lines: what the kernel is asked is looked at instead, and in which order."""
    asked: list[tuple[str, int]] = []
    original_set = termios.tcsetattr

    def ioctl(descriptor: int, request: int, argument: bytes = b"") -> bytes:
        if request == termios.TIOCGICOUNT:
            raise OSError(errno.ENOTTY, "Inappropriate ioctl for device")
        asked.append(("ioctl", request))
        if request == termios.TIOCMBIC:
            assert struct.unpack("i", argument)[0] == termios.TIOCM_DTR | termios.TIOCM_RTS
        return argument

    def tcsetattr(descriptor: int, when: int, attributes: list[int | list[bytes | int]]) -> None:
        asked.append(("tcsetattr", when))
        original_set(descriptor, when, attributes)

    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    monkeypatch.setattr(termios, "tcsetattr", tcsetattr)
    tap = open_tap(pty_line.path, LINE)
    assert asked == [("ioctl", termios.TIOCMBIC), ("ioctl", termios.TIOCEXCL), ("tcsetattr", termios.TCSANOW)]
    assert tap.raised_ns is not None
    assert 0 <= tap.raised_ns < 10_000_000_000
    tap.close()


def test_a_port_whose_modem_lines_stay_up_is_not_used(pty_line: Pty, monkeypatch: pytest.MonkeyPatch) -> None:
    def ioctl(descriptor: int, request: int, argument: bytes) -> bytes:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    with pytest.raises(BadInput, match="can't be set up: input/output error"):
        open_tap(pty_line.path, LINE)


def test_identity_of_what_is_no_serial_port(pty_line: Pty) -> None:
    assert identity(pty_line.path) is None


MARKED = [
    (b"\x01\x02", b"\x01\x02", None),
    (b"\xff\xff", b"\xff", None),
    (b"\x01\xff\x00\x41\x02", b"\x01\x41\x02", ".p."),
    (b"\xff\x00\x00", b"\x00", "b"),
    (b"\xff\x00\xff\x00", b"\xff\x00", "p."),
    (b"\xff\xff\x00\xff\x00\x07", b"\xff\x00\x07", "..p"),
]


@pytest.mark.parametrize(("marked", "data", "flags"), MARKED)
def test_marks_of_the_terminal_driver(marked: bytes, data: bytes, flags: str | None) -> None:
    """FF 00 x marks an errored x, FF 00 00 a break, FF FF a good FF: POSIX.1-2017, XBD 11.2.2."""
    assert Unmarker("p").take(marked) == (data, flags)
    assert Unmarker("f").take(marked) == (data, None if flags is None else flags.replace("p", "f"))


@given(st.lists(st.sampled_from(MARKED), max_size=8), st.lists(st.integers(0, 40), max_size=6))
def test_marks_cut_anywhere_are_the_same(pieces: list[tuple[bytes, bytes, str | None]], cuts: list[int]) -> None:
    marked = b"".join(piece[0] for piece in pieces)
    edges = [0, *sorted(min(cut, len(marked)) for cut in cuts), len(marked)]
    unmarker = Unmarker("p")
    parts = [unmarker.take(marked[a:b]) for a, b in itertools.pairwise(edges)]
    assert b"".join(part[0] for part in parts) == b"".join(piece[1] for piece in pieces)
    flags = "".join(part[1] or "." * len(part[0]) for part in parts)
    assert flags == "".join(piece[2] or "." * len(piece[1]) for piece in pieces)
