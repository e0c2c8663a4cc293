"""`survey` and `match` as commands: the contract's documents, readable text, one error line."""

import json
import re
from pathlib import Path

import fastcrc
import numpy as np
import pytest
from survey_lines import encode, level_mm

from sidetap.cli.main import run

POLL_KEYS = [
    "function",
    "register",
    "count",
    "period_s",
    "requests",
    "retries",
    "answered",
    "exceptions",
    "damaged",
    "unanswered",
]
VALUE_KEYS = [
    "table",
    "register",
    "encoding",
    "kind",
    "status",
    "confidence",
    "valid_below",
    "alternatives",
    "first",
    "last",
    "min",
    "max",
]  # text adds registers
ANSWER_KEYS = [
    "name",
    "status",
    "device",
    "table",
    "register",
    "encoding",
    "scale",
    "offset",
    "unit",
    "confidence",
    "valid_below",
    "suspect_readings",
    "rivals",
    "next",
    "next_at_s",
]
LINE_KEYS = [
    "mode",
    "settings",
    "flag_rates",
    "bytes",
    "explained_bytes",
    "requests",
    "answered",
    "exceptions",
    "damaged",
    "unanswered",
]
LEVEL = level_mm(np.random.default_rng(12), 900)


def framed(body: bytes) -> bytes:
    return body + fastcrc.crc16.modbus(body).to_bytes(2, "little")


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("line") / "line.csv"
    words = encode(LEVEL / 304.8, "float32", "low-word-first")
    rows = ["# settings 19200 8E1", "time_s,hex"]
    for second, pair in enumerate(words):
        data = b"".join(int(w).to_bytes(2, "big") for w in pair)
        rows.append(f"{second}.000,{framed(bytes.fromhex('100300140002')).hex()}")
        rows.append(f"{second}.020,{framed(bytes.fromhex('100304') + data).hex()}")
    path.write_text("\n".join(rows) + "\n")
    return path


@pytest.fixture
def readings(tmp_path: Path) -> Path:
    path = tmp_path / "readings.csv"
    moments = sorted({int(np.argmin(LEVEL[20:880])) + 20, int(np.argmax(LEVEL[20:880])) + 20, 450})
    rows = [f"{t},T6,{LEVEL[t] / 1000:.3f},m" for t in moments]
    path.write_text("time_s,name,value,unit\n" + "\n".join(rows) + "\n")
    return path


