"""`sidetap record` as people and scripts see it: in a simulated world, and on real sockets and ptys."""

import contextlib
import io
import re
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hub import PtyHub
from rich.console import Console
from simulated import EXCHANGES, UTC_NS, Bench, Line, SimulatedTap, World, framed
from test_files import blocks

from sidetap.cli import record as verb
from sidetap.cli.main import run
from sidetap.cli.record_view import RecordView, state_table
from sidetap.errors import BadInput
from sidetap.line import Settings
from sidetap.line.recording import read
from sidetap.quantity import NS_PER_S
from sidetap.station.ports.identity import Identity
from sidetap.station.ports.tap import Tap, open_tap
from sidetap.station.recorder import PairState, State, Tally

LINE = Settings.parse("19200 8E1")


@pytest.fixture
def world(monkeypatch: pytest.MonkeyPatch) -> World:
    """The verb's clock is a simulated world's."""
    simulated = World(step_ms=64)
    monkeypatch.setattr(verb, "machine_clock", lambda: contextlib.nullcontext(simulated))
    return simulated


def plug_in(monkeypatch: pytest.MonkeyPatch, opens: dict[str, Callable[[], SimulatedTap]]) -> list[SimulatedTap]:
    """Let the verb find these sources; return what it opened."""
    bench = Bench()
    bench.there.update(opens)

    def open_simulated(source: str, settings: Settings, clock: object, expected: Identity | None = None) -> Tap:
        return bench.reopen(source, expected)

    monkeypatch.setattr(verb, "open_tap", open_simulated)
    return bench.opened


