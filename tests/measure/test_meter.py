"""Quality and age, with both sides of every limit and the limit itself."""

import dataclasses
import struct
from fractions import Fraction

import pytest
from answers import EXAMPLE, S, answer

from sidetap.line import Outcome
from sidetap.measure import Meter, level_entry
from sidetap.quantity import Quality
from sidetap.site import Density, LevelKind, LevelSource, Site, load_or_refuse


@pytest.fixture(scope="module")
def site() -> Site:
    return load_or_refuse(EXAMPLE)


@pytest.fixture
def meter(site: Site) -> Meter:
    return Meter(site)


GALLON = 231 * 0.0254**3


def kpa(value: float) -> list[int]:
    return list(struct.unpack(">4H", struct.pack(">ff", value, 18.4)))


def changed(site: Site, vessel: str, **values: object) -> Site:
    """Return the site with one vessel changed."""
    vessels = tuple(dataclasses.replace(v, **values) if v.tag == vessel else v for v in site.vessels)  # type: ignore[arg-type]
    return dataclasses.replace(site, vessels=vessels)


# -- age -------------------------------------------------------------------------------------------------------------


def test_before_the_first_answer_everything_is_old_and_nothing_is_zero(meter: Meter) -> None:
    reading = meter.level("T1", 0)
    assert reading.quality is Quality.OLD
    assert (reading.level_01mm, reading.age_ns, reading.last_good, reading.sample) == (None, None, None, 0)
    assert reading.reason == "no whole answer yet from device 11 on line north"


@pytest.mark.parametrize(
    ("age_ns", "quality"),
    [
        (0, Quality.GOOD),
        (3 * S - 1, Quality.GOOD),
        (3 * S, Quality.WARN),
        (5 * S - 1, Quality.WARN),
        (5 * S, Quality.OLD),
        (3600 * S, Quality.OLD),
    ],
)
def test_acceptance_25_age_warns_at_3_s_and_is_old_at_5(meter: Meter, age_ns: int, quality: Quality) -> None:
    meter.receive(answer(11, 100, [3480, 1, 183], 10.0))
    reading = meter.level("T1", 10 * S + age_ns)
    assert reading.quality is quality
    assert reading.age_ns == age_ns
    assert (reading.level_01mm is None) is (quality is Quality.OLD)
    assert reading.last_good == (34_800, 10 * S)
    assert not reading.bad


def test_age_counts_from_the_answers_last_byte_not_from_the_request(meter: Meter) -> None:
    late = dataclasses.replace(answer(11, 100, [3480, 1, 183], 10.0), t_ns=1 * S)
    meter.receive(late)
    assert meter.level("T1", 10 * S).age_ns == 0


@pytest.mark.parametrize(("repaired", "backlog"), [(True, False), (False, True)])
def test_repaired_and_held_back_answers_refresh_nothing(meter: Meter, repaired: bool, backlog: bool) -> None:
    meter.receive(answer(11, 100, [3480, 1, 183], 10.0))
    meter.receive(answer(11, 100, [3490, 1, 183], 11.0, repaired=repaired, backlog=backlog))
    meter.receive(answer(11, 100, [3490, 0, 183], 12.0, repaired=repaired, backlog=backlog))
    reading = meter.level("T1", 12 * S)
    assert (reading.level_01mm, reading.age_ns, reading.sample, reading.bad) == (34_800, 2 * S, 1, False)


@pytest.mark.parametrize("outcome", [Outcome.EXCEPTION, Outcome.UNANSWERED, Outcome.DAMAGED])
def test_an_exception_or_a_miss_only_ages(meter: Meter, outcome: Outcome) -> None:
    meter.receive(answer(11, 100, [3480, 1, 183], 10.0))
    meter.receive(answer(11, 100, [0, 0, 0], 11.0, outcome=outcome))
    reading = meter.level("T1", 12 * S)
    assert (reading.level_01mm, reading.age_ns, reading.bad) == (34_800, 2 * S, False)


def test_answers_without_times_refresh_nothing(meter: Meter) -> None:
    meter.receive(dataclasses.replace(answer(11, 100, [3480, 1, 183]), t_ns=None, t_end_ns=None))
    assert meter.level("T1", 0).sample == 0


def test_a_clock_that_was_set_back_makes_the_age_unknown(meter: Meter) -> None:
    meter.receive(answer(11, 100, [3480, 1, 183], 10.0))
    reading = meter.level("T1", 10 * S - 1)
    assert (reading.quality, reading.age_ns, reading.level_01mm) == (Quality.OLD, None, None)
    assert "set back" in reading.reason


def test_old_outranks_bad_and_stays_bad(meter: Meter) -> None:
    meter.receive(answer(11, 100, [3480, 0, 183], 10.0))
    assert meter.level("T1", 15 * S - 1).quality is Quality.BAD
    reading = meter.level("T1", 15 * S)
    assert (reading.quality, reading.bad) == (Quality.OLD, True)


