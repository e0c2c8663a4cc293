"""What `site diff` calls a difference is what the hashes call one, people apart; it is told as the files write it.

The small yard is the example cut down to one vessel and one valve, written anew, so that a comparison is fast.
"""

import shutil
import tomllib
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from yard_copy import EXAMPLE

from sidetap.errors import BadInput
from sidetap.quantity import from_si, to_si
from sidetap.site.differences import compare
from sidetap.site.differences.strapping import summary
from sidetap.site.edits import SiteText
from sidetap.site.keys import Choice, Day, Duration, Inner, Key, Length, Many, Number, Quantity, Text, Texts, Whole
from sidetap.site.keys.tree import children, inside
from sidetap.site.written import written
from sidetap.vessel import Strapping, parse_strapping

ONLY = {"point": "LT-1", "vessel": "T1", "valve": "B1", "alarm": "T1-high"}
UNUSED = ("ZSC-B2", "ZSO-B2", "ZSC-B3", "ZSO-B3")


def small() -> str:
    """The example of bay B with one vessel and one valve."""
    values = tomllib.loads((EXAMPLE / "bay-b.toml").read_text())
    values["compatible"] = {"32-0-0": ["32-0-0"]}
    values["bypass"] = {"trips": ["T1"], "time": "15 min", "at_most": "60 min"}
    values["rule"].append({"tag": "R-9", "kind": "quiet-hours", "from": "23:30", "to": "04:45"})
    lines = [
        "# small",
        *(f"{key} = {written(value)}" for key, value in values.items() if not isinstance(value, list)),
    ]
    for kind, rows in values.items():
        for row in rows if isinstance(rows, list) else ():
            if row["tag"] == ONLY.get(kind, row["tag"]) and row["tag"] not in UNUSED:
                lines += ["", f"[[{kind}]]", *(f"{key} = {written(value)}" for key, value in row.items())]
    return "\n".join([*lines, ""])


SMALL = small()


