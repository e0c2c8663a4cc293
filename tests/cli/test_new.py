"""The verb `new`: from a recording to levels by the file it writes, whole or not at all, never over anything.

The line is made here, by hand: frames with a CRC of fastcrc, registers by IEEE 754 and the laws below; units by NIST
Handbook 44, appendix C; hydrostatics by ISO 80000-3's standard gravity.
"""

import json
import os
import resource
import shutil
import struct
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

import fastcrc
import pytest
from first_file_yard import PEOPLE, SYRUP_KG_PER_M3, filled, match, survey

from sidetap.cli.main import run
from sidetap.line import Chunk
from sidetap.line.recording import write_csv
from sidetap.site.first_file import first_site_file

MS, S = 1_000_000, 1_000_000_000
SECONDS = 900
PLATEAUS_M = (  # a level holds still where somebody reads it; no two vessels go alike
    (2.00, 1.55, 1.10, 0.80, 1.70, 2.30),
    (1.20, 1.90, 2.40, 1.60, 0.90, 1.40),
    (2.70, 2.20, 2.50, 1.30, 1.50, 2.10),
    (0.90, 1.10, 1.80, 2.60, 2.30, 1.00),
    (1.50, 2.60, 1.20, 2.20, 2.80, 2.40),
)
STEP_S = 180
FT, G = 0.3048, 9.80665
VESSELS = ("T1", "T2", "T3", "T4", "T5")


def level_m(vessel: int, second: int) -> float:
    """The level of a vessel: 120 s on each plateau, 60 s to the next."""
    place, rest = divmod(second, STEP_S)
    here, there = PLATEAUS_M[vessel][place : place + 2]
    return here + (there - here) * max(0.0, (rest - 120) / 60)


def registers(vessel: int, level: float) -> bytes:
    """What each transmitter sends: mm, mm from a flange at 5.40 m, 0.1 % of 4 m, ft, and kPa at 0.25 m."""
    if vessel == 0:
        return struct.pack(">HH", round(level * 1000), 1)
    if vessel == 1:
        return struct.pack(">H", round((5.40 - level) * 1000))
    if vessel == 2:
        return struct.pack(">H", round(level / 4 * 1000))
    data = struct.pack(">f", level / FT if vessel == 3 else (level - 0.25) * SYRUP_KG_PER_M3 * G / 1000)
    return data[2:] + data[:2] if vessel == 3 else data


def framed(data: bytes) -> bytes:
    return data + fastcrc.crc16.modbus(data).to_bytes(2, "little")


