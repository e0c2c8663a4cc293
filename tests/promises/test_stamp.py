"""What a stamp is worth: for which scheme, for which promises, and when a file is no stamp at all."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from stamped import all_well, judged

from sidetap.errors import BadInput
from sidetap.promises.model import Model
from sidetap.promises.stamp import (
    FOLDER,
    promises_hash,
    read_stamp,
    stamp_path,
    standing,
    write_stamp,
)

EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow"


@pytest.fixture(scope="module")
def as_it_is() -> tuple[str, Model]:
    """The example's smaller site, judged once."""
    return judged(EXAMPLE / "bay-b.toml")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A copy of the example's smaller site, to be edited."""
    for name in ("people.toml", "t2-strapping.csv", "bay-b.toml"):
        (tmp_path / name).write_bytes((EXAMPLE / name).read_bytes())
    return tmp_path / "bay-b.toml"


@pytest.fixture
def stamped(site: Path, as_it_is: tuple[str, Model]) -> Path:
    """The same, with the stamp of its scheme beside it."""
    write_stamp(site, all_well(*as_it_is))
    return site


def kind(site: Path) -> str:
    """What the stamp beside a site file is worth for the file as it is now."""
    scheme_hash, model = judged(site)
    return standing(read_stamp(site, scheme_hash), scheme_hash, model).kind


def test_what_was_written_is_read(site: Path, as_it_is: tuple[str, Model]) -> None:
    scheme_hash, model = as_it_is
    stamp = all_well(scheme_hash, model)
    path = write_stamp(site, stamp)
    assert path == site.parent / "verified" / f"{scheme_hash[:16]}.json"
    assert read_stamp(site, scheme_hash) == stamp
    assert standing(stamp, scheme_hash, model).verified
    assert set(json.loads(path.read_text())) == {
        *("format", "scheme_hash", "promises_hash", "checked_utc", "tool", "verdicts", "goals", "certificate")
    }


def test_no_stamp_is_never_verified(site: Path, as_it_is: tuple[str, Model]) -> None:
    scheme_hash, model = as_it_is
    assert read_stamp(site, scheme_hash) is None
    found = standing(None, scheme_hash, model)
    assert (found.kind, found.verified, len(found.problems)) == ("none", False, 1)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('open_limit = "9 min 35 s"', 'open_limit = "9 min 34 s"'),
        ('below = "0.60 m"', 'below = "0.61 m"'),
        ('restart_wait = "60 s"', 'restart_wait = "61 s"'),
        ('close_age = "5 s"', 'close_age = "6 s"'),
        ('"28-0-0" = ["28-0-0", "32-0-0"]', '"28-0-0" = ["28-0-0"]'),
    ],
)
def test_acceptance_21_an_edit_of_one_number_voids_the_stamp(stamped: Path, old: str, new: str) -> None:
    text = stamped.read_text()
    assert old in text
    stamped.write_text(text.replace(old, new, 1))
    assert kind(stamped) == "none"
    stamped.write_text(text)  # taken back, it counts again
    assert kind(stamped) == "verified"


def test_acceptance_21_comments_and_people_do_not(stamped: Path) -> None:
    stamped.write_text("# a comment\n" + stamped.read_text().replace("[[bay]]", "# one more\n\n[[bay]]  # here"))
    people = stamped.parent / "people.toml"
    people.write_text(people.read_text() + '\n[[person]]\nname = "New Hand"\nrole = "operator"\n')
    assert kind(stamped) == "verified"


def test_other_promises_need_a_new_verification(as_it_is: tuple[str, Model]) -> None:
    scheme_hash, model = as_it_is
    stamp = all_well(scheme_hash, model)
    fewer = replace(model, promises=model.promises[:-1])
    other = replace(model, goals=(replace(model.goals[0], reached=model.goals[1].reached), *model.goals[1:]))
    for changed in (fewer, other):
        assert standing(stamp, scheme_hash, changed).kind == "other promises"


def test_a_stamp_of_another_scheme_is_none_of_this_one(as_it_is: tuple[str, Model]) -> None:
    scheme_hash, model = as_it_is
    assert standing(all_well("0" * 64, model), scheme_hash, model).kind == "none"


