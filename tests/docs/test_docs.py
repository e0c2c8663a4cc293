"""The documents are run: commands print what they show, the summary is the demo's, every file named is there."""

import contextlib
import re
import shlex
import shutil
from pathlib import Path

import pytest
from demo_run import DemoRun
from simulated import Line, SimulatedTap, World

from sidetap.cli import record as record_verb
from sidetap.cli.main import VERBS, run
from sidetap.line.transaction import Outcome
from sidetap.station.ports.identity import Identity

ROOT = Path(__file__).parents[2]
PAGES = {page: page.read_text(encoding="utf-8") for page in (ROOT / "README.md", *sorted(ROOT.glob("docs/*.md")))}
README = PAGES[ROOT / "README.md"]
LISTENING = PAGES[ROOT / "docs" / "listening.md"]
BLOCKS = [
    pytest.param(command, shown, id=f"{page.stem}-{command.split()[0]}-{number}")
    for page, text in PAGES.items()
    for number, (command, shown) in enumerate(re.findall(r"```console\n\$ sidetap (.*?)\n(.*?)```", text, re.DOTALL))
]
SUMMARY = re.search(r"<!-- summary -->\n```text\n(.*?)```", README, re.DOTALL)
ADAPTER = Identity("/dev/ttyUSB0", "RX0001", "USB adapter", (1, 2), "1-2")


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
    shutil.copytree(ROOT / "examples", folder / "examples", ignore=shutil.ignore_patterns("verified", "state"))
    (folder / "recording").symlink_to(demo_once.folder)
    return folder


@pytest.fixture
def adapter(monkeypatch: pytest.MonkeyPatch) -> None:
    """What `record` finds: an adapter on a simulated 19200 8E1 line, which marks each errored byte, and its clock."""
    world = World(step_ms=64)
    line = Line(world)
    monkeypatch.setattr(record_verb, "machine_clock", lambda: contextlib.nullcontext(world))
    monkeypatch.setattr(
        record_verb,
        "open_tap",
        lambda source, *_: SimulatedTap(line, source=source, identity=ADAPTER, raised_ns=1_900_000),
    )


@pytest.mark.usefixtures("adapter")
@pytest.mark.parametrize(("command", "shown"), BLOCKS)
def test_a_command_prints_what_the_page_shows(
    command: str, shown: str, place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(place)
    assert run(shlex.split(command)) == 0
    printed = capsys.readouterr().out
    assert shown_in(shown, printed), printed[:2000]


def test_the_summary_is_what_the_demo_prints(demo_once: DemoRun) -> None:
    assert demo_once.status == 0, demo_once.complained
    assert SUMMARY is not None
    assert [line.rstrip() for line in demo_once.printed.splitlines()] == SUMMARY[1].splitlines()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_file_a_page_names_is_there(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#:]+)\)", PAGES[page]):
        assert (page.parent / target).exists(), target


def test_every_verb_is_in_the_readme() -> None:
    for verb in VERBS:
        assert f"sidetap {verb}" in README, verb


def test_every_outcome_is_explained() -> None:
    for outcome in Outcome:
        assert f"`{outcome}`" in LISTENING, outcome
