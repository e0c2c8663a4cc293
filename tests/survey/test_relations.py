"""Relations between registers: laws written out here on made-up devices, and what must not be taken for one.

The laws of power are IEEE Std 1459's (sinusoidal case; from memory), the units NIST Handbook 44's, 4 to 20 mA is
IEC 60381-1's (from memory); the temperatures' scales are the SI brochure's and common knowledge.
"""

import itertools
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from registers import apart, ours
from registers.form import Field, Unit
from relation_yards import (
    ANSWERS,
    Meter,
    block,
    device,
    drawn,
    meter,
    starts_and_stops,
    stepped,
    with_lag,
)
from survey_lines import ORDERS, Floats, S, encode, level_mm

from sidetap.survey import Relation, RelationKind, YardEvent
from sidetap.survey.answers import block_of
from sidetap.survey.relations import chance, nothing_but_a_meter, relations
from sidetap.survey.relations.course import course, falls
from sidetap.survey.relations.series import last_digits, occasions, without_codes
from sidetap.survey.values import Device, read_devices
from sidetap.yard.agenda import dice
from sidetap.yard.transmitters import PowerMeter

Columns = Sequence[tuple[Floats, str]]


def of_kind(found: Sequence[Relation], kind: RelationKind) -> list[Relation]:
    return [relation for relation in found if relation.kind is kind]


def of_a_meter(found: Sequence[Relation]) -> list[Relation]:
    return of_kind(found, RelationKind.METER) + of_kind(found, RelationKind.POWER)


def registers(relation: Relation) -> list[int]:
    return sorted(tied.register for tied in relation.registers)


def roles(relation: Relation) -> dict[int, str]:
    return {tied.register: tied.role for tied in relation.registers}


def floats(*series: Floats) -> list[tuple[Floats, str]]:
    return [(s, "float32") for s in series]


def whole(m: Meter) -> list[Floats]:
    return [*m.volts, *m.amperes, m.active, m.reactive, m.factor, m.hertz, m.energy]


# --- power meters ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ORDERS)
def test_a_meter_is_found_in_every_word_order(order: str) -> None:
    one = device(floats(*whole(meter(1))), order=order)
    evidence = nothing_but_a_meter(one, relations([one]))
    assert evidence is not None
    assert "register 20 only rises" in evidence
    assert "register 18 stays at 50 Hz" in evidence


def test_a_meter_is_found_with_scaled_whole_numbers_and_powers_in_watts() -> None:
    m = meter(2)
    columns = [(v * 10, "uint16") for v in m.volts] + [(i * 100, "uint16") for i in m.amperes]
    columns += [(m.active * 1000, "uint16"), (m.reactive * 1000, "uint16"), (m.factor * 1000, "uint16")]
    one = device([*columns, (m.hertz * 100, "uint16"), (m.energy * 10, "uint32")])
    (power,) = of_a_meter(relations([one]))
    assert {n: role for n, role in roles(power).items() if n < 9} == {
        **dict.fromkeys((0, 1, 2), "voltage"),
        **dict.fromkeys((3, 4, 5), "current"),
        6: "active power",
        7: "reactive power",
        8: "power factor",
    }
    assert nothing_but_a_meter(one, relations([one])) is not None


def test_a_meter_is_found_phase_by_phase_with_whatever_else_it_computes() -> None:
    m = meter(3)
    columns: list[Floats] = []
    for volts, amperes in zip(m.volts, m.amperes, strict=True):
        columns += [volts, amperes, volts * amperes * m.factor, volts * amperes * np.sqrt(1 - m.factor**2)]
    pairs = list(itertools.combinations(m.volts, 2))
    columns += [np.sqrt(a * a + b * b - 2 * a * b * np.cos(2 * np.pi / 3)) for a, b in (pairs[0], pairs[2], pairs[1])]
    columns += [m.apparent, m.active, m.factor, np.mean(m.volts, axis=0), np.mean(m.amperes, axis=0)]
    phasors = sum(i * np.exp(2j * np.pi * n / 3) for n, i in enumerate(m.amperes))
    columns += [np.abs(phasors), m.hertz]
    one = device(floats(*columns))
    found = relations([one])
    (power,) = of_a_meter(found)
    told = list(roles(power).values())
    assert told.count("line voltage") == 3
    assert {"neutral current", "mean voltage", "mean current", "apparent power"} <= set(told)
    assert nothing_but_a_meter(one, found) is not None


