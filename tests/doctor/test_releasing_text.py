"""`released` entered in the text of a site file, however its points are written; nothing else moves."""

import tomllib
from datetime import date
from typing import Any

import pytest

from sidetap.site.releasing import Released, with_released

ENTRY = Released(2, "Ines Varga", date(2026, 3, 11))
LINE = 'released = { dips = 2, by = "Ines Varga", on = 2026-03-11 }'
SCALARS = """tag = "{tag}"
line = "north"
device = 11
table = "holding-register"
register = 100
encoding = "uint16"
unit = "mm"
valid = ["0 mm",
  "7315 mm"]  # two lines
poll = "1 s"
warn_age = "3 s"
close_age = "5 s"  # [[point]] close_age = "7 s"
"""
POINT = "[[point]]\n" + SCALARS
TWO = f"# first\n{POINT.format(tag='A')}\n# about B\n{POINT.format(tag='B')}\n# end\n[site]\nname = 'x'\n"
INLINE = (
    'point = [{ tag = "A", line = "n", device = 1, table = "t", register = 1, encoding = "u", unit = "mm",'
    ' poll = "1 s", warn_age = "3 s", close_age = "5 s" }] # one\n'
)
SUB = POINT.format(tag="A") + '\n[[point.good_when]]\nregister = 1\n\n[point.released]\nby="old"\ndips = 9\n'


def values(text: str) -> Any:
    return tomllib.loads(text.removeprefix("\ufeff"))


def expected(text: str, number: int) -> Any:
    found = values(text)
    found["point"][number]["released"] = {"dips": 2, "by": "Ines Varga", "on": date(2026, 3, 11)}
    return found


def test_a_new_entry_is_one_line_behind_the_points_own() -> None:
    after = with_released(TWO, {1: ENTRY})
    assert after == TWO.replace("\n# end", f"{LINE}\n\n# end")
    assert values(after) == expected(TWO, 1)


def test_two_points_at_once() -> None:
    after = with_released(TWO, {0: ENTRY, 1: Released(3, "B", date(2026, 1, 2))})
    assert after.count("released = ") == 2
    assert values(after)["point"][0]["released"]["dips"] == 2
    assert values(after)["point"][1]["released"] == {"dips": 3, "by": "B", "on": date(2026, 1, 2)}


@pytest.mark.parametrize(
    "old",
    [
        'released = { dips = 3, by = "a } \\" # b", on = 2020-01-01 } # keep',
        "released = {on=2020-01-01,dips=3,by='x'}",
        'released.dips = 3\nreleased . "by" = """some\nbody"""\nreleased.on = 2020-01-01 # keep',
    ],
)
def test_an_old_entry_keeps_its_form(old: str) -> None:
    text = TWO.replace(
        'close_age = "5 s"  # [[point]] close_age = "7 s"\n\n# about', f'close_age = "5 s"\n{old}\n# about'
    )
    after = with_released(text, {0: ENTRY})
    assert values(after) == expected(text, 0)
    kept = [line for line in text.splitlines() if line not in old.splitlines()]
    assert [line for line in after.splitlines() if line in kept] == kept
    assert ("# keep" in after) == ("# keep" in old)


def test_an_old_entry_with_a_header_of_its_own_keeps_it() -> None:
    text = SUB + "on = 2020-01-01\n"
    after = with_released(text, {0: ENTRY})
    assert after == text.replace('"old"', '"Ines Varga"').replace("= 9", "= 2").replace("2020-01-01", "2026-03-11")


def test_a_point_written_in_one_line() -> None:
    after = with_released(INLINE, {0: ENTRY})
    assert after == INLINE.replace(" }]", f", {LINE} }}]")
    assert values(after) == expected(INLINE, 0)


def test_a_table_below_a_point_stays_below() -> None:
    text = POINT.format(tag="A") + "\n[[point.good_when]]\nregister = 1\n"
    after = with_released(text, {0: ENTRY})
    assert after == text.replace("\n\n[[", f"\n{LINE}\n\n[[")
    assert values(after) == expected(text, 0)


@pytest.mark.parametrize("bom", ["", "\ufeff"])
def test_line_ends_and_the_byte_order_mark_stay(bom: str) -> None:
    text = bom + TWO.replace("\n", "\r\n")
    after = with_released(text, {0: ENTRY, 1: ENTRY})
    assert after.replace(f"{LINE}\r\n", "") == text
    assert after.count("\n") == after.count("\r\n") == text.count("\n") + 2


def test_a_file_that_ends_in_the_point() -> None:
    text = POINT.format(tag="A").rstrip("\n")
    assert with_released(text, {0: ENTRY}) == f"{text}\n{LINE}"


@pytest.mark.parametrize("name", ['O\'Neil "Bob" \\ ö', "日本 𠮷", "#]}"])
def test_any_name_is_read_back(name: str) -> None:
    after = with_released(TWO, {0: Released(2, name, date(2026, 3, 11))})
    assert values(after)["point"][0]["released"]["by"] == name
