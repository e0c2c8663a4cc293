"""The watch on frozen values: when it must speak, to the poll, and when it must not.

The yard's numbers: 400 gpm over T1's 65.669 m² are 0.38430 mm/s, 20 mm in 52.04 s; 60 gpm over T5's 24 m² are
0.15773 mm/s, 20 mm in 126.80 s (worked by hand from the shapes).
"""

import random
from collections.abc import Callable
from dataclasses import replace
from math import exp, sin, tau

import pytest
from answers import YARD, S, answer

from sidetap.measure import LevelReading, Meter, WatchState
from sidetap.measure.watch import Watch
from sidetap.quantity import Quality, to_si
from sidetap.site import FrozenWatch, Site, load_or_refuse

T1_FLOW, T5_FLOW = float(to_si(400, "gpm")), float(to_si(60, "gpm"))
T1_MM_PER_S, T5_MM_PER_S = 0.38430, 0.15773
SAID = "no flow, or a frozen value; expected -23 mm/min"


@pytest.fixture(scope="module")
def site() -> Site:
    return load_or_refuse(YARD)


class Loading:
    """A meter, a vessel that is polled once a second, and a draw from it."""

    def __init__(
        self, site: Site, vessel: str = "T1", level_mm: Callable[[float], float] = lambda t_s: 3480.0
    ) -> None:
        self.meter, self.vessel, self.level_mm = Meter(site), vessel, level_mm
        self.t_s = 0

    def poll(self) -> LevelReading:
        """Let a second go by, and one answer come."""
        self.t_s += 1
        level_mm = self.level_mm(self.t_s)
        if self.vessel == "T1":
            self.meter.receive(answer(11, 100, [round(level_mm), 1, 183], self.t_s))
        else:
            self.meter.receive(answer(15, 4, [round(10_000 * level_mm / 2500)], self.t_s))
        return self.reading()

    def reading(self) -> LevelReading:
        return self.meter.level(self.vessel, self.t_s * S)

    def draw(self, flow: float, *, receiving: bool = False) -> None:
        self.meter.draw(self.vessel, [flow] if flow else [], receiving, self.t_s * S)

    def polls(self, count: int) -> LevelReading:
        for _ in range(count):
            reading = self.poll()
        return reading

    def until_frozen(self, within_s: int) -> int:
        """Poll until the value is frozen and return when that was."""
        while self.poll().watch is not WatchState.FROZEN:
            assert self.t_s < within_s, "it never froze"
        return self.t_s


def falls(
    mm_per_s: float, from_mm: float = 3480.0, until_s: float = float("inf"), start_s: float = 10
) -> Callable[[float], float]:
    """A level that stands, falls from start_s on, and stands again from until_s on."""
    return lambda t_s: from_mm - mm_per_s * max(0.0, min(t_s, until_s) - start_s)


# -- to the poll -----------------------------------------------------------------------------------------------------


def test_acceptance_07_a_frozen_value_is_bad_52_s_after_its_last_change_and_a_poll(site: Site) -> None:
    loading = Loading(site, level_mm=falls(T1_MM_PER_S, until_s=100))
    loading.polls(10)
    loading.draw(T1_FLOW)
    seen = [loading.poll().level_01mm for _ in range(100)]
    changed_s = 11 + max(i for i in range(1, 100) if seen[i] != seen[i - 1])
    assert 97 <= changed_s <= 100
    loading.polls(changed_s + 52 - loading.t_s)
    reading = loading.reading()
    assert (reading.quality, reading.watch, reading.bad) == (Quality.GOOD, WatchState.WATCHING, False)
    reading = loading.poll()  # 53 s: the first poll after 52.04
    assert (reading.quality, reading.watch, reading.bad) == (Quality.BAD, WatchState.FROZEN, True)
    assert (reading.level_01mm, reading.volume_m3, reading.rate, reading.to_trip_ns) == (None, None, None, None)
    assert reading.reason == reading.watch_text == SAID
    assert reading.last_good is not None


def test_acceptance_16_t5_frozen_at_60_gpm_is_bad_at_127_s_and_a_poll(site: Site) -> None:
    loading = Loading(site, "T5", lambda t_s: 1710.0)
    loading.polls(10)
    loading.draw(T5_FLOW)
    assert loading.until_frozen(200) - 10 == 127
    assert loading.reading().reason == "no flow, or a frozen value; expected -9 mm/min"


@pytest.mark.parametrize(("flow_m3_per_s", "frozen_s"), [(0.024, 20), (0.024 * 1.001, 20), (0.024 * 0.999, 21)])
def test_the_expected_fall_on_its_line(flow_m3_per_s: float, frozen_s: int) -> None:
    """24 m² and 0.024 m³/s: 1 mm/s, 20 mm in 20 s exactly."""
    watch = Watch(FrozenWatch(expected_01mm=200, seen_01mm=50))
    watch.see(20_000, 24.0, 0)
    watch.draw(flow_m3_per_s, False, 0)
    for t_s in range(1, frozen_s + 1):
        assert watch.frozen is None
        watch.see(20_000, 24.0, t_s * S)
    assert watch.frozen == (20_000, "no flow, or a frozen value; expected -60 mm/min")