def test_a_meter_is_found_by_line_voltages_and_without_a_power_factor() -> None:
    m = meter(4)
    volts = [v * np.sqrt(3) for v in m.volts]
    one = device(floats(*volts, *m.amperes, m.active, m.reactive, m.energy))
    found = relations([one])
    (power,) = of_a_meter(found)
    assert roles(power)[0] == "line voltage"
    assert roles(power)[12] == roles(power)[14] == "active or reactive power"  # their squares don't tell which
    (energy,) = of_kind(found, RelationKind.ENERGY)
    assert registers(energy) == [12, 16]
    assert nothing_but_a_meter(one, found) is not None


def test_acceptance_8_the_demos_meter_is_not_a_level() -> None:
    shown = PowerMeter(dice(1, "meter"))
    words = np.array([shown.words(n * S) for n in range(900)], dtype=np.uint16)
    (one,) = read_devices([block_of(31, "input-register", 0, np.arange(900) * S, words)])
    evidence = nothing_but_a_meter(one, relations([one]))
    assert evidence is not None
    assert "voltage (registers 0, 2, 4) × current (registers 6, 8, 10) × power factor (register 16)" in evidence
    assert "active power in register 12 within 0.01%" in evidence
    assert "register 20 only rises" in evidence
    assert "register 18 stays at 60 Hz" in evidence


@pytest.mark.parametrize(("off", "expected"), [(1.0, 1), (1.009, 1), (1.012, 0), (1.5, 0), (10.0, 1)])
def test_the_law_holds_within_one_percent_in_any_decimal_scale(off: float, expected: int) -> None:
    m = meter(5)
    one = device(floats(*m.volts, *m.amperes, m.active * off, m.factor))
    assert len(of_a_meter(relations([one]))) == expected


def test_a_power_that_goes_its_own_way_is_no_meter() -> None:
    m, other = meter(6), meter(7)
    one = device(floats(*m.volts, *m.amperes, other.active[::-1], other.factor, m.hertz, m.energy))
    assert not of_a_meter(relations([one]))


def test_a_power_that_is_right_in_size_and_stands_for_itself_is_no_meter() -> None:
    random = np.random.default_rng(23)
    volts, amperes = (random.normal(mean, spread, (3, ANSWERS)) for mean, spread in ((231, 0.6), (40, 0.12)))
    factor = random.normal(0.9, 0.001, ANSWERS)
    active = (volts * amperes).sum(axis=0) * factor / 1000
    other = random.permutation(active)
    for power, expected in ((active, 1), (other, 0), ((active + other) / 2, 0)):
        one = device(floats(*volts, *amperes, power, factor))
        assert len(of_a_meter(relations([one]))) == expected


def test_an_energy_must_rise_as_fast_as_its_power() -> None:
    m = meter(8)
    for off, expected in ((1.0, 1), (1000.0, 1), (1.45, 0)):
        counted = 10.0 + np.cumsum(m.active) / 3600 * off
        one = device(floats(*m.volts, *m.amperes, m.active, m.factor, counted))
        assert len(of_kind(relations([one]), RelationKind.ENERGY)) == expected


