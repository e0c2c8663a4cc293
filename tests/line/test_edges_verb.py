"""`sidetap line`: the contract's document, text for an engineer, one error line."""

import inspect
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from edge_line import Sent, modbus, send

from sidetap.cli.main import run
from sidetap.line import edges

KEYS = ["baud", "framing", "inverted", "confidence", "characters"]  # the contract's, in its order


def csv(path: Path, sent: Sent) -> Path:
    rows = zip(sent.t_s.tolist(), sent.levels.tolist(), strict=True)
    path.write_text("time_s,level\n" + "".join(f"{t:.9f},{level}\n" for t, level in rows))
    return path


def vcd(path: Path, sent: Sent) -> Path:
    head = "$timescale 10 ns $end $scope module top $end $var wire 1 # line $end $upscope $end $enddefinitions $end\n"
    rows = zip(sent.t_s.tolist(), sent.levels.tolist(), strict=True)
    start = f"#0\n$dumpvars\n{1 - int(sent.levels[0])}#\n$end\n"
    path.write_text(head + start + "".join(f"#{round(t * 1e8)}\n{level}#\n" for t, level in rows))
    return path


def line(framing: str, characters: int = 200, *, inverted: bool = False, spaced: bool = False) -> Sent:
    rng = np.random.default_rng(1)
    data, gaps = modbus(rng, framing, characters)
    if spaced:
        gaps = [gap + 2.5 for gap in gaps]
    return send(data, gaps, 19200, framing, inverted=inverted, jitter=0.02, rng=rng)


@pytest.mark.parametrize("write", [csv, vcd])
@pytest.mark.parametrize("inverted", [False, True])
def test_document(tmp_path: Path, capsys: pytest.CaptureFixture[str], write: object, inverted: bool) -> None:
    path = (csv if write is csv else vcd)(tmp_path / "edges", line("8E1", inverted=inverted))
    assert run(["line", str(path), "--json"]) == 0
    out, err = capsys.readouterr()
    document = json.loads(out)
    assert list(document) == KEYS
    assert (document["baud"], document["framing"], document["inverted"]) == (19200, "8E1", inverted)
    assert 0.99 < document["confidence"] < 1
    assert document["characters"] == 200
    assert (out.count("\n"), err) == (1, "")


def test_what_is_open_is_null(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = csv(tmp_path / "edges.csv", line("8E1", 2))
    assert run(["line", str(path), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["framing"] is None
    assert document["confidence"] < 0.5


def shown(tmp_path: Path, capsys: pytest.CaptureFixture[str], sent: Sent) -> str:
    assert run(["line", str(csv(tmp_path / "edges.csv", sent))]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert all(len(row) <= 80 and row == row.rstrip() for row in out.splitlines()), out
    return " ".join(out.split())


def test_text_tells_settings_evidence_and_what_else_to_know(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = shown(tmp_path, capsys, line("8E1", inverted=True))
    assert text.startswith("edges.csv: 19200 8E1 inverted: settled, 99.99 % Evidence ")
    assert "200 characters" in text
    assert " 0 with a low stop bit or a wrong parity bit" in text
    assert "Modbus RTU frames whose CRC fits" in text
    assert "makers name a and b both ways" in text.lower()
    assert "never on the plant's line" in text
    assert "Rivals" not in text


def test_spaced_characters_hide_a_second_stop_bit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = shown(tmp_path, capsys, line("8N2", spaced=True))
    assert "19200 8N1: settled" in text
    assert "1 and 2 stop bits can't be told apart" in text
    assert "stop bits" not in shown(tmp_path, capsys, line("8N2"))


def test_text_of_a_line_that_is_open_names_rivals_and_what_would_settle(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = shown(tmp_path, capsys, line("8E1", 4))
    assert "open" in text or "likely" in text
    assert "Rivals" in text
    assert "To settle: " in text
    assert shown(tmp_path, capsys, Sent(np.array([0.0, 1e-3]), np.array([0, 1]))).startswith("edges.csv: open:")


def test_a_clock_that_is_off_is_remarked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sent = line("8E1")
    text = shown(tmp_path, capsys, Sent(sent.t_s * 0.99, sent.levels))
    assert "19200 is 1.0" in text
    assert "steps" not in text
    text = shown(tmp_path, capsys, Sent(np.round(sent.t_s * 1e5) / 1e5, sent.levels))
    assert "Times are in steps of 19 % of a bit" in text


def test_a_torn_file_is_read_and_said_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = csv(tmp_path / "edges.csv", line("8E1"))
    path.write_bytes(path.read_bytes()[:-1] + b"7")
    assert run(["line", str(path)]) == 0
    assert "truncated-recording" in capsys.readouterr().out


@pytest.mark.parametrize("text", ["", "time_s,level\n", "time_s,level\n0,1\nnan,0\n1,1\n", "$var\n"])
def test_a_faulty_file_is_one_error_line(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str) -> None:
    path = tmp_path / "edges\n.csv"
    path.write_text(text)
    assert run(["line", str(path), "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1


def test_all_public_names_are_listed() -> None:
    there = {name for name, thing in vars(edges).items() if not name.startswith("_") and not inspect.ismodule(thing)}
    assert there == set(edges.__all__)


def test_the_verb_waits_for_no_compiler(tmp_path: Path) -> None:
    """Compiling takes seconds, and a capture of edges is small."""
    path = csv(tmp_path / "edges.csv", line("8E1"))
    code = (
        "import sys; from sidetap.cli.main import run; status = run(['line', sys.argv[1]])\n"
        "sys.exit(status or 'numba' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, timeout=60).returncode == 0