# -- what makes an answer bad ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("device", "first", "words", "vessel", "reason"),
    [
        (11, 100, [3480, 0, 183], "T1", "register 101 says 0, not 1"),
        (11, 100, [3480, 2, 183], "T1", "register 101 says 2, not 1"),
        (11, 100, [7316, 1, 183], "T1", "7,316 mm is outside the valid 0 to 7,315 mm"),
        (12, 0, [60_961, 0, 1], "T2", "6,096.10 mm is outside the valid 0 to 6,096 mm"),
        (12, 0, [43_210, 1, 1], "T2", "10,874.60 mm is outside the valid 0 to 6,096 mm"),
        (13, 8, [0x7FC0, 0, 0, 0], "T3", "register 8 holds no number"),
        (13, 8, [0x7F80, 0, 0, 0], "T3", "register 8 holds no number"),
        (13, 8, kpa(45.01), "T3", "45.01 kPa is outside the valid -1 to 45 kPa"),
        (13, 8, kpa(-1.01), "T3", "-1.01 kPa is outside the valid -1 to 45 kPa"),
    ],
)
def test_an_answer_that_says_no_is_bad_until_the_next_good_one(
    meter: Meter, device: int, first: int, words: list[int], vessel: str, reason: str
) -> None:
    meter.receive(answer(device, first, words, 1.0))
    reading = meter.level(vessel, 1 * S)
    assert (reading.quality, reading.bad, reading.level_01mm) == (Quality.BAD, True, None)
    assert reading.reason == reason
    good = {11: [3480, 1, 183], 12: [43_210, 0, 1], 13: kpa(20.0)}[device]
    meter.receive(answer(device, first, good, 2.0))
    reading = meter.level(vessel, 2 * S)
    assert (reading.quality, reading.bad, reading.sample, reading.bad_samples) == (Quality.GOOD, False, 1, 1)


@pytest.mark.parametrize(("words", "level"), [([0, 1, 0], 0), ([7315, 1, 0], 73_150)])
def test_the_ends_of_the_valid_range_are_good(meter: Meter, words: list[int], level: int) -> None:
    meter.receive(answer(11, 100, words))
    assert meter.level("T1", 0).level_01mm == level


def test_a_value_without_its_status_beside_it_says_nothing(meter: Meter) -> None:
    meter.receive(answer(11, 100, [3480], 1.0))  # as a second master asks
    assert meter.level("T1", 1 * S).sample == 0
    meter.receive(answer(11, 99, [0, 3480, 1], 1.0))  # another first register, all there
    assert meter.level("T1", 1 * S).level_01mm == 34_800


@pytest.mark.parametrize(
    "other",
    [
        {"device": 10},
        {"table": "input-register"},
        {"register": 101},
    ],
)
def test_other_registers_say_nothing(meter: Meter, other: dict[str, object]) -> None:
    meter.receive(dataclasses.replace(answer(11, 100, [3480, 1, 183]), **other))  # type: ignore[arg-type]
    assert meter.level("T1", 0).sample == 0


def test_another_lines_device_says_nothing(meter: Meter) -> None:
    meter.receive(answer(11, 100, [3480, 1, 183]), "south")
    assert meter.level("T1", 0).sample == 0
    meter.receive(answer(11, 100, [3480, 1, 183]), "north")
    assert meter.level("T1", 0).sample == 1


# -- steps -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("level_mm", "t_s", "bad"),
    [
        (3530, 11.0, False),  # 50 mm in 1 s: on the limit
        (3531, 11.0, True),
        (3429, 11.0, True),  # downwards
        (3530, 10.0, False),  # delivered with the one before: the poll period counts
        (3531, 10.5, True),
        (3580, 12.0, False),
        (3980, 20.0, False),
    ],
)
def test_a_step_over_50_mm_a_second_is_bad(meter: Meter, level_mm: int, t_s: float, bad: bool) -> None:
    meter.receive(answer(11, 100, [3480, 1, 183], 10.0))
    meter.receive(answer(11, 100, [level_mm, 1, 183], t_s))
    reading = meter.level("T1", round(t_s * S))
    assert reading.bad is bad
    assert reading.last_good == ((34_800, 10 * S) if bad else (level_mm * 10, round(t_s * S)))


def test_a_step_is_judged_on_the_level_whatever_the_point_measures(meter: Meter) -> None:
    meter.receive(answer(13, 8, kpa(20.0), 10.0))
    meter.receive(answer(13, 8, kpa(20.68), 11.0))  # 49.7 mm of 1396 kg/m³
    assert not meter.level("T3", 11 * S).bad
    meter.receive(answer(13, 8, kpa(21.37), 12.0))  # 50.4 mm more
    reading = meter.level("T3", 12 * S)
    assert reading.bad
    assert reading.reason == "a step of 50 mm in 1.0 s, over 50 mm"


