"""Edits of a site file: what they set is read back, and every other line stays byte for byte.

What a text means is read by tomllib, which the edits are not made with alone: they cut and paste by offsets.
"""

import copy
import tomllib
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from yard_copy import EXAMPLE

from sidetap.site import load
from sidetap.site.edits import SiteText
from sidetap.site.written import written

OTHERWISE = """\
# The same things, written in every way that TOML has.
format = 1  # one
site.name = "a.b"
site."time zone" = 'here'
point = [{tag="LT-1", good_when = [ { register = 1, equals = 2.50 } ]}, { tag = "LT-2" }]

\t[[vessel]]   # the first
\ttag = "T1"  # its tag
\tdensity.value = "1 kg/L"   # dotted
\tdensity.on = 2026-01-31
\tshape = { kind = "box", "a b" = { c = [] }, d = {} }

[vessel.level]
point = "LT-1"  # behind a header of its own

[[bay]]
tag = "B"
run_permissives = [
  "HS-B-AUTO",  # why one
  "XS-B",       # why two
  "HC-B"
  , "LSH-B",
]
text = \"\"\"
two
lines\"\"\"
# the end"""
VALUES: dict[str, Any] = {  # written otherwise than a file would have it by chance
    "text": 'a "b" \\ \t\u00e9\u0007',
    "number": Decimal("0.10"),
    "whole": -7,
    "day": date(2026, 2, 28),
    "list": ["x", "y z"],
    "table": {"a": True, "b c": [Decimal(1), {}]},
}


