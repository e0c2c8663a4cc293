"""The schema for editors, judged by the library jsonschema (draft 2020-12).

What `check` reads it takes, and forms that `check` refuses it refuses.
"""

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from site_docs import DOCS
from test_planted_errors import PLANTED
from yard_copy import EXAMPLE

from sidetap.site.keys import ENDS, KEYS, RULES, SHAPES, Choice
from sidetap.site.schema import schema, without_dates

SCHEMA = schema()
SITE = Draft202012Validator(SCHEMA)
BAY_B = (EXAMPLE / "bay-b.toml").read_text()
T1_SHAPE = 'shape = { kind = "vertical-cylinder", diameter = "9.144 m", height = "7.315 m", bottom = "flat" }'

# Planted errors that are about forms: a type, something missing, an unknown key or word, a pattern or a bound of a
# whole number. JSON has no dates, so a date as text can't be told; "syntax" and its like never become values.
FORMS = {
    *("valid-in-another-dimension", "valve-without-fail-direction", "valve-fails-open", "watchdog-on-a-relay"),
    *("bay-without-hard-wired-stop", "blank-hard-wired-stop", "one-dip", "tag-of-the-scheme", "alarm-of-no-sense"),
    *("unknown-key", "unknown-key-inside", "unknown-table", "unknown-encoding", "text-is-no-level"),
    *("coils-hold-no-level", "condition-without-bound", "device-out-of-range", "quantity-without-unit"),
    *("number-for-quantity", "shape-and-strapping", "no-shape", "format-of-the-future", "role-nobody-holds"),
    *("no-port", "seven-bits", "list-for-table"),
}


def values(text: str) -> Any:
    """What an editor hands over: JSON has no dates."""
    return without_dates(tomllib.loads(text))


def complaints(text: str) -> list[str]:
    return [f"{list(e.absolute_path)}: {e.message}" for e in SITE.iter_errors(values(text))]


def test_it_is_a_schema_of_the_draft() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    assert json.loads(json.dumps(SCHEMA, allow_nan=False)) == SCHEMA


@pytest.mark.parametrize("name", ["site.toml", "bay-b.toml"])
def test_the_examples_are_taken(name: str) -> None:
    assert complaints((EXAMPLE / name).read_text()) == []


@pytest.mark.parametrize("name", sorted(FORMS))
def test_planted_errors_of_form_are_refused(name: str) -> None:
    case = PLANTED[name]
    assert BAY_B.count(case.old) == 1
    assert complaints(BAY_B.replace(case.old, case.new)) != []


@pytest.mark.parametrize("shape", re.findall(r"^shape = .*$", DOCS.read_text(), re.MULTILINE))
def test_shapes_of_the_document_are_taken(shape: str) -> None:
    assert BAY_B.count(T1_SHAPE) == 1
    assert complaints(BAY_B.replace(T1_SHAPE, shape)) == []


RULE = 'kind = "one-valve-per-bay"'
PROMISE = """[[promise]]
tag = "P-1"
text = "dry"
when = ["T1 below 0.55 m", "HC-B on"]
for = "2 s"
then = ["B1 closed"]
"""
REFUSED = {
    "a-key-of-another-shape": ('bottom = "flat" }', 'bottom = "flat", length = "3 m" }'),
    "a-size-missing": ('diameter = "9.144 m", height', "height"),
    "a-shape-that-is-none": ('"vertical-cylinder"', '"vertical"'),
    "a-stack-in-a-stack": (
        T1_SHAPE,
        'shape = { kind = "stack", parts = [{ kind = "stack", parts = [{ kind = "sphere", diameter = "1 m" }] }] }',
    ),
    "an-end-without-depth": ('bottom = "flat" }', 'bottom = { form = "cone" } }'),
    "a-size-that-its-end-has-not": (
        'bottom = "flat" }',
        'bottom = { form = "cone", depth = "1 m", crown_radius = "1 m" } }',
    ),
    "an-end-as-a-word-that-needs-sizes": ('bottom = "flat" }', 'bottom = "cone" }'),
    "a-key-of-ullage-with-height": (
        '{ point = "LT-1", as = "height" }',
        '{ point = "LT-1", as = "height", blocking = "0 m" }',
    ),
    "ullage-without-its-keys": ('{ point = "LT-1", as = "height" }', '{ point = "LT-1", as = "ullage" }'),
    "a-sign-inside": ('"9 min 35 s"', '"9 min -35 s"'),
    "a-time-in-metres": ('"9 min 35 s"', '"9 m"'),
    "a-quantity-of-nothing": ('"9 min 35 s"', '" "'),
    "true-for-a-number": ('baud = 19200\nframing = "8E1"\ntrans', 'baud = true\nframing = "8E1"\ntrans'),
    "a-rule-without-its-key": ('kind = "one-valve-per-bay"', 'kind = "exclusive-vessel"'),
    "hours-that-are-none": ('kind = "one-valve-per-bay"', 'kind = "quiet-hours"\nfrom = "24:00"\nto = "04:45"'),
    "a-state-that-is-none": (RULE, f"{RULE}\n{PROMISE.replace('B1 closed', 'B1 shut')}"),
    "a-level-without-its-unit": (RULE, f"{RULE}\n{PROMISE.replace('0.55 m', '0.55')}"),
    "a-fact-of-one-word": (RULE, f"{RULE}\n{PROMISE.replace('B1 closed', 'B1')}"),
    "two-filters": ('below = "0.70 m", mean = "15 s"', 'below = "0.70 m", mean = "15 s", lag = "8 s"'),
    "no-filter": ('below = "0.70 m", mean = "15 s"', 'below = "0.70 m"'),
    "a-vote-without-its-number": (RULE, 'kind = "trip-vote"\nvessels = ["T1"]\nbays = ["B"]'),
    "an-empty-list": ('["HS-B-AUTO", "XS-B", "LSH-B", "HC-B"]', "[]"),
    "a-product-as-text": ('"10-34-0" = ["10-34-0"]', '"10-34-0" = "10-34-0"'),
    "one-end-of-a-range": ('["0 mm", "7315 mm"]', '["0 mm"]'),
}


