"""The verb `site` with its four parts: text for people, documents, exit status, one error line, files left alone."""

import json
import os
import shutil
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from polled import EXAMPLE

from sidetap.cli.main import run
from sidetap.site.keys import KEYS

SITE = EXAMPLE / "bay-b.toml"


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    """A copy of the example's folder."""
    return Path(shutil.copytree(EXAMPLE, tmp_path / "yard"))


def printed(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> str:
    assert run(["site", *arguments]) == status
    out, err = capsys.readouterr()
    assert err == ""
    return out


def document(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> Any:
    return json.loads(printed(capsys, *arguments, "--json", status=status), parse_constant=pytest.fail)


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(["site", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    return err


def change(path: Path, *replacements: str) -> None:
    text = path.read_bytes().decode()
    for old, new in zip(replacements[::2], replacements[1::2], strict=True):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path.write_bytes(text.encode())


# -- diff ------------------------------------------------------------------------------------------------------------


def test_the_same_in_other_words_is_no_difference(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    change(yard / "bay-b.toml", '"9 min 35 s"', '"575 s"  # as agreed')
    lines = printed(capsys, "diff", str(SITE), str(yard / "bay-b.toml")).splitlines()
    assert lines[0] == f"{SITE} and {yard / 'bay-b.toml'} mean the same"
    assert [" the same: " in line for line in lines[1:]] == [True, True]
    found = document(capsys, "diff", str(SITE), str(yard / "bay-b.toml"))
    assert list(found) == ["equal", "differences", "people", "scheme_hash", "site_hash"]
    assert (found["equal"], found["differences"], found["people"]) == (True, [], [])


def test_differences_are_told_with_what_becomes_of_papers(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    change(yard / "bay-b.toml", 'trip = { below = "0.70 m"', 'trip = { below = "72 cm"')
    change(yard / "t2-strapping.csv", "1.5,28787", "1.5,28790")
    change(yard / "people.toml", 'name = "Tobias Quell"', 'name = "Tobias Quill"')
    assert printed(capsys, "diff", str(SITE), str(yard / "bay-b.toml"), status=1).splitlines()[:-4] == [
        "vessel.T2.strapping: 1 of 14 rows differ; most at 1.5 m: was 28,787 gal, is",
        "  28,790 gal (+3 gal)",
        "vessel.T3.trip.below: was 0.70 m, is 72 cm",
        "People and secrets, in no hash:",
        "  person Tobias Quell: gone, was operator",
        "  person Tobias Quill: new, operator",
    ]
    found = document(capsys, "diff", str(SITE), str(yard / "bay-b.toml"), status=1)
    assert found["equal"] is False
    assert [entry["where"] for entry in found["differences"]] == ["vessel.T2.strapping", "vessel.T3.trip.below"]
    assert (found["differences"][1]["was"], found["differences"][1]["now"]) == ("0.70 m", "72 cm")
    assert found["people"][0] == {
        "where": "person Tobias Quell",
        "was": "operator",
        "now": None,
        "words": "person Tobias Quell: gone, was operator",
    }


@pytest.mark.parametrize(
    ("old", "new", "scheme", "papers"),
    [
        ('name = "Road"', 'name = "Roads"', "holds", "are not right"),
        ('"9 min 35 s"', '"9 min 30 s"', "doesn't hold", "are not right"),
    ],
)
def test_what_stays_valid_is_told(
    yard: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, scheme: str, papers: str
) -> None:
    change(yard / "bay-b.toml", old, new)
    text = " ".join(printed(capsys, "diff", str(SITE), str(yard / "bay-b.toml"), status=1).split())
    first, second = text.partition("scheme_hash")[2].split("site_hash")
    found = document(capsys, "diff", str(SITE), str(yard / "bay-b.toml"), status=1)
    assert f" {scheme} for the " in first
    assert f" {papers} for the " in second
    assert (found["scheme_hash"][0] == found["scheme_hash"][1]) is (scheme == "holds")
    for line, hashes in ((first, found["scheme_hash"]), (second, found["site_hash"])):
        assert all(digest[:12] in line for digest in hashes)


def test_other_promises_need_another_verification(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (yard / "site.toml").read_text().replace('for = "2 s"', 'for = "3 s"')
    (yard / "other.toml").write_text(text)
    told = " ".join(printed(capsys, "diff", str(yard / "site.toml"), str(yard / "other.toml"), status=1).split())
    assert "promise.P-2.for: was 2 s, is 3 s" in told
    assert "the same: but a verification of one says nothing about the promises of the other" in told
    assert "papers of the first are not right for the second" in told


@pytest.mark.parametrize("faulty", [0, 1])
def test_a_faulty_file_is_its_first_problem(yard: Path, capsys: pytest.CaptureFixture[str], faulty: int) -> None:
    change(yard / "bay-b.toml", '"transistor"', '"relay"')
    files = [str(SITE), str(SITE)]
    files[faulty] = str(yard / "bay-b.toml")
    assert "bay-b.toml:" in (line := refused(capsys, "diff", *files))
    assert "watchdog.kind: a heartbeat on 'relay'" in line


# -- explain -----------------------------------------------------------------------------------------------------


def test_a_key_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    assert printed(capsys, "explain", "vessel.T4.level.blocking").splitlines() == [
        "vessel.level.blocking",
        "            nearer than this the sensor says nothing",
        "  form      a length with its unit, as text, 0 mm to 5 m; in m cm mm ft in",
        '  example   blocking = "0.30 m"',
        "  with      ullage",
    ]
    (found,) = document(capsys, "explain", "vessel.datum")["keys"]
    assert (found["key"], found["optional"], found["default"]) == ("vessel.datum", True, "0 mm")


def test_all_keys_are_listed_within_the_page(capsys: pytest.CaptureFixture[str]) -> None:
    out = printed(capsys, "explain")
    assert [line.split(": ")[0] for line in out.splitlines() if not line.startswith(" ")][:3] == [
        "format",
        "people",
        "secrets",
    ]
    assert all(f"{path}: " in out for path in KEYS)
    assert max(map(len, out.splitlines())) <= 80


def test_an_unknown_key_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert "Did you mean vessel.trip.below" in refused(capsys, "explain", "vessel.trip.belw")
    assert "\\x07" in refused(capsys, "explain", "\x07")


# -- schema ----------------------------------------------------------------------------------------------------


def test_the_schema_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    found = json.loads(printed(capsys, "schema"))
    assert found["$schema"] == Draft202012Validator.META_SCHEMA["$id"]
    Draft202012Validator.check_schema(found)


# -- migrate -----------------------------------------------------------------------------------------------------

START = 'start_permissives = ["ticket-open", "level-good", "valves-closed"]\n'


def older(path: Path) -> bytes:
    """Make it a file of the first proposal, and return it."""
    change(path, "restarts = 1\n", f"restarts = 1\n{START}")
    return path.read_bytes()


def test_an_older_file_is_brought_up_to_date_and_kept(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = yard / "bay-b.toml"
    today = site.read_bytes()
    old = older(site)
    site.chmod(0o640)
    lines = printed(capsys, "migrate", str(site)).splitlines()
    assert lines == [
        f"{site}: from format 0 to 1",
        f"The old file is kept as {site}.format-0",
        "  bay.B.start_permissives: taken out; ticket-open, level-good, valves-closed",
        "    hold for every bay now",
        f"Now run sidetap check {site}: it finds no error.",
    ]
    assert site.read_bytes() == today
    assert site.with_name("bay-b.toml.format-0").read_bytes() == old
    assert site.stat().st_mode & 0o777 == 0o640
    assert sorted(path.name for path in yard.iterdir() if path.name.startswith((".", "bay-b"))) == [
        "bay-b.toml",
        "bay-b.toml.format-0",
    ]
    assert "nothing to do" in printed(capsys, "migrate", str(site))
    assert document(capsys, "migrate", str(site))["changes"] == []


def test_no_file_that_was_kept_is_lost(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = yard / "bay-b.toml"
    kept = []
    for _ in range(3):
        older(site)
        kept.append(document(capsys, "migrate", str(site))["kept"])
    assert kept == [f"{site}.format-0", f"{site}.format-0.2", f"{site}.format-0.3"]
    assert all(START.encode() in Path(path).read_bytes() for path in kept)


def test_what_would_grow_too_large_is_left_alone(
    yard: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    site = yard / "bay-b.toml"
    old = older(site)
    monkeypatch.setattr("sidetap.cli.site.MOST_BYTES", len(old) - len(START) - 1)
    assert "would come of it" in refused(capsys, "migrate", str(site))
    assert site.read_bytes() == old
    assert not list(yard.glob("*format-0*"))
    monkeypatch.setattr("sidetap.cli.site.MOST_BYTES", len(old) - len(START))
    printed(capsys, "migrate", str(site))


def test_ends_of_lines_the_mark_and_a_link_stay(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = yard / "bay-b.toml"
    today = site.read_bytes()
    site.write_bytes(b"\xef\xbb\xbf" + older(site).replace(b"\n", b"\r\n"))
    link = yard / "link.toml"
    link.symlink_to(site.name)
    printed(capsys, "migrate", str(link))
    assert link.is_symlink()
    assert site.read_bytes() == b"\xef\xbb\xbf" + today.replace(b"\n", b"\r\n")


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "no site file"),
        (b"[project]\nname = 'x'\n", "no site file"),
        (b"format = 2\n[site]\n", "format 2, and this version knows 1 at most"),
        (b"format = -1\n[site]\n", "format -1"),
        (b"format = = 1\n", "site.toml:1:10: TOML"),
        (b"format = 1\n[[bay]]\nstart_permissives = 3\n", "bay 1.start_permissives is no list of texts"),
        (b"\xff", "no UTF-8"),
    ],
)
def test_what_cannot_be_migrated_stays_as_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes, says: str
) -> None:
    site = tmp_path / "site.toml"
    site.write_bytes(content)
    assert says in refused(capsys, "migrate", str(site))
    assert os.listdir(tmp_path) == ["site.toml"]
    assert site.read_bytes() == content


@pytest.mark.parametrize("part", ["diff", "migrate"])
@pytest.mark.parametrize("kind", ["missing", "folder", "pipe"])
def test_what_is_no_file_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], part: str, kind: str
) -> None:
    bad = tmp_path / "bad.toml"
    if kind == "folder":
        bad.mkdir()
    if kind == "pipe":
        os.mkfifo(bad)
    files = [str(bad)] if part == "migrate" else [str(SITE), str(bad)]
    assert "bad.toml" in refused(capsys, part, *files)


@pytest.mark.parametrize("arguments", [[], ["sort"], ["diff", "x"], ["schema", "x"], ["explain", "--no"]])
def test_wrong_usage_is_one_line(capsys: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    assert "sidetap site --help" in refused(capsys, *arguments)
