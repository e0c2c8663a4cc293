"""`sidetap matrix` as people and programs get it; whether its cells are true is seen in tests/site/test_matrix.py."""

import csv
import io
import json
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

from sidetap.cli.main import run
from sidetap.cli.matrix_view import _ranges, show
from sidetap.site import load_or_refuse, site_hash
from sidetap.site.cause_effect import compile_site
from sidetap.site.matrix import matrix_of
from sidetap.site.model import Bypass

EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow"
WHOLE = str(EXAMPLE / "site.toml")


@pytest.fixture
def printed(capsys: pytest.CaptureFixture[str]) -> Any:
    def printed_by(*arguments: str, status: int = 0) -> str:
        assert run(["matrix", *arguments]) == status
        captured = capsys.readouterr()
        return captured.err if status else captured.out

    return printed_by


def test_text_is_plain_and_fits_a_page(printed: Any) -> None:
    text = printed(WHOLE)
    assert max(map(len, text.splitlines())) <= 80
    assert all(line == line.rstrip() for line in text.splitlines())
    assert "\x1b" not in text
    row = text[text.index("T2 has tripped") : text.index("T4 has tripped")]  # of bay A, whose valves are A1, A2, A4
    words = " ".join(row.split())
    assert "mean of 15 s" in words
    assert "below 1 ft 11 5/8 in (0.600 m) for 2 s, latched until reset at 2 ft 3 5/8 in (0.700 m)" in words


def test_marks_stand_under_their_valves(printed: Any) -> None:
    lines = printed(WHOLE).splitlines()
    heads = next(line for line in lines if line.split() == ["cause", "B1", "B2", "B3", "pump"])
    at = {tag: heads.index(tag) for tag in ("B1", "B2", "B3", "pump")}
    start = lines.index(heads)
    told = {
        words: next(line for line in lines[start:] if words in line)
        for words in ("T1 has no valid level", "T2 has no valid level", "no ticket is open", "T3 serves one bay")
    }
    cells = {words: [line[place : place + 8].strip() for place in at.values()] for words, line in told.items()}
    assert cells == {
        "T1 has no valid level": ["closes", "", "", "off"],
        "T2 has no valid level": ["", "closes", "", "off"],
        "no ticket is open": ["closes", "closes", "closes", "off"],
        "T3 serves one bay": ["", "", "no start", "no start"],
    }


def test_what_is_signed_is_what_runs(printed: Any) -> None:
    site = load_or_refuse(Path(WHOLE))
    scheme, paper = compile_site(site).digest, site_hash(site)
    text = printed(WHOLE)
    assert f"scheme {scheme}" in text
    assert f"site   {paper}" in text
    assert f"\nfile   site.toml, told by sidetap {version('sidetap')}\n" in text
    assert f"Signed for scheme {scheme[:12]}, site {paper[:12]}" in text
    assert text.count("signature ___") == 4
    assert text.count("red button on the post") == 3
    for alarm in compile_site(site).alarms:
        assert f"\n{alarm.tag} " in text
    assert text.index("\nC6-mismatch ") < text.index("\nT1-late ")  # the high ones come first


