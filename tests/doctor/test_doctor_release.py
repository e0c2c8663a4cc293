"""What releases a point for control: both sides of every limit of two dips, and what never does."""

from dataclasses import replace
from fractions import Fraction

import pytest
from doctor_yard import beside, loaded

from sidetap.measure.doctor import Comparison, Diagnosis, Standing, diagnose, measurable_m, needed_m
from sidetap.site import LevelKind, Site
from sidetap.survey import ReadingKind


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return loaded(tmp_path_factory.mktemp("yard"))


def told(found: list[Comparison]) -> Diagnosis:
    (diagnosis,) = diagnose(found)
    return diagnosis


def two(site: Site, low: float, high: float, off: float = 0.0, tag: str = "T1") -> Diagnosis:
    """Return what two dips tell, the second one off."""
    return told([beside(site, tag, low, low, row=1), beside(site, tag, high, high + off, row=2)])


def test_acceptance_11_two_dips_a_fifth_of_the_span_apart_release(site: Site) -> None:
    found = two(site, 1.0, 6.0, 0.004)
    assert (found.release.released, found.release.dips, str(found.finding.cause)) == (True, 2, "none")
    line = found.straight
    assert line is not None
    assert line.gain is not None
    assert line.gain_u is not None
    assert abs(line.gain - 1) <= line.gain_u
    assert abs(line.offset_m) <= line.offset_u_m


@pytest.mark.parametrize(("high", "released"), [(2.4629, False), (2.463, True), (2.4631, True)])
def test_acceptance_11_both_sides_of_a_fifth(site: Site, high: float, released: bool) -> None:
    assert needed_m(site.vessel("T1"), site.point("LT-1")) == Fraction("1.463")  # of 7.315 m
    found = two(site, 1.0, high)
    assert found.release.released is released
    if not released:
        assert found.release.why_not == "the dips are 1.4629 m apart where 1.4630 m are needed, a fifth of the span"
        assert str(found.finding.cause) == "unclear"


def test_acceptance_11_both_sides_of_what_is_stated(site: Site) -> None:
    # tape 5 mm, rectangular, and transmitter 3 mm at k = 2: 2 × hypot(5 / √3, 3 / 2) mm = 6.506 mm (GUM 4.3.7, 5.1.2)
    assert two(site, 1.0, 6.0, 0.00650).release.released
    assert two(site, 1.0, 6.0, -0.00650).release.released
    found = two(site, 1.0, 6.0, 0.00651)
    assert not found.release.released
    assert found.release.why_not == "the dip of row 2 is +6.5 mm off where 6.5 mm are stated"
    assert not two(site, 1.0, 6.0, -0.00651).release.released


def test_acceptance_11_a_display_releases_nothing(site: Site) -> None:
    rows = [beside(site, "T1", h, h, row=n + 1, kind=ReadingKind.DISPLAY) for n, h in enumerate((1.0, 3.5, 6.0))]
    assert told(rows).release.why_not == "no dip where two are needed"
    rows.append(beside(site, "T1", 1.0, 1.0, row=4))
    assert told(rows).release.why_not == "one dip where two are needed"


@pytest.mark.parametrize(
    ("tag", "off", "cause"),
    [("T4", -0.06, "reference-height"), ("T3", -0.1, "nozzle-height")],
)
def test_acceptance_11_else_the_cause_is_named(site: Site, tag: str, off: float, cause: str) -> None:
    found = told([beside(site, tag, h, h + off, row=n + 1) for n, h in enumerate((1.0, 2.9))])
    assert found.release.why_not == f"the cause is {cause}"


def test_every_dip_must_agree(site: Site) -> None:
    rows = [beside(site, "T1", h, h, row=n + 1) for n, h in enumerate((1.0, 3.0, 6.0))]
    assert told(rows).release.dips == 3
    rows[1] = beside(site, "T1", 3.0, 3.01, row=2)
    assert not told(rows).release.released


@pytest.mark.parametrize("standing", [Standing.ABOVE_TOP, Standing.INVALID])
def test_a_dip_without_a_good_level_releases_nothing(site: Site, standing: Standing) -> None:
    rows = [beside(site, "T1", 1.0, 1.0, row=1), beside(site, "T1", 6.0, 6.0, row=2, standing=standing)]
    assert told(rows).release.why_not == "the line had no good level at the dip of row 2"


def test_a_dip_the_line_says_nothing_beside_counts_for_nothing(site: Site) -> None:
    silent = replace(
        beside(site, "T1", 6.0, 6.0, row=2), standing=Standing.NOTHING, reported_m=None, reason="silence"
    )
    found = told([beside(site, "T1", 1.0, 1.0, row=1), silent])
    assert found.release.why_not == "one dip where two are needed"
    assert found.unused == (silent,)


@pytest.mark.parametrize(("tolerance", "released"), [(0.0633, True), (0.0634, False)])
def test_a_dip_coarser_than_a_hundredth_of_the_span_releases_nothing(
    site: Site, tolerance: float, released: bool
) -> None:
    # 2 × 63.35 mm / √3 is 73.15 mm
    rows = [beside(site, "T1", h, h, row=n + 1, tolerance=tolerance) for n, h in enumerate((1.0, 6.0))]
    found = told(rows)
    assert found.release.released is released
    assert (found.release.why_not == "a dip is too coarse to tell anything") is not released


def test_a_moving_level_widens_the_tolerance_by_five_seconds_of_it(site: Site) -> None:
    # 12 mm off: 5 mm of tape alone don't allow for it, 5 s at 2 mm/s do: 2 × hypot(15 / √3, 1.5) mm = 17.6 mm
    still = beside(site, "T1", 6.0, 6.012, row=2)
    moving = replace(still, rate_m_per_s=0.002)
    first = beside(site, "T1", 1.0, 1.0, row=1)
    assert not told([first, still]).release.released
    found = told([first, moving])
    assert found.release.released
    assert found.dips[1].stated == pytest.approx(2 * ((0.015**2) / 3 + 0.0015**2) ** 0.5)


def test_answers_that_scatter_more_than_stated_widen_it_too(site: Site) -> None:
    wavy = replace(beside(site, "T1", 6.0, 6.012, row=2), scatter_m=0.008)
    found = told([beside(site, "T1", 1.0, 1.0, row=1), wavy])
    assert found.dips[1].stated == pytest.approx(2 * ((0.005**2) / 3 + 0.008**2) ** 0.5)
    assert found.release.released


@pytest.mark.parametrize(
    ("tag", "low", "high"),
    [
        ("T1", "0", "7.315"),
        ("T3", "0.42", "3.048"),  # from the nozzle to the top; 45 kPa would be 3.71 m
        ("T4", "0.35", "5.32"),  # 5.27 m of ullage; blocking 0.30 m under a flange at 5.62 m
        ("T5", "0", "2.5"),
    ],
)
def test_the_span_that_can_be_measured(site: Site, tag: str, low: str, high: str) -> None:
    vessel = site.vessel(tag)
    assert measurable_m(vessel, site.point(vessel.level.point)) == (Fraction(low), Fraction(high))


def test_the_span_of_a_height_with_a_narrow_valid_range(site: Site) -> None:
    point = replace(site.point("LT-1"), valid=(Fraction("0.5"), Fraction("6.1")))
    assert site.vessel("T1").level.kind is LevelKind.HEIGHT
    assert measurable_m(site.vessel("T1"), point) == (Fraction("0.5"), Fraction("6.1"))