@pytest.mark.parametrize(
    "other",
    [
        (stepped(1, ANSWERS), "uint16"),  # a moving level
        (np.full(ANSWERS, 3480.0), "uint16"),  # a vessel at rest
        (np.full(ANSWERS, 3.48), "float32"),
        (np.random.default_rng(1).normal(3480, 0.6, ANSWERS), "uint16"),  # at rest, with ripples
        (np.random.default_rng(2).normal(231, 0.8, ANSWERS), "float32"),  # as large as a voltage
        (np.linspace(1000, 2350, ANSWERS), "uint16"),  # one that fills all the time
        (np.repeat([3.0, 4.0, 5.0], ANSWERS // 3), "uint16"),  # in whole feet
    ],
)
def test_a_meter_beside_a_possible_level_is_not_called_nothing_but_a_meter(other: tuple[Floats, str]) -> None:
    columns = floats(*whole(meter(9)))
    alone, together = device(columns), device([*columns, other])
    assert nothing_but_a_meter(alone, relations([alone])) is not None
    found = relations([together])
    assert of_kind(found, RelationKind.METER)
    assert nothing_but_a_meter(together, found) is None


def test_a_flag_beside_a_meter_is_no_level() -> None:
    one = device([*floats(*whole(meter(10))), (np.ones(ANSWERS), "uint16")])
    assert nothing_but_a_meter(one, relations([one])) is not None


def test_mains_frequency_and_a_counter_alone_may_be_a_vessel_at_rest_and_a_heartbeat() -> None:
    random = np.random.default_rng(3)
    one = device([(random.normal(50, 0.01, ANSWERS), "float32"), (np.linspace(100, 99 + ANSWERS, ANSWERS), "uint16")])
    found = relations([one])
    assert not of_kind(found, RelationKind.METER)
    assert nothing_but_a_meter(one, found) is None


def test_three_densities_and_volumes_that_make_a_mass_are_no_meter() -> None:
    random = np.random.default_rng(4)
    density = [1320 + random.normal(0, 2, ANSWERS) for _ in range(3)]
    volume = [stepped(seed, ANSWERS, top=60) + 10 for seed in (11, 12, 13)]
    mass = sum(d * v for d, v in zip(density, volume, strict=True)) / 1000
    one = device(floats(*density, *volume, np.asarray(mass)))
    assert nothing_but_a_meter(one, relations([one])) is None


def test_no_number_is_too_large() -> None:
    random = np.random.default_rng(5)
    words = random.integers(0, 65536, (300, 60)).astype(np.uint16)
    words[:, :30] = encode(random.normal(1, 0.1, 300) * 2e38, "float32", "high-word-first")[:, [0, 1] * 15]
    (one,) = read_devices([block_of(1, "holding-register", 0, np.arange(300) * S, words)])
    assert nothing_but_a_meter(one, relations([one])) is None


# --- two registers of one quantity ----------------------------------------------------------------------------------

LEVEL = stepped(21, 7200)
RISING = 15 + 8 * np.sin(np.arange(7200) / 500)


@pytest.mark.parametrize(
    ("one", "other", "kind", "says"),
    [
        ((LEVEL, "uint16"), ((7300 - LEVEL) / 304.8, "float32"), RelationKind.SUM_CONSTANT, "ft and m"),
        ((LEVEL, "uint16"), ((7300 - LEVEL) / 2.54, "uint16"), RelationKind.SUM_CONSTANT, "add up to a constant"),
        ((LEVEL, "uint16"), (LEVEL / 1000, "float32"), RelationKind.SAME, "the same number"),
        ((LEVEL, "uint16"), (LEVEL / 3.048, "uint16"), RelationKind.SAME, "m and ft"),
        ((LEVEL / 72, "float32"), (4 + 16 * LEVEL / 7200, "float32"), RelationKind.LINEAR, "4 to 20 mA"),
        ((LEVEL / 0.72, "uint16"), (4000 + 16_000 * LEVEL / 7200, "uint16"), RelationKind.LINEAR, "4 to 20 mA"),
        ((LEVEL, "uint16"), (LEVEL - 420, "int16"), RelationKind.LINEAR, "but for a constant of"),
        ((LEVEL, "uint16"), (LEVEL / 73.15 * 100, "uint16"), RelationKind.PROPORTIONAL, "in proportion"),
        ((LEVEL, "uint16"), (LEVEL / 1000 * 11.5 - 4.2, "float32"), RelationKind.LINEAR, "straight line"),
        ((LEVEL, "uint16"), (-0.011 * LEVEL + 90, "float32"), RelationKind.LINEAR, "one against the other"),
        ((LEVEL, "uint16"), (1.3e-5 * LEVEL**2.2, "float32"), RelationKind.TOGETHER, "one curve"),
        ((RISING, "float32"), (10 * (1.8 * RISING + 32), "int16"), RelationKind.TEMPERATURES, "Fahrenheit"),
        ((RISING * 10, "int16"), (RISING + 273.15, "float32"), RelationKind.TEMPERATURES, "kelvins"),
    ],
)
def test_two_registers_that_tell_one_quantity(
    one: tuple[Floats, str], other: tuple[Floats, str], kind: RelationKind, says: str
) -> None:
    (relation,) = relations([device([one, other])])
    assert relation.kind is kind
    assert says in relation.text
    assert relation.chance <= 1e-4


def test_the_constant_of_a_distance_and_a_level_is_the_height_of_the_gauge() -> None:
    (relation,) = relations([device([(LEVEL, "uint16"), (7300 - LEVEL + 0.4, "uint16")])])
    assert "add up to a constant, 730" in relation.text  # 7300.4 mm, and both are rounded
    assert ", which is what their last digits allow" in relation.evidence


def test_noise_of_their_own_hides_no_relation_that_moves_far_beyond_it() -> None:
    random = np.random.default_rng(22)
    own = [random.normal(0, 6, len(LEVEL)) for _ in range(2)]
    (relation,) = relations([device([(LEVEL + own[0], "uint16"), (7300 - LEVEL + own[1], "uint16")])])
    assert relation.kind is RelationKind.SUM_CONSTANT
    assert "last digits" not in relation.evidence


def test_registers_of_different_polls_are_brought_to_one_time() -> None:
    first, second = block(3, [(LEVEL, "uint16")]), None
    shifted = np.interp(np.arange(len(LEVEL)) + 0.5, np.arange(len(LEVEL)), 7300 - LEVEL)
    second = block(3, [(shifted, "uint16")], register=50, late_s=0.5)
    (relation,) = relations(read_devices([first, second]))
    assert relation.kind is RelationKind.SUM_CONSTANT


def test_each_of_many_registers_of_one_quantity_is_tied_once() -> None:
    columns = [(LEVEL * share, "uint16") for share in (1.0, 0.5, 0.731, 0.2, 1.13)]
    assert len(relations([device(columns)])) == 4


def once(answers: int) -> Floats:
    return 3000 - 1500 * np.clip((np.arange(answers) - 500) / 900, 0, 1)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (once(ANSWERS), 7000 - once(ANSWERS)),  # one movement is no evidence, however close
        (np.random.default_rng(1).normal(3000, 2, ANSWERS), np.random.default_rng(2).normal(900, 2, ANSWERS)),
        (np.full(ANSWERS, 3000.0), np.full(ANSWERS, 900.0)),
        (stepped(31, ANSWERS), stepped(32, ANSWERS)),
        (stepped(31, ANSWERS), 7000 - stepped(31, ANSWERS)[::-1]),
    ],
)
def test_what_is_no_relation(one: Floats, other: Floats) -> None:
    assert relations([device([(one, "uint16"), (other, "uint16")])]) == ()