def test_what_does_not_hold_is_named(as_it_is: tuple[str, Model]) -> None:
    scheme_hash, model = as_it_is
    well = all_well(scheme_hash, model)
    broken = replace(well.verdicts[0], verdict="broken")
    unknown = replace(well.verdicts[1], verdict="unknown")
    missed = replace(well.goals[0], reached=False)
    stamp = replace(well, verdicts=(broken, unknown, *well.verdicts[2:]), goals=(missed, *well.goals[1:]))
    found = standing(stamp, scheme_hash, model)
    assert (found.kind, found.verified) == ("broken", False)
    assert found.problems == (
        f"{broken.promise} {broken.subject} is broken",
        f"{unknown.promise} {unknown.subject} is unknown",
        f"{missed.goal} {missed.subject} is not reached",
    )


def test_silence_about_a_promise_or_a_goal_is_no_verdict(as_it_is: tuple[str, Model]) -> None:
    scheme_hash, model = as_it_is
    well = all_well(scheme_hash, model)
    for less in (replace(well, verdicts=well.verdicts[1:]), replace(well, goals=well.goals[1:])):
        found = standing(less, scheme_hash, model)
        assert (found.kind, len(found.problems)) == ("broken", 1)


def test_the_same_scheme_gives_the_same_promises_hash(site: Path, as_it_is: tuple[str, Model]) -> None:
    assert promises_hash(judged(site)[1]) == promises_hash(as_it_is[1])


HOSTILE: dict[str, Any] = {
    "empty": b"",
    "torn": b'{"format": 1, "scheme_ha',
    "no JSON": b"\xff\xfe\x00stamp",
    "a list": b"[]",
    "deep": b"[" * 200_000,
    "another format": {"format": 2},
    "no hash": {"promises_hash": None},
    "a number for a word": {"tool": 7},
    "a verdict nobody gives": {"verdicts": [{"promise": "close-wins", "subject": "B", "verdict": "fine"}]},
    "verdicts that are none": {"verdicts": ["holds"]},
    "a goal that is neither": {"goals": [{"goal": "can-open", "subject": "B", "reached": "yes"}]},
    "no certificate": {"certificate": []},
    "of another scheme": {"scheme_hash": "0" * 64},
}


@pytest.mark.parametrize("name", HOSTILE)
def test_what_is_no_stamp_is_told_on_one_line(stamped: Path, as_it_is: tuple[str, Model], name: str) -> None:
    scheme_hash, _ = as_it_is
    path = stamp_path(stamped, scheme_hash)
    given = HOSTILE[name]
    data = given if isinstance(given, bytes) else json.dumps(json.loads(path.read_text()) | given).encode()
    path.write_bytes(data)
    with pytest.raises(BadInput) as told:
        read_stamp(stamped, scheme_hash)
    assert str(path) in str(told.value)
    assert str(told.value).endswith("Run sidetap verify on the site.")


def test_a_number_that_is_none_is_no_json(stamped: Path, as_it_is: tuple[str, Model]) -> None:
    scheme_hash, _ = as_it_is
    path = stamp_path(stamped, scheme_hash)
    path.write_text(path.read_text().replace('"facts": [', '"facts": [NaN, '))
    with pytest.raises(BadInput, match="no stamp"):
        read_stamp(stamped, scheme_hash)


@pytest.mark.parametrize("make", [Path.mkdir, os.mkfifo])
def test_a_folder_or_a_pipe_is_no_stamp(site: Path, as_it_is: tuple[str, Model], make: Any) -> None:
    scheme_hash, _ = as_it_is
    path = stamp_path(site, scheme_hash)
    path.parent.mkdir()
    make(path)
    with pytest.raises(BadInput, match="not a plain file"):
        read_stamp(site, scheme_hash)


def test_a_stamp_that_cannot_be_kept_leaves_nothing(site: Path, as_it_is: tuple[str, Model]) -> None:
    stamp = all_well(*as_it_is)
    (site.parent / FOLDER).touch()
    with pytest.raises(BadInput, match="can't be kept"):
        write_stamp(site, stamp)
    (site.parent / FOLDER).unlink()
    with pytest.raises(ValueError, match="JSON"):
        write_stamp(site, replace(stamp, certificate={"share": float("nan")}))
    assert list((site.parent / FOLDER).iterdir()) == []
