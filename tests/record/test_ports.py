"""Ports that are listened to: which adapter it is, that it is ours alone, its settings, and that nothing goes out.

A pty has no speed, no parity and no modem lines: there, what the kernel is asked is looked at instead.
"""

import ast
import contextlib
import errno
import fcntl
import os
import select
import signal
import socket
import struct
import sys
import termios
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import pytest
from serial.tools import list_ports

import sidetap.station
from sidetap.errors import BadInput
from sidetap.line import Settings
from sidetap.quantity import NS_PER_S
from sidetap.station.ports import terminal_tap
from sidetap.station.ports.clock import machine_clock
from sidetap.station.ports.counters import Counters, counters
from sidetap.station.ports.identity import Identity, find, identity
from sidetap.station.ports.marks import told_apart
from sidetap.station.ports.module_port import open_module_port
from sidetap.station.ports.tap import OtherAdapter, Tap, open_tap

LINE = Settings.parse("19200 8E1")
TCGETS2 = 0x802C542A  # asm-generic/ioctls.h of Linux; from memory


@pytest.fixture
def ptys() -> Iterator[Callable[[], tuple[int, str]]]:
    """Makes terminals: the far side's descriptor and the near one's path."""
    opened: list[int] = []

    def make() -> tuple[int, str]:
        master, slave = os.openpty()
        opened.extend((master, slave))
        tty.setraw(slave)
        return master, os.ttyname(slave)

    yield make
    for descriptor in opened:
        os.close(descriptor)


def adapter(
    device: str, serial: str | None, make: tuple[int, int] | None = (0x1234, 1), socket: str = "1-2"
) -> object:
    """An adapter as pyserial tells of one."""
    vid, pid = make or (None, None)
    return SimpleNamespace(
        device=device, serial_number=serial, description="USB adapter", vid=vid, pid=pid, location=socket
    )


