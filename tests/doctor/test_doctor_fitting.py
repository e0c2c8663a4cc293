"""The straight line between dips and line: published worked examples, a reference library, and intervals that hold.

GUM: JCGM 100:2008, H.3 with table H.6, calibration of a thermometer, as printed there. Norris: NIST Statistical
Reference Datasets, linear regression, certified values (a calibration of ozone monitors). Both typed from memory; the
data give the published results to every digit printed, which is how they were checked.
"""

import math

import numpy as np
import pytest

from sidetap.measure.doctor.fitting import (
    Dips,
    Floats,
    chi2_quantile,
    fit_none,
    fit_scale,
    fit_shift,
    fixed_scale,
    straight_line,
)

GUM_T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
GUM_B = np.array([-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]) / 1000
NORRIS = """
    0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0
    559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1
    998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0
    10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5
"""


def exact(dip: Floats, reported: Floats, u: float) -> Dips:
    """Return dips without an uncertainty of their own, all of it in the reported values."""
    return Dips(dip, reported, np.zeros(len(dip)), np.full(len(dip), u))


def test_the_thermometer_of_the_gum() -> None:
    line = straight_line(exact(GUM_T - 20, GUM_B, 0.0035))  # its s; reference 20 °C
    assert line is not None
    assert line.gain is not None
    assert line.gain_u is not None
    assert round(line.offset_m, 4) == -0.1712
    assert round(line.offset_u_m / 2, 4) == 0.0029
    assert round(line.gain, 5) == 0.00218
    assert round(line.gain_u / 2, 5) == 0.00067


@pytest.mark.parametrize("u", [0.884796396144373, 0.1])  # as scattered, and stated far too small: then it is widened
def test_certified_values_of_norris(u: float) -> None:
    values = np.array(NORRIS.split(), dtype=float)
    line = straight_line(exact(values[1::2], values[::2], u))
    assert line is not None
    assert line.offset_m == pytest.approx(-0.262323073774029, abs=1e-10)
    assert line.gain == pytest.approx(1.00211681802045, abs=1e-12)
    assert line.offset_u_m == pytest.approx(2 * 0.232818234301152, rel=1e-9)
    assert line.gain_u == pytest.approx(2 * 0.429796848199937e-03, rel=1e-9)


def test_what_is_stated_too_large_is_not_narrowed() -> None:
    values = np.array(NORRIS.split(), dtype=float)
    line = straight_line(exact(values[1::2], values[::2], 2 * 0.884796396144373))
    assert line is not None
    assert line.gain_u == pytest.approx(4 * 0.429796848199937e-03, rel=1e-9)


def test_weights_as_a_reference_library_takes_them() -> None:
    random = np.random.default_rng(5)
    dip = random.uniform(0.5, 7, 12)
    u = random.uniform(0.001, 0.006, 12)
    reported = 0.03 + 0.98 * dip + random.normal(0, u)
    line = straight_line(Dips(dip, reported, np.zeros(12), u))
    (slope, intercept), covariance = np.polyfit(dip, reported, 1, w=1 / u, cov="unscaled")
    assert line is not None
    assert (line.gain, line.offset_m) == pytest.approx((slope, intercept), abs=1e-12)
    left = (((reported - intercept - slope * dip) / u) ** 2).sum() / 10
    widened = 2 * max(1.0, math.sqrt(left)) * np.sqrt(covariance.diagonal())
    assert (line.gain_u, line.offset_u_m) == pytest.approx(tuple(widened), rel=1e-9)


def test_the_dips_own_uncertainty_counts_by_the_gain() -> None:
    # two dips exactly: gain = 3, u of each difference = hypot(4, 3 × 1) mm = 5 mm; by hand, GUM 5.1.2
    line = straight_line(
        Dips(np.array([1.0, 2.0]), np.array([1.0, 4.0]), np.array([0.001, 0.001]), np.array([0.004, 0.004]))
    )
    assert line is not None
    assert line.gain == pytest.approx(3.0)
    assert line.gain_u == pytest.approx(2 * 0.005 * math.sqrt(2))
    assert line.offset_m == pytest.approx(-2.0)
    assert line.offset_u_m == pytest.approx(2 * 0.005 * math.sqrt(1 / 2 + 1.5**2 / 0.5))


def dips(dip: list[float], reported: list[float], u_dip: float = 0.003, u_level: float = 0.004) -> Dips:
    n = len(dip)
    return Dips(np.array(dip), np.array(reported), np.full(n, u_dip), np.full(n, u_level))


def test_one_dip_tells_an_offset_and_no_gain() -> None:
    line = straight_line(dips([2.0], [1.94]))
    assert line is not None
    assert (line.gain, line.gain_u) == (None, None)
    assert line.offset_m == pytest.approx(-0.06)
    assert line.offset_u_m == pytest.approx(2 * 0.005)  # hypot(3, 4) mm, k = 2