# -- shapes and sensors ----------------------------------------------------------------------------------------------


def test_acceptance_13_a_density_too_small_is_above_the_top_never_the_full_volume(site: Site) -> None:
    wrong = Density(Fraction(998), "wrong on purpose", site.vessel("T3").density.on)
    meter = Meter(changed(site, "T3", density=wrong))
    meter.receive(answer(13, 8, kpa(27.10)))
    reading = meter.level("T3", 0)
    assert (reading.quality, reading.volume_m3, reading.bad) == (Quality.ABOVE_TOP, None, True)
    assert reading.reason == "a level of 3.189 m is above the vessel's top at 3.048 m"


def test_a_level_under_the_strappings_first_row_has_a_bound_and_no_volume(site: Site) -> None:
    meter = Meter(site)
    meter.receive(answer(12, 0, [1499, 0, 1]))
    reading = meter.level("T2", 0)
    assert reading.quality is Quality.BELOW_SENSOR
    assert level_entry(site, reading)["volume_at_most_gal"] == 1981
    meter = Meter(site)
    meter.receive(answer(12, 0, [1500, 0, 1]))
    assert level_entry(site, meter.level("T2", 0))["volume_gal"] == 1981


def test_a_level_over_the_strappings_last_row_is_above_the_top(meter: Meter) -> None:
    meter.receive(answer(12, 0, [58_001, 0, 1]))
    assert meter.level("T2", 0).quality is Quality.ABOVE_TOP


@pytest.mark.parametrize(
    ("ullage_mm", "quality", "level"),
    [(299, Quality.ABOVE_RANGE, None), (300, Quality.GOOD, 53_200), (2120, Quality.GOOD, 35_000)],
)
def test_acceptance_15_ullage_within_the_blocking_distance_is_above_range(
    site: Site, ullage_mm: int, quality: Quality, level: int | None
) -> None:
    source = LevelSource("LT-1", LevelKind.ULLAGE, reference_height_01mm=56_200, blocking_01mm=3000)
    meter = Meter(changed(site, "T1", level=source))
    meter.receive(answer(11, 100, [ullage_mm, 1, 0]))
    reading = meter.level("T1", 0)
    assert (reading.quality, reading.level_01mm) == (quality, level)


def test_an_ullage_beyond_the_reference_height_is_bad(site: Site) -> None:
    meter = Meter(changed(site, "T1", level=LevelSource("LT-1", LevelKind.ULLAGE, reference_height_01mm=56_200)))
    meter.receive(answer(11, 100, [5621, 1, 0]))
    assert meter.level("T1", 0).reason == "a level of -0.001 m is under the vessel's floor"


def test_percent_of_a_span(site: Site) -> None:
    point = dataclasses.replace(
        site.point("LT-1"), scale=Fraction(1, 100), unit="%", valid=(Fraction(0), Fraction(1))
    )
    changed_site = changed(site, "T1", level=LevelSource("LT-1", LevelKind.PERCENT, span_01mm=25_000))
    meter = Meter(dataclasses.replace(changed_site, points=(point, *site.points[1:])))
    meter.receive(answer(11, 100, [6840, 1, 0]))  # 68.40 % of 2.50 m
    assert meter.level("T1", 0).level_01mm == 17_100


# -- numbers ---------------------------------------------------------------------------------------------------------


def test_pressure_levels_are_rounded_down_to_a_tenth(meter: Meter) -> None:
    meter.receive(answer(13, 8, kpa(27.10)))
    reading = meter.level("T3", 0)
    assert reading.level_m is not None
    assert Fraction(23_995, 10_000) < reading.level_m < Fraction(23_996, 10_000)
    assert reading.level_01mm == 23_995


def test_uncertainty_is_the_root_of_the_sum_of_squares(meter: Meter) -> None:
    """T1: 3 mm over 65.669 m² are 52.0 gal, 0.3 % of 60,371 are 181.1 gal; together 188.4 (worked by hand)."""
    meter.receive(answer(11, 100, [3480, 1, 183]))
    reading = meter.level("T1", 0)
    assert reading.uncertainty_m3 is not None
    assert reading.uncertainty_m3 / GALLON == pytest.approx(188.4, abs=0.1)


def test_mass_is_volume_times_density(meter: Meter) -> None:
    meter.receive(answer(12, 0, [43_210, 0, 1]))
    reading = meter.level("T2", 0)
    assert reading.mass_kg is not None
    assert reading.mass_kg / 0.45359237 == pytest.approx(84_759.75 * 10.67, rel=1e-9)