def leaves(values: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Every path to something that isn't a table or a list of them."""
    if isinstance(values, dict):
        return [found for key, value in values.items() for found in leaves(value, (*path, key))]
    if isinstance(values, list):
        return [found for index, value in enumerate(values) for found in leaves(value, (*path, index))]
    return [path]


def parent(values: Any, path: tuple[str | int, ...]) -> Any:
    for part in path[:-1]:
        values = values[part]
    return values


def plain(value: Any) -> Any:
    """What tomllib reads of a value that was written."""
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    return [plain(item) for item in value] if isinstance(value, list) else value


def kept(before: str, after: str) -> tuple[int, int]:
    """How many lines of each are not in the common beginning and the common end, byte for byte."""
    old, new = before.split("\n"), after.split("\n")
    first = next((n for n, (a, b) in enumerate(zip(old, new, strict=False)) if a != b), min(len(old), len(new)))
    last = 0
    while last < min(len(old), len(new)) - first and old[-1 - last] == new[-1 - last]:
        last += 1
    return len(old) - first - last, len(new) - first - last


FILES = [
    pytest.param(OTHERWISE, False, id="plain"),
    pytest.param(OTHERWISE.replace("\n", "\r\n"), True, id="crlf-and-mark"),
]


def text_of(text: str, mark: bool) -> str:
    return "\ufeff" + text if mark else text


def read(edited: SiteText) -> Any:
    return tomllib.loads(edited.text.removeprefix("\ufeff"))


@pytest.mark.parametrize(("text", "mark"), FILES)
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_value_set_is_read_back_and_no_other_line_changes(text: str, mark: bool, data: st.DataObject) -> None:
    before = text_of(text, mark)
    path = data.draw(st.sampled_from(leaves(tomllib.loads(text))))
    value = data.draw(st.sampled_from(list(VALUES.values())))
    edited = SiteText(before)
    edited.put(path, value)
    expected = tomllib.loads(text)
    parent(expected, path)[path[-1]] = plain(value)
    assert read(edited) == expected == edited.values
    assert edited.text.startswith("\ufeff") is mark
    old, new = kept(before, edited.text)
    assert new <= 1
    assert old <= (3 if path[-1] == "text" else 1)


@pytest.mark.parametrize(("text", "mark"), FILES)
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_what_is_removed_is_gone_and_no_other_line_changes(text: str, mark: bool, data: st.DataObject) -> None:
    before = text_of(text, mark)
    paths = [p for p in leaves(tomllib.loads(text)) if p[0] != "point" or p[-1] != "tag"]
    path = data.draw(st.sampled_from(paths))
    edited = SiteText(before)
    edited.remove(path)
    expected = tomllib.loads(text)
    del parent(expected, path)[path[-1]]
    assert read(edited) == expected
    old, new = kept(before, edited.text)
    if path[-1] == "text":
        assert (old, new) == (3, 0)
    elif old == 2:  # a comma at the start of the line behind goes with it
        assert path == ("bay", 0, "run_permissives", 2)
        assert new == 1
    else:
        assert old == 1
        assert new <= 1


@pytest.mark.parametrize(("text", "mark"), FILES)
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_key_added_is_read_back_and_no_other_line_changes(text: str, mark: bool, data: st.DataObject) -> None:
    before = text_of(text, mark)
    tables = sorted({p[:n] for p in leaves(tomllib.loads(text)) for n in range(len(p))}, key=repr)
    values = tomllib.loads(text)
    table = data.draw(st.sampled_from([p for p in tables if isinstance(parent(values, (*p, "")), dict)]))
    value = data.draw(st.sampled_from(list(VALUES.values())))
    edited = SiteText(before)
    edited.put((*table, "new key"), value)
    parent(values, (*table, "new key"))["new key"] = plain(value)
    assert read(edited) == values
    old, new = kept(before, edited.text)
    assert old <= 1
    assert new == 1
    assert edited.text.count("\r\n") == (edited.text.count("\n") if "\r\n" in text else 0)


def test_where_edits_go_and_how_they_look() -> None:
    edited = SiteText(OTHERWISE)
    edited.put(("vessel", 0, "density", "source"), "lab")
    edited.put(("vessel", 0, "heel"), "1 m")
    edited.put(("vessel", 0, "shape", "d", "e"), 1)
    edited.put(("vessel", 0, "trip", "below"), "2 m")
    edited.put(("site", "scan"), "1 s")
    edited.remove(("bay", 0, "run_permissives", 1))
    edited.comment(("bay", 0), ['# stop_input = "?"'])
    text = edited.text
    assert '\tdensity.on = 2026-01-31\n\tdensity.source = "lab"\n\tshape = ' in text
    assert 'd = { e = 1 } }\n\theel = "1 m"\n\ttrip = { below = "2 m" }\n\n[vessel.level]' in text
    assert 'site."time zone" = \'here\'\nsite.scan = "1 s"\npoint' in text
    assert '  "HS-B-AUTO",  # why one\n  "HC-B"\n' in text
    assert 'lines"""\n# stop_input = "?"\n# the end' in text


@pytest.mark.parametrize("order", [(0, 0, 0), (2, 1, 0), (1, 1, 0), (2, 0, 0)])
@pytest.mark.parametrize(
    "items",
    [
        '"a", "b", "c"',
        '\n "a",\n "b",  # b\n "c",\n',
        '\n "a"\n , "b"  # b\n , "c"\n',
        '"a"\n, "b"\n, "c"  # c\n,  # d\n',
    ],
)
def test_lists_can_be_emptied_in_any_order_however_they_are_written(items: str, order: tuple[int, ...]) -> None:
    edited = SiteText(f"x = [{items}]\ny = 1\n")
    expected = ["a", "b", "c"]
    for number in order:
        edited.remove(("x", number))
        del expected[number]
        assert edited.values == {"x": expected, "y": 1}


def test_keys_added_one_after_the_other_stand_in_that_order() -> None:
    edited = SiteText("a = {}\nb = { c = 1 }\n")
    for table in (("a",), ("b",), ()):
        for key in ("z", "y"):
            edited.put((*table, key), 1)
    assert edited.text == "a = { z = 1, y = 1 }\nb = { c = 1, z = 1, y = 1 }\nz = 1\ny = 1\n"


def test_a_table_that_only_a_longer_header_made_gets_a_header() -> None:
    edited = SiteText("[site.show]\nlevel = 'm'\n")
    edited.put(("site", "scan"), "1 s")
    assert edited.text == "[site.show]\nlevel = 'm'\n\n[site]\nscan = \"1 s\"\n"


def test_the_first_key_of_a_file_stands_before_its_tables() -> None:
    edited = SiteText("\ufeff# a\r\n[site]\r\n")
    edited.put(("format",), 1)
    assert edited.text == "\ufeffformat = 1\r\n# a\r\n[site]\r\n"


@pytest.mark.parametrize(
    "path",
    [("vessel", 0), ("vessel", 0, "level"), ("site",), ("bay", 5, "tag"), ("vessel", 0, "tag", "x"), ("bay", 0, 1)],
)
def test_an_edit_that_makes_no_sense_is_refused(path: tuple[str | int, ...]) -> None:
    edited = SiteText(OTHERWISE)
    with pytest.raises(ValueError, match="is no"):
        edited.put(path, "x")
    with pytest.raises(ValueError, match="is no"):
        edited.remove(path)
    assert edited.text == OTHERWISE


def test_a_value_of_no_form_is_refused() -> None:
    for value in (Decimal("NaN"), 1.5, None):
        with pytest.raises(ValueError, match="no form"):
            written(value)  # type: ignore[arg-type]


def test_a_released_point_is_released(tmp_path: Path) -> None:
    for name in ("people.toml", "t2-strapping.csv"):
        (tmp_path / name).write_bytes((EXAMPLE / name).read_bytes())
    edited = SiteText((EXAMPLE / "bay-b.toml").read_text())
    point = ("point", [row["tag"] for row in edited.values["point"]].index("LT-2"))
    before = copy.deepcopy(edited.at(point))
    edited.remove((*point, "released"))
    assert not edited.has((*point, "released"))
    edited.put((*point, "released"), before["released"])
    (tmp_path / "site.toml").write_text(edited.text)
    assert load(tmp_path / "site.toml").problems == ()
    assert edited.text == (EXAMPLE / "bay-b.toml").read_text()


@pytest.mark.parametrize(("text", "mark"), FILES)
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_edits_made_at_once_are_those_made_one_by_one(text: str, mark: bool, data: st.DataObject) -> None:
    at_once, one_by_one = SiteText(text_of(text, mark)), SiteText(text_of(text, mark))
    for _ in range(6):
        paths = leaves(one_by_one.values)
        path = data.draw(st.sampled_from(paths))
        if data.draw(st.booleans()):
            path = (*[part for part in path[:-1] if path[0] != "point"], "new")
        removed = path in paths and data.draw(st.booleans())
        for edited in (at_once, one_by_one):
            try:
                edited.remove(path) if removed else edited.put(path, "x")
            except ValueError:
                continue
        assert one_by_one.text  # looking makes the edits
    assert at_once.text == one_by_one.text
