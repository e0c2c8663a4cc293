"""`sidetap verify --rehearse`: what is played is told with its story, as text and as JSON, for the yard's sites only.

The proving is somebody else's test; here a promise of the yard's own is said to be broken by a course that breaks it.
"""

import json
import shutil
from collections.abc import Collection
from pathlib import Path

import pytest

from sidetap.cli import verify as command
from sidetap.cli.main import run
from sidetap.rehearse.folder import BAY_B, EXAMPLE
from sidetap.site import Site
from sidetap.site.cause_effect import CompiledScheme
from sidetap.verify import Progress, Step, Verdict, Verification
from sidetap.verify.course import Course
from sidetap.verify.replay import Replayed
from sidetap.verify.scripts import Script

OWN = """
[[promise]]
tag = "P-1"
text = "the road bay loads nothing from North Round while it is over 1 m"
when = ["T1 above 1.0 m"]
then = ["B1 closed"]
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    for name in (BAY_B, "people.toml", "t2-strapping.csv"):
        shutil.copy(EXAMPLE / name, tmp_path)
    path = tmp_path / BAY_B
    text = path.read_text(encoding="utf-8").replace("9 min 35 s", "20 s")  # or it were open for minutes
    path.write_text(text + OWN, encoding="utf-8")
    return path


@pytest.fixture(autouse=True)
def course(monkeypatch: pytest.MonkeyPatch) -> list[Course]:
    """Let verification say that the own promise is broken by a valve that opens, or by a course that is put here."""
    courses: list[Course] = []

    def says(
        site: Site, scheme: CompiledScheme, _progress: Progress | None, _only: Collection[str] | None
    ) -> Verification:
        course = courses[0] if courses else Script(site).load(site.bay("B"), 1).course(500)
        story = (Step(17_300, "the open key PB-B-OPEN is pressed; valve B1 opens"),)
        scans = (Replayed(17_300, 100, {"PB-B-OPEN": True}, {}),)
        verdict = Verdict("own", "P-1", "broken", story, True, scans, course=course)
        return Verification(scheme.digest, 1.0, (verdict,), ())

    monkeypatch.setattr(command, "verify_scheme", says)
    return courses


def test_what_the_yard_did_is_told_with_the_story(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["verify", str(site), "--only", "own", "--rehearse"]) == 1
    out = capsys.readouterr().out
    told = " ".join(out.split())
    assert "it breaks there too, at 06:00:17.3: not so: the road bay loads nothing" in told
    assert "B1 had to be shut by 06:00:23.4 and was at 06:00:43.4, 20 s later" in told
    assert "  06:00:17.4  coil 0 (B1) on; coil 8 (pump B) on\n  06:00:23.4  B1 is open\n" in out
    assert max(map(len, out.splitlines())) <= 80


def test_json_has_it_beside_the_documented_keys(
    site: Path, course: list[Course], capsys: pytest.CaptureFixture[str]
) -> None:
    course.append(Course((), 200))
    assert run(["verify", str(site), "--only", "own", "--rehearse", "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert document.keys() == {"ok", "scheme_hash", "seconds", "promises", "reachable", "on_yard"}
    (played,) = document["on_yard"]
    assert played == {
        "promise": "own",
        "subject": "P-1",
        "verdict": "does not break",
        "told": "it does not break there, up to 06:00:03.2; at the end of the story the station has PB-B-OPEN off "
        "(there on)",
        "t_s": None,
        "clause": "",
        "valves": [],
        "did": [],
        "nearly": [],
    }
    assert run(["verify", str(site), "--only", "own", "--json"]) == 1
    assert "on_yard" not in json.loads(capsys.readouterr().out)


def test_another_yard_is_one_line(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site.write_text(site.read_text(encoding="utf-8").replace('"400 gpm"', '"300 gpm"'), encoding="utf-8")
    assert run(["verify", str(site), "--rehearse"]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "bay B is not as in the simulated yard" in shown.err.splitlines()[-1]


def test_it_does_not_go_with_a_recheck(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["verify", str(site), "--recheck", "--rehearse"]) == 2
    assert "--rehearse" in capsys.readouterr().err