@pytest.mark.parametrize(("seen_01mm", "frozen"), [(0, True), (49, True), (50, False), (51, False)])
def test_the_seen_fall_on_its_line(seen_01mm: int, frozen: bool) -> None:
    """5 mm by the time that 20 were expected are not under 5."""
    watch = Watch(FrozenWatch(expected_01mm=200, seen_01mm=50))
    watch.see(20_000, 24.0, 0)
    watch.draw(0.024, False, 0)
    watch.see(20_000, 24.0, 19 * S)
    watch.see(20_000 - seen_01mm, 24.0, 20 * S)
    assert (watch.frozen is not None) is frozen


def test_a_late_poll_counts_by_its_own_time_not_by_when_it_is_heard_of(site: Site) -> None:
    loading = Loading(site)
    loading.poll()
    loading.draw(T1_FLOW)
    loading.meter.draw("T1", [T1_FLOW], False, 60 * S)  # told again each scan
    loading.meter.receive(answer(11, 100, [3480, 1, 183], 1 + 52.0))
    assert loading.meter.level("T1", 53 * S).watch is WatchState.WATCHING
    loading.meter.receive(answer(11, 100, [3480, 1, 183], 1 + 52.1))
    assert loading.meter.level("T1", 53 * S).watch is WatchState.FROZEN


def test_what_is_drawn_in_short_openings_adds_up(site: Site) -> None:
    loading = Loading(site)
    for _ in range(5):
        loading.polls(30)
        loading.draw(T1_FLOW)
        assert loading.polls(10).watch is WatchState.WATCHING
        loading.draw(0)
    assert loading.polls(300).watch is WatchState.IDLE  # 50 s of draw: 19.2 mm
    loading.draw(T1_FLOW)
    assert loading.until_frozen(1000) - 500 == 3


def test_a_draw_too_slow_to_expect_a_tenth_of_a_millimetre_by_the_next_poll_adds_up_too(site: Site) -> None:
    """60 gpm over T1's surface: 0.0576 mm/s, 20 mm in 346.9 s."""
    loading = Loading(site)
    loading.poll()
    loading.draw(T5_FLOW)
    assert loading.until_frozen(400) - 1 == 347


def test_two_bays_draw_together(site: Site) -> None:
    loading = Loading(site)
    loading.poll()
    loading.meter.draw("T1", [T1_FLOW, T1_FLOW / 2], False, 1 * S)
    assert loading.until_frozen(100) - 1 == 35  # 20 mm at 600 gpm: 34.7 s


# -- it must not speak -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.30, 0.5, 0.9, 1.0, 1.1])
def test_a_level_that_falls_is_never_frozen(site: Site, share: float) -> None:
    loading = Loading(site, level_mm=falls(share * T1_MM_PER_S))
    loading.polls(10)
    loading.draw(T1_FLOW)
    for _ in range(575):
        assert loading.poll().watch is WatchState.WATCHING


@pytest.mark.parametrize("seed", range(12))
def test_noise_and_waves_on_a_falling_level_never_freeze_it(site: Site, seed: int) -> None:
    """Waves of up to 30 mm at T1's slosh periods that die away fast or slowly, noise, half to all of the flow."""
    dice = random.Random(seed)
    amplitude, period, dies_s = dice.uniform(0, 30), dice.uniform(4.8, 6.6), dice.choice([20.0, 60.0, 1e9])
    spread, share = dice.uniform(0, 1.0), dice.uniform(0.5, 1.1)
    fall = falls(share * T1_MM_PER_S)

    def level_mm(t_s: float) -> float:
        wave = amplitude * exp(-t_s / dies_s) * sin(tau * t_s / period)
        return fall(t_s) + wave + dice.gauss(0, spread)

    loading = Loading(site, level_mm=level_mm)
    loading.polls(10)
    loading.draw(T1_FLOW)
    for _ in range(575):
        assert loading.poll().watch is not WatchState.FROZEN


def test_nothing_is_expected_while_nothing_is_drawn(site: Site) -> None:
    loading = Loading(site)
    assert loading.polls(1000).watch is WatchState.IDLE


def test_a_vessel_without_a_watch_has_none(site: Site) -> None:
    vessels = tuple(replace(v, frozen=None) for v in site.vessels)
    loading = Loading(replace(site, vessels=vessels))
    loading.poll()
    loading.draw(T1_FLOW)
    assert loading.polls(600).watch is WatchState.OFF


# -- receipts --------------------------------------------------------------------------------------------------------


