"""`sidetap run` of a scheme that nobody has verified: who may answer for it, and what is verified all the same.

The verification of a few promises is a process of its own; here its answers are made up.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from sidetap.cli.main import run

EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow"
THREE = "close-wins,start-up-closed,open-time-bound"
WHO = ["--unverified-by", "R. Achterberg", "--because", "commissioning without product"]
BEGUN = (
    "verifying close-wins, start-up-closed and open-time-bound, which nobody can set aside; it may take a minute\n"
)
WELL = [("close-wins", "B"), ("start-up-closed", "B"), *(("open-time-bound", f"B{n}") for n in (1, 2, 3))]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """The example's smaller site on ports that are not there: a station that gets so far has been cleared."""
    for name in ("people.toml", "t2-strapping.csv", "bay-b.toml"):
        text = (EXAMPLE / name).read_text()
        (tmp_path / name).write_text(text.replace('port = "/dev/serial/by-path/', 'port = "/nowhere/'))
    return tmp_path / "bay-b.toml"


class Child:
    """Stands for the process that verifies."""

    def __init__(self, status: int, answer: str) -> None:
        self.status, self.answer = status, answer
        self.asked: list[list[str]] = []

    def __call__(self, command: list[str], **_: Any) -> subprocess.CompletedProcess[str]:
        self.asked.append(command)
        return subprocess.CompletedProcess(command, self.status, self.answer)


def says(monkeypatch: pytest.MonkeyPatch, status: int, answer: str) -> Child:
    child = Child(status, answer)
    monkeypatch.setattr("sidetap.cli.run.subprocess.run", child)
    return child


def verdicts(**changed: str) -> str:
    told = [(name, subject, changed.get(subject, "holds")) for name, subject in WELL]
    return json.dumps({"promises": [dict(zip(("promise", "subject", "verdict"), row, strict=True)) for row in told]})


def refusal(capsys: pytest.CaptureFixture[str], status: int, *arguments: str, begun: str = "") -> str:
    assert run(["run", *arguments]) == status
    out, err = capsys.readouterr()
    assert out == begun
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    return err


def test_without_a_person_it_is_refused(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = refusal(capsys, 1, str(site))
    assert told == f"error: {site}: its scheme has never been verified. Run sidetap verify {site}.\n"


@pytest.mark.parametrize("half", [WHO[:2], WHO[2:]])
def test_a_person_and_a_reason_go_together(site: Path, capsys: pytest.CaptureFixture[str], half: list[str]) -> None:
    assert "--unverified-by and --because go together" in refusal(capsys, 2, str(site), *half)


def test_a_person_may_answer_once_three_promises_hold(
    site: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    child = says(monkeypatch, 0, verdicts())
    assert "/nowhere/" in refusal(capsys, 2, str(site), *WHO, begun=BEGUN)
    assert child.asked == [[sys.executable, "-m", "sidetap", "verify", str(site), "--only", THREE, "--json"]]


@pytest.mark.parametrize("subject", ["B", "B2"])
def test_nobody_may_when_one_of_them_does_not(
    site: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, subject: str
) -> None:
    says(monkeypatch, 1, verdicts(**{subject: "broken"}))
    assert f"{subject} is broken, and nobody can set that aside" in refusal(capsys, 1, str(site), *WHO, begun=BEGUN)


@pytest.mark.parametrize("answer", ["", "no JSON", "[]", '{"promises": [{}]}', '{"promises": 7}'])
def test_no_answer_is_no_verification(
    site: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, answer: str
) -> None:
    says(monkeypatch, -9, answer)
    assert "ended without an answer" in refusal(capsys, 1, str(site), *WHO, begun=BEGUN)


def test_what_the_verification_complains_of_is_told_once(
    site: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    says(monkeypatch, 2, "")
    assert run(["run", str(site), *WHO]) == 2
    assert capsys.readouterr() == (BEGUN, "")  # the child has said it on the stderr that they share