@pytest.fixture
def plugged_in(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """The adapters of this machine, to be changed by the test."""
    present: list[object] = []
    monkeypatch.setattr(list_ports, "comports", lambda: list(present))
    return present


# -- identity -----------------------------------------------------------------------------------------------------

A = Identity("/dev/ttyUSB0", "RX0001", "USB adapter", (0x1234, 1), "1-2")


@pytest.mark.parametrize(
    ("other", "same"),
    [
        (A, True),
        (Identity("/dev/ttyUSB7", "RX0001", "renamed", (0x1234, 1), "3-4"), True),  # in another socket
        (Identity("/dev/ttyUSB0", "RX0002", "USB adapter", (0x1234, 1), "1-2"), False),
        (Identity("/dev/ttyUSB0", None, "USB adapter", (0x1234, 1), "1-2"), False),
        (Identity("/dev/ttyUSB0", "RX0001", "USB adapter", (0x1234, 2), "1-2"), False),
        (Identity("/dev/ttyUSB0", "RX0001", "USB adapter", (0x1235, 1), "1-2"), False),
        (Identity("/dev/ttyUSB0", None, "a port of its own"), False),
        (Identity("/dev/ttyUSB0", "RX0001", "USB adapter", (0x1234, 1), "1-2:1.1"), False),  # its second port
    ],
)
def test_which_adapters_are_the_same(other: Identity, same: bool) -> None:
    assert A.is_same(other) == same
    assert other.is_same(A) == same


def test_adapters_without_a_number_are_known_by_their_socket_and_built_in_ports_by_their_path() -> None:
    bare = Identity("/dev/ttyUSB0", None, "USB adapter", (1, 2), "1-2")
    assert bare.is_same(Identity("/dev/ttyUSB3", None, "USB adapter", (1, 2), "1-2"))
    assert not bare.is_same(Identity("/dev/ttyUSB0", None, "USB adapter", (1, 2), "1-3"))
    built_in = Identity("/dev/ttyS0", None, "ttyS0")
    assert built_in.is_same(Identity("/dev/ttyS0", None, "ttyS0"))
    assert not built_in.is_same(Identity("/dev/ttyS1", None, "ttyS1"))


def test_two_ports_of_one_adapter_are_told_apart_wherever_it_is() -> None:
    second = Identity("/dev/ttyUSB1", "RX0001", "quad", (1, 2), "1-2:1.1")
    assert second.is_same(Identity("/dev/ttyUSB5", "RX0001", "quad", (1, 2), "2-7:1.1"))
    assert not second.is_same(Identity("/dev/ttyUSB4", "RX0001", "quad", (1, 2), "2-7:1.0"))


def test_identity_by_link_and_by_number(plugged_in: list[object], tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch()
    (tmp_path / "by-id").symlink_to(device)
    plugged_in += [adapter("/dev/ttyUSB9", "TX0002"), adapter(str(device), "RX0001")]
    found = identity(str(tmp_path / "by-id"))
    assert found is not None
    assert (found.serial, found.make, found.socket) == ("RX0001", (0x1234, 1), "1-2")
    assert str(found) == "USB adapter, USB serial number RX0001"
    assert find(A) == found
    plugged_in.pop()
    assert find(A) is None
    assert identity(str(device)) is None


def test_an_adapter_pulled_out_while_it_is_looked_at_is_away(monkeypatch: pytest.MonkeyPatch) -> None:
    def comports() -> list[object]:
        raise TypeError("int() can't convert non-string with explicit base")

    monkeypatch.setattr(list_ports, "comports", comports)
    assert find(A) is None
    assert identity("/dev/ttyUSB0") is None


def test_an_adapter_is_found_again_where_it_is_now(
    ptys: Callable[[], tuple[int, str]], plugged_in: list[object]
) -> None:
    (_, before), (far, after) = ptys(), ptys()
    plugged_in.append(adapter(before, "RX0001"))
    tap = open_tap(before, LINE)
    expected = tap.identity
    assert expected is not None
    tap.close()
    plugged_in[0] = adapter(after, "RX0001")
    tap = open_tap(before, LINE, expected=expected)
    os.write(far, b"x")
    assert select.select([tap], [], [], 10)[0]
    chunk = tap.read()
    assert chunk is not None
    assert chunk.data == b"x"
    assert tap.source == before
    tap.close()


def test_acceptance_41_another_adapter_is_refused_before_it_is_opened(
    ptys: Callable[[], tuple[int, str]], plugged_in: list[object], monkeypatch: pytest.MonkeyPatch
) -> None:
    """To open it would raise its DTR and RTS already."""
    _, path = ptys()
    plugged_in.append(adapter(path, "TX0002"))
    opened: list[str] = []
    monkeypatch.setattr(os, "open", lambda path, *_: opened.append(path))
    with pytest.raises(OtherAdapter, match=r"another adapter is there .*TX0002.*RX0001"):
        open_tap(path, LINE, expected=A)
    plugged_in.clear()
    with pytest.raises(BadInput, match=r"the adapter is away .*RX0001") as refusal:
        open_tap(path, LINE, expected=A)
    assert not isinstance(refusal.value, OtherAdapter)
    assert opened == []


# -- nobody else beside us ----------------------------------------------------------------------------------------


def test_two_taps_on_one_port(ptys: Callable[[], tuple[int, str]], monkeypatch: pytest.MonkeyPatch) -> None:
    _, path = ptys()
    first = open_tap(path, LINE)
    asked: list[int] = []
    original = fcntl.ioctl

    def ioctl(descriptor: int, request: int, argument: bytes = b"") -> bytes:
        asked.append(request)
        return original(descriptor, request, argument)

    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    with pytest.raises(BadInput, match="another program uses this port"):
        open_tap(path, LINE)
    assert asked == []  # the modem lines of a port that is somebody's are left as they are
    first.close()
    open_tap(path, LINE).close()


def test_an_output_is_no_tap_and_a_tap_no_output(ptys: Callable[[], tuple[int, str]]) -> None:
    _, path = ptys()
    tap = open_tap(path, LINE)
    with pytest.raises(BadInput, match="another program uses this port"):
        open_module_port(path, LINE)
    tap.close()
    _, path = ptys()
    module = open_module_port(path, LINE)
    with pytest.raises(BadInput, match="another program uses this port"):
        open_tap(path, LINE)
    module.close()


def test_a_port_that_is_exclusively_open(
    ptys: Callable[[], tuple[int, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Root may open it all the same, others get EBUSY."""
    _, path = ptys()

    def busy(*_: object) -> int:
        raise OSError(errno.EBUSY, "Device or resource busy")

    monkeypatch.setattr(os, "open", busy)
    with pytest.raises(BadInput, match="another program uses this port"):
        open_tap(path, LINE)


# -- settings -----------------------------------------------------------------------------------------------------


def speeds(tap: Tap) -> tuple[int, int]:
    got = fcntl.ioctl(tap.fileno(), TCGETS2, bytes(44))
    return struct.unpack("=36xII", got)


@pytest.mark.parametrize("baud", [1200, 19200, 12345, 31250, 250000, 76800])
def test_any_speed_can_be_asked_for(ptys: Callable[[], tuple[int, str]], baud: int) -> None:
    """Without a name of their own too: struct termios2 of Linux, whose last words are the speeds in numbers."""
    _, path = ptys()
    tap = open_tap(path, Settings(baud, "8E1"))
    assert speeds(tap) == (baud, baud)
    tap.close()


@pytest.mark.parametrize(
    ("offered", "taken"), [(31250, True), (30469, True), (32031, True), (30468, False), (32032, False), (9600, False)]
)
def test_an_adapter_that_rounds_the_speed(
    ptys: Callable[[], tuple[int, str]], monkeypatch: pytest.MonkeyPatch, offered: int, taken: bool
) -> None:
    """2.5 % is half of what a receiver stands over a character."""
    _, path = ptys()
    original = fcntl.ioctl

    def ioctl(descriptor: int, request: int, argument: bytes = b"") -> bytes:
        got = original(descriptor, request, argument)
        return got[:36] + struct.pack("=II", offered, offered) if request == TCGETS2 else got

    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    if taken:
        open_tap(path, Settings(31250, "8E1")).close()
    else:
        with pytest.raises(BadInput, match=f"offers {offered} baud and not 31250"):
            open_tap(path, Settings(31250, "8E1"))
        monkeypatch.setattr(fcntl, "ioctl", original)
        open_tap(path, LINE).close()  # nothing was left open


def test_retuning_opens_nothing_anew(ptys: Callable[[], tuple[int, str]], monkeypatch: pytest.MonkeyPatch) -> None:
    far, path = ptys()
    tap = open_tap(path, LINE)
    os.write(far, b"of the old settings")
    assert select.select([tap], [], [], 10)[0]
    monkeypatch.setattr(os, "open", None)
    monkeypatch.setattr(terminal_tap, "is_pty", lambda _: False)
    tap.retune(Settings.parse("4800 7O1"))
    assert tap.read() is None
    assert speeds(tap) == (4800, 4800)
    tap.retune(Settings.parse("12345 8N1"))
    assert speeds(tap) == (12345, 12345)
    with pytest.raises(BadInput, match="inverted"):
        tap.retune(Settings.parse("9600 8E1 inverted"))
    tap.close()
    os.set_blocking(far, False)
    with pytest.raises(BlockingIOError):
        os.read(far, 1)


# -- what the driver counts ---------------------------------------------------------------------------------------


@dataclass
class Counted:
    """What a driver's counters stand at; TIOCGICOUNT as in linux/serial.h, from memory."""

    framing: int = 0
    overrun: int = 0
    parity: int = 0
    breaks: int = 0
    buffer: int = 0

    def ioctl(self, descriptor: int, request: int, *more: bytes) -> bytes:
        if request != termios.TIOCGICOUNT:
            raise OSError(errno.ENOTTY, "Inappropriate ioctl for device")
        counts = (0, 0, 0, 0, 9, 9, self.framing, self.overrun, self.parity, self.breaks, self.buffer)
        return struct.pack("20i", *counts, *[0] * 9)


def test_errors_are_told_apart_by_the_driver_s_counts(
    ptys: Callable[[], tuple[int, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, path = ptys()
    counted = Counted(parity=5, framing=7)
    monkeypatch.setattr(fcntl, "ioctl", counted.ioctl)
    tap = open_tap(path, LINE)

    def heard(marked: bytes) -> str | None:
        with monkeypatch.context() as driver:  # a pty marks nothing
            driver.setattr(os, "read", lambda *_: marked)
            chunk = tap.read()
        assert chunk is not None
        return chunk.flags

    counted.parity += 1
    assert heard(b"\x01\xff\x00\x41\x02") == ".p."
    counted.framing += 1
    assert heard(b"\x01\xff\x00\x41\x02") == ".f."
    counted.parity += 1
    assert heard(b"\xff\x00\x00\x01") == "p."  # a 00 with an error, which the marks alone call a break
    counted.breaks += 1
    assert heard(b"\xff\x00\x00\x01") == "b."
    assert heard(b"\x01\x02") is None
    assert tap.overruns() == 0
    counted.overrun += 2
    counted.buffer += 1
    assert tap.overruns() == 3
    tap.close()


@pytest.mark.parametrize(
    ("flags", "moved", "told"),
    [
        (".p.b", "", ".p.b"),
        (".p.b", "p", ".p.p"),
        (".p.b", "f", ".f.f"),
        (".p.b", "b", ".b.b"),
        (".p.b", "pf", ".p.p"),
        (".p.b", "pb", ".p.b"),
        (".p.b", "pfb", ".p.b"),
    ],
)
def test_kinds_of_errors(flags: str, moved: str, told: str) -> None:
    assert told_apart(flags, moved, "p") == told


def test_a_driver_that_does_not_count(ptys: Callable[[], tuple[int, str]]) -> None:
    _, path = ptys()
    tap = open_tap(path, LINE)
    assert counters(tap.fileno()) is None
    assert tap.overruns() is None
    tap.close()
    assert Counters(1, 2, 3, 4).moved_since(Counters(0, 2, 2, 0)) == "pb"


# -- clocks and signals -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_the_waiting_and_interrupts_nothing(number: signal.Signals) -> None:
    def ours(*_: object) -> None:
        raise AssertionError("the handler before it was called")

    before = signal.signal(number, ours)  # whoever runs the tests may ignore it
    try:
        with machine_clock() as clock:
            assert not clock.told_to_end
            os.kill(os.getpid(), number)
            clock.wait([], clock.now_ns() + 3600 * NS_PER_S)
            assert clock.told_to_end
        assert signal.getsignal(number) is ours
    finally:
        signal.signal(number, before)


def test_what_the_caller_ignores_stays_ignored() -> None:
    """As nohup does with SIGHUP."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with machine_clock() as clock:
            os.kill(os.getpid(), signal.SIGHUP)
            clock.wait([], clock.now_ns())
            assert not clock.told_to_end
    finally:
        signal.signal(signal.SIGHUP, before)


def test_waiting_ends_with_bytes_and_with_the_time(ptys: Callable[[], tuple[int, str]]) -> None:
    far, path = ptys()
    with machine_clock() as clock:
        tap = open_tap(path, LINE, clock.now_ns)
        clock.wait([tap], clock.now_ns())
        os.write(far, b"x")
        clock.wait([tap], clock.now_ns() + 3600 * NS_PER_S)
        chunk = tap.read()
        assert chunk is not None
        assert chunk.t_ns is not None
        assert abs(clock.utc_ns() - chunk.t_ns) < 3600 * NS_PER_S
        tap.close()


# -- nothing goes out ---------------------------------------------------------------------------------------------

STATION = Path(sidetap.station.__file__).parent
LISTENING = [
    "tap",
    "terminal_tap",
    "tcp_tap",
    "terminal",
    "identity",
    "marks",
    "counters",
    "lost",
    "clock",
    "signals",
]
KEEPING = ["session", "merging", "tally", "finding", "trying"]
TAP_PATH = [STATION / "ports" / f"{name}.py" for name in LISTENING]
TAP_PATH += [STATION / "recorder" / f"{name}.py" for name in KEEPING]
SENDING = {"write", "writelines", "writev", "pwrite", "pwritev", "send", "sendall", "sendto", "sendmsg", "sendfile"}
DRIVING = {"tcsendbreak", "TIOCSTI", "TIOCSBRK", "TIOCMBIS", "TIOCMSET", "TCSBRK", "O_RDWR", "O_WRONLY", "fdopen"}


def test_the_tap_s_path_is_all_there() -> None:
    """Every module of the ports is either listened to here, or the output's or the panels'."""
    others = {"__init__", "module_port", "panels"}
    assert {path.stem for path in (STATION / "ports").glob("*.py")} - others == set(LISTENING)


@pytest.mark.parametrize("path", TAP_PATH, ids=lambda path: path.stem)
def test_no_way_to_write_in_the_tap_s_path(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Attribute):
            assert node.attr not in DRIVING, f"{path.name}:{node.lineno}"
            if node.attr in SENDING:
                # the session keeps its chunks in files, and in nothing else
                assert ast.unparse(node) == "self._files.write", f"{path.name}:{node.lineno}"
                assert path.stem == "session"
        if isinstance(node, ast.Name):
            assert node.id not in {"open", *SENDING, *DRIVING}, f"{path.name}:{node.lineno}"
        if isinstance(node, ast.ImportFrom):
            assert not {alias.name for alias in node.names} & {*SENDING, *DRIVING}


def test_the_search_finds_what_it_looks_for() -> None:
    """The output's port writes, and is found to."""
    tree = ast.parse((STATION / "ports" / "module_port.py").read_text())
    named = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    assert "write" in named & SENDING
    assert "O_RDWR" in named & DRIVING


def test_a_tap_s_descriptor_refuses_bytes(ptys: Callable[[], tuple[int, str]]) -> None:
    _, path = ptys()
    tap = open_tap(path, LINE)
    with contextlib.closing(tap), pytest.raises(OSError, match="Bad file descriptor"):
        os.write(tap.fileno(), b"x")


# -- other systems ------------------------------------------------------------------------------------------------


def test_without_such_terminals_a_serial_port_is_refused_and_a_server_is_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As on a laptop without termios: None in sys.modules is a module that can't be imported."""
    monkeypatch.setitem(sys.modules, "sidetap.station.ports.terminal_tap", None)
    with pytest.raises(BadInput, match=r"COM3: serial ports are read on Linux only so far\. Give tcp:HOST:PORT"):
        open_tap("COM3", LINE)
    with socket.create_server(("127.0.0.1", 0)) as server:
        open_tap(f"tcp:127.0.0.1:{server.getsockname()[1]}", LINE).close()


def test_only_terminals_need_what_linux_has() -> None:
    """None of the modules that record loads before it opens a port imports what other systems lack."""
    linux = {"fcntl", "termios", "tty", "pty", "resource", "grp", "pwd"}
    terminals = {"terminal_tap", "terminal", "counters"}
    for path in [*TAP_PATH, *(STATION / "recorder").glob("*.py"), STATION.parent / "cli" / "record.py"]:
        imported = {
            alias.name
            for node in ast.parse(path.read_text()).body
            if isinstance(node, ast.Import)
            for alias in node.names
        }
        assert not imported & linux or path.stem in terminals, path