def test_a_movement_that_comes_twice_is_not_yet_several() -> None:
    seconds = np.arange(ANSWERS)
    for times, expected in ((2, 0), (3, 1)):
        starts = 150 + 450 * np.arange(times)[:, None]
        level = 5000 - 800 * np.clip((seconds - starts) / 200, 0, 1).sum(axis=0)
        assert len(relations([device([(level, "uint16"), (7000 - level, "uint16")])])) == expected


def test_what_follows_loosely_is_not_told() -> None:
    random = np.random.default_rng(36)
    common, own = random.normal(0, 300, (2, ANSWERS))
    for noise, expected in ((0.2, 0), (0.05, 1)):
        columns = [(5000 + common, "uint16"), (3000 + 0.7 * (common + noise * own), "uint16")]
        assert len(relations([device(columns)])) == expected


def test_two_that_only_fall_lie_on_a_curve_whatever_they_are() -> None:
    seconds = np.arange(ANSWERS)
    level = 5000 - 600 * np.clip((seconds - 100 - 280 * np.arange(5)[:, None]) / 100, 0, 1).sum(axis=0)
    assert relations([device([(level, "uint16"), (60_000 * (level / 5000) ** 6, "uint16")])]) == ()


def test_two_idle_registers_that_fail_together_are_not_tied() -> None:
    random = np.random.default_rng(33)
    one, other = random.normal(3000, 1, ANSWERS), random.normal(180, 1, ANSWERS)
    for start in (100, 400, 700, 900, 1200):
        one[start : start + 40], other[start : start + 40] = 0, 0
    assert relations([device([(one, "uint16"), (other, "uint16")])]) == ()


