"""Every quality with its reason: what sensor and vessel can say, and what they can't."""

import struct
from dataclasses import replace
from fractions import Fraction

import pytest
from answers import YARD, S, answer

from sidetap.measure import LevelReading, Meter, judge, level_entry
from sidetap.quantity import Quality
from sidetap.site import Site, load_or_refuse
from sidetap.site.levels import level_m
from sidetap.vessel import Shifted

GALLON = 231 * 0.0254**3


@pytest.fixture(scope="module")
def site() -> Site:
    return load_or_refuse(YARD)


def t4(site: Site, *ullages_mm: tuple[float, int, int]) -> LevelReading:
    """T4 after answers of (time in s, ullage in mm, echo quality in %), at the time of the last."""
    meter = Meter(site)
    for t_s, ullage_mm, echo in ullages_mm:
        meter.receive(answer(14, 30, [ullage_mm, echo], t_s))
    return meter.level("T4", round(ullages_mm[-1][0] * S))


def kpa(value: float) -> list[int]:
    return list(struct.unpack(">4H", struct.pack(">ff", value, 18.4)))


def with_point(site: Site, tag: str, **values: object) -> Site:
    points = tuple(replace(p, **values) if p.tag == tag else p for p in site.points)  # type: ignore[arg-type]  # keys by name
    return replace(site, points=points)


# -- T4: an echo -----------------------------------------------------------------------------------------------------


def test_acceptance_12_t4s_golden_reading(site: Site) -> None:
    reading = t4(site, (0, 2120, 87))
    assert (reading.quality, reading.level_01mm) == (Quality.GOOD, 35_000)
    assert level_entry(site, reading)["volume_gal"] == pytest.approx(7594.5, abs=2)


def test_acceptance_15_a_weak_echo_and_a_jump_are_bad_and_only_what_was_is_told(site: Site) -> None:
    """+120 mm in 2 s while the echo goes from 87 to 22 %."""
    reading = t4(site, (10, 2120, 87), (12, 2000, 22))
    assert (reading.quality, reading.bad, reading.level_01mm) == (Quality.BAD, True, None)
    assert reading.reason == "register 31 says 22, under 50"
    assert reading.last_good == (35_000, 10 * S)
    entry = level_entry(site, reading)
    assert (entry["level_mm"], entry["level_text"], entry["volume_gal"], entry["mass_lb"]) == (None,) * 4
    assert entry["last_good"] == {"level_mm": 3500.0, "t_s": 10.0}


def test_acceptance_15_the_jump_alone_is_bad_too(site: Site) -> None:
    reading = t4(site, (10, 2120, 87), (12, 2000, 87))
    assert (reading.quality, reading.reason) == (Quality.BAD, "a step of 120 mm in 2.0 s, over 100 mm")
    assert t4(site, (10, 2120, 87), (12, 2020, 87)).quality is Quality.GOOD


@pytest.mark.parametrize(("echo", "quality"), [(49, Quality.BAD), (50, Quality.GOOD)])
def test_the_echo_on_its_line(site: Site, echo: int, quality: Quality) -> None:
    assert t4(site, (0, 2120, echo)).quality is quality


@pytest.mark.parametrize(
    ("ullage_mm", "quality"),
    [(280, Quality.ABOVE_RANGE), (299, Quality.ABOVE_RANGE), (300, Quality.GOOD), (0, Quality.ABOVE_RANGE)],
)
def test_acceptance_15_nearer_than_its_blocking_distance_is_above_the_range(
    site: Site, ullage_mm: int, quality: Quality
) -> None:
    reading = t4(site, (0, ullage_mm, 87))
    assert reading.quality is quality
    assert (reading.level_01mm is None) is (quality is not Quality.GOOD)
    if quality is not Quality.GOOD:
        assert reading.reason == "nearer to the sensor than its blocking distance of 0.300 m"


@pytest.mark.parametrize(
    ("ullage_mm", "quality"),
    [(5270, Quality.GOOD), (5271, Quality.BELOW_SENSOR), (5620, Quality.BELOW_SENSOR), (5621, Quality.BAD)],
)
def test_an_ullage_beyond_its_valid_range_is_a_level_below_it_or_none(
    site: Site, ullage_mm: int, quality: Quality
) -> None:
    """Nothing is valid below 0.35 m: it holds at most what it holds there; 5.62 m down there is no more."""
    reading = t4(site, (0, ullage_mm, 87))
    assert reading.quality is quality
    below = quality is Quality.BELOW_SENSOR
    at_most_m3 = site.vessel("T4").geometry.volume_m3(0.35) if below else None
    assert reading.volume_at_most_m3 == at_most_m3
    assert reading.bad is (quality is not Quality.GOOD)


def test_a_number_beyond_the_valid_range_is_above_it_only_where_the_vessel_goes_on(site: Site) -> None:
    shorter = with_point(site, "LT-1", valid=(Fraction(3, 10), Fraction(65, 10)))
    for level_mm, quality in ((6501, Quality.ABOVE_RANGE), (7315, Quality.ABOVE_RANGE), (7316, Quality.BAD)):
        meter = Meter(shorter)
        meter.receive(answer(11, 100, [level_mm, 1, 183]))
        assert meter.level("T1", 0).quality is quality
    meter = Meter(shorter)
    meter.receive(answer(11, 100, [299, 1, 183]))
    reading = meter.level("T1", 0)
    assert (reading.quality, reading.reason) == (
        Quality.BELOW_SENSOR,
        "299 mm is outside the valid 300 to 6,500 mm: below the sensor's range",
    )
    assert reading.volume_at_most_m3 == site.vessel("T1").geometry.volume_m3(0.3)


