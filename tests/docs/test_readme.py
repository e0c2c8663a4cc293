"""The README is run: its commands print what it shows, its summary is what the demo prints, its files are there."""

import re
from pathlib import Path

import pytest
from demo_run import DemoRun

from sidetap.cli.main import VERBS, run

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```console\n\$ sidetap (.*?)\n(.*?)```", README, re.DOTALL)
SUMMARY = re.search(r"<!-- summary -->\n```text\n(.*?)```", README, re.DOTALL)


def shown_in(shown: str, printed: str) -> bool:
    """Return whether printed has the lines of shown in their order; "..." stands for any lines."""
    pattern = ""
    for line in shown.splitlines():
        pattern += "(?:.*\n)*?" if line == "..." else re.escape(line.rstrip()) + " *\n"
    return re.fullmatch(pattern, printed) is not None


@pytest.fixture(scope="module")
def place(demo_once: DemoRun, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as a reader of the README has it: a clone with a recording."""
    folder = tmp_path_factory.mktemp("reader")
    (folder / "examples").symlink_to(ROOT / "examples")
    (folder / "recording").symlink_to(demo_once.folder)
    return folder


@pytest.mark.parametrize(("command", "shown"), BLOCKS, ids=[command.split()[0] for command, _ in BLOCKS])
def test_a_command_prints_what_the_readme_shows(
    command: str, shown: str, place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(place)
    assert run([word.strip('"') for word in command.split()]) == 0
    printed = capsys.readouterr().out
    assert shown_in(shown, printed), printed[:2000]


def test_the_summary_is_what_the_demo_prints(demo_once: DemoRun) -> None:
    assert demo_once.status == 0, demo_once.complained
    assert SUMMARY is not None
    assert [line.rstrip() for line in demo_once.printed.splitlines()] == SUMMARY[1].splitlines()


def test_every_file_the_readme_names_is_there() -> None:
    for target in re.findall(r"\]\(([^)#:]+)\)", README):
        assert (ROOT / target).exists(), target


def test_every_verb_is_in_the_readme() -> None:
    for verb in VERBS:
        assert f"sidetap {verb}" in README, verb