def record(path: Path) -> None:
    """Write the recording: five devices asked once a second."""
    chunks = []
    for second in range(SECONDS):
        for vessel in range(len(VESSELS)):
            words = registers(vessel, level_m(vessel, second))
            t_ns = second * S + vessel * 150 * MS
            request = bytes([vessel + 1, 3, 0, 10 * vessel, 0, len(words) // 2])
            chunks.append(Chunk(t_ns, framed(request)))
            chunks.append(Chunk(t_ns + 40 * MS, framed(bytes([vessel + 1, 3, len(words)]) + words)))
    write_csv(path, chunks, None)


def read_off(path: Path) -> None:
    """Write what people read, on every plateau, to the millimetre."""
    rows = ["time_s,name,value,unit"]
    for second in range(50, SECONDS, STEP_S):
        rows += [f"{second},{name},{level_m(n, second):.3f},m" for n, name in enumerate(VESSELS)]
    path.write_text("\n".join(rows) + "\n")


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the recording, and what survey and match printed about it."""
    folder = tmp_path_factory.mktemp("heard")
    record(folder / "line.csv")
    read_off(folder / "readings.csv")
    with pytest.MonkeyPatch.context() as patch:
        for name, arguments in (
            ("survey", ["survey", str(folder / "line.csv"), "--json"]),
            ("match", ["match", str(folder / "line.csv"), str(folder / "readings.csv"), "--json"]),
        ):
            with (folder / f"{name}.json").open("w") as out:
                patch.setattr("sys.stdout", out)
                assert run(arguments) == 0
    return folder


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with documents written by hand, and the working directory of the verb."""
    (tmp_path / "survey.json").write_text(json.dumps(survey()))
    (tmp_path / "match.json").write_text(json.dumps(match()))
    monkeypatch.chdir(tmp_path)
    return tmp_path


NEW = ["new", "site.toml", "--from", "survey.json", "--match", "match.json"]


def error_line(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(list(arguments)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    return err


# -- from a recording to levels --------------------------------------------------------------------------------------


def test_from_a_recording_to_its_levels(
    heard: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(heard, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    assert run(NEW) == 0
    assert capsys.readouterr().out.startswith("site.toml: 5 points from settled readings, 0 names open\n")
    text = (tmp_path / "site.toml").read_text()
    told = tomllib.loads(text)
    assert [v["level"]["as"] for v in told["vessel"]] == ["height", "ullage", "percent", "height", "height"]
    assert [p["unit"] for p in told["point"]] == ["mm", "mm", "%", "ft", "m"]
    assert "If it sends kPa, it is a pressure, of a product of 1" in " ".join(text.replace("#", " ").split())
    assert run(["check", "site.toml"]) == 1
    assert ": missing. " in capsys.readouterr().out

    (tmp_path / "people.toml").write_text(PEOPLE)
    own = {(f"LT-{name}", "valid"): '["0 m", "6 m"]' for name in VESSELS}
    own |= {("LT-T3", "valid"): '["0 %", "100 %"]', ("LT-T5", "valid"): '["0.26 m", "6 m"]'}
    own |= {("T2", "level.blocking"): '"0.30 m"', ("line-1", "baud"): "19200", ("line-1", "framing"): '"8E1"'}
    (tmp_path / "site.toml").write_text(filled(text, own, "T1"))
    assert run(["check", "site.toml"]) == 0
    assert "0 errors, 0 warnings" in capsys.readouterr().out
    for second in (100, 470, 890):
        assert run(["level", "site.toml", "line.csv", "--at", str(second + 0.9), "--json"]) == 0
        for vessel, level in enumerate(json.loads(capsys.readouterr().out)["levels"]):
            assert level["quality"] == "good"
            span_mm = 1000 * (max(PLATEAUS_M[vessel]) - min(PLATEAUS_M[vessel]))
            grain_mm = 4 if vessel == 2 else 1  # what the transmitter tells apart
            off_mm = level["level_mm"] - level_m(vessel, second) * 1000
            assert abs(off_mm) <= span_mm * 0.005 + grain_mm, (level, off_mm)


# -- the file --------------------------------------------------------------------------------------------------------


def test_it_says_what_it_wrote_and_what_comes_next(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(NEW) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out == (
        "site.toml: 5 points from settled readings, 3 names open\n"
        "Nothing in it is confirmed. Fill in what has a question mark; "
        "sidetap check site.toml says what is missing.\n"
    )
    assert sorted(p.name for p in desk.iterdir()) == ["match.json", "site.toml", "survey.json"]
    assert (desk / "site.toml").read_bytes().startswith(b"# First site file")


def test_the_same_documents_give_the_same_bytes(desk: Path) -> None:
    assert run(NEW) == 0
    assert run(["new", "again.toml", "--match", "match.json", "--from", "survey.json"]) == 0
    assert (desk / "again.toml").read_bytes() == (desk / "site.toml").read_bytes()


def test_without_a_match_it_still_writes(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["new", "site.toml", "--from", "survey.json"]) == 0
    assert "0 points from settled readings, 0 names open" in capsys.readouterr().out
    assert "# [[point]]" in (desk / "site.toml").read_text()


def test_nothing_is_overwritten(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (desk / "site.toml").write_text("mine")
    assert "site.toml: it is there already" in error_line(capsys, *NEW)
    assert (desk / "site.toml").read_text() == "mine"
    (desk / "dangling.toml").symlink_to("nowhere")
    assert "it is there already" in error_line(capsys, "new", "dangling.toml", "--from", "survey.json")
    assert (desk / "dangling.toml").is_symlink()
    assert "it is there already" in error_line(capsys, "new", ".", "--from", "survey.json")
    assert "it is there already" in error_line(capsys, "new", "survey.json", "--from", "survey.json")


def test_a_file_that_appears_meanwhile_is_not_overwritten(
    desk: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def meanwhile(*documents: Any) -> Any:
        (desk / "site.toml").write_text("mine")
        return first_site_file(*documents)

    monkeypatch.setattr("sidetap.cli.new.first_site_file", meanwhile)
    assert "it is there already" in error_line(capsys, *NEW)
    assert (desk / "site.toml").read_text() == "mine"


def test_no_folder_is_made(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "there is no folder yard" in error_line(capsys, "new", "yard/site.toml", "--from", "survey.json")
    assert not (desk / "yard").exists()


def test_the_survey_is_needed(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "--from" in error_line(capsys, "new", "site.toml")
    assert not (desk / "site.toml").exists()


@pytest.mark.parametrize("stops", [KeyboardInterrupt, OSError(28, "No space left on device")])
def test_a_write_that_ends_early_leaves_no_file(desk: Path, monkeypatch: pytest.MonkeyPatch, stops: Any) -> None:
    def fail(_: int) -> None:
        raise stops

    monkeypatch.setattr(os, "fsync", fail)
    assert run(NEW) == (130 if stops is KeyboardInterrupt else 2)
    assert sorted(p.name for p in desk.iterdir()) == ["match.json", "survey.json"]


# -- documents nobody means well with --------------------------------------------------------------------------------

HOSTILE = {
    "empty": b"",
    "utf-16": json.dumps(survey()).encode("utf-16"),
    "zeros": bytes(1000),
    "deep": b"[" * 5_000_000,
    "deep-objects": b'{"line":' * 1_000_000,
    "long-number": b'{"line": ' + b"9" * 9_000_000 + b"}",
    "long-text": b'{"line": "' + b"x" * 9_000_000 + b'"}',
    "many-findings": json.dumps({**survey(), "findings": [{}] * 1_000_000}).encode(),
    "too-large": b" " * 10_000_001,
    "many-devices": json.dumps({**survey(), "devices": [1] * 1_000_000}).encode(),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_document_is_one_line_in_time(desk: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    (desk / "bad.json").write_bytes(HOSTILE[name])
    for arguments in (["--from", "bad.json"], ["--from", "survey.json", "--match", "bad.json"]):
        start = time.process_time()
        line = error_line(capsys, "new", "site.toml", *arguments)
        assert time.process_time() - start < 10
        assert line.startswith("error: bad.json")
        assert len(line) < 500
    assert not (desk / "site.toml").exists()


def test_the_emptiest_of_documents_stays_under_a_gigabyte(desk: Path) -> None:
    (desk / "bad.json").write_bytes(b'{"line": [' + b"[]," * 3_300_000 + b"[]]}")
    program = (
        "import resource; from sidetap.cli.main import main\n"
        "resource.setrlimit(resource.RLIMIT_AS, (10**9, 10**9))\n"
        "main(['new', 'site.toml', '--from', 'bad.json'])"
    )
    start = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, cwd=desk, check=False)
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - start < 10
    assert done.returncode == 2
    assert done.stderr.startswith("error: bad.json:line: a list where an object is needed. ")


@pytest.mark.parametrize("make", [Path.mkdir, os.mkfifo], ids=["directory", "fifo"])
def test_what_is_no_file_is_refused_at_once(desk: Path, capsys: pytest.CaptureFixture[str], make: Any) -> None:
    make(desk / "bad.json")
    assert "not a file" in error_line(capsys, "new", "site.toml", "--from", "bad.json")
    assert "no such file" in error_line(capsys, "new", "site.toml", "--from", "gone\nerror: forged.json")


def test_documents_given_the_wrong_way_round_are_named(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = error_line(capsys, "new", "site.toml", "--from", "match.json", "--match", "survey.json")
    assert line.startswith("error: match.json:line: missing. Give what `sidetap survey RECORDING --json` printed")
    assert not (desk / "site.toml").exists()