@pytest.mark.parametrize("word", [0xFFFF, 0xFFFE, 0x7FFF, 0x8000])
def test_a_faults_code_is_bad_and_no_side_is_told(site: Site, word: int) -> None:
    meter = Meter(site)
    meter.receive(answer(11, 100, [word, 1, 183]))
    meter.receive(answer(15, 4, [word]))
    assert meter.level("T1", 0).quality is Quality.BAD
    assert meter.level("T5", 0).quality is Quality.BAD


# -- T3: a pressure --------------------------------------------------------------------------------------------------


def test_acceptance_13_a_density_too_small_is_a_volume_too_big(site: Site) -> None:
    """22.00 kPa: 18,044 gal with 1,396 kg/m³, 23,686 with 998, and only a dip could tell."""
    gallons = []
    for kg_per_m3 in (Fraction(1396), Fraction(998)):
        vessel = site.vessel("T3")
        wrong = replace(vessel, density=replace(vessel.density, kg_per_m3=kg_per_m3))
        sample = judge(wrong, site.point("PT-3"), 8, kpa(22.0))
        assert sample.level_m is not None
        gallons.append(vessel.geometry.volume_m3(float(sample.level_m)) / GALLON)
    assert gallons == [pytest.approx(18_044, abs=2), pytest.approx(23_686, abs=2)]


def test_acceptance_13_a_nozzle_left_out_is_4016_gal_short(site: Site) -> None:
    vessel = site.vessel("T3")
    left_out = replace(vessel, level=replace(vessel.level, sensor_height_01mm=0))
    levels = [judge(v, site.point("PT-3"), 8, kpa(27.10)).level_m for v in (vessel, left_out)]
    volumes = [vessel.geometry.volume_m3(float(level)) / GALLON for level in levels if level is not None]
    assert volumes[1] - volumes[0] == pytest.approx(-4016, abs=2)


def test_acceptance_13_no_pressure_is_at_most_what_lies_under_the_sensor(site: Site) -> None:
    meter = Meter(site)
    meter.receive(answer(13, 8, kpa(0.0)))
    reading = meter.level("T3", 0)
    assert (reading.quality, reading.volume_m3) == (Quality.BELOW_SENSOR, None)
    assert level_entry(site, reading)["volume_at_most_gal"] == 2056


# -- other vessels ---------------------------------------------------------------------------------------------------


def test_a_level_below_its_datum_is_one_where_the_vessel_goes_on_below(site: Site) -> None:
    t1 = site.vessel("T1")
    shifted = replace(t1, geometry=Shifted(t1.geometry, 0.5), top_01mm=68_150)
    point = replace(site.point("LT-1"), encoding="int16", valid=(Fraction(-1), Fraction(7)), good_when=())
    for level_mm, quality in ((-500, Quality.GOOD), (-499, Quality.GOOD), (-501, Quality.BAD), (6815, Quality.GOOD)):
        assert judge(shifted, point, 100, [level_mm & 0xFFFF]).quality is quality


def test_a_line_that_is_simulated_makes_no_level_good(site: Site) -> None:
    simulated = replace(site, lines=tuple(replace(line, port="pty:/tmp/line") for line in site.lines))
    meter = Meter(simulated)
    meter.receive(answer(11, 100, [3480, 1, 183], 10))
    reading = meter.level("T1", 10 * S)
    assert (reading.quality, reading.level_01mm) == (Quality.SIMULATED, 34_800)
    assert reading.reason == "line north is simulated"
    assert meter.level("T1", 13 * S).quality is Quality.WARN


# -- whole numbers against fractions ---------------------------------------------------------------------------------


@pytest.mark.parametrize("vessel", ["T1", "T2", "T3", "T4", "T5", "T6"])
def test_levels_are_exact_and_rounded_down(site: Site, vessel: str) -> None:
    """The quick way against plain fractions, over every vessel's range, its ends included."""
    found = site.vessel(vessel)
    point = site.point(found.level.point)
    exact = 0
    for n in range(0, 70_000, 101):
        words = {"T1": [n, 1, 0], "T2": [n & 0xFFFF, n >> 16, 1], "T3": kpa(n / 2000), "T4": [n, 87], "T5": [n]}
        high, low = struct.unpack(">HH", struct.pack(">f", n / 15_000))
        registers = words.get(vessel, [low, high])
        sample = judge(found, point, point.register, registers)
        if sample.level_m is None:
            continue
        decoded = {"T1": Fraction(n), "T2": Fraction(n), "T4": Fraction(n), "T5": Fraction(n)}.get(vessel)
        if decoded is None:
            pair = registers[:2] if vessel == "T3" else registers[::-1]
            decoded = Fraction(struct.unpack(">f", struct.pack(">HH", *pair))[0])
        unit = {"mm": Fraction(1, 1000), "kPa": Fraction(1000), "%": Fraction(1, 100), "ft": Fraction(3048, 10_000)}
        level = level_m(found.level, found.density, (decoded * point.scale + point.offset) * unit[point.unit])
        assert sample.level_m == level
        assert sample.level_01mm <= level * 10_000 < sample.level_01mm + 1
        exact += 1
    assert exact >= 45


# -- steps, to the tenth of a millimetre -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("counts", "t_s", "bad"),
    [
        (43_710, 11, False),  # 50.0 mm in 1 s
        (43_711, 11, True),  # 50.1 mm
        (42_710, 11, False),
        (42_709, 11, True),
        (44_210, 12, False),
        (44_211, 12, True),
    ],
)
def test_a_step_is_judged_to_the_last_digit(site: Site, counts: int, t_s: int, bad: bool) -> None:
    meter = Meter(site)
    meter.receive(answer(12, 0, [43_210, 0, 1], 10))
    meter.receive(answer(12, 0, [counts, 0, 1], t_s))
    assert meter.level("T2", t_s * S).bad is bad
