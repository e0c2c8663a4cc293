"""How fast a level moves: right within its uncertainty, robust, and unknown where it can't be known."""

from math import gamma, pi, sqrt
from random import Random

import numpy as np
import pytest
from answers import EXAMPLE, S, answer

from sidetap.measure import LevelReading, Meter
from sidetap.measure.trend import _STUDENT, FEWEST_POINTS, POINTS, POLLS_A_POINT, Trend
from sidetap.quantity import to_si
from sidetap.site import Site, load_or_refuse

FLOW = float(to_si(400, "gpm"))


@pytest.fixture(scope="module")
def site() -> Site:
    return load_or_refuse(EXAMPLE)


def seen(levels_m: list[float], step_m: float = 0.001) -> Trend:
    trend = Trend(S, step_m)
    for t_s, level_m in enumerate(levels_m):
        trend.see(t_s * S, level_m)
    return trend


def stepped(level_m: float, step_m: float = 0.001) -> float:
    return round(level_m / step_m) * step_m


# -- the slope -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mm_per_s", [-0.3843, -0.1577, 0.3678, -2.5])
def test_a_steady_fall_in_steps_of_a_millimetre(mm_per_s: float) -> None:
    trend = seen([stepped(3.48 + mm_per_s * t / 1000) for t in range(130)])
    assert trend.slope is not None
    slope, uncertainty = trend.slope
    assert abs(slope - mm_per_s / 1000) < uncertainty
    assert uncertainty < 0.025e-3  # 1.5 mm/min


def test_the_true_slope_lies_within_the_uncertainty_as_often_as_it_says() -> None:
    """k = 2 means some 95 of 100; steps hide more than they show, so it may be oftener (300 seeded trials)."""
    held = 0
    for seed in range(300):
        dice = Random(seed)
        rate, spread = dice.uniform(-0.5, 0.5) / 1000, dice.uniform(0.1, 3.0) / 1000
        count = dice.randrange(POLLS_A_POINT * FEWEST_POINTS + 1, 140)
        trend = seen([stepped(3 + rate * t + dice.gauss(0, spread)) for t in range(count)])
        assert trend.slope is not None
        held += abs(trend.slope[0] - rate) <= trend.slope[1]
    assert held >= 0.94 * 300


def test_a_lone_wrong_value_moves_nothing() -> None:
    levels = [3.48 - 0.000_384_3 * t for t in range(130)]
    plain = seen(levels)
    levels[63] += 0.045
    levels[97] -= 0.045
    spiked = seen(levels)
    assert plain.slope is not None
    assert spiked.slope is not None
    assert spiked.slope[0] == pytest.approx(plain.slope[0], rel=0.01)


def test_a_level_that_stands_is_not_known_to_fall() -> None:
    trend = seen([3.48] * 60)
    assert trend.slope is not None
    assert trend.slope[0] == 0
    assert trend.slope[1] == pytest.approx(0.816e-3 / 50, rel=0.01)  # two roundings over ten points' 50 s


def test_too_few_points_are_no_slope() -> None:
    enough = POLLS_A_POINT * FEWEST_POINTS + 1  # the poll that closes the last of them
    levels = [3.48 - 0.001 * t for t in range(enough)]
    assert seen(levels[:-1]).slope is None
    assert seen(levels).slope is not None


def test_times_that_run_backwards_begin_anew() -> None:
    trend = seen([3.48 - 0.001 * t for t in range(60)])
    trend.see(10 * S, 3.0)
    assert trend.slope is None


def test_only_the_last_two_minutes_count() -> None:
    turned = [3.48 - 0.001 * t for t in range(100)] + [3.38 + 0.0004 * t for t in range(POLLS_A_POINT * (POINTS + 1))]
    trend = seen(turned, step_m=0.0)
    assert trend.slope is not None
    assert trend.slope[0] == pytest.approx(0.0004, rel=0.001)


def test_students_factor_is_what_the_density_integrates_to() -> None:
    """The definition of Student's distribution, integrated here: 95.45 % lie within the factor."""
    assert len(_STUDENT) == POINTS - 2
    for freedom, factor in enumerate(_STUDENT, 1):
        t = np.linspace(-factor, factor, 20_001)
        height = gamma((freedom + 1) / 2) / (sqrt(freedom * pi) * gamma(freedom / 2))
        density = height * (1 + t**2 / freedom) ** (-(freedom + 1) / 2)
        assert float(np.trapezoid(density, t)) == pytest.approx(0.9545, abs=0.0006)


