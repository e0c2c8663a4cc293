"""A wave through the trip: one latched trip, near the moment at which the mean of the level crosses it.

30 mm of amplitude and 6.5 s, the first slosh of a round vessel of 9.144 m at that depth (linear theory), on a level
that falls at 23.1 mm a minute: 400 gpm out of it.
"""

from dataclasses import replace
from math import pi, sin
from pathlib import Path

import pytest

from sidetap.quantity import NS_PER_S
from sidetap.scheme import GeneratedRunner, Type, Value
from sidetap.site import load_or_refuse
from sidetap.site.cause_effect import compile_site
from sidetap.site.model import Site

BAY_B = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "bay-b.toml"
SITE = load_or_refuse(BAY_B)
FALL_01MM_PER_S = 231 / 60
START_01MM, AMPLITUDE_01MM, PERIOD_S = 6_400, 300, 6.5
CROSSING_S = (START_01MM - 6_000) / FALL_01MM_PER_S


def trips(site: Site, phase: float) -> list[float]:
    """Return when T1's trip came or went, in s after the mean level has crossed 0.60 m."""
    program = compile_site(site).program
    runner = GeneratedRunner(program)
    rest: dict[str, Value] = {n: False if i.type is Type.BOOL else i.low for n, i in program.inputs.items()}
    states, was, changes = runner.first_states(), False, []
    for scan in range(int((CROSSING_S + 60) * 10)):
        t_s = scan / 10
        wave = AMPLITUDE_01MM * sin(2 * pi * t_s / PERIOD_S + phase)
        level = int(START_01MM - FALL_01MM_PER_S * t_s + wave)
        polled = {"T1.level": level, "T1.new": scan % 10 == 0, "T1.age": scan % 10 * 100}
        states, outputs = runner.step(states, rest | polled, 100)
        if outputs["T1.tripped"] is not was:
            was = bool(outputs["T1.tripped"])
            changes.append(t_s - CROSSING_S)
    return changes


@pytest.mark.parametrize("eighth", range(0, 8, 2))
def test_acceptance_22_one_latched_trip_in_a_wave(eighth: int) -> None:
    (once,) = trips(SITE, eighth * pi / 4)
    assert -5 <= once <= 15


def test_without_its_filter_the_trip_comes_too_early() -> None:
    plain = [replace(v, trip=replace(v.trip, mean_ns=NS_PER_S, delay_ns=0)) for v in SITE.vessels]
    assert trips(replace(SITE, vessels=tuple(plain)), 0.0)[0] < -5
