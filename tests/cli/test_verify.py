"""`sidetap verify`: exit status, the document, stamps, what would be, and text that a person can read in 80 columns.

The proving itself has tests of its own; here a prover gives the answers that it is told to give.
"""

import json
import re
import shutil
from collections.abc import Collection
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from sidetap.cli import verify as command
from sidetap.cli.main import run
from sidetap.promises.build import build_model
from sidetap.promises.model import Model
from sidetap.site import Site
from sidetap.site.cause_effect import CompiledScheme
from sidetap.verify import Progress, Reached, Step, Verdict, Verification
from sidetap.verify.replay import Replayed

TARN_HOLLOW = Path(__file__).parents[2] / "examples" / "tarn-hollow"
STORY = (
    Step(0, "a person opens a ticket for bay B"),
    Step(130_000, "the open key PB-B-OPEN is pressed"),
    Step(
        700_000,
        "valve B1 is still open when its limit is over; valve B1 has been open 11 min 40 s: 4,667 gal at 400 gpm",
    ),
)
SCANS = tuple(
    Replayed(
        t_ms,
        100,
        {"PB-B-OPEN": pressed, "T1.level": 38_000},
        {"B1.command": is_open, "B2.command": False, "B3.command": False},
    )
    for t_ms, pressed, is_open in ((0, False, False), (130_000, True, True), (700_000, False, True))
)
BROKEN = Verdict("open-time-bound", "B1", "broken", STORY, True, SCANS, clause="valve B1 outlasts its limit")


@dataclass
class Prover:
    """Says of every promise what it is told to, else that it holds, and counts how often it is asked."""

    says: dict[tuple[str, str], Verdict] = field(default_factory=dict)
    misses: set[str] = field(default_factory=set)
    asked: list[str] = field(default_factory=list)
    models: dict[str, Model] = field(default_factory=dict)

    def verify(
        self, site: Site, scheme: CompiledScheme, _progress: Progress | None, only: Collection[str] | None
    ) -> Verification:
        self.asked.append(scheme.digest)
        model = self.model(site, scheme)
        verdicts = tuple(
            self.says.get((p.name, p.subject), Verdict(p.name, p.subject, "holds", bound=p.bound))
            for p in model.promises
            if only is None or p.name in only
        )
        goals = tuple(Reached(g.name, g.subject, g.name not in self.misses) for g in model.goals)
        return Verification(scheme.digest, 3.25, verdicts, () if only else goals)

    def model(self, site: Site, scheme: CompiledScheme) -> Model:
        """Building it takes a while: once for each scheme."""
        if scheme.digest not in self.models:
            self.models[scheme.digest] = build_model(site, scheme.program)
        return self.models[scheme.digest]


MODELS: dict[str, Model] = {}


@pytest.fixture
def prover(monkeypatch: pytest.MonkeyPatch) -> Prover:
    made = Prover(models=MODELS)
    monkeypatch.setattr(command, "verify_scheme", made.verify)
    return made


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A copy of the example's first bay, with nothing verified beside it."""
    for name in ("bay-b.toml", "people.toml", "t2-strapping.csv"):
        shutil.copy(TARN_HOLLOW / name, tmp_path)
    return tmp_path / "bay-b.toml"


def stamps(site: Path) -> list[Path]:
    return sorted((site.parent / "verified").glob("*")) if (site.parent / "verified").exists() else []


def test_exit_0_and_every_promise_when_all_holds(
    prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["verify", str(site)]) == 0
    shown = capsys.readouterr()
    assert "open-time-bound       holds B1 B2 B3" in shown.out
    assert "can-open              reached B" in shown.out
    assert "33 hold, 0 broken, 0 unknown" in shown.out
    assert "checked model" in shown.out
    assert "certified" not in shown.out
    assert max(map(len, shown.out.splitlines())) <= 80
    assert not re.search(r"\d\n *[a-z]{1,3}\b", shown.out)  # no line break between a number and its unit
    assert shown.err.startswith(
        "verifying scheme 338056e7e91d75e6 of "
    )  # no terminal, so that a person isn't left waiting
    assert shown.err.count("\n") == 1


