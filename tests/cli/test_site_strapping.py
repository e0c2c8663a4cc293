"""`sidetap site strapping`: the table beside the shape as drawn, height by height."""

import json
import math
from pathlib import Path

import pytest

from sidetap.cli.main import run

WHOLE_YARD = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "site.toml"
GALLON_L = 3.785411784  # NIST Handbook 44, appendix C


def test_every_row_of_the_table_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["site", "strapping", str(WHOLE_YARD), "T2", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["vessel"], len(document["rows"])) == ("T2", 14)
    lowest, highest = document["rows"][0], document["rows"][-1]
    assert (lowest["level_mm"], highest["level_mm"]) == (150, 5800)
    assert highest["strapping_L"] == pytest.approx(113_958 * GALLON_L, abs=0.1)
    # an upright cylinder less a cone of 0.30 m in its floor: school geometry
    drawn_m3 = math.pi * 9.754**2 / 4 * (5.8 - 0.30 / 3)
    assert highest["drawing_L"] == pytest.approx(drawn_m3 * 1000, abs=0.1)
    worth_mm = (drawn_m3 * 1000 - 113_958 * GALLON_L) / ((113_958 - 108_036) * GALLON_L / 300)
    assert highest["worth_mm"] == pytest.approx(worth_mm, abs=0.1)


def test_the_table_fits_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["site", "strapping", str(WHOLE_YARD), "T2"]) == 0
    shown = capsys.readouterr().out.splitlines()
    assert len(shown) == 16
    assert max(map(len, shown)) <= 80
    assert shown[-1].split() == [
        "19",
        "ft",
        "0",
        "3/8",
        "in",
        "113,958",
        "gal",
        "112,517",
        "gal",
        "-1,441",
        "gal",
        "-1.26",
        "-73.0",
        "mm",
    ]


def test_a_level_that_the_drawing_does_not_have_is_dashes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("people.toml", "t2-strapping.csv"):
        (tmp_path / name).write_text(WHOLE_YARD.with_name(name).read_text())
    text = WHOLE_YARD.read_text().replace('drawing.height = "6.096 m"', 'drawing.height = "5.5 m"')
    (tmp_path / "site.toml").write_text(text)
    assert run(["site", "strapping", str(tmp_path / "site.toml"), "T2"]) == 0
    assert capsys.readouterr().out.splitlines()[-1].split()[-4:] == ["-"] * 4


@pytest.mark.parametrize(("vessel", "says"), [("T1", "no strapping with a drawing"), ("T9", "no vessel 'T9'")])
def test_without_both_there_is_one_line(vessel: str, says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["site", "strapping", str(WHOLE_YARD), vessel]) == 2
    error = capsys.readouterr().err
    assert error.startswith("error: ")
    assert error.count("\n") == 1
    assert says in error
