"""Laws fitted to readings: a worked least-squares line, and no freedom worth more than none."""

import numpy as np
import pytest

from sidetap.survey.matching.fitting import MISTYPED, Noted, Rows, evidence, fit
from sidetap.survey.matching.scales import Form, laws, reading_range


def rows(x: list[float], form: Form, scale: float = 1.0, offset: float = 0.0) -> Rows:
    """Return one field under one law, with a first guess of what it leaves free."""
    values = np.array([x])
    return Rows(
        values,
        np.zeros(values.shape),
        np.zeros(1),
        np.array([scale]),
        np.array([offset]),
        np.array([form in (Form.SPAN, Form.AFFINE)]),
        np.array([form in (Form.SHIFTED, Form.ULLAGE, Form.AFFINE)]),
    )


def test_a_line_is_that_of_numpys_least_squares() -> None:
    x, r = [10.0, 20.0, 40.0, 45.0], [1.02, 1.98, 4.01, 4.49]
    fits = fit(rows(x, Form.AFFINE, 0.1), Noted(np.array(r), np.full(4, 0.02), np.full(4, 0.1), 20.0))
    slope, offset = np.polyfit(x, r, 1)
    assert fits.scale[0] == pytest.approx(slope, rel=1e-6)
    assert fits.offset[0] == pytest.approx(offset, abs=1e-6)
    assert fits.trusted.min() > 0.9
    design = np.column_stack([x, np.ones(4)])
    covariance = np.linalg.inv(design.T @ design) * 0.02**2
    at = np.array([60.0, 1.0])
    known = fits.middle_variance[0] + fits.scale_variance[0] * (60.0 - fits.pivot[0]) ** 2
    assert known == pytest.approx(at @ covariance @ at, rel=0.02)


def test_decoded_values_of_a_billion_lose_no_digits() -> None:
    x = [1e9 + 10, 1e9 + 20, 1e9 + 40]
    fits = fit(
        rows(x, Form.AFFINE, 0.1, 1 - 0.1 * x[0]),
        Noted(np.array([1.0, 2, 4]), np.full(3, 0.01), np.full(3, 0.1), 20.0),
    )
    assert fits.scale[0] == pytest.approx(0.1)
    assert fits.scale_variance[0] == pytest.approx(0.01**2 / (3 * np.var([10, 20, 40])), rel=0.02)


@pytest.mark.parametrize("form", [Form.SPAN, Form.SHIFTED, Form.AFFINE])
def test_no_freedom_is_worth_more_than_none(form: Form) -> None:
    # a restless register that happens to stand alike at readings alike: any line does within so wide a noise, and
    # the evidence stays below the likelihood however dense the freedom may lie beforehand
    noted = Noted(np.array([3.0, 3.000001]), np.full(2, 0.19), np.full(2, 1.0), 20.0)
    fits = fit(rows([3000.0, 3000.01], form, 0.001), noted)
    worth = evidence(fits, np.array([50.0]))
    assert np.isfinite(worth[0])
    peak = 2 * np.log((1 - MISTYPED) / (np.sqrt(2 * np.pi) * 0.19) + MISTYPED / 20.0)
    assert worth[0] <= peak + 1e-9
    assert evidence(fits, np.array([-50.0]))[0] < worth[0]


def test_a_mistyped_reading_is_not_believed() -> None:
    r = np.array([1.0, 2.0, 3.0, 9.0])
    found = fit(rows([1000.0, 2000, 3000, 4000], Form.UNIT, 0.001), Noted(r, r * 0 + 0.001, r * 0 + 0.002, 20))
    assert found.trusted[0].round(3).tolist() == [1.0, 1.0, 1.0, 0.0]


def test_a_reading_where_the_register_told_nothing_neither_speaks_for_nor_against_it() -> None:
    r = np.array([1.0, 2.0, 3.0])
    noted = Noted(r, r * 0 + 0.001, r * 0 + 0.002, 20)
    (with_gap,) = fit(rows([1000.0, 2000, np.nan], Form.UNIT, 0.001), noted).log_likelihood
    (two,) = fit(
        rows([1000.0, 2000], Form.UNIT, 0.001), Noted(r[:2], noted.noise[:2], noted.edge[:2], 20)
    ).log_likelihood
    assert with_gap == pytest.approx(two - np.log(20.0))


def test_a_display_does_not_round_25_to_26() -> None:
    # read to the inch, so good to half an inch: 26 where the register told 25.09 is no reading of it
    r = np.array([26.0, 53.0])
    noted = Noted(r, np.full(2, 0.38), np.full(2, 0.6), 300.0)
    close = fit(rows([25.55, 53.0], Form.UNIT, 1.0), noted).log_likelihood[0]
    off = fit(rows([25.09, 53.0], Form.UNIT, 1.0), noted).log_likelihood[0]
    assert off < close - 5


@pytest.mark.parametrize("name", ["m", "ft", "%", "gal", "kPa", "C"])
@pytest.mark.parametrize("is_float", [False, True])
def test_the_shares_of_all_laws_are_one(name: str, is_float: bool) -> None:
    assert sum(law.share for law in laws(name, is_float=is_float)) == pytest.approx(1.0)
    assert reading_range(name) > 0


def test_units_are_told_in_the_readings_unit() -> None:
    # NIST Handbook 44, appendix C: 1 ft = 0.3048 m exactly; F = 9/5 C + 32 from the same definitions
    known = {
        (round(law.scale, 12), round(law.offset, 9)) for law in laws("ft", is_float=True) if law.form is Form.UNIT
    }
    assert (round(1 / 0.3048, 12), 0.0) in known
    known = {(round(law.scale, 9), round(law.offset, 9)) for law in laws("F", is_float=True) if law.form is Form.UNIT}
    assert (1.8, 32.0) in known
