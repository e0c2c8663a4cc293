"""Checks that need more than bay B: what lies between bays, and waves; each as one slip in the whole yard's file."""

from pathlib import Path

import pytest
from yard_copy import EXAMPLE, copy_yard

from sidetap.site import Severity, load
from sidetap.site.checks.vessels import slosh_period_s
from sidetap.vessel import VerticalCylinder

R5 = 'level = "1.500 m"\nclose_below = "1.450 m"\n'
SLIPS = {
    "quiet-hours-overlap": (
        'from = "23:30"\nto = "04:45"\n',
        'from = "23:30"\nto = "04:45"\n\n[[rule]]\ntag = "R-9"\nkind = "quiet-hours"\nfrom = "04:44"\nto = "05:00"\n',
        "rule.R-9.from",
        "overlaps rule R-2",
    ),
    "nobody-thought-of-it": ('kind = "exclusive-vessel"\nvessel = "T2"\n', 'kind = "one-valve-per-bay"\n', "", "T2"),
    "closes-where-it-opens": (R5, R5.replace("1.450", "1.500"), "rule.R-5.close_below", "not below the level"),
    "closes-under-the-trip": (R5, R5.replace("1.450", "0.600"), "rule.R-5.close_below", "trip at 0.600 m"),
    "a-bay-that-isn't-served": ('bays = ["A", "B"]', 'bays = ["A", "C"]', "rule.R-5.bays", "from T1 to bay C"),
    "mean-shorter-than-a-wave": (
        'below = "0.60 m", mean = "15 s", delay = "2 s", reset_above = "0.70 m" }\nfrozen = { expected = "20 mm", '
        'seen = "5 mm" }\n\n[[vessel]]\ntag = "T2"',
        'below = "0.60 m", mean = "6 s", delay = "2 s", reset_above = "0.70 m" }\nfrozen = { expected = "20 mm", '
        'seen = "5 mm" }\n\n[[vessel]]\ntag = "T2"',
        "vessel.T1.trip.mean",
        "shorter than a wave in T1 at its trip, 6.5 s",
    ),
    "drawing-without-a-strapping": (
        'bottom = "flat" }\nlevel = { point = "LT-1"',
        'bottom = "flat" }\ndrawing = { kind = "sphere", diameter = "9 m" }\nlevel = { point = "LT-1"',
        "vessel.T1.drawing",
        "no strapping table beside it",
    ),
    "high-at-the-top": (
        'high = "6.90 m"',
        'high = "7.315 m"',
        "vessel.T1.high",
        "not below the vessel's top at 7.315 m",
    ),
    "nothing-a-register-tells-is-valid": (
        'unit = "mm"\nvalid = ["0 mm", "7315 mm"]',
        'scale = -1\nunit = "mm"\nvalid = ["1 mm", "7315 mm"]',
        "point.LT-1.valid",
        "-65,535 to 0 mm: never valid",
    ),
    "bypass-for-hours": ('at_most = "60 min"', 'at_most = "61 min"', "bypass.at_most", "outside 1 s to 60 min"),
    "a-date-of-another-age": (
        "on = 2026-02-11",
        "on = 1926-02-11",
        "line.north.transmitter.on",
        "1926-02-11 is no day",
    ),
}


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_between_bays_is_told(tmp_path: Path, name: str) -> None:
    old, new, where, says = SLIPS[name]
    yard = copy_yard(tmp_path)
    text = (EXAMPLE / "site.toml").read_text()
    assert text.count(old) == 1
    (yard / "site.toml").write_text(text.replace(old, new))
    problems = load(yard / "site.toml").problems
    assert any(p.where.startswith(where) and says in p.problem for p in problems), [str(p) for p in problems]


def test_bays_that_exclude_each_other_do_not_draw_together(tmp_path: Path) -> None:
    """T3 serves B or C. At its trip its surface is 33.8 m²: 440 gpm lower it by 0.82 mm/s, 66 gpm by 0.12."""
    yard = copy_yard(tmp_path)
    valid = 'valid = ["-1 kPa", "45 kPa"]\nmax_step = '
    slow = (EXAMPLE / "site.toml").read_text().replace(f'{valid}"50 mm/s"', f'{valid}"0.9 mm/s"')
    assert "0.9 mm/s" in slow
    (yard / "site.toml").write_text(slow)
    assert load(yard / "site.toml").problems == ()
    rule = 'kind = "exclusive-vessel"\nvessel = "T3"'
    shared = 'kind = "shared-only-above"\nvessel = "T3"\nbays = ["B", "C"]\nlevel = "1.5 m"\nclose_below = "1.4 m"'
    assert rule in slow
    (yard / "site.toml").write_text(slow.replace(rule, shared))
    assert [p.where for p in load(yard / "site.toml").problems] == ["point.PT-3.max_step"]


def test_the_whole_yard_has_no_problem() -> None:
    loaded = load(EXAMPLE / "site.toml")
    assert loaded.problems == ()
    assert loaded.site is not None
    assert [v.top_01mm for v in loaded.site.vessels] == [73_150, 58_000, 30_480, 54_000, 25_000, 15_000]


def test_a_vessel_for_two_bays_without_a_rule_is_a_warning(tmp_path: Path) -> None:
    yard = copy_yard(tmp_path)
    text = (EXAMPLE / "site.toml").read_text()
    cut = text.replace('[[rule]]\ntag = "R-3"\nkind = "exclusive-vessel"\nvessel = "T2"\n\n', "")
    assert cut != text
    (yard / "site.toml").write_text(cut)
    (problem,) = load(yard / "site.toml").problems
    assert (problem.severity, problem.where) == (Severity.WARNING, "vessel.T2.tag")
    assert "bays A and B may draw from T2 at the same time" in problem.problem


@pytest.mark.parametrize(("level_m", "period_s"), [(1.00, 5.11), (0.60, 6.49)])
def test_waves_have_the_periods_of_linear_theory(level_m: float, period_s: float) -> None:
    """A vessel of 9.144 m: the first slosh period by linear wave theory, worked out apart from this code."""
    found = slosh_period_s(VerticalCylinder(9.144, 7.315), level_m)
    assert found == pytest.approx(period_s, abs=0.005)
