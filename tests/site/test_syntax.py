"""What is no TOML: the place of the mistake and not of where a parser noticed, and several mistakes in one go."""

from pathlib import Path

import pytest

from sidetap.site import load

MISTAKES: dict[str, tuple[str, tuple[int, int], str]] = {
    "key twice": ("a = 1\nb = 2\na = 3", (3, 1), "a has a value already"),
    "table twice": ("[rule]\nx = 1\n[rule]", (3, 1), "one more of a list is [[rule]]"),
    "into a table in braces": ("a = {b = 1}\na.c = 2", (2, 1), "complete there"),
    "text not closed": ('tag = "T1\nname = "x"', (1, 7), "isn't closed in its line"),
    "no date in a table": ("x = { on = 2026-13-20 }", (1, 12), "2026-13-20 is no date"),
    "no date": ("on = 2026-02-30", (1, 6), "2026-02-30 is no date"),
    "leading zero": ("baud = 019200", (1, 9), "begins with 0"),
    "bare point": ("scale = 1.", (1, 10), "a point without a digit"),
    "two values": ("baud = 19200 8", (1, 14), "'8' behind the value"),
    "backslash": ('port = "\\serial"', (1, 9), "a backslash"),
    "decimal comma": ("scale = 0,1", (1, 10), "a comma in a number"),
    "list not closed": ("a = [1, 2\n", (1, 10), "Unclosed array, at the end"),
    "nothing behind the sign": ("a = \n", (1, 5), "Invalid value"),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_has_its_place_and_words(tmp_path: Path, name: str) -> None:
    text, place, words = MISTAKES[name]
    (tmp_path / "site.toml").write_text(text)
    first = load(tmp_path / "site.toml").problems[0]
    assert ((first.line, first.column), first.where) == (place, "TOML")
    assert words in first.problem
    assert first.remedy


def test_several_mistakes_are_told_in_one_go(tmp_path: Path) -> None:
    text = 'format = 1\nbaud = 19200 8\nname = "fine"\nscale = 0,1\non = 2026-13-20\ntag = "T1\nlast = 2\n'
    (tmp_path / "site.toml").write_text(text)
    assert [(p.line, p.where) for p in load(tmp_path / "site.toml").problems] == [
        (2, "TOML"),
        (4, "TOML"),
        (5, "TOML"),
        (6, "TOML"),
    ]


def test_what_follows_from_a_mistake_is_not_told(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text("[site\nname = 1\nname = 2\n")
    assert [p.line for p in load(tmp_path / "site.toml").problems] == [1]
