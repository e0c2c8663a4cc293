"""A question about a key is answered by the keys it means: as declared, as `check` names places, or by a part."""

import pytest
from test_planted_errors import PLANTED

from sidetap.errors import BadInput
from sidetap.site.explaining import find, listed, told
from sidetap.site.keys import KEYS

ASKED = {
    "vessel.trip.below": "vessel.trip.below",
    "vessel.T1.trip.below": "vessel.trip.below",
    "T1.trip.below": "vessel.trip.below",
    "trip.below": "vessel.trip.below",
    "vessel 3.level.as": "vessel.level.as",
    "point.LT-1.good_when 1.register": "point.good_when.register",
    "open_limit": "valve.open_limit",
    "bay.B.panel.show.level": "site.show.level",
    "vessel.T4.shape.top.depth": "vessel.shape.bottom.depth",
    "vessel.T4.shape.parts 2.diameter": "vessel.shape.diameter",
    "vessel.T4.shape.parts 1.bottom.form": "vessel.shape.bottom.form",
    "compatible.10 % Zn": "compatible.PRODUCT",
    "person 5.role": "people: person.role",
    "secret 1.pin": "secrets: secret.pin",
    "line.north.transmitter.state": "line.transmitter.state",
    "point.table.table": "point.table",  # a point called like one of its keys
    " format ": "format",
}


@pytest.mark.parametrize("question", ASKED)
def test_a_question_finds_its_key(question: str) -> None:
    assert [key.path for key in find(question)] == [ASKED[question]]


def test_every_place_that_check_names_is_explained() -> None:
    unknown = {"bay.B.flaw", "bay.B.hose.left_afer", "hron"}
    places = {case.where for case in PLANTED.values()} - unknown - {"TOML"}
    assert len(places) > 40
    for where in places:
        assert find(where)[0].path.rpartition(".")[2] in (where.rpartition(".")[2].split(" ")[0], "PRODUCT"), where


@pytest.mark.parametrize("table", ["vessel", "[[vessel]]", "vessel.T1", "[vessel]"])
def test_a_table_is_explained_with_all_its_keys(table: str) -> None:
    assert [key.path for key in find(table)] == [path for path in KEYS if path.split(".")[0] == "vessel"]


def test_the_people_are_their_file_and_its_keys() -> None:
    assert [key.path for key in find("people")] == [path for path in KEYS if path.split(":")[0] == "people"]


def test_nothing_asked_is_all() -> None:
    assert [key.path for key in find("")] == list(KEYS)
    assert all(listed(key) for key in KEYS.values())


def test_a_part_that_many_keys_end_with_finds_them_all() -> None:
    assert {key.path for key in find("coil")} == {path for path in KEYS if path.endswith(".coil")}


@pytest.mark.parametrize(
    ("question", "near"),
    [
        ("vessel.trip.belw", "vessel.trip.below"),
        ("vessel.T1.trp.below", "vessel.trip.below"),
        ("opn_limit", "valve.open_limit"),
        ("bay.B.flaw", "bay.flow"),
        ("x" * 10_000, None),
        (".", None),
        ("T1", None),
    ],
)
def test_an_unknown_key_names_the_nearest(question: str, near: str | None) -> None:
    with pytest.raises(BadInput) as caught:
        find(question)
    assert "no key" in caught.value.problem
    assert len(str(caught.value)) < 250
    assert (near is None) == ("Did you mean" not in caught.value.remedy)
    assert (near or "lists every key") in caught.value.remedy


def test_all_that_is_told_of_a_key() -> None:
    assert told(KEYS["valve.open_limit"]) == {
        "key": "valve.open_limit",
        "form": "a duration with its unit, as text, of whole seconds",
        "lowest": "1 s",
        "highest": "4 h",
        "units": ["ns", "us", "ms", "s", "min", "h", "d"],
        "example": '"9 min 35 s"',
        "optional": False,
        "default": "",
        "with": [],
        "meaning": "",
        "also": [],
    }
    depth = told(KEYS["vessel.shape.bottom.depth"])
    assert depth["with"] == ["cone", "dished", "ellipsoidal"]
    assert {"vessel.shape.top.depth", "vessel.shape.heads.depth"} < set(depth["also"])
    assert told(KEYS["site.show.level"])["also"] == ["bay.panel.show.level"]
    assert told(KEYS["vessel.datum"])["default"] == "0 mm"
    assert all("`" not in str(told(key)) for key in KEYS.values())
