"""The verbs `check` and `level`: documents by the contract, text for people, exit status, one error line."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from polled import EPOCH_S, EXAMPLE, chunks

from sidetap.cli.main import run
from sidetap.line.recording import write_csv, write_pcapng

SITE = str(EXAMPLE / "bay-b.toml")
LEVEL_KEYS = [
    *("vessel", "level_mm", "level_text", "volume_gal", "volume_L", "mass_lb", "uncertainty_gal"),
    *("volume_at_most_gal", "last_good", "quality", "reason", "age_s"),
]


@pytest.fixture
def recording(tmp_path: Path) -> str:
    write_csv(tmp_path / "line.csv", chunks(), None)
    return str(tmp_path / "line.csv")


def document(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> Any:
    assert run([*arguments, "--json"]) == status
    out, err = capsys.readouterr()
    assert err == ""
    return json.loads(out, parse_constant=lambda name: pytest.fail(name))


def error_line(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(list(arguments)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    return err


# -- check -----------------------------------------------------------------------------------------------------------


def test_a_good_site_has_both_hashes(capsys: pytest.CaptureFixture[str]) -> None:
    found = document(capsys, "check", SITE)
    assert list(found) == ["ok", "scheme_hash", "site_hash", "problems"]
    assert found["ok"] is True
    assert found["problems"] == []
    assert all(len(found[key]) == 64 and int(found[key], 16) for key in ("scheme_hash", "site_hash"))


def test_a_faulty_site_exits_1_with_every_problem(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    yard = Path(shutil.copytree(EXAMPLE, tmp_path / "yard"))
    site = yard / "bay-b.toml"
    site.write_text(site.read_text().replace('"transistor"', '"relay"').replace('"9 min 5 s"', '"9 min 6 s"'))
    found = document(capsys, "check", str(site), status=1)
    assert (found["ok"], found["scheme_hash"], found["site_hash"]) == (False, None, None)
    assert [p["where"] for p in found["problems"]] == ["watchdog.kind", "valve.B3.open_limit"]
    assert list(found["problems"][0]) == ["severity", "file", "line", "column", "where", "problem", "remedy"]
    assert run(["check", str(site)]) == 1
    out, err = capsys.readouterr()
    assert err == ""
    first = found["problems"][0]
    start = f"{site}:{first['line']}:{first['column']}: error: watchdog.kind: "
    assert out.splitlines()[0] == f"{start}{first['problem']}. {first['remedy']}"
    assert out.splitlines()[-1] == f"{site}: 2 errors, 0 warnings"


def test_toml_syntax_is_an_error_of_the_site(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text("format = 1\nsite = [\n")
    (problem,) = document(capsys, "check", str(tmp_path / "site.toml"), status=1)["problems"]
    assert (problem["where"], problem["line"]) == ("TOML", 2)


def test_warnings_alone_exit_0(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    yard = Path(shutil.copytree(EXAMPLE, tmp_path / "yard"))
    site = yard / "bay-b.toml"
    site.write_text(site.read_text().replace('state = "disabled in hardware"', 'state = "off"'))
    found = document(capsys, "check", str(site))
    assert [(p["severity"], p["where"]) for p in found["problems"]] == [("warning", "line.north.transmitter.state")]


@pytest.mark.parametrize("verb", ["check", "level"])
def test_what_is_no_file_is_one_line(capsys: pytest.CaptureFixture[str], tmp_path: Path, verb: str) -> None:
    assert "not a file" in error_line(capsys, verb, str(tmp_path))
    assert "no such file" in error_line(capsys, verb, str(tmp_path / "gone\nerror: forged.toml"))


# -- level -----------------------------------------------------------------------------------------------------------


def test_levels_at_the_end_of_a_recording(capsys: pytest.CaptureFixture[str], recording: str) -> None:
    found = document(capsys, "level", SITE, recording)
    assert list(found) == ["levels"]
    t1, t2, t3 = found["levels"]
    assert list(t1) == LEVEL_KEYS
    assert (t1["level_mm"], t1["level_text"], t1["quality"]) == (3480.0, "11 ft 5 in", "good")
    assert abs(t1["volume_gal"] - 60_371) <= 2
    assert (t2["quality"], t2["age_s"], t2["last_good"]["t_s"]) == ("warn", 4.06, 5.09)
    assert (t3["quality"], t3["level_mm"], t3["volume_gal"]) == ("below-sensor", None, None)
    assert (t3["volume_at_most_gal"], t3["last_good"]) == (2056, {"level_mm": 2399.5, "t_s": 8.15})


@pytest.mark.parametrize(
    ("at", "t2", "t3"), [("8.0", "good", "good"), ("8.1", "warn", "good"), ("10.1", "old", "below-sensor")]
)
def test_levels_at_a_moment(capsys: pytest.CaptureFixture[str], recording: str, at: str, t2: str, t3: str) -> None:
    found = document(capsys, "level", SITE, recording, "--at", at)["levels"]
    assert [entry["quality"] for entry in found] == ["good", t2, t3]


def test_a_moment_as_a_local_or_absolute_time(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "line.pcapng"
    write_pcapng(path, chunks(EPOCH_S), None)
    for text in ("2026-02-11T10:00:08.1", "2026-02-11T16:00:08.1Z", f"{EPOCH_S + 8}.1"):
        found = document(capsys, "level", SITE, str(path), "--at", text)["levels"]
        assert found[1]["quality"] == "warn"
        assert found[1]["age_s"] == pytest.approx(3.01, abs=1e-6)


@pytest.mark.parametrize(
    ("at", "says"),
    [
        ("noon", "no time"),
        ("1e999999999", "no time"),
        ("9" * 40, "no time"),
        ("2026-02-11T10:00:00", "counts from its own start"),
        ("-100", "outside the recording"),
        ("3600", "outside the recording"),
    ],
)
def test_a_moment_that_is_none(capsys: pytest.CaptureFixture[str], recording: str, at: str, says: str) -> None:
    assert says in error_line(capsys, "level", SITE, recording, "--at", at)


def test_a_recording_without_times_has_no_ages(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "line.bin").write_bytes(b"".join(chunk.data for chunk in chunks()))
    assert "without times" in error_line(capsys, "level", SITE, str(tmp_path / "line.bin"))


def test_a_faulty_site_is_its_first_problem(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, recording: str
) -> None:
    yard = Path(shutil.copytree(EXAMPLE, tmp_path / "yard"))
    site = yard / "bay-b.toml"
    site.write_text(site.read_text().replace('"transistor"', '"relay"'))
    line = error_line(capsys, "level", str(site), recording)
    assert ":8: watchdog.kind: a heartbeat on 'relay'" in line


def test_the_past_is_only_in_a_recording(capsys: pytest.CaptureFixture[str]) -> None:
    assert "only a recording has a past" in error_line(capsys, "level", SITE, "--at", "5")


def test_without_a_station_there_is_no_level(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    yard = Path(shutil.copytree(EXAMPLE, tmp_path / "yard"))
    assert "no station runs there" in error_line(capsys, "level", str(yard / "bay-b.toml"))