def test_the_document_has_every_cell(printed: Any) -> None:
    document = json.loads(printed(WHOLE, "--json"))
    site = load_or_refuse(Path(WHOLE))
    assert document["scheme_hash"] == compile_site(site).digest
    assert document["site_hash"] == site_hash(site)
    assert (document["file"], document["tool"]) == ("site.toml", f"sidetap {version('sidetap')}")
    assert [of_bay["bay"] for of_bay in document["bays"]] == ["A", "B", "C"]
    trip = next(row for row in document["bays"][1]["rows"] if row["cause"] == "trip")
    assert trip["effects"] == {"B1": "closes", "B2": None, "B3": None}
    assert (trip["pump_permit"], trip["set_aside_by_bypass"]) == ("off", True)
    assert document["bypass"] == {"trips": ["T1", "T2", "T3"], "time_s": 900.0, "at_most_s": 3600.0}
    water = next(row for row in document["compatible"] if row["product"] == "water")
    assert water["may_follow"] == ["water", "10 % Zn"]
    assert len(document["alarms"]) == len(compile_site(site).alarms)
    alarms = {alarm["alarm"]: alarm for alarm in document["alarms"]}
    assert alarms["T1-bypassed"]["priority"] == "high"
    # differences of levels, rounded up like the levels: 50 mm are 1.97 in, 20 mm are 0.79 in
    assert alarms["T1-low"]["exactly"].endswith(" for 1 min, until 0 ft 2 in (0.050 m) back")
    assert alarms["T1-drawn"]["exactly"].startswith("0 ft 0 7/8 in (0.020 m) under its highest since 23 s")


def test_a_spreadsheet_has_a_column_for_every_valve(printed: Any) -> None:
    rows = list(csv.DictReader(io.StringIO(printed(WHOLE, "--csv"))))
    document = json.loads(printed(WHOLE, "--json"))
    tags = [valve.tag for valve in load_or_refuse(Path(WHOLE)).valves]
    assert len(rows) == sum(len(of_bay["rows"]) for of_bay in document["bays"])
    for row in rows:
        of_bay = next(b for b in document["bays"] if b["bay"] == row["bay"])
        effects = of_bay["rows"][int(row["number"]) - 1]["effects"]
        assert {tag: row[tag] or None for tag in effects} == effects
        assert all(row[tag] == "" for tag in tags if tag not in effects)


def test_a_bay_of_many_valves_is_told_in_parts(capsys: pytest.CaptureFixture[str]) -> None:
    whole = load_or_refuse(Path(WHOLE))
    valves = tuple(replace(valve, tag=f"VALVE-{valve.tag}", bay="B") for valve in whole.valves)
    site = replace(whole, bays=(whole.bay("B"),), valves=valves, rules=(), promises=())
    show(site, matrix_of(site))
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    heads = [line.split()[1:-1] for line in lines if line.split()[:1] == ["cause"] and line.endswith("pump")]
    assert [len(tags) for tags in heads] == [4, 4, 1]
    told = [line for line in lines if "has no valid level" in line and "high" not in line]
    assert sum(line.count("closes") for line in told) == len(valves)


def test_words_of_the_site_are_printed_as_they_stand(capsys: pytest.CaptureFixture[str]) -> None:
    whole = load_or_refuse(Path(WHOLE))
    inputs = tuple(replace(wired, when_off="[red]the hose[/red] is off") for wired in whole.inputs)
    show(replace(whole, inputs=inputs), matrix_of(replace(whole, inputs=inputs)))
    assert "[red]the hose[/red] is off" in capsys.readouterr().out


def test_a_bypass_of_a_vessel_that_nothing_draws_from_sets_nothing_aside(capsys: pytest.CaptureFixture[str]) -> None:
    whole = load_or_refuse(Path(WHOLE))
    valves = tuple(valve for valve in whole.valves if valve.vessel != "T2")
    site = replace(whole, valves=valves, rules=(), promises=(), bypass=Bypass(("T2",), 10**9, 10**9))
    show(site, matrix_of(site))
    assert "\nWhat a bypass may set aside\n  the low trip of T2, one at a time" in capsys.readouterr().out


def test_what_can_have_no_table_is_refused(printed: Any, tmp_path: Path) -> None:
    assert "both --json and --csv" in printed(WHOLE, "--json", "--csv", status=2)
    assert "error:" in printed(str(tmp_path / "none.toml"), status=2)


def test_numbers_are_shortened_where_they_run() -> None:
    assert [_ranges(numbers) for numbers in ([1], [1, 2], [1, 2, 3], [1, 3, 4, 5, 9])] == [
        "1",
        "1, 2",
        "1-3",
        "1, 3-5, 9",
    ]