# -- what it comes to ------------------------------------------------------------------------------------------------


def polled(site: Site, mm_per_s: float, seconds: int, *, flow: float = 0.0, from_mm: float = 3480.0) -> LevelReading:
    """T1, drawn from at flow since the beginning, polled once a second."""
    meter = Meter(site)
    meter.draw("T1", [flow] if flow else [], False, 0)
    for t_s in range(seconds + 1):
        meter.receive(answer(11, 100, [round(from_mm + mm_per_s * t_s), 1, 183], t_s))
    return meter.level("T1", seconds * S)


def test_a_rate_and_its_flow(site: Site) -> None:
    rate = polled(site, -0.3843, 120).rate
    assert rate is not None
    assert rate.falling
    assert abs(rate.volume_m3_per_s + FLOW) < rate.volume_u_m3_per_s
    assert rate.volume_u_m3_per_s < 0.05 * FLOW
    assert rate.volume_m3_per_s == pytest.approx(rate.level_m_per_s * 65.669, rel=1e-4)


def test_the_time_to_the_trip_by_the_declared_flow_before_the_rate_is_known(site: Site) -> None:
    """From 3.480 to 0.600 m are 2.880 m × 65.669 m² = 189.13 m³; at 400 gpm 7,494.3 s (worked by hand)."""
    reading = polled(site, 0.0, 0, flow=FLOW)
    assert reading.rate is None
    assert reading.to_trip_ns == 7494 * S


def test_the_time_to_the_trip_is_that_of_the_faster_flow(site: Site) -> None:
    slow = polled(site, -0.2, 120, flow=FLOW)
    assert (
        slow.to_trip_ns == int((3456 - 600) / 1000 * 65.6692 / FLOW) * S
    )  # falls at half its flow: may end any moment
    fast = polled(site, -0.7686, 120, flow=FLOW)
    assert fast.to_trip_ns is not None
    assert fast.to_trip_ns / S == pytest.approx((3388 - 600) / 0.7686, rel=0.03)
    undeclared = polled(site, -0.3843, 120)
    assert undeclared.to_trip_ns is not None
    assert undeclared.to_trip_ns / S == pytest.approx((3434 - 600) / 0.3843, rel=0.03)


def test_a_level_that_stands_or_rises_has_no_time_to_the_trip(site: Site) -> None:
    for mm_per_s in (0.0, 0.3):
        reading = polled(site, mm_per_s, 120)
        assert reading.rate is not None
        assert reading.to_trip_ns is None
    assert polled(site, 0.3, 120, flow=FLOW).to_trip_ns is None


def test_at_the_trip_no_time_is_left(site: Site) -> None:
    assert polled(site, 0.0, 0, flow=FLOW, from_mm=600).to_trip_ns == 0
    assert polled(site, 0.0, 0, flow=FLOW, from_mm=590).to_trip_ns == 0


@pytest.mark.parametrize("what", ["draw", "receipt", "bad", "gap"])
def test_the_rate_is_unknown_again_after_what_ends_it(site: Site, what: str) -> None:
    meter = Meter(site)
    for t_s in range(60):
        meter.receive(answer(11, 100, [3480 - t_s, 1, 183], t_s))
    assert meter.level("T1", 60 * S).rate is not None
    t_s = 60
    if what == "draw":
        meter.draw("T1", [FLOW], False, 60 * S)
    elif what == "receipt":
        meter.draw("T1", [], True, 60 * S)
    elif what == "bad":
        meter.receive(answer(11, 100, [3420, 0, 183], 60))
        t_s = 61
    else:
        t_s = 64  # 5 s after the last one
    meter.receive(answer(11, 100, [3480 - t_s, 1, 183], t_s))
    reading = meter.level("T1", t_s * S)
    assert reading.level_01mm is not None
    assert reading.rate is None


def test_an_unusable_level_has_no_rate(site: Site) -> None:
    meter = Meter(site)
    for t_s in range(60):
        meter.receive(answer(11, 100, [3480 - t_s, 1, 183], t_s))
    assert meter.level("T1", 63 * S).rate is not None
    assert meter.level("T1", 64 * S).rate is None