def test_random_walks_are_not_tied_however_many_there_are() -> None:
    random = np.random.default_rng(34)
    walks = [np.cumsum(random.normal(0, 4, (400, 100)), axis=0) + 30_000 for _ in range(3)]
    devices = read_devices(
        [
            block_of(n + 1, "holding-register", 0, np.arange(400) * S, np.rint(w).astype(np.uint16))
            for n, w in enumerate(walks)
        ]
    )
    assert relations(devices) == ()


def test_independent_levels_are_not_tied() -> None:
    found: list[Relation] = []
    for seed in range(25):
        random = np.random.default_rng([35, seed])
        found += relations([device([(level_mm(random, 3000), "uint16") for _ in range(4)])])
    assert found == []


# --- what falls while something draws -------------------------------------------------------------------------------

HOURS = 4 * 3600


def yard(seed: int) -> tuple[list[Device], list[YardEvent], list[tuple[int, int]]]:
    """A pump that draws from two tanks in turns, with a flow meter and its total; a third tank has nothing to do."""
    random = np.random.default_rng([41, seed])
    times, flow = drawn(seed, HOURS)
    levels = [np.full(HOURS, 6000.0), np.full(HOURS, 5000.0)]
    for n, (start, stop) in enumerate(times):
        run = np.zeros(HOURS)
        run[start:stop] = flow[start:stop] * 0.003785411784 / 60 / 66 * 1000  # mm a second at 66 m²
        levels[n % 2] = levels[n % 2] - np.cumsum(run)
    noise = [random.normal(0, 0.3, HOURS) for _ in levels]
    blocks = [
        block(11, [(with_lag(levels[0], 8) + noise[0], "uint16")]),
        block(12, [(with_lag(levels[1], 15) + noise[1], "uint16")], late_s=0.3),
        block(13, [(level_mm(random, HOURS), "uint16")]),
        block(20, [(flow * 10, "uint16"), (5000 + np.cumsum(flow) / 60, "uint32")]),
    ]
    return read_devices(blocks), starts_and_stops(times, "bay B pump", seed), times