def test_acceptance_16_a_delivery_suspends_the_watch_and_it_says_so(site: Site) -> None:
    """200 gpm come in while 60 go out: the level rises by 0.368 mm/s. Then that ends, and the value freezes."""
    rise, end_s = 140 / 60 * T5_MM_PER_S, 610.0

    def level_mm(t_s: float) -> float:
        filled = 1710 + rise * max(0.0, min(t_s, end_s) - 10)
        return filled - T5_MM_PER_S * max(0.0, min(t_s, 640) - end_s)

    loading = Loading(site, "T5", level_mm)
    loading.polls(10)
    loading.draw(T5_FLOW)
    loading.polls(20)
    while loading.t_s < end_s:
        reading = loading.poll()
        assert reading.quality is Quality.GOOD
        assert reading.watch is WatchState.SUSPENDED
        assert reading.watch_text == "watch on frozen values suspended: the level rises"
    assert loading.polls(30).watch is WatchState.WATCHING
    assert 640 + 126 <= loading.until_frozen(1000) <= 640 + 129


def test_acceptance_16_a_receipts_contact_suspends_the_watch_however_the_level_stands(site: Site) -> None:
    loading = Loading(site, "T5", lambda t_s: 1710.0)
    loading.polls(10)
    loading.draw(T5_FLOW, receiving=True)
    for _ in range(400):
        reading = loading.poll()
        assert reading.watch is WatchState.SUSPENDED
        assert reading.watch_text == "watch on frozen values suspended: a delivery"
    loading.draw(T5_FLOW)
    ended_s = loading.t_s
    assert 127 <= loading.until_frozen(1000) - ended_s <= 128  # everything counts from the contact's end


def test_a_rise_before_the_draw_suspends_nothing(site: Site) -> None:
    loading = Loading(site, level_mm=lambda t_s: 3480 + min(t_s, 100))
    loading.polls(120)
    loading.draw(T1_FLOW)
    assert loading.poll().watch is WatchState.WATCHING
    assert loading.until_frozen(1000) - 120 == 53


# -- no flow ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_a_last_digit_that_flickers_puts_it_off_only_a_little(site: Site, seed: int) -> None:
    dice = random.Random(seed)
    loading = Loading(site, level_mm=lambda t_s: 3480 + dice.gauss(0, 0.5))
    loading.polls(10)
    loading.draw(T1_FLOW)
    assert 53 <= loading.until_frozen(200) - 10 <= 70


def test_a_level_that_only_creeps_is_frozen_in_time(site: Site) -> None:
    """A fifth of the expected pace: 4 of 20 mm."""
    loading = Loading(site, level_mm=falls(0.2 * T1_MM_PER_S))
    loading.polls(10)
    loading.draw(T1_FLOW)
    assert 53 <= loading.until_frozen(200) - 10 <= 60


# -- and then --------------------------------------------------------------------------------------------------------


def frozen(site: Site) -> Loading:
    loading = Loading(site)
    loading.poll()
    loading.draw(T1_FLOW)
    loading.until_frozen(100)
    loading.draw(0)
    return loading


@pytest.mark.parametrize(("move_mm", "lives"), [(-4, False), (4, False), (-5, True), (5, True)])
def test_it_stays_frozen_until_the_level_has_moved(site: Site, move_mm: int, lives: bool) -> None:
    loading = frozen(site)
    assert loading.polls(100).quality is Quality.BAD
    loading.level_mm = lambda t_s: 3480.0 + move_mm
    reading = loading.poll()
    assert reading.quality is (Quality.GOOD if lives else Quality.BAD)
    assert reading.level_01mm == (34_800 + 10 * move_mm if lives else None)
    if lives:  # and is watched anew
        loading.draw(T1_FLOW)
        assert loading.until_frozen(1000) - 155 == 53


def test_a_person_who_has_checked_it_makes_it_good_again(site: Site) -> None:
    loading = frozen(site)
    loading.meter.trust("T1")
    reading = loading.reading()
    assert (reading.quality, reading.bad, reading.watch) == (Quality.GOOD, False, WatchState.IDLE)
    loading.draw(T1_FLOW)
    assert loading.until_frozen(200) == 54 + 1 + 53  # the first answer after it begins anew


def test_a_value_found_frozen_by_an_earlier_run_stays_so(site: Site) -> None:
    loading = Loading(site)
    loading.meter.freeze("T1", 34_800, SAID)
    reading = loading.polls(5)
    assert (reading.quality, reading.reason) == (Quality.BAD, SAID)
    assert loading.meter.frozen("T1") == (34_800, SAID)


def test_worse_news_comes_first(site: Site) -> None:
    loading = frozen(site)
    loading.meter.receive(answer(11, 100, [3480, 0, 183], loading.t_s + 1))
    assert loading.meter.level("T1", (loading.t_s + 1) * S).reason == "register 101 says 0, not 1"
    assert loading.meter.level("T1", (loading.t_s + 6) * S).quality is Quality.OLD