@pytest.mark.parametrize("name", REFUSED)
def test_other_errors_of_form_are_refused(name: str) -> None:
    old, new = REFUSED[name]
    assert BAY_B.count(old) == 1
    assert complaints(BAY_B.replace(old, new)) != []


QUANTITIES = {
    'high = "6.90 m"': ('high = "22 ft 7 3/16 in"', 'high = " 6,900 mm "', 'high = "+690.0cm"'),
    '"9 min 35 s"': ('"575s"', '"9min 35.0 s"', '"0 h 9 min 35 s"'),
    'value = "11.06 lb/gal"': ('value = "1.325 kg/L"', 'value = "1325 kg/m3"'),
    'below = "0.70 m", mean = "15 s"': ('below = "0.70 m", lag = "8 s"',),
    RULE: (
        f"{RULE}\n{PROMISE}",
        f"{RULE}\n{PROMISE.replace('0.55 m', '1 ft 6 1/2 in')}",
        'kind = "trip-vote"\nvessels = ["T1"]\nat_least = 1\nbays = ["B"]',
    ),
    'tolerance = "10 %"': ('tolerance = "10%"', 'tolerance = ".5 %"'),
}


@pytest.mark.parametrize(("old", "new"), [(old, new) for old, news in QUANTITIES.items() for new in news])
def test_quantities_in_every_form_are_taken(old: str, new: str) -> None:
    assert BAY_B.count(old) == 1
    assert complaints(BAY_B.replace(old, new)) == []


def subschemas(node: Any) -> list[Any]:
    """Every schema with examples in it."""
    if isinstance(node, list):
        return [found for item in node for found in subschemas(item)]
    if not isinstance(node, dict):
        return []
    inside = [found for item in node.values() for found in subschemas(item)]
    return [*inside, node] if isinstance(node.get("examples"), list) else inside


def test_every_example_and_default_is_what_the_schema_takes() -> None:
    found = subschemas(SCHEMA["$defs"])
    assert len(found) > 150
    for node in found:
        judge = Draft202012Validator({"$defs": SCHEMA["$defs"], **node})
        for value in [*node["examples"], *([node["default"]] if "default" in node else [])]:
            if "..." not in json.dumps(value):
                assert list(judge.iter_errors(value)) == [], value


def test_every_key_and_word_is_in_it() -> None:
    names = {name for table in SCHEMA["$defs"].values() for name in table.get("properties", {})}
    assert names == {path.rpartition(".")[2].rpartition(": ")[2] for path in KEYS} - {"PRODUCT"}
    text = json.dumps(SCHEMA)
    words = {word for key in KEYS.values() if isinstance(key.form, Choice) for word in key.form.options}
    assert [word for word in words | {*SHAPES, *ENDS, *RULES} if json.dumps(str(word)) not in text] == []
    assert [key.path for key in KEYS.values() if json.dumps(key.meaning)[1:-1] not in text] == []


@pytest.mark.parametrize("name", ["people", "secrets"])
def test_the_other_files_have_schemas_of_their_own(name: str, tmp_path: Path) -> None:
    judge = Draft202012Validator({"$defs": SCHEMA["$defs"], "$ref": f"#/$defs/{name}"})
    pin = KEYS["secrets: secret.pin"].example
    texts = {
        "people": (EXAMPLE / "people.toml").read_text(),
        "secrets": f'[[secret]]\nperson = "Ines Varga"\npin = {pin}\n',
    }
    assert list(judge.iter_errors(values(texts[name]))) == []
    for old, new in (('"lead"', '"boss"'), (pin, '"1234"')):
        if old in texts[name]:
            assert list(judge.iter_errors(values(texts[name].replace(old, new)))) != []
    assert list(judge.iter_errors(values(texts["people" if name == "secrets" else "secrets"]))) != []