def test_exit_1_and_the_story_in_clock_times_when_broken_or_unknown(
    prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    prover.says = {
        ("open-time-bound", "B1"): BROKEN,
        ("close-wins", "B"): Verdict("close-wins", "B", "unknown"),
    }
    prover.misses = {"can-open"}
    assert run(["verify", str(site)]) == 1
    out = capsys.readouterr().out
    assert "06:02:10    the open key PB-B-OPEN is pressed" in out
    assert "11 min 40 s" in out
    assert "holds B2 B3; BROKEN B1" in out
    assert "close-wins B: neither proved nor broken" in out
    assert "B (NOT REACHED)" in out
    assert max(map(len, out.splitlines())) <= 80


def test_json_is_the_document_and_nothing_else(
    prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    prover.says = {("open-time-bound", "B1"): BROKEN}
    assert run(["verify", str(site), "--json"]) == 1
    shown = capsys.readouterr()
    document = json.loads(shown.out)
    assert list(document) == ["ok", "scheme_hash", "seconds", "promises", "reachable"]
    broken = next(p for p in document["promises"] if p["verdict"] == "broken")
    assert list(broken) == ["promise", "subject", "verdict", "trace", "replayed"]
    assert broken["trace"][1] == {"t_s": 130.0, "what": STORY[1].what}
    assert shown.err == ""


@pytest.mark.parametrize("text", ["", "[site\n", "format = 1\nnonsense = 2\n"])
def test_a_faulty_site_is_one_error_line_and_exit_2(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "site.toml"
    path.write_text(text)
    assert run(["verify", str(path)]) == 2
    assert_refused(capsys)
    assert path.read_text() == text


def assert_refused(capsys: pytest.CaptureFixture[str]) -> str:
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("error: ")
    assert shown.err.count("\n") == 1
    return shown.err


# -- the stamp -------------------------------------------------------------------------------------------------------


def test_the_same_scheme_is_verified_once(prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["verify", str(site), "--json"]) == 0
    first = json.loads(capsys.readouterr().out)
    assert len(stamps(site)) == 1
    assert run(["verify", str(site), "--json"]) == 0
    second = json.loads(capsys.readouterr().out)
    assert len(prover.asked) == 1
    assert first.pop("seconds") > second.pop("seconds")
    assert first == second
    assert run(["verify", str(site)]) == 0
    shown_again = capsys.readouterr()
    (kept,) = stamps(site)
    made = datetime.fromisoformat(json.loads(kept.read_text())["checked_utc"]).astimezone(ZoneInfo("America/Chicago"))
    assert f"told from the stamp of {made:%Y-%m-%d %H:%M:%S} C" in shown_again.out  # CST or CDT
    kept.write_text(re.sub(r'"checked_utc": "[^"]+"', '"checked_utc": "some day"', kept.read_text()))
    assert run(["verify", str(site)]) == 0
    assert "told from the stamp of some day by sidetap" in capsys.readouterr().out
    assert shown_again.err == ""
    assert run(["verify", str(site), "--again"]) == 0
    assert len(prover.asked) == 2


def test_a_person_more_or_a_comment_leaves_the_stamp_and_a_number_voids_it(prover: Prover, site: Path) -> None:
    assert run(["verify", str(site)]) == 0
    text = site.read_text()
    site.write_text(f"# looked at again\n{text}")
    people = site.parent / "people.toml"
    people.write_text(people.read_text() + '\n[[person]]\nname = "N. New"\nrole = "operator"\n')
    assert run(["verify", str(site)]) == 0
    assert len(prover.asked) == 1
    site.write_text(text.replace('open_limit = "9 min 35 s"', 'open_limit = "9 min 30 s"'))
    assert run(["verify", str(site)]) == 0
    assert len(prover.asked) == 2
    assert len(stamps(site)) == 2


def test_a_stamp_of_something_broken_or_a_torn_one_is_verified_again(prover: Prover, site: Path) -> None:
    """A broken promise is there to be told with its story, which a stamp doesn't hold."""
    prover.says = {("open-time-bound", "B1"): BROKEN}
    assert run(["verify", str(site)]) == 1
    assert run(["verify", str(site)]) == 1
    assert len(prover.asked) == 2
    (stamp,) = stamps(site)
    stamp.write_bytes(stamp.read_bytes()[:100])
    prover.says = {}
    assert run(["verify", str(site)]) == 0
    assert run(["verify", str(site)]) == 0
    assert len(prover.asked) == 3


def test_a_place_where_no_stamp_can_be_kept_still_gets_its_answer(
    prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (site.parent / "verified").write_text("a file where a folder should be")
    assert run(["verify", str(site), "--json"]) == 0
    shown = capsys.readouterr()
    assert json.loads(shown.out)["ok"]
    assert shown.err.startswith("no stamp kept: ")


# -- proved again ----------------------------------------------------------------------------------------------------


def test_recheck_tells_what_the_stamp_does_not_carry(
    prover: Prover, site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    fails: list[str] = []
    monkeypatch.setattr(command, "recheck_proofs", lambda *_: tuple(fails))
    assert run(["verify", str(site)]) == 0
    (stamp,) = stamps(site)
    kept = stamp.read_bytes()
    capsys.readouterr()
    assert run(["verify", str(site), "--recheck"]) == 0
    assert "all 33 promises proved again; scheme " in capsys.readouterr().out
    fails.append("open-time-bound B1: valve B1 outlasts its limit is not excluded by the certificate")
    assert run(["verify", str(site), "--recheck"]) == 1
    out = capsys.readouterr().out
    assert "open-time-bound B1: valve B1 outlasts its limit" in out
    assert "1 not proved again (--again looks for proofs anew)" in out
    assert max(map(len, out.splitlines())) <= 80
    assert run(["verify", str(site), "--recheck", "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert list(document) == ["ok", "scheme_hash", "seconds", "fails"]
    assert (document["ok"], document["scheme_hash"], document["fails"]) == (False, prover.asked[0], fails)
    assert len(prover.asked) == 1  # nothing is looked for
    assert stamp.read_bytes() == kept


def test_recheck_needs_a_stamp_of_this_scheme_and_these_promises(
    prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["verify", str(site), "--recheck"]) == 2
    assert f"no stamp of this scheme is kept. Run sidetap verify {site}" in assert_refused(capsys)
    assert run(["verify", str(site)]) == 0
    capsys.readouterr()
    assert run(["verify", str(site), "--recheck"]) == 2  # the stamp keeps no proofs, as this prover made none
    assert f"torn. Run sidetap verify {site} --again." in assert_refused(capsys)
    (stamp,) = stamps(site)
    document = json.loads(stamp.read_text())
    document["promises_hash"] = "0" * 64
    stamp.write_text(json.dumps(document))
    assert run(["verify", str(site), "--recheck"]) == 2
    assert "other promises" in assert_refused(capsys)
    assert run(["verify", str(site), "--recheck", "--only", "close-wins"]) == 2
    assert "--only" in assert_refused(capsys)


# -- in part, and as it would be -------------------------------------------------------------------------------------


def test_only_some_promises(prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    prover.says = {("open-time-bound", "B1"): BROKEN}
    assert run(["verify", str(site), "--only", "close-wins,start-up-closed", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert {p["promise"] for p in document["promises"]} == {"close-wins", "start-up-closed"}
    assert document["reachable"] == []
    assert stamps(site) == []
    assert run(["verify", str(site), "--only", "open-time-bound"]) == 1
    capsys.readouterr()
    assert run(["verify", str(site), "--only", "close-win"]) == 2
    assert "close-wins" in assert_refused(capsys)


def test_only_is_answered_from_a_good_stamp(prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["verify", str(site)]) == 0
    capsys.readouterr()
    assert run(["verify", str(site), "--only", "close-wins", "--json"]) == 0
    assert [p["subject"] for p in json.loads(capsys.readouterr().out)["promises"]] == ["B"]
    assert len(prover.asked) == 1


def test_what_if_tells_what_differs_and_touches_nothing(
    prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = site.read_bytes()
    assert run(["verify", str(site)]) == 0
    capsys.readouterr()
    prover.says = {("open-time-bound", "B1"): BROKEN}
    change = "valve.B1.open_limit=9 min 30 s"
    assert run(["verify", str(site), "--what-if", change]) == 1
    shown = capsys.readouterr()
    assert f"As it would be with {change}" in shown.out
    assert "That approves no value." in shown.out
    assert "open-time-bound B1: holds as it is, broken as it would be" in shown.out
    assert site.read_bytes() == before
    assert len(stamps(site)) == 1
    assert len(prover.asked) == 2  # the file as it is has its stamp
    assert run(["verify", str(site), "--what-if", change, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)["what_if"]
    assert told["changes"] == [change]
    assert told["scheme_hash_as_it_is"] == prover.asked[0]
    assert told["promises"] == [
        {"promise": "open-time-bound", "subject": "B1", "as_it_is": "holds", "as_it_would_be": "broken"}
    ]
    assert told["goals"] == []


def test_what_if_of_no_consequence_is_said_to_be_so(
    prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["verify", str(site), "--what-if", "vessel.T1.name=Northern Round"]) == 0
    out = capsys.readouterr().out
    assert "The scheme is the same as without the changes" in out
    assert "That approves no value." in out
    assert len(prover.asked) == 1


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("valve.B1.open_limit=9 min 50 s", "open_limit"),  # over what the tanker holds: check's own error
        ("vessel.T9.trip.below=0.40 m", "T9"),
        ("vessel.T1.trip.below", "KEY=VALUE"),
    ],
)
def test_what_if_is_checked_like_a_site(
    change: str, told: str, prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["verify", str(site), "--what-if", change]) == 2
    assert told in assert_refused(capsys)
    assert prover.asked == []


def test_what_check_would_warn_of_is_told_on_stderr(
    prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["verify", str(site), "--what-if", "bay.B.flow.tolerance=0 %"]) == 0
    assert "no flow is exact" in capsys.readouterr().err


# -- diagrams --------------------------------------------------------------------------------------------------------


def test_a_diagram_of_each_counter_example(prover: Prover, site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    odd = replace(BROKEN, subject="../B2", clause="<&")
    prover.says = {("open-time-bound", "B1"): BROKEN, ("open-time-bound", "B2"): odd}
    folder = site.parent / "pictures" / "new"
    assert run(["verify", str(site), "--diagrams", str(folder)]) == 1
    assert sorted(path.name for path in folder.iterdir()) == ["open-time-bound-.._B2.svg", "open-time-bound-B1.svg"]
    assert f"diagram {folder / 'open-time-bound-B1.svg'}\n" in capsys.readouterr().out
    assert run(["verify", str(site), "--diagrams", str(site)]) == 2
    assert_refused(capsys)
