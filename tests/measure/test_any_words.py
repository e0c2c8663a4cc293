"""Whatever words an answer holds: a usable reading lies within its vessel, any other one carries no number."""

from math import isfinite

import pytest
from answers import YARD, S, answer
from hypothesis import given, settings
from hypothesis import strategies as st

from sidetap.measure import Meter, level_entry
from sidetap.quantity import Quality
from sidetap.site import Site, load_or_refuse

WORD = st.integers(0, 0xFFFF)
FIRST = {11: (100, 3), 12: (0, 3), 13: (8, 4), 14: (30, 2), 15: (4, 1), 16: (20, 2)}


@pytest.fixture(scope="module")
def site() -> Site:
    return load_or_refuse(YARD)


@pytest.mark.parametrize("device", FIRST)
@given(words=st.lists(WORD, min_size=4, max_size=4), good=st.booleans(), age_s=st.sampled_from([0, 3, 5]))
@settings(max_examples=60, deadline=None)
def test_no_number_without_a_usable_quality(
    site: Site, device: int, words: list[int], good: bool, age_s: int
) -> None:
    first, count = FIRST[device]
    words = words[:count]
    if good and device in (11, 12, 14):
        words[{11: 1, 12: 2, 14: 1}[device]] = 1 if device != 14 else 87
    vessel = f"T{device - 10}"
    meter = Meter(site)
    meter.draw(vessel, [0.01], False, 0)
    meter.receive(answer(device, first, words, 10))
    reading = meter.level(vessel, (10 + age_s) * S)
    entry = level_entry(site, reading)
    numbers = [reading.level_01mm, reading.exact, reading.content, reading.to_trip_ns, entry["volume_gal"]]
    if not reading.quality.usable:
        assert numbers == [None] * len(numbers)
        assert (entry["level_mm"], entry["level_text"], entry["mass_lb"], entry["uncertainty_gal"]) == (None,) * 4
        assert reading.reason
        assert reading.bad is (reading.quality is not Quality.OLD or reading.last_good is None)
        return
    assert None not in numbers
    assert reading.level_01mm is not None
    assert 0 <= reading.level_01mm <= site.vessel(vessel).top_01mm
    assert all(isfinite(value) for value in (entry["volume_gal"], entry["mass_lb"], entry["uncertainty_gal"]))
    assert reading.quality in (Quality.GOOD, Quality.WARN)
    assert not reading.bad