def test_start_and_end_are_told_where_nobody_watches(
    world: World, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = Line(world)
    ours = Identity("/dev/ttyUSB0", "RX0001", "USB adapter", (1, 2), "1-2")
    made = lambda: SimulatedTap(line, source="/dev/a", identity=ours, raised_ns=1_234_567)  # noqa: E731  # a name for what is made twice
    opened = plug_in(monkeypatch, {"/dev/a": made})
    out = tmp_path / "line.pcapng"
    assert run(["record", "/dev/a", str(out), "--seconds", "20"]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    lines = said.out.splitlines()
    assert "no guarantee" in lines[0]
    assert lines[1] == "DTR and RTS were up for at most 1.2 ms while the port was opened."
    assert lines[2] == "Port /dev/ttyUSB0: USB adapter, USB serial number RX0001"
    assert re.fullmatch(r"[\d,]+ bytes in [\d,]+ chunks, kept in .*/line.pcapng .*\.sha256 beside it\)", lines[3])
    assert re.fullmatch(r"Frames: \d+ whole: \d+ answered, \d+ unanswered(, 1 damaged)?; 0 bytes .*", lines[4])
    assert lines[5] == "Devices: 17; asked, without an answer: 18"
    assert len(lines) == 6
    assert read(out).settings == LINE
    assert b"RX0001" in blocks(out)[1][1]
    checked = subprocess.run(
        ["sha256sum", "-c", "line.pcapng.sha256"], cwd=tmp_path, check=False, capture_output=True
    )
    assert checked.returncode == 0
    assert [tap.bytes_written_to_line for tap in opened] == [0]


def test_a_pulled_plug_is_told_and_survived(
    world: World, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = Line(world)
    opened = plug_in(monkeypatch, {"/dev/a": lambda: SimulatedTap(line, source="/dev/a")})
    world.at(3, lambda: opened[0].unplug())
    assert run(["record", "/dev/a", str(tmp_path / "line.pcapng"), "--seconds", "10"]) == 0
    said = capsys.readouterr()
    assert "/dev/a: the line's bytes ended: input/output error; waiting for it to return" in said.out
    assert "/dev/a: it is back after" in said.out
    assert said.err == ""
    assert len(opened) == 2


def test_two_pairs(
    world: World, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asking, answering = (Line(world, period_ms=200, only=only) for only in ("requests", "answers"))
    plug_in(
        monkeypatch,
        {
            "/dev/a": lambda: SimulatedTap(asking, source="/dev/a"),
            "/dev/b": lambda: SimulatedTap(answering, source="/dev/b"),
        },
    )
    out = tmp_path / "line.pcapng"
    assert run(["record", "/dev/a", str(out), "--second-pair", "/dev/b", "--seconds", "20"]) == 0
    assert "Devices: 17" in capsys.readouterr().out
    assert [b"/dev/a" in blocks(out)[1][1], b"/dev/b" in blocks(out)[2][1]] == [True, True]
    assert run(["transactions", str(out), "--format", "csv"]) == 0
    rows = capsys.readouterr().out.splitlines()
    assert sum(",answered," in row for row in rows) >= 70
    assert sum(",damaged," in row for row in rows) == 0


def test_rotation_by_minutes(
    world: World, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = Line(world, period_ms=1000)
    plug_in(monkeypatch, {"/dev/a": lambda: SimulatedTap(line, source="/dev/a")})
    out = tmp_path / "line.pcapng"
    assert run(["record", "/dev/a", str(out), "--seconds", "150", "--rotate-minutes", "1"]) == 0
    assert f"kept in 3 files, the last of them {tmp_path}/line-20260311T1502" in capsys.readouterr().out
    names = sorted(path.name for path in tmp_path.iterdir())
    assert len(names) == 6
    assert all(re.fullmatch(r"line-20260311T150[012]\d\dZ\.pcapng(\.sha256)?", name) for name in names)


def test_acceptance_01_find_tells_parity_where_the_adapter_marks_errors(
    world: World, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    line = Line(world, "9600 8O1")
    opened = plug_in(monkeypatch, {"/dev/a": lambda: SimulatedTap(line, source="/dev/a")})
    assert run(["record", "--find", "/dev/a", "--seconds", "1"]) == 0
    said = capsys.readouterr()
    lines = said.out.splitlines()
    assert lines[1].split() == ["tried", "bytes", "frames", "in", "frames", "parity", "framing", "breaks"]
    row = next(text for text in lines if text.startswith("9600 8E1"))
    assert row.split()[4:] == ["100.0%", "100.0%", "0.0%", "0.0%"]
    assert lines[-1] == "Found: 9600 8O1."
    assert all(len(text) <= 80 for text in lines[1:-1])
    assert said.err == ""
    assert opened[0].bytes_written_to_line == 0
    assert opened[0].closed == 1


def test_find_says_that_one_stop_bit_stands_for_two(
    world: World, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    line = Line(world, "9600 8N2")
    plug_in(monkeypatch, {"/dev/a": lambda: SimulatedTap(line, source="/dev/a")})
    assert run(["record", "--find", "/dev/a", "--seconds", "1"]) == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert last == "Found: 9600 8N1. 8N1 stands for 8N2 too: a receiver looks at the first stop bit only."


def test_find_says_where_parity_is_open(
    world: World, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    line = Line(world, "9600 8E1")
    plug_in(monkeypatch, {"/dev/a": lambda: SimulatedTap(line, source="/dev/a", marks="none")})
    assert run(["record", "--find", "/dev/a", "--seconds", "1"]) == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert last.startswith(
        "Found: 9600 baud. The adapter marks no errored bytes, and check codes alone can't tell parity"
    )
    assert "8E1, 8N1, 8O1 read alike" in last


def test_find_on_a_silent_line_is_a_plain_statement(
    world: World, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    line = Line(world, period_ms=10**9)
    plug_in(monkeypatch, {"/dev/a": lambda: SimulatedTap(line, source="/dev/a")})
    assert run(["record", "--find", "/dev/a", "--seconds", "0.1"]) == 0
    assert capsys.readouterr().out.splitlines()[-1].startswith("Nothing found: not one byte came.")


def test_find_on_no_modbus_line(
    world: World, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    line = Line(world)
    line._frame = lambda text: bytes.fromhex(text)[::-1]
    plug_in(monkeypatch, {"/dev/a": lambda: SimulatedTap(line, source="/dev/a")})
    assert run(["record", "--find", "/dev/a", "--seconds", "0.2"]) == 0
    assert capsys.readouterr().out.splitlines()[-1].startswith("Nothing found: bytes came, but whole frames with ")


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (["--find", "/dev/a", "out.pcapng"], "--find: it listens to one source and makes no file"),
        (["--find", "/dev/a", "--second-pair", "/dev/b"], "--find: it listens to one source and makes no file"),
        (["/dev/a"], "sidetap record: no file is named"),
        (["/dev/a", "out.pcapng", "--rotate-mb", "0.5"], "rotate-mb"),
        (["/dev/a", "out.pcapng", "--rotate-minutes", "inf"], "--rotate-minutes: inf is no such number"),
        (["/dev/a", "out.pcapng", "--second-pair", "/nowhere"], "/nowhere: it can't be opened"),
    ],
)
def test_one_error_line(
    world: World,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    problem: str,
) -> None:
    line = Line(world)
    opened = plug_in(monkeypatch, {"/dev/a": lambda: SimulatedTap(line, source="/dev/a")})
    monkeypatch.chdir(tmp_path)
    assert run(["record", *arguments]) == 2
    err = capsys.readouterr().err
    assert problem in err
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
    assert all(tap.closed == 1 for tap in opened)


# -- the display --------------------------------------------------------------------------------------------------


def shown(state: State) -> str:
    console = Console(width=80, file=io.StringIO(), highlight=False)
    console.print(state_table(LINE, UTC_NS, state))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_the_display_fits_80_columns_and_says_it_all() -> None:
    world = World()
    line = Line(world)
    tap = SimulatedTap(line)
    tally = Tally(LINE, world.now_ns())
    for seconds in range(1, 13):
        world.wait([], UTC_NS + seconds * NS_PER_S)
        while (chunk := tap.read()) is not None:
            tally.receive(chunk)
    pairs = (
        PairState("/dev/a", None, None, 1, 3),
        PairState("/dev/b", world.now_ns() - 5 * NS_PER_S, "another adapter is there (X\x1b[2J, serial 7)", 2, None),
    )
    text = shown(State(world.now_ns(), tally.heard(world.now_ns()), pairs, (Path("line.pcapng"), 12345)))
    assert all(len(row) <= 80 for row in text.splitlines())
    assert "\x1b" not in text
    words = " ".join(text.split())
    for part in (
        "recording line.pcapng, 12,345 bytes, for 12.0 s",
        "line 19200 8E1, load 17%, last byte 0.",
        "answered",
        "unanswered",
        "errors parity 0, framing 0, breaks 0, lost in the receiver 3 times",
        "gaps 3 of the adapter",
        "devices 17; asked, without an answer: 18",
        "waiting /dev/b, away for 5.0 s: another adapter is there (X\\x1b[2J, serial 7)",
    ):
        assert part in words


def test_the_display_before_the_first_byte() -> None:
    words = " ".join(shown(State(UTC_NS, Tally(LINE, UTC_NS).heard(UTC_NS), (), None)).split())
    assert "between two files" in words
    assert "load -, no byte yet" in words
    assert "devices none yet" in words


def test_the_display_is_on_stderr_and_only_on_a_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    state = State(UTC_NS, Tally(LINE, UTC_NS).heard(UTC_NS), (), None)
    said: list[str] = []
    with RecordView(LINE, UTC_NS, said.append) as view:
        view.show(state)
        view.tell("gone")
    assert said == ["gone"]
    assert capsys.readouterr() == ("", "")
    monkeypatch.setattr(Console, "is_terminal", True)
    with RecordView(LINE, UTC_NS, said.append) as view:
        view.show(state)
        view.tell("back\x1b[2J")
    out, err = capsys.readouterr()
    assert said == ["gone"]
    assert out == ""
    assert "none yet" in err
    assert "back\\x1b[2J" in err


# -- real sockets and ptys, the far side counting -----------------------------------------------------------------


@contextlib.contextmanager
def serial_server(data: bytes) -> Iterator[tuple[int, list[int]]]:
    """A raw serial server that says data once to whoever comes, and counts what comes back until its end."""
    counted: list[int] = []
    with socket.create_server(("127.0.0.1", 0)) as listening:

        def serve() -> None:
            far, _ = listening.accept()
            with far:
                far.settimeout(30)
                far.sendall(data)
                counted.append(sum(len(piece) for piece in iter(lambda: far.recv(100), b"")))

        thread = threading.Thread(target=serve)
        thread.start()
        yield listening.getsockname()[1], counted
        thread.join(30)


def test_acceptance_02_no_byte_goes_to_a_serial_server(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "line.pcapng"
    said = b"".join(framed(text) for exchange in EXCHANGES for text in exchange if text)
    with serial_server(said) as (port, counted):
        assert run(["record", f"tcp:127.0.0.1:{port}", str(out), "--seconds", "0.3"]) == 0
    assert counted == [0]
    assert b"".join(chunk.data for chunk in read(out).chunks) == said
    assert "waiting for it to return" in capsys.readouterr().out


def test_a_serial_server_can_not_be_tried(capsys: pytest.CaptureFixture[str]) -> None:
    with serial_server(b"") as (port, counted):
        assert run(["record", "--find", f"tcp:127.0.0.1:{port}"]) == 2
    assert counted == [0]
    err = capsys.readouterr().err
    assert err.startswith(
        f"error: tcp:127.0.0.1:{port}: a serial server keeps its own settings, so that none can be tried."
    )
    assert err.count("\n") == 1


@pytest.mark.parametrize(("arguments", "status"), [(["--find"], 2), (["--seconds", "0.2", "OUT"], 0)])
def test_acceptance_02_no_byte_goes_into_a_line_of_ptys(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], status: int
) -> None:
    """A pty has no speed to find: that is an error, and no guess."""
    out = tmp_path / "line.pcapng"
    given = [str(out) if each == "OUT" else each for each in arguments]
    with PtyHub(2) as hub, contextlib.ExitStack() as stack:
        talking = stack.enter_context(open(hub.path(0), "wb", buffering=0))
        done = threading.Event()

        def talk() -> None:
            while not done.wait(0.01):
                for request, answer in EXCHANGES[:1]:
                    talking.write(framed(request) + framed(answer or ""))

        thread = threading.Thread(target=talk)
        thread.start()
        stack.callback(thread.join)
        stack.callback(done.set)
        assert run(["record", f"pty:{hub.path(1)}", *given]) == status
        assert hub.said(1) == 0
        assert status == 2 or hub.said(0) > 0
    said = capsys.readouterr()
    assert ("Devices: 17" in said.out) == (status == 0)
    assert ("a pseudo-terminal has no speed and no parity" in said.err) == (status == 2)


def test_a_port_of_somebody_else_is_one_clear_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with PtyHub(1) as hub:
        path = hub.path(0)
        tap = open_tap(path, LINE)
        with contextlib.closing(tap):
            assert run(["record", path, str(tmp_path / "line.pcapng")]) == 2
    err = capsys.readouterr().err
    assert err.startswith(f"error: {path}: another program uses this port. ")
    assert list(tmp_path.iterdir()) == []


def test_not_one_byte_is_an_error(
    world: World, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = Line(world, period_ms=10**9)
    plug_in(monkeypatch, {"/dev/a": lambda: SimulatedTap(line, source="/dev/a")})
    assert run(["record", "/dev/a", str(tmp_path / "line.pcapng"), "--seconds", "5"]) == 2
    assert capsys.readouterr().err.startswith("error: /dev/a: not one byte came")
    assert list(tmp_path.iterdir()) == []


def test_bad_input_of_a_file_is_told_after_the_taps_are_closed(
    world: World, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    line = Line(world)
    opened = plug_in(monkeypatch, {"/dev/a": lambda: SimulatedTap(line, source="/dev/a")})

    def no_files(*_: object) -> None:
        raise BadInput("line.pcapng", "no file can be made", "Look.")

    monkeypatch.setattr(verb, "Files", no_files)
    assert run(["record", "/dev/a", str(tmp_path / "line.pcapng")]) == 2
    assert opened[0].closed == 1
