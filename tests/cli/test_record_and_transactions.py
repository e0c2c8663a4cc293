"""The verbs `record` and `transactions`: documents by the contract, one error line, files left as they were."""

import contextlib
import csv
import io
import json
import os
import signal
import subprocess
import sys
import threading
import tty
from collections.abc import Callable, Iterator
from decimal import Decimal
from pathlib import Path

import fastcrc
import pytest

from sidetap.cli.main import run
from sidetap.line import Chunk, Settings
from sidetap.line.recording import read, write_csv, write_pcapng

MS = 1_000_000


def framed(text: str) -> bytes:
    data = bytes.fromhex(text)
    return data + fastcrc.crc16.modbus(data).to_bytes(2, "little")


READ = framed("0B0300640003")
LEVEL = framed("0B03060D98000100B7")
DEAD = framed("1C0300000001")
CHUNKS = [
    Chunk(-500 * MS, READ),
    Chunk(-484 * MS + 123_456, LEVEL),
    Chunk(1000 * MS, DEAD),
    Chunk(1104 * MS, DEAD),
    Chunk(1208 * MS, framed("100300280002") + framed("108302")),
    Chunk(2000 * MS, b"\x77" + LEVEL + READ + LEVEL[:5]),
]
ROWS = [
    (-0.5, 11, 3, "holding-register", 100, 3, READ, LEVEL, "answered", False),
    (1, 28, 3, "holding-register", 0, 1, DEAD, None, "unanswered", False),
    (1.104, 28, 3, "holding-register", 0, 1, DEAD, None, "unanswered", True),
    (1.208, 16, 3, "holding-register", 40, 2, framed("100300280002"), framed("108302"), "exception", False),
    (2, 11, 3, None, None, None, None, LEVEL, "unpaired-response", False),
    (2, 11, 3, "holding-register", 100, 3, READ, None, "damaged", False),
]
NAMES = [
    "t_s",
    "device",
    "function",
    "table",
    "register",
    "count",
    "request",
    "response",
    "outcome",
    "retry",
    "repaired",
]


def expected() -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for *cells, request, response, outcome, retry in ROWS:
        frames = [None if frame is None else frame[:-2].hex() for frame in (request, response)]
        rows.append(dict(zip(NAMES, [*cells, *frames, outcome, retry, False], strict=True)))
    return rows


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "line.pcapng"
    write_pcapng(path, CHUNKS, Settings.parse("19200 8E1"))
    return path


def test_rows_as_json_lines(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["transactions", str(recording)]) == 0
    out, err = capsys.readouterr()
    rows = [json.loads(line) for line in out.splitlines()]
    assert rows == expected()
    assert all(list(row) == NAMES for row in rows)
    assert err == ""


