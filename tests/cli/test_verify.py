"""`sidetap verify`: exit status, the document, and text that a person can read in 80 columns."""

import json
from pathlib import Path

import pytest

from sidetap.cli import verify as command
from sidetap.cli.main import run
from sidetap.verify import Reached, Step, Verdict, Verification

TARN_HOLLOW = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "bay-b.toml"

HOLDS = Verification(
    "ab" * 32,
    3.25,
    (Verdict("open-time-bound", "B1", "holds"), Verdict("open-time-bound", "B2", "holds")),
    (Reached("can-open", "B", True),),
)
STORY = (
    Step(0, "a person opens a ticket for bay B"),
    Step(130_000, "the open key PB-B-OPEN is pressed"),
    Step(
        700_000,
        "valve B1 is still open when its limit is over; valve B1 has been open 11 min 40 s: 4,667 gal at 400 gpm",
    ),
)
BROKEN = Verification(
    "ab" * 32,
    3.25,
    (
        Verdict("open-time-bound", "B1", "broken", STORY, replayed=True),
        Verdict("close-wins", "B", "unknown"),
        Verdict("one-valve-per-bay", "B", "holds"),
    ),
    (Reached("can-open", "B", False),),
)


@pytest.fixture
def answer(monkeypatch: pytest.MonkeyPatch) -> list[Verification]:
    """The result to give instead of minutes of proving; the proving has tests of its own."""
    given = [HOLDS]
    monkeypatch.setattr(command, "verify_scheme", lambda _site, _scheme, _progress: given[-1])
    return given


def test_exit_0_and_a_table_when_all_holds(answer: list[Verification], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["verify", str(TARN_HOLLOW)]) == 0
    shown = capsys.readouterr()
    assert "open-time-bound  B1 B2" in shown.out
    assert "can-open B: reached" in shown.out
    assert "2 holds, 0 broken, 0 unknown" in shown.out
    assert "checked model" in shown.out
    assert "certified" not in shown.out
    assert max(map(len, shown.out.splitlines())) <= 80
    assert shown.err == ""


def test_exit_1_and_the_story_when_broken_or_unknown(
    answer: list[Verification], capsys: pytest.CaptureFixture[str]
) -> None:
    answer.append(BROKEN)
    assert run(["verify", str(TARN_HOLLOW)]) == 1
    out = capsys.readouterr().out
    assert "2 min 10 s  the open key PB-B-OPEN is pressed" in out
    assert "11 min 40 s" in out
    assert "close-wins B: neither proved nor broken" in out
    assert "can-open B: not reached" in out
    assert max(map(len, out.splitlines())) <= 80


def test_json_is_the_document_and_nothing_else(
    answer: list[Verification], capsys: pytest.CaptureFixture[str]
) -> None:
    answer.append(BROKEN)
    assert run(["verify", str(TARN_HOLLOW), "--json"]) == 1
    shown = capsys.readouterr()
    assert json.loads(shown.out) == json.loads(json.dumps(BROKEN.document()))
    assert json.loads(shown.out)["promises"][0]["trace"][1] == {"t_s": 130.0, "what": STORY[1].what}
    assert shown.err == ""


def test_a_faulty_site_is_one_error_line_and_exit_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for text in ("", "[site\n", "format = 1\nnonsense = 2\n"):
        path = tmp_path / "site.toml"
        path.write_text(text)
        assert run(["verify", str(path)]) == 2
        shown = capsys.readouterr()
        assert shown.out == ""
        assert shown.err.startswith("error: ")
        assert shown.err.count("\n") == 1
        assert path.read_text() == text