def test_survey_prints_the_contracts_document(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["survey", str(recording), "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    document = json.loads(out)
    assert list(document) == ["line", "devices", "findings"]
    assert list(document["line"]) == LINE_KEYS
    assert document["line"]["settings"] == {"baud": 19200, "framing": "8E1", "inverted": False, "source": "stated"}
    assert document["line"]["bytes"] == document["line"]["explained_bytes"] == 900 * 17
    (device,) = document["devices"]
    assert (device["device"], device["answers"]) == (16, True)
    (poll,) = device["polls"]
    assert list(poll) == POLL_KEYS
    assert (poll["requests"], poll["answered"], poll["period_s"]) == (900, 900, 1.0)
    (value,) = device["values"]
    assert list(value) == VALUE_KEYS
    assert (value["encoding"], value["status"]) == ("float32-low-word-first", "settled")
    assert document["findings"] == []


def test_survey_prints_text_of_80_columns(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["survey", str(recording)]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    assert "\x1b" not in out
    last = encode(LEVEL[-1:] / 304.8, "float32", "low-word-first")[0]
    wire = " ".join(f"{int(w) >> 8:02X} {int(w) & 255:02X}" for w in last)
    for words in ("400021", "FC 03", wire, f"{LEVEL[-1] / 304.8:g}"[:5], "Findings: 0"):
        assert words in out


def test_match_prints_the_contracts_document(
    recording: Path, readings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["match", str(recording), str(readings), "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    (answer,) = json.loads(out)["answers"]
    assert list(answer) == ANSWER_KEYS
    assert (answer["device"], answer["register"], answer["encoding"]) == (16, 20, "float32-low-word-first")
    assert answer["scale"] == pytest.approx(0.3048, rel=0.01)


def test_match_prints_text(recording: Path, readings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["match", str(recording), str(readings)]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    assert "400021" in out


def test_bytes_without_times_can_be_surveyed_but_not_matched(
    tmp_path: Path, readings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "line.bin"
    path.write_bytes((framed(bytes.fromhex("100300140002")) + framed(bytes.fromhex("100304CCCD404C"))) * 20)
    assert run(["survey", str(path), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["devices"][0]["polls"][0]["period_s"] is None
    assert document["devices"][0]["values"][0]["last"] == 3.2
    assert run(["match", str(path), str(readings), "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1


def test_readings_that_all_lie_outside_are_one_error_line(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "other-clock.csv"
    path.write_text("time,name,value,unit\n2026-03-11T09:05:00,T6,1.0,m\n")
    assert run(["match", str(recording), str(path), "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"error: {path}: all readings lie outside the record (it runs from 0.000 s to 899.000 s). ")
    assert "--site" in err
    assert err.count("\n") == 1


def test_readings_outside_are_told(
    recording: Path, readings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "more.csv"
    path.write_text(readings.read_text() + "5000,T6,1.0,m\n6000,Gone,1.0,m\n")
    assert run(["match", str(recording), str(path)]) == 0
    out = capsys.readouterr().out
    assert "400021" in out
    assert "Readings outside the record, left out: row 4 " in out
    assert "Readings outside the record, left out: row 5 " in out


@pytest.mark.parametrize("verb", ["survey", "match"])
def test_a_wrong_file_is_one_error_line(
    verb: str, tmp_path: Path, readings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "line.csv"
    bad.write_text("not a recording\n")
    arguments = [verb, str(bad), *([str(readings)] if verb == "match" else [])]
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1


def test_wrong_events_are_one_error_line(recording: Path, readings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["survey", str(recording), "--events", str(readings)]) == 2
    assert capsys.readouterr().err.startswith(f"error: {readings}:1: ")


def test_a_match_can_be_a_page(
    recording: Path, readings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "match.html"
    assert run(["match", str(recording), str(readings), "--json", "--report", str(page)]) == 0
    assert list(json.loads(capsys.readouterr().out)) == ["answers"]
    assert "device 16, holding register 20 (400021)" in page.read_text()
    before = readings.read_bytes()
    for place in (recording, readings, tmp_path, tmp_path / "nowhere" / "m.html"):
        assert run(["match", str(recording), str(readings), "--report", str(place)]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert err.startswith(f"error: {place}: ")
        assert err.count("\n") == 1
    assert readings.read_bytes() == before


def test_text_for_people_is_narrow_escaped_and_without_trailing_blanks(
    recording: Path, readings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "odd.csv"
    odd = "T\x1b[2J\u202e<b>" + "x" * 60
    path.write_text(readings.read_text().replace(",T6,", f",{odd},") + f"300,lone,2.5,m\n301,{odd},19.9,m\n")
    for arguments in (["match", str(recording), str(path)], ["survey", str(recording)]):
        assert run(arguments) == 0
        out = capsys.readouterr().out
        assert "\x1b" not in out
        assert "\u202e" not in out
        lines = out.splitlines()
        assert max(map(len, lines)) <= 80
        assert lines == [line.rstrip() for line in lines]


def test_each_value_and_each_name_has_exactly_one_verdict(
    recording: Path, readings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    verdict = r"(settled|register settled, scale open|ambiguous: .*|sure only below .*|none|open)"
    assert run(["survey", str(recording)]) == 0
    out = capsys.readouterr().out
    assert len(re.findall(rf"^ +{verdict}: float 32 bit, low word first", out, re.MULTILINE)) == 1
    assert run(["match", str(recording), str(readings)]) == 0
    out = capsys.readouterr().out
    assert len(re.findall(rf"^T6: {verdict}$", out, re.MULTILINE)) == 1
    assert len(re.findall(r"^  law      m = decoded × 0\.3048?", out, re.MULTILINE)) == 1