def test_rows_as_csv(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["transactions", str(recording), "--format", "csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert list(rows[0]) == NAMES
    for row, truth in zip(rows, expected(), strict=True):
        assert Decimal(row.pop("t_s")) == Decimal(str(truth.pop("t_s")))
        assert row == {
            name: "" if cell is None else str(cell).lower() if isinstance(cell, bool) else str(cell)
            for name, cell in truth.items()
        }


def test_times_are_exact_to_the_nanosecond(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "line.csv"
    write_csv(path, [Chunk(1_773_241_200_123_456_789, READ + LEVEL)])
    assert run(["transactions", str(path)]) == 0
    assert '"t_s": 1773241200.123456789,' in capsys.readouterr().out


def test_bare_bytes_have_no_times(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "line.bin"
    path.write_bytes(READ + LEVEL)
    assert run(["transactions", str(path)]) == 0
    assert json.loads(capsys.readouterr().out)["t_s"] is None
    assert run(["transactions", str(path), "--format", "csv"]) == 0
    assert capsys.readouterr().out.splitlines()[1].startswith(",11,3,holding-register,100,3,")


def test_a_torn_recording_is_read_and_said(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording.write_bytes(recording.read_bytes()[:-3])
    assert run(["transactions", str(recording)]) == 0
    out, err = capsys.readouterr()
    assert [json.loads(line)["outcome"] for line in out.splitlines()] == [row[-2] for row in ROWS[:4]]
    assert "truncated-recording" in err


@pytest.mark.parametrize(
    ("name", "content", "place"),
    [
        ("line.csv", b"time_s,hex\n0,0b0\n1,0b\n", "line.csv:2"),
        ("line.csv", b"", "line.csv:1"),
        ("line.bin", b"", "line.bin"),
        ("line.pcapng", b"no", "line.pcapng"),
        ("bad\nname.bin", b"", "bad\\nname.bin"),
    ],
)
def test_one_error_line_and_nothing_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, content: bytes, place: str
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    assert run(["transactions", str(path)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"error: {tmp_path}/{place}: ")
    assert err.count("\n") == 1
    assert path.read_bytes() == content


class Talker:
    """The far side of a pty that talks until it is stopped, and counts what comes back."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.path = os.ttyname(self.slave)
        self.heard = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk)

    def _talk(self) -> None:
        os.set_blocking(self.master, False)
        while not self._stop.wait(0.01):
            for action in (self._put, self._take):
                try:
                    action()
                except BlockingIOError:
                    continue  # nobody reads, or nothing came

    def _put(self) -> None:
        os.write(self.master, READ + LEVEL)

    def _take(self) -> None:
        self.heard += len(os.read(self.master, 4096))

    def __enter__(self) -> "Talker":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self.slave)
        os.close(self.master)


@pytest.fixture
def talker() -> Iterator[Talker]:
    with Talker() as talking:
        yield talking


def test_record_from_a_pty_for_some_time(talker: Talker, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "line.pcapng"
    assert run(["record", f"pty:{talker.path}", str(out), "--settings", "9600 8N1", "--seconds", "0.3"]) == 0
    said = capsys.readouterr()
    assert "no guarantee" in said.out
    assert "transmit enable" in said.out
    assert said.err == ""
    found = read(out)
    assert found.settings == Settings.parse("9600 8N1")
    assert not found.truncated
    data = b"".join(chunk.data for chunk in found.chunks)
    assert data == ((READ + LEVEL) * (len(data) // 19 + 1))[: len(data)]
    assert run(["transactions", str(out)]) == 0
    assert '"answered"' in capsys.readouterr().out
    assert talker.heard == 0


def test_record_ended_by_ctrl_c_leaves_a_good_file(talker: Talker, tmp_path: Path) -> None:
    out = tmp_path / "line.pcapng"
    command = [sys.executable, "-m", "sidetap", "record", talker.path, str(out)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as recorder:
        assert recorder.stdout is not None
        assert b"Sidetap sends nothing" in recorder.stdout.readline()
        while not (out.exists() and out.stat().st_size > 1000):
            assert recorder.poll() is None
        recorder.send_signal(signal.SIGINT)
        said, failed = recorder.communicate(timeout=30)
    assert recorder.returncode == 0, failed
    assert b"kept in" in said
    assert failed == b""
    assert not read(out).truncated
    assert talker.heard == 0


def test_record_of_a_line_that_hangs_up_waits_for_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "line.pcapng"
    master, slave = os.openpty()
    tty.setraw(slave)
    path = os.ttyname(slave)

    def talk_and_hang_up() -> None:
        os.set_blocking(master, False)
        while not (out.exists() and out.stat().st_size > 1000):
            with contextlib.suppress(BlockingIOError):
                os.write(master, READ)
        os.close(slave)
        os.close(master)

    talking = threading.Thread(target=talk_and_hang_up)
    talking.start()
    status = run(["record", path, str(out), "--seconds", "0.5"])
    talking.join()
    assert status == 0
    said = capsys.readouterr()
    assert f"{path}: the line's bytes ended: " in said.out
    assert said.err == ""
    assert read(out).byte_count > 0


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (lambda d, p: [p, f"{d}/out.csv"], "a recording is made as pcapng"),
        (lambda d, p: [p, f"{d}/out.pcapng", "--settings", "fast"], "no line setting"),
        (lambda d, p: [p, f"{d}/out.pcapng", "--seconds", "inf"], "is no such number"),
        (lambda d, p: [p, f"{d}/out.pcapng", "--seconds", "-1"], "greater than or equal to 0"),
        (lambda d, p: [p, f"{d}/kept.pcapng"], "there already"),
        (lambda d, p: [f"{d}/kept.pcapng", f"{d}/out.pcapng"], "no serial port"),
        (lambda d, p: ["/nowhere", f"{d}/out.pcapng"], "can't be opened"),
        (lambda d, p: [p, f"{d}/none/out.pcapng", "--seconds", "0"], "no such folder"),
        (lambda d, p: [p, f"{d}/out.pcapng", "--seconds", "0"], "not one byte came"),
    ],
)
def test_record_that_can_not_be_made(
    tmp_path: Path,
    talker: Talker,
    capsys: pytest.CaptureFixture[str],
    arguments: Callable[[Path, str], list[str]],
    problem: str,
) -> None:
    (tmp_path / "kept.pcapng").write_bytes(b"precious")
    assert run(["record", *arguments(tmp_path, talker.path)]) == 2
    err = capsys.readouterr().err
    assert problem in err
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["kept.pcapng"]
    assert (tmp_path / "kept.pcapng").read_bytes() == b"precious"