@pytest.mark.parametrize("seed", [1, 2])
def test_a_level_that_falls_only_while_a_pump_runs(seed: int) -> None:
    devices, events, times = yard(seed)
    found = of_kind(relations(devices, events), RelationKind.FALLS_DURING)
    noted = [r for r in found if "between the noted beginning and end of 'bay B pump'" in r.text]
    assert [registers(r) for r in noted] == [[0], [0]]
    assert [r.devices for r in noted] == [(11,), (12,)]
    each = [-(-len(times) // 2), len(times) // 2]
    for relation, own in zip(noted, each, strict=True):
        assert f"{own} of {own} falls of register 0 begin and end with one of {len(times)} times" in relation.evidence
    by_flow = [r for r in found if "while register 0 of device 20 rises" in r.text or "of device 20 runs" in r.text]
    assert {r.devices for r in by_flow} == {(11, 20), (12, 20)}
    assert not any(13 in r.devices for r in found)


def test_a_fall_that_fits_a_total_is_told_with_the_ratio() -> None:
    devices, _, _ = yard(3)
    found = of_kind(relations(devices), RelationKind.FALLS_DURING)
    by_total = [r for r in found if "device 20 rises" in r.text]
    assert by_total
    for relation in by_total:
        said = float(relation.evidence.split(" times what register")[0].split("are ")[-1])
        assert said == pytest.approx(0.003785411784 / 66 * 1000, rel=0.02)  # mm a gallon


def test_three_coincidences_are_not_enough() -> None:
    devices, events, times = yard(4)
    few = [e for e in events if e.t_ns < times[3][0] * S - 30 * S]
    assert len(few) == 6
    assert not any("noted" in r.text for r in relations(devices, few))


def test_a_fall_that_goes_on_after_the_draw_is_not_its_own() -> None:
    devices, _, times = yard(4)
    short = [(start, start + 20) for start, stop in times if stop - start > 200]
    assert len(short) >= 4
    assert not any("noted" in r.text for r in relations(devices, starts_and_stops(short, "pump", 4)))


def test_what_comes_every_half_hour_coincides_once() -> None:
    level = np.full(HOURS, 6000.0)
    times = [(start, start + 300) for start in range(600, HOURS - 600, 1800)]
    for start, stop in times:
        level -= 100 * np.clip((np.arange(HOURS) - start) / (stop - start), 0, 1)
    devices = read_devices([block(11, [(level, "uint16")])])
    assert len(times) >= 7
    assert relations(devices, starts_and_stops(times, "pump", 1)) == ()
    random = np.random.default_rng(42)
    moved = [
        (start + shift, stop + shift) for (start, stop), shift in zip(times, random.integers(0, 1200, 8), strict=True)
    ]
    level = np.full(HOURS, 6000.0)
    for start, stop in moved:
        level -= 100 * np.clip((np.arange(HOURS) - start) / (stop - start), 0, 1)
    devices = read_devices([block(11, [(level, "uint16")])])
    assert len(relations(devices, starts_and_stops(moved, "pump", 1))) == 1


def test_falls_and_notes_that_have_nothing_to_do_with_each_other_are_not_tied() -> None:
    found: list[Relation] = []
    for seed in range(25):
        random = np.random.default_rng([43, seed])
        levels = [(stepped(1000 + 10 * seed + n, 7200, moves=10), "uint16") for n in range(3)]
        events = starts_and_stops(drawn(seed, 7200)[0], "pump", seed)
        events += [YardEvent(int(t * S), "somebody came") for t in np.sort(random.uniform(0, 7200, 12))]
        found += of_kind(relations([device(levels)], events), RelationKind.FALLS_DURING)
    assert found == []


def test_a_moment_without_an_end_is_held_against_the_beginnings_of_falls() -> None:
    devices, events, _ = yard(5)
    moments = [YardEvent(e.t_ns, "truck at bay B") for e in events if e.name.endswith("start")]
    found = [r for r in relations(devices, moments) if "after the noted 'truck at bay B'" in r.text]
    assert [r.devices for r in found] == [(11,), (12,)]


def test_falls_are_those_of_the_level_and_not_of_its_noise() -> None:
    times, flow = drawn(6, HOURS)
    level = 6000 - np.cumsum(flow) * 0.001 + np.random.default_rng(6).normal(0, 0.5, HOURS)
    line = course(np.arange(HOURS, dtype=np.float64), level, 0.5)
    assert line is not None
    told = falls(line)
    assert len(told.from_s) == len(times)
    np.testing.assert_allclose(told.from_s, [start for start, _ in times], atol=15)
    np.testing.assert_allclose(told.to_s, [stop for _, stop in times], atol=15)
    np.testing.assert_allclose(told.amounts, [flow[a:b].sum() * 0.001 for a, b in times], rtol=0.05)


# --- the parts ------------------------------------------------------------------------------------------------------


def test_chance_is_no_smaller_than_what_random_numbers_bring() -> None:
    random = np.random.default_rng(51)
    for moved in (2, 3, 4):
        x, y = random.normal(size=(2, 200_000, 2 * moved))
        x, y = (z - z.mean(axis=1, keepdims=True) for z in (x, y))
        r = np.abs((x * y).sum(axis=1) / np.sqrt((x**2).sum(axis=1) * (y**2).sum(axis=1)))
        for limit in (0.5, 0.9, 0.97):
            assert (r > limit).mean() <= chance.of_correlation(limit, moved, 1)


def test_chance_counts_all_that_was_tried() -> None:
    once = chance.of_correlation(0.99, 4, 1)
    assert chance.of_correlation(0.99, 4, 1000) == pytest.approx(1000 * once)


def test_chance_in_words_never_promises_more() -> None:
    assert chance.in_words(0.00004) == "less than one in 10,000"
    assert chance.in_words(0.0) == "less than one in 1,000,000,000,000"
    assert chance.in_words(1.0) == "less than one in 1"


def test_codes_for_no_value_are_left_out_and_values_are_not() -> None:
    level = np.random.default_rng(52).normal(3000, 5, 400)
    for code in (0.0, 65_535.0, -999.0, 1e30):
        coded = level.copy()
        coded[50:60] = code
        coded[200:230] = code
        assert np.flatnonzero(np.isnan(without_codes(coded[None])[0])).tolist() == [*range(50, 60), *range(200, 230)]
    assert not np.isnan(without_codes(level[None])).any()
    half = np.where(np.arange(400) % 100 < 50, 0.0, level)  # a pump that rests half of the time
    assert not np.isnan(without_codes(half[None])).any()


def test_the_last_digit() -> None:
    random = np.random.default_rng(53)
    values = random.normal(20, 3, 200)
    told = last_digits(np.array([np.rint(values), np.rint(values * 10) / 10, 5 * np.rint(values), values]))
    assert told[:3] == pytest.approx([1, 0.1, 5])
    assert told[3] < 1e-5


def test_occasions_are_movements_with_a_rest_or_a_turn_between() -> None:
    ramp = np.clip(np.arange(512) - 100, 0, 100).astype(np.float64)
    twice = ramp + np.clip(np.arange(512) - 300, 0, 100)
    there_and_back = ramp - np.clip(np.arange(512) - 200, 0, 100)
    told = occasions(np.array([ramp, twice, there_and_back, 0 * ramp]), np.array([50.0, 50.0, 50.0, 50.0]))
    assert told.tolist() == [1, 2, 2, 0]
    assert occasions(np.array([ramp]), np.array([101.0])).tolist() == [0]


# --- devices of two generators --------------------------------------------------------------------------------------

ELECTRIC = {"voltage", "current", "power", "factor", "frequency", "energy"}


def really_tied(fields: Sequence[Field | None]) -> bool:
    """Whether the truth of two fields moves as one: by their own level, or closely enough that no one could tell."""
    if None in fields:
        return True  # what is no field is for those to judge who tell where values lie
    one, other = (f for f in fields if f is not None)
    if one.level_scale is not None and other.level_scale is not None:
        return True
    known = np.isfinite(one.truth) & np.isfinite(other.truth)
    x, y = (np.argsort(np.argsort(f.truth[known])).astype(np.float64) for f in (one, other))
    straight = abs(np.corrcoef(one.truth[known], other.truth[known])[0, 1])
    return bool(max(straight, abs(np.corrcoef(x, y)[0, 1])) > 0.97)


@pytest.mark.parametrize("made", [ours.unit, apart.unit])
def test_made_up_devices_are_never_denied_a_level_and_rarely_tied_falsely(made: Callable[..., Unit]) -> None:
    false, told, denied = 0, 0, 0
    for n in range(30):
        unit = made(np.random.default_rng([61, n]), duration_s=3600, period_s=5.0, faults=n % 3 == 0)
        (one,) = read_devices([block_of(unit.device, unit.table, unit.register, unit.t_ns, unit.words)])
        found = relations([one])
        fields = {unit.register + f.start: f for f in unit.fields}
        has_level = any(f.level_scale is not None or "level" in f.name for f in unit.fields)
        denied += has_level and nothing_but_a_meter(one, found) is not None
        for relation in found:
            own = [fields.get(tied.register) for tied in relation.registers]
            told += 1
            if relation.kind in (RelationKind.POWER, RelationKind.METER, RelationKind.ENERGY):
                false += any(f is not None and f.name not in ELECTRIC for f in own)
            elif relation.kind is not RelationKind.FALLS_DURING:
                false += not really_tied(own)
    assert denied == 0
    assert told >= 5
    assert false <= 1