@pytest.fixture(scope="module")
def yards(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("yards")
    for name in ("a", "b"):
        (folder / name).mkdir()
        shutil.copy(EXAMPLE / "people.toml", folder / name)
        shutil.copy(EXAMPLE / "t2-strapping.csv", folder / name)
        (folder / name / "site.toml").write_text(SMALL)
    return folder / "a" / "site.toml", folder / "b" / "site.toml"


def words(yards: tuple[Path, Path], text: str) -> list[str]:
    """Write the second file and tell its differences; sees to it that the hash says the same."""
    yards[1].write_text(text)
    found = compare(*yards)
    assert bool(found.site) is (found.site_hashes[0] != found.site_hashes[1])
    return [difference.words for difference in found.site]


def leaves(kind: str, values: Any, path: tuple[str | int, ...] = ()) -> list[tuple[Key, tuple[str | int, ...], Any]]:
    """Every declared key that has a value in the small yard, once: with its first path."""
    found = []
    for name, key in children(kind).items():
        if name not in values:
            continue
        at, value = (*path, name), values[name]
        if isinstance(key.form, Inner):
            found += leaves(inside(kind, name), value, at)
        elif isinstance(key.form, Many):
            found += leaves(inside(kind, name), value[-1], (*at, len(value) - 1))
        else:
            found.append((key, at, value))
    return found


LEAVES = [leaf for leaf in leaves("", tomllib.loads(SMALL)) if leaf[0].path.split(".")[0] not in ("format", "people")]


def other(key: Key, value: Any) -> Any:
    """Another value of the same form."""
    match key.form:
        case Choice(options):
            return next((option for option in options if option != value), None)
        case Whole() | Number():
            return value + 1
        case Day():
            return date(2025, 12, 31)
        case Texts():
            return [*value, "28-0-0"]
        case Text():
            return f"{value}x"
        case Quantity() | Length() | Duration():
            number, unit = value.split(" ")[:2]
            step = Decimal(10) ** (len(number.partition(".")[2]) * -1)
            return f"{Decimal(number) + step} {unit}"
    return None


def test_one_value_changed_is_one_difference_just_when_the_hash_changes(yards: tuple[Path, Path]) -> None:
    changed = 0
    for key, path, value in LEAVES[::2]:
        new = other(key, value)
        if new is None:
            continue
        text = SiteText(SMALL)
        text.put(path, new)
        try:
            told = words(yards, text.text)
        except BadInput:  # another tag leads nowhere, another level makes no sense
            continue
        changed += 1
        was, now = (", ".join(v) if isinstance(v, list) else v for v in (value, new))
        if "good_when" in key.path:  # a condition has no name: another one is new
            assert [line.split(":")[1].split(",")[0] for line in told] == [" gone", " new"], path
            assert [f"{path[-1]} {v}" in line for v, line in zip((was, now), told, strict=True)] == [True, True], path
        else:
            assert len(told) == 1, (path, told)
            assert told[0].endswith(f".{path[-1]}: was {was}, is {now}"), (path, told)
            assert told[0].split(".")[0] == path[0]
    assert changed > 35


SHAPE = '{ kind = "vertical-cylinder", diameter = "9.144 m", height = "7.315 m", bottom = "flat" }'
SAME = {
    "units": ('below = "0.60 m"', 'below = "600 mm"'),
    "time": ('mean = "15 s"', 'mean = "15000 ms"'),
    "minutes": ('open_limit = "9 min 35 s"', 'open_limit = "575 s"'),
    "mixed": ('high = "6.90 m"', 'high = "690.00 cm"'),
    "feet": ('low = "1.00 m"', 'low = "3 ft 3.370078740157 in"'),
    "range": ('valid = ["0 mm", "7315 mm"]', "valid = ['0 m', '731.5 cm']"),
    "default": ('encoding = "uint16"\nunit', 'encoding = "uint16"\nscale = 1.0\noffset = 0\nunit'),
    "no-datum": ('high = "6.90 m"', 'datum = "0 mm"\nhigh = "6.90 m"'),
    "order-of-a-list": ('["HS-B-AUTO", "XS-B", "LSH-B", "HC-B"]', '["HC-B", "XS-B", "LSH-B", "HS-B-AUTO"]'),
    "words-of-an-alarm": ('"T1 above high"', '"T1  above  high"'),
    "a-word-as-a-table": ('bottom = "flat" }', 'bottom = { form = "flat" }, top = { form = "flat" } }'),
    "comments": ("# small", "# quite another comment\n#"),
    "numbers": ("register = 100\n", "register = 0x64\n"),
    "dotted": ('hose = { input = "HC-B", left_after = "5 min" }', 'hose.left_after = "300 s"\nhose.input = "HC-B"'),
}


@pytest.mark.parametrize("name", SAME)
def test_ways_of_writing_leave_no_mark(yards: tuple[Path, Path], name: str) -> None:
    old, new = SAME[name]
    assert SMALL.count(old) == 1
    yards[1].write_text(SMALL.replace(old, new))
    found = compare(*yards)
    assert (found.equal, found.site_hashes[0]) == (True, found.site_hashes[1])
    assert found.scheme_hashes[0] == found.scheme_hashes[1]


REAL = {  # a difference of every kind of row, so that none is equal as a whole
    "device = 11": ("device = 12", "point.LT-1.device: was 11, is 12"),
    'name = "North Round"': ('name = "Round"', "vessel.T1.name: was North Round, is Round"),
    'name = "Road"': ('name = "Street"', "bay.B.name: was Road, is Street"),
    'stroke = "6 s"': ('stroke = "5 s"', "valve.B1.stroke: was 6 s, is 5 s"),
}


@pytest.mark.parametrize("name", [name for name in SAME if name != "words-of-an-alarm"])
def test_ways_of_writing_are_not_told_beside_what_differs(yards: tuple[Path, Path], name: str) -> None:
    text = SMALL.replace(*SAME[name])
    for old, (new, _) in REAL.items():
        assert text.count(old) == 1
        text = text.replace(old, new)
    if name == "a-word-as-a-table":  # the geometry must differ too
        text = text.replace('diameter = "9.144 m"', 'diameter = "9.1 m"')
    told = [line for line in words(yards, text) if "diameter" not in line]
    assert sorted(told) == sorted(line for _, line in REAL.values())


def test_the_order_of_tables_leaves_no_mark(yards: tuple[Path, Path]) -> None:
    head, *tables = SMALL.split("\n[[")
    yards[1].write_text("\n[[".join([head, *reversed(tables)]))
    found = compare(*yards)
    assert found.equal
    assert found.site_hashes[0] == found.site_hashes[1]
    assert found.scheme_hashes[0] == found.scheme_hashes[1]


CONE = '{ form = "cone", depth = "1.2 m" }'
TOLD = {
    "a-new-key": (
        'high = "6.90 m"',
        'heel = "10 cm"\nhigh = "6.90 m"',
        ["vessel.T1.heel: new, 10 cm (without it: 0 mm)"],
    ),
    "a-key-gone": ('serial = "RX0001"\n', "", ["line.north.serial: gone, was RX0001"]),
    "a-table-gone": (
        'frozen = { expected = "20 mm", seen = "5 mm" }\n',
        "",
        ["vessel.T1.frozen: gone, was expected 20 mm, seen 5 mm"],
    ),
    "a-tag": ('"R-9"', '"R-8"', ["rule.R-9: gone, was kind quiet-hours, from 23:30, to 04:45"]),
    "another-bottom": (
        'bottom = "flat"',
        f"bottom = {CONE}",
        ["vessel.T1.shape.bottom: was form flat, is form cone, depth 1.2 m"],
    ),
    "another-shape": (SHAPE, '{ kind = "sphere", diameter = "9.144 m" }', None),
    "a-shape-for-a-strapping": (
        f"shape = {SHAPE}",
        'strapping = "t2-strapping.csv"',
        [
            "vessel.T1.high: was 6.90 m, is 5 m",
            "vessel.T1.shape: gone, was kind vertical-cylinder, diameter 9.144 m, height 7.315 m, bottom flat",
            "vessel.T1.strapping: new, t2-strapping.csv",
        ],
    ),
    "another-condition": (
        "equals = 1",
        "at_least = 0.5",
        [
            "point.LT-1.good_when: gone, was register 101, encoding uint16, equals 1",
            "point.LT-1.good_when: new, register 101, encoding uint16, at_least 0.5",
        ],
    ),
    "a-range": ('"7315 mm"', '"7.2 m"', ["point.LT-1.valid: was 0 mm to 7315 mm, is 0 mm to 7.2 m"]),
    "another-way-to-a-level": (
        '{ point = "LT-1", as = "height" }',
        '{ point = "LT-1", as = "ullage", reference_height = "7.9 m", blocking = "30 cm" }',
        [
            "vessel.T1.level: was point LT-1, as height, "
            "is point LT-1, as ullage, reference_height 7.9 m, blocking 30 cm"
        ],
    ),
    "a-product-may-follow": (
        '{ 32-0-0 = ["32-0-0"] }',
        "{ }",
        ["compatible.32-0-0: gone, was 32-0-0"],
    ),
}


@pytest.mark.parametrize("name", TOLD)
def test_how_a_difference_is_told(yards: tuple[Path, Path], name: str) -> None:
    old, new, expected = TOLD[name]
    assert SMALL.count(old) == 1
    text = SMALL.replace('"6.90 m"', '"5 m"') if name == "a-shape-for-a-strapping" else SMALL  # its table ends there
    told = words(yards, text.replace(old, new))
    if name == "a-tag":
        assert told == [*(expected or []), "rule.R-8: new, kind quiet-hours, from 23:30, to 04:45"]
    elif expected is None:
        assert told[0].startswith("vessel.T1.shape: was kind vertical-cylinder, ")
        assert told[0].endswith(", is kind sphere, diameter 9.144 m")
    else:
        assert told == expected


def test_people_are_told_apart_and_change_no_hash(yards: tuple[Path, Path]) -> None:
    yards[1].write_text(SMALL)
    people = yards[1].with_name("people.toml")
    text = people.read_text()
    people.write_text(
        text.replace('name = "Tobias Quell"\nrole = "operator"', 'name = "Tobias Quell"\nrole = "lead"')
    )
    try:
        found = compare(*yards)
    finally:
        people.write_text(text)
    assert [difference.words for difference in found.people] == ["person Tobias Quell: was operator, is lead"]
    assert (found.site, found.equal) == ((), False)
    assert found.site_hashes[0] == found.site_hashes[1]


def table(*rows: tuple[str, int]) -> Strapping:
    return parse_strapping("level_m,volume_gal\n" + "".join(f"{level},{volume}\n" for level, volume in rows))


WAS = table(("0", 0), ("1", 1000), ("2", 2000))
STRAPPINGS = {
    "one-row": (
        table(("0", 0), ("1", 1010), ("2", 2000)),
        "1 of 3 rows differ; most at 1 m: was 1,000 gal, is 1,010",
    ),
    "between": (
        table(("0", 0), ("0.5", 400), ("1", 1000), ("2", 2000)),
        "0 of 3 rows differ, 1 new; most at 0.5 m: was 500 gal, is 400 gal (-100 gal)",
    ),
    "rows-on-the-line": (
        table(("0", 0), ("2", 2000)),
        "0 of 3 rows differ, 1 gone; no volume differs where both have one",
    ),
    "further-up": (table(("3", 3000), ("4", 4000)), "0 of 3 rows differ, 2 new, 3 gone; the tables have no level in"),
}


@pytest.mark.parametrize("name", STRAPPINGS)
def test_strappings_are_told_by_rows(name: str) -> None:
    now, expected = STRAPPINGS[name]
    assert summary(WAS, now, ("m", "gal")).startswith(expected)


def test_the_largest_difference_is_that_of_the_published_conversion() -> None:
    # NIST Handbook 44, appendix C: the US gallon is 3.785 411 784 L exactly
    assert from_si(to_si(1, "gal"), "L") == Fraction("3.785411784")
    assert summary(WAS, table(("0", 0), ("1", 1001), ("2", 2000)), ("ft", "L")).endswith(
        "most at 3.281 ft: was 3,785.412 L, is 3,789.197 L (+3.785 L)"
    )
