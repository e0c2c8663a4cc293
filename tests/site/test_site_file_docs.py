"""docs/site-file.md against the reader: each key told is asked for, each key asked for is told, examples work."""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from yard_copy import copy_yard

from sidetap.site import load
from sidetap.site.reader import load_with_keys


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    return copy_yard(tmp_path)


DOCS = Path(__file__).parents[2] / "docs" / "site-file.md"
ROWS = re.findall(r"^\| `([^`]+)` \| (?:`([^`]+)`|tables?) \|", DOCS.read_text(), re.MULTILINE)


def test_every_key_is_documented_and_every_documented_key_exists(yard: Path) -> None:
    site = yard / "site.toml"
    text = site.read_text()
    asked = set(load_with_keys(site)[1])
    for kind in ("ullage", "percent"):
        site.write_text(text.replace('as = "pressure"', f'as = "{kind}"'))
        asked |= load_with_keys(site)[1]
    asked = {re.sub(r"^compatible\..*", "compatible.PRODUCT", key) for key in asked}
    documented = [key for key, _ in ROWS]
    assert len(documented) == len(set(documented))
    assert set(documented) == asked


EXAMPLES = [(key, example) for key, example in ROWS if example]
CONDITIONAL = {  # keys that need another kind of level or shape than the first vessel's
    "vessel.shape.length": 2,
    "vessel.shape.heads": 2,
    "vessel.strapping": 1,
    "vessel.level.sensor_height": 2,
    "vessel.level.reference_height": 0,
    "vessel.level.blocking": 0,
    "vessel.level.span": 0,
}
GROUPS = sorted({key.split(".")[0] for key, _ in EXAMPLES})


@pytest.mark.parametrize("group", GROUPS)
def test_documented_examples_are_accepted(yard: Path, group: str) -> None:
    file = yard / ("people.toml" if group.startswith("people: ") else "site.toml")
    document = tomlkit.parse(file.read_text())
    for key, example in EXAMPLES:
        if key.split(".")[0] == group and key not in CONDITIONAL and not key.startswith("point.good_when."):
            _put(document, key.removeprefix("people: ").replace("PRODUCT", "32-0-0"), _value(example))
    file.write_text(tomlkit.dumps(document))
    assert load(yard / "site.toml").problems == ()


@pytest.mark.parametrize("key", CONDITIONAL)
def test_documented_examples_of_other_kinds_are_accepted(yard: Path, key: str) -> None:
    file = yard / "site.toml"
    document = tomlkit.parse(file.read_text())
    vessel = document["vessel"][CONDITIONAL[key]]
    level = {
        "vessel.level.reference_height": "ullage",
        "vessel.level.blocking": "ullage",
        "vessel.level.span": "percent",
    }
    if key in level:
        vessel["level"]["as"] = level[key]
    _put({"vessel": [vessel]}, key, _value(dict(EXAMPLES)[key]))
    file.write_text(tomlkit.dumps(document))
    assert not [p for p in load(file).problems if p.where.endswith(key.removeprefix("vessel"))]


def test_documented_conditions_are_accepted(yard: Path) -> None:
    condition = {key.split(".")[-1]: _value(e) for key, e in EXAMPLES if key.startswith("point.good_when.")}
    assert set(condition) == {"register", "encoding", "equals", "at_least", "at_most"}
    file = yard / "site.toml"
    document = tomlkit.parse(file.read_text())
    _put(document, "point.good_when", [condition])
    file.write_text(tomlkit.dumps(document))
    assert load(file).problems == ()


def _value(example: str) -> Any:
    return tomllib.loads(f"x = {example}")["x"]


def _put(table: Any, key: str, value: Any) -> None:
    *path, last = key.split(".")
    for name in path:
        table = table[name]
        table = table[0] if isinstance(table, list) else table
    table[last] = value
