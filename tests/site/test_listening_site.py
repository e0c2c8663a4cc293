"""A site that only listens: levels before anybody has thought about bays; and what a foreign yard sees of units."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
from yard_copy import EXAMPLE, copy_yard

from sidetap.cli.main import run
from sidetap.site import Severity, load


@pytest.fixture
def listening(tmp_path: Path) -> Path:
    """The whole yard's file without anything that acts."""
    path = copy_yard(tmp_path) / "site.toml"
    text = (EXAMPLE / "site.toml").read_text()
    path.write_text(text[: text.index("# -- Outputs")] + text[text.index("# -- Alarms") :])
    return path


def test_levels_need_no_bays(listening: Path) -> None:
    loaded = load(listening)
    (problem,) = loaded.problems
    assert (problem.severity, "it only listens" in problem.problem) == (Severity.WARNING, True)
    assert loaded.site is not None
    assert (len(loaded.site.vessels), loaded.site.bays, loaded.site.watchdog) == (6, (), None)


def test_one_bay_needs_all_that_acts(listening: Path) -> None:
    listening.write_text(listening.read_text() + '\n[[bay]]\ntag = "B"\n')
    missing = {p.where for p in load(listening).problems if p.problem == "missing"}
    assert {"module", "watchdog", "horn", "input", "valve", "compatible"} <= missing


def test_what_guards_nothing_is_neither_run_nor_verified(listening: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", str(listening)]) == 0
    capsys.readouterr()
    assert run(["run", str(listening)]) == 1
    assert "no bay: there is nothing to guard" in capsys.readouterr().err
    assert run(["verify", str(listening)]) == 2
    assert "no bay: there is nothing to verify" in capsys.readouterr().err
    assert run(["matrix", str(listening)]) == 2
    assert "no bay: it only listens" in capsys.readouterr().err


def test_limits_are_told_in_the_units_of_the_site(tmp_path: Path) -> None:
    path = copy_yard(tmp_path) / "site.toml"
    text = path.read_text().replace(
        'volume = "gal", flow = "gpm", mass = "lb"', 'volume = "L", flow = "L/min", mass = "kg"'
    )
    path.write_text(text.replace('"9 min 5 s"', '"10 min 30 s"'))
    (problem,) = load(path).problems
    # 440 gpm for 630 s, and 31 gal: 4,620 gal and 31 gal in litres; 47,000 lb are 21,318.8 kg (NIST Handbook 44)
    assert "let 17,489 L through and 118 L more" in problem.problem
    assert "over its payload of 21,318 kg" in problem.problem
    assert not re.search(r"\b(gal|lb)\b", problem.problem)


@pytest.mark.parametrize(
    ("old", "new", "where", "says"),
    [
        ("level_m,volume_gal", "level_km,volume_gal", "vessel.T2.strapping", ""),
        ("level_m,volume_gal\n", "level_m,volume_gal\n0.1,1000\n", "", ""),
    ],
)
def test_a_header_is_a_unit_of_the_table(tmp_path: Path, old: str, new: str, where: str, says: str) -> None:
    yard = copy_yard(tmp_path)
    table = yard / "t2-strapping.csv"
    table.write_text(table.read_text().replace(old, new))
    problems = load(yard / "site.toml").problems
    assert any(p.where == where for p in problems) if where else problems == ()


def test_a_table_in_another_unit_than_its_header_is_no_vessel(tmp_path: Path) -> None:
    yard = copy_yard(tmp_path)
    table = yard / "t2-strapping.csv"
    header, *rows = table.read_text().split()
    centimetres = [f"{float(level) * 100:g},{volume}" for level, volume in (row.split(",") for row in rows)]
    table.write_text("\n".join([header, *centimetres]))
    problems = [p for p in load(yard / "site.toml").problems if p.where == "vessel.T2.strapping"]
    assert any("a vessel of 580" in p.problem for p in problems)


def test_a_drawing_with_a_radius_for_its_diameter_is_told(tmp_path: Path) -> None:
    yard = copy_yard(tmp_path)
    text = (EXAMPLE / "site.toml").read_text()
    (yard / "site.toml").write_text(text.replace('drawing.diameter = "9.754 m"', 'drawing.diameter = "4.877 m"'))
    (problem,) = load(yard / "site.toml").problems
    assert problem.where == "vessel.T2.drawing"
    assert "-75% from the table" in problem.problem


def test_a_newer_format_is_not_to_be_rewritten(listening: Path) -> None:
    text = listening.read_text()
    listening.write_text(text.replace("format = 1", "format = 2"))
    (problem,) = [p for p in load(listening).problems if p.where == "format"]
    assert "take a newer sidetap" in problem.remedy
    listening.write_text(text.replace("format = 1\n", ""))
    (problem,) = [p for p in load(listening).problems if p.where == "format"]
    assert problem.problem == "missing"
    assert "format = 1" in problem.remedy
    assert "site migrate" in problem.remedy


def test_a_terminal_of_another_alphabet_gets_signs_and_no_traceback(listening: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "sidetap", "site", "explain", "vessel.level.sensor_height"],
        env={"PYTHONIOENCODING": "ascii", "PATH": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "density ? 9.80665" in done.stdout
