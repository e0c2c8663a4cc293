"""A site as it would be with a value changed: what changes, what doesn't, and that no file is written."""

from fractions import Fraction
from pathlib import Path

import pytest
from yard_copy import EXAMPLE, copy_yard

from sidetap.errors import BadInput
from sidetap.quantity import NS_PER_S
from sidetap.site import Site, load
from sidetap.site.model import SharedOnlyAbove
from sidetap.site.what_if import load_with

WHOLE = EXAMPLE / "site.toml"


def changed(*changes: str) -> Site:
    found = load_with(WHOLE, changes)
    assert found.site is not None, [str(problem) for problem in found.problems]
    return found.site


def test_the_site_has_the_new_values_and_the_file_the_old_ones() -> None:
    before = WHOLE.read_bytes()
    site = changed(
        "vessel.T1.trip.below=0.40 m",
        "bay.B.restarts = 2",
        "valve.B1.open_limit=8 min",
        'valve.B2.open_limit="8 min 5 s"',
        "site.start_hold=20 s",
        "point.LT-4.good_when 1.at_least=60",
        'compatible.10 % Zn=["10 % Zn"]',
        "rule.R-5.close_below=1.400 m",
        'vessel.T5.shape={ kind = "box", length = "6 m", width = "4 m", height = "2.6 m" }',
    )
    assert site.vessel("T1").trip.below_01mm == 4000
    assert site.vessel("T2").trip.below_01mm == 6000
    assert site.bay("B").restarts == 2
    assert [site.valve(tag).open_limit_ns // NS_PER_S for tag in ("B1", "B2")] == [480, 485]
    assert site.start_hold_ns == 20 * NS_PER_S
    assert site.point("LT-4").good_when[0].at_least == Fraction(60)
    assert dict(site.compatible)["10 % Zn"] == ("10 % Zn",)
    assert [rule.close_below_01mm for rule in site.rules if isinstance(rule, SharedOnlyAbove)] == [14_000]
    assert site.vessel("T5").top_01mm == 26_000
    assert WHOLE.read_bytes() == before


def test_a_filter_can_be_exchanged() -> None:
    trip = changed("vessel.T4.trip.mean=", "vessel.T4.trip.lag=4 s").vessel("T4").trip
    assert (trip.mean_ns, trip.lag_ns) == (0, 4 * NS_PER_S)


def test_nothing_changed_is_the_file() -> None:
    assert load_with(WHOLE, ()) == load(WHOLE)


def test_what_check_finds_in_the_changed_site_is_told() -> None:
    found = load_with(WHOLE, ["vessel.T3.trip.below=0.35 m"])
    assert found.site is None
    assert [problem.where for problem in found.problems] == ["vessel.T3.trip.below"]


def test_a_change_can_mend_a_file(tmp_path: Path) -> None:
    path = copy_yard(tmp_path) / "site.toml"
    path.write_text(path.read_text().replace("restarts = 1", "restarts = 9"))
    assert load(path).site is None
    assert load_with(path, ["bay.B.restarts=2"]).problems == ()


@pytest.mark.parametrize("text", ["[site", "x = " + "[" * 5000, 'a = "\xff"'])
def test_what_is_no_toml_is_told_as_check_tells_it(tmp_path: Path, text: str) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(text.encode("latin-1"))
    assert load_with(path, ["bay.B.restarts=2"]) == load(path)
    assert load(path).site is None


@pytest.mark.parametrize("value", ["1.5e400", '"two"', "[1]", "2026-01-01"])
def test_a_value_of_another_kind_is_for_check_to_refuse(value: str) -> None:
    problems = load_with(WHOLE, [f"bay.B.restarts={value}"]).problems
    assert [problem.where for problem in problems] == ["bay.B.restarts"]


@pytest.mark.parametrize(
    ("change", "problem", "remedy"),
    [
        ("vessel.T1.trip.below", "no change", "KEY=VALUE"),
        ("=1", "no change", "KEY=VALUE"),
        ("vessel.T1.trip.belwo=1 m", "no key 'belwo'", "Did you mean below?"),
        ("vessle.T1.low=1 m", "no key 'vessle'", "Did you mean vessel?"),
        ("vessel.T9.low=1 m", "nothing there is called 'T9'", "T1, T2, T3"),
        ("point.LT-4.good_when 2.at_least=1", "nothing there is called '2'", "There: 1."),
        ("bay=1", "bay has headers", "Write it as in the file"),
        ("vessel.T1=1", "a table, and no key of it", "Name a key"),
        ("site.name.x=1", "name is no table", "site.name=VALUE"),
        ("bay.B.restarts=two", "no value of TOML", "bay.B.restarts=1"),
        ("vessel.T1.heel=", "it can't be made", "vessel.T1.heel="),
    ],
)
def test_what_is_no_change_is_refused(change: str, problem: str, remedy: str) -> None:
    with pytest.raises(BadInput) as caught:
        load_with(WHOLE, [change])
    assert problem in caught.value.problem
    assert remedy in caught.value.remedy


def test_a_key_changed_twice_is_refused() -> None:
    """Whoever changes a line typed before may have forgotten the one that counts."""
    with pytest.raises(BadInput, match="changed twice"):
        load_with(WHOLE, ["bay.B.restarts=2", "bay.B.restarts=3"])
