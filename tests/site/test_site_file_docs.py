"""The declared keys against the reader and against docs/site-file.md: each is read, told, and works as it is told."""

import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from site_docs import DOCS, with_tables
from yard_copy import EXAMPLE, copy_yard

from sidetap.quantity import UNITS
from sidetap.site import load
from sidetap.site.document import Document
from sidetap.site.keys import KEYS, Key
from sidetap.site.keys import forms as f
from sidetap.site.reader import load_with_keys
from sidetap.site.rows import read_secret
from sidetap.site.table import Table

SHAPES = re.findall(r"^shape = .*$", DOCS.read_text(), re.MULTILINE)
T1_SHAPE = 'shape = { kind = "vertical-cylinder", diameter = "9.144 m", height = "7.315 m", bottom = "flat" }'


def test_the_tables_of_the_document_are_those_of_the_keys() -> None:
    text = DOCS.read_text()
    assert with_tables(text) == text, "run tools/site_docs.py"
    assert set(re.findall(r"^\| `([^`]+)` \|", text, re.MULTILINE)) == set(KEYS)


def test_every_declared_key_is_read(tmp_path: Path) -> None:
    yard = copy_yard(tmp_path)
    text = (EXAMPLE / "site.toml").read_text()
    (yard / "secrets.toml").write_text("[[secret]]\n")
    more = 'secrets = "secrets.toml"\npeople = '
    bay = 'panel = { lost_after = "5 s", screen = "15.6 in"'
    text = text.replace("people = ", more, 1).replace(bay, f"{bay}, show = {{}}")
    text = text.replace('high = "6.90 m"', 'datum = "0 mm"\nheel = "0.1 m"\nreceipt_input = "XS-B"\nhigh = "6.90 m"')
    text += '[[rule]]\ntag = "R-9"\nkind = "trip-vote"\nvessels = ["T1"]\nat_least = 1\nbays = ["B"]\n'
    asked: set[str] = set()
    for shape in (T1_SHAPE, *SHAPES, T1_SHAPE.replace('"flat" }', '{ form = "dished" }, top = "flat" }')):
        (yard / "site.toml").write_text(text.replace(T1_SHAPE, shape))
        asked |= load_with_keys(yard / "site.toml")[1]
    assert asked == set(KEYS)


def read(t: Table, key: Key, name: str) -> Any:
    """Read one key as its form is read."""
    readers: dict[type[f.Form], Callable[[str], Any]] = {
        f.Text: t.text,
        f.Reference: t.text,
        f.FileName: t.text,
        f.Choice: t.choice,
        f.Whole: t.whole,
        f.Number: t.number,
        f.Quantity: t.quantity,
        f.Length: t.length_01mm,
        f.Duration: t.duration_ns,
        f.Day: t.day,
        f.TimeOfDay: t.minute_of_day,
        f.Texts: t.texts,
        f.WordOrInner: t.word_or_table,
        f.Tag: lambda _: t.tag(),
        f.Range: lambda name: t.quantity_range(name, UNITS["mm"].dimension, ("0 mm", "1 mm")),
    }
    return readers[type(key.form)](name)


@pytest.mark.parametrize("path", [p for p, key in KEYS.items() if not isinstance(key.form, f.Inner | f.Many)])
def test_the_example_of_a_key_is_accepted(path: str) -> None:
    key = KEYS[path]
    kind, dot, name = path.rpartition(".")
    values = tomllib.loads(f'"{name}" = {key.example}')
    document = Document("site.toml", values=values)
    read(Table(document, (), kind if dot else "", "", values, None), key, name)
    assert document.problems == []


def test_the_example_of_a_secret_is_a_salted_hash() -> None:
    values = {
        name: tomllib.loads(f"x = {KEYS[f'secrets: secret.{name}'].example}")["x"] for name in ("person", "pin")
    }
    document = Document("secrets.toml", "secrets: ")
    assert read_secret(Table(document, (), "secrets: secret", "", values, None)).value == "Ines Varga"
    assert document.problems == []


@pytest.mark.parametrize("number", range(len(SHAPES)))
def test_shapes_of_the_document_are_shapes(tmp_path: Path, number: int) -> None:
    yard = copy_yard(tmp_path)
    text = (yard / "site.toml").read_text()
    (yard / "site.toml").write_text(text.replace(T1_SHAPE, SHAPES[number]))
    assert [p for p in load(yard / "site.toml").problems if "shape" in p.where] == []


def test_the_document_shows_shapes() -> None:
    assert len(SHAPES) >= 4