@pytest.mark.parametrize(("apart", "tells"), [(0.0, False), (0.049, False), (0.051, True)])
def test_dips_nearer_than_ten_of_their_uncertainties_tell_no_gain(apart: float, tells: bool) -> None:
    line = straight_line(dips([2.0, 2.0 + apart], [1.95, 1.93 + apart]))
    assert line is not None
    assert (line.gain is not None) is tells
    if not tells:
        assert line.offset_m == pytest.approx(-0.06)


def test_no_dip_tells_nothing() -> None:
    assert straight_line(dips([], [])) is None


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    random = np.random.default_rng(2026)
    offset, gain, trials = -0.06, 1.02, 2500
    held = np.zeros(2)
    for _ in range(trials):
        true = np.array([0.8, 2.1, 5.9])
        read = true + random.uniform(-0.005, 0.005, 3)
        reported = offset + gain * true + random.normal(0, 0.0015, 3)
        line = straight_line(Dips(read, reported, np.full(3, 0.005 / math.sqrt(3)), np.full(3, 0.0015)))
        assert line is not None
        assert line.gain is not None
        assert line.gain_u is not None
        held += (abs(line.offset_m - offset) <= line.offset_u_m, abs(line.gain - gain) <= line.gain_u)
    # k = 2 of a normal distribution is 95.45 %; the ratio of Birge widens some; 2500 trials tell 0.8 %
    assert (held / trials >= 0.945).all(), held / trials
    assert (held / trials <= 0.99).all(), held / trials


@pytest.mark.parametrize(("free", "printed"), [(1, 6.635), (2, 9.210), (3, 11.345), (5, 15.086), (20, 37.566)])
def test_quantiles_against_a_printed_table(free: int, printed: float) -> None:
    # NIST/SEMATECH e-Handbook 1.3.6.7.4, upper critical values at 0.01; typed from memory
    assert chi2_quantile(free, 0.99) == pytest.approx(printed, rel=0.01)


# -- one cause -------------------------------------------------------------------------------------------------------


def test_a_shift_is_the_weighted_mean_and_what_is_left_of_it() -> None:
    unequal = Dips(np.array([1.0, 4.0]), np.array([0.94, 3.95]), np.zeros(2), np.array([0.001, 0.003]))
    fit = fit_shift(unequal)
    assert fit.value == pytest.approx((9 * -0.06 + 1 * -0.05) / 10)
    assert fit.value_u == pytest.approx(2 * 0.001 / math.sqrt(1 + 1 / 9))
    assert fit.chi2 == pytest.approx((0.001 / 0.001) ** 2 + (0.009 / 0.003) ** 2)
    assert fit.free == 1


def test_a_scale_turns_about_its_pivot() -> None:
    true = np.array([1.0, 3.0])
    about = dips(list(true), list(0.42 + 1.4 * (true - 0.42)))
    fit = fit_scale(about, 0.42)
    assert fit.value == pytest.approx(1.4)
    assert fit.chi2 == pytest.approx(0, abs=1e-12)
    assert not fit_scale(about, 0.0).plausible
    assert fixed_scale(about, 0.42, 1.4) == pytest.approx(fit.deviance)
    assert fixed_scale(about, 0.42, 1.3) > fit.deviance + 100


def test_a_dip_at_the_pivot_tells_no_factor() -> None:
    assert fit_scale(dips([0.42], [0.43]), 0.42).value_u == math.inf


def test_what_a_site_allows_for_is_no_fault() -> None:
    plain = dips([1.0, 4.0], [1.03, 4.03])
    allowing = Dips(plain.dip, plain.reported, plain.u_dip, plain.u_level, (np.full(2, 0.015),))
    assert not fit_none(plain).plausible
    assert fit_none(allowing).plausible
    opposed = Dips(plain.dip, np.array([1.03, 3.97]), plain.u_dip, plain.u_level, (np.full(2, 0.015),))
    assert not fit_none(opposed).plausible  # a shared reference can't go both ways


def test_shared_effects_as_a_whole_covariance_would_have_them() -> None:
    random = np.random.default_rng(3)
    n = 7
    made = Dips(
        random.uniform(1, 6, n),
        random.uniform(1, 6, n),
        random.uniform(0.002, 0.004, n),
        random.uniform(0.001, 0.003, n),
        (np.full(n, 0.01), random.uniform(0, 0.02, n)),
    )
    covariance = np.diag(made.u_dip**2 + made.u_level**2) + sum(np.outer(e, e) for e in made.shared)
    assert made.variance() == pytest.approx(covariance.diagonal())
    chi2 = made.difference @ np.linalg.inv(covariance) @ made.difference
    none = fit_none(made)
    assert none.chi2 == pytest.approx(chi2)
    assert none.deviance == pytest.approx(chi2 + np.log(np.linalg.det(covariance)))
