"""The demo in fast time: what it must have gone through, and that it leaves nothing running."""

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from demo_run import DemoRun

from sidetap.cli.main import run
from sidetap.errors import BadInput
from sidetap.rehearse.blind import PRELUDE, ask_blindly
from sidetap.rehearse.folder import EXAMPLE, prepare
from sidetap.rehearse.words import HELP, act
from sidetap.station.store import read_journal
from sidetap.yard import Yard


def test_it_ends_well_and_complains_of_nothing(demo_once: DemoRun) -> None:
    assert demo_once.status == 0, demo_once.complained
    assert demo_once.complained == ""


def test_it_went_through_a_load_a_trip_and_an_old_data_stop(demo_once: DemoRun) -> None:
    records, audit = read_journal(demo_once.folder / "state" / "station.db")
    assert audit.ok
    assert audit.records == len(records)
    closings = [(r.subject, json.loads(r.what)) for r in records if r.kind == "close"]
    assert [(valve, what["cause"]) for valve, what in closings] == [("B1", "limit"), ("B2", "trip"), ("B3", "old")]
    assert closings[0][1]["open_ms"] == 575_000  # 9 min 35 s, the limit of B from T1
    opened = next(r.mono_ns for r in records if r.kind == "open" and r.subject == "B1")
    closed = next(r.mono_ns for r in records if r.kind == "close" and r.subject == "B1")
    assert closed - opened == 575 * 10**9
    for words in ("a full load", "a low trip", "an old-data stop", "5.0 s after the last good level"):
        assert words in demo_once.printed


def test_the_far_side_of_the_tap_reads_zero_bytes(demo_once: DemoRun) -> None:
    assert re.findall(r"written towards the line by us.*?: (\d+) bytes", demo_once.printed) == ["0", "0"]


def test_every_vessel_is_matched_and_the_site_file_agrees(demo_once: DemoRun) -> None:
    answers = json.loads((demo_once.folder / "match.json").read_text())["answers"]
    assert {a["name"]: a["status"] for a in answers} == {f"T{n}": "settled" for n in range(1, 7)}
    assert demo_once.printed.count(", same") == 3
    assert ", NOT" not in demo_once.printed


def test_nothing_is_left_running(demo_once: DemoRun) -> None:
    left = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if int(process.name) != os.getpid() and str(demo_once.folder) in (process / "cmdline").read_text():
                left.append(process.name)
        except OSError:
            continue  # it ended while we looked
    assert left == []


def test_survey_and_match_can_not_know_the_yard() -> None:
    """The process they run in can't import it, by any name."""
    for name in ("sidetap.yard", "sidetap.yard.yard", "sidetap.rehearse.plant"):
        done = subprocess.run([sys.executable, "-c", f"{PRELUDE}import {name}"], capture_output=True, check=False)
        assert b"ModuleNotFoundError" in done.stderr
        assert b"sidetap.yard" in done.stderr


def test_a_blind_command_that_fails_says_why(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"nothing-here\.pcapng"):
        ask_blindly("survey", str(tmp_path / "nothing-here.pcapng"))


def test_a_folder_with_other_files_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "thesis.txt").write_text("ten years of work")
    assert run(["demo", "--once", "--folder", str(tmp_path)]) == 2
    assert "no demo made" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["thesis.txt"]


def test_a_folder_of_an_earlier_demo_is_used_again(tmp_path: Path) -> None:
    first = prepare(tmp_path / "demo")
    first.state.mkdir()
    (first.state / "station.db").write_text("of yesterday")
    assert not prepare(tmp_path / "demo").state.exists()


def test_what_was_verified_or_ran_at_the_example_is_none_of_the_demo_s(tmp_path: Path) -> None:
    example = tmp_path / "example"
    shutil.copytree(EXAMPLE, example)
    for name in ("verified", "state"):
        (example / name).mkdir(exist_ok=True)
        (example / name / "left.json").write_text("{}")
    site = prepare(tmp_path / "demo", example).site
    assert site.is_file()
    assert [path.name for path in site.parent.iterdir() if path.is_dir()] == []


@pytest.mark.parametrize(
    "line", ["hose on", "selector hand", "stop pressed", "probe wet", "open-key pressed", "close-key pressed"]
)
def test_words_move_the_yard(line: str) -> None:
    yard = Yard()
    before = yard.module.inputs()
    act(yard, line)
    assert yard.module.inputs() != before


def test_words_set_levels_and_silence_devices() -> None:
    yard = Yard()
    assert act(yard, "level T1 0.65 m") == "T1 is at 650 mm; a jump that the station believes after 57 s"
    assert yard.vessels["T1"].level_mm == 650
    act(yard, "silence 11")
    assert yard.devices[11].ails.silent
    act(yard, "restore 11")
    assert not yard.devices[11].ails.silent
    assert act(yard, "truth").endswith("0 bytes from us on the line")


@pytest.mark.parametrize(
    "line", ["", "hose", "hose maybe", "level T9 1 m", "level T1 1 gal", "level T1 90 m", "silence 99", "dance"]
)
def test_words_nobody_knows_change_nothing(line: str) -> None:
    yard = Yard()
    with pytest.raises(ValueError, match=r"."):
        act(yard, line)
    assert yard.vessels["T1"].level_mm == Yard().vessels["T1"].level_mm


def test_the_help_names_every_verb() -> None:
    for words in HELP:
        verb = words.split()[0]
        example = {"level": "level T1 1 m", "silence": "silence 11", "restore": "restore 11", "truth": "truth"}
        act(Yard(), example.get(verb, words.partition("|")[0]))
