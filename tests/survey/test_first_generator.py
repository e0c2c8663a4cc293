"""The first generator of made-up devices: its words mean what its truth says, and the awkward cases are there."""

from collections import Counter

import numpy as np
import pytest
from numpy.typing import NDArray
from registers.cases import Case, cases
from registers.form import Field, Unit
from registers.ours import Scenario, unit

from sidetap.line import decode

SEED, UNITS = 7, 150
SCENARIOS: tuple[Scenario, ...] = ("moving", "mixed", "idle")
ONE_STEP = 1e-7  # of a float32, relative


@pytest.fixture(scope="module", params=[False, True], ids=["plain", "faults"])
def made(request: pytest.FixtureRequest) -> list[tuple[Case, Unit]]:
    return [(c, c.unit()) for c in cases("ours", SEED, UNITS, faults=request.param, durations_s=(600,))]


@pytest.fixture(scope="module")
def plain() -> list[tuple[Case, Unit]]:
    return [(c, c.unit()) for c in cases("ours", SEED, UNITS, faults=False, durations_s=(600,))]


def own(u: Unit, field: Field) -> NDArray[np.uint16]:
    words: NDArray[np.uint16] = u.words[:, field.start : field.start + field.width]
    return words


def test_the_words_mean_the_truth(made: list[tuple[Case, Unit]]) -> None:
    for c, u in made:
        for field in u.fields:
            for n in (0, len(u.words) // 2, len(u.words) - 1):
                told = decode(field.encoding, own(u, field)[n].tolist())
                if field.encoding == "text":
                    assert isinstance(told, str), c.name
                elif not np.isnan(field.truth[n]):
                    assert told == pytest.approx(field.truth[n], rel=ONE_STEP), (c.name, field.name)


def test_fields_do_not_overlap_and_times_go_on(made: list[tuple[Case, Unit]]) -> None:
    for c, u in made:
        ends = [f.start + f.width for f in u.fields]
        assert all(f.start >= end for f, end in zip(u.fields[1:], ends[:-1], strict=True)), c.name
        assert ends[-1] == u.words.shape[1]
        assert (np.diff(u.t_ns) > 0).all()
        assert len(u.t_ns) == len(u.words) == len(u.level_m)
        assert all(len(f.truth) == len(u.words) for f in u.fields if f.encoding != "text")


def test_what_tells_the_level_tells_it_to_a_few_inches(plain: list[tuple[Case, Unit]]) -> None:
    told = 0
    for c, u in plain:
        for field in u.fields:
            if field.level_scale is not None and field.level_offset is not None:
                told += 1
                level_m = field.truth * field.level_scale + field.level_offset
                assert np.abs(level_m - u.level_m).max() < 0.15, (c.name, field.name)
    assert told > UNITS  # percent and distance come beside levels


def test_codes_for_no_value_come_in_bursts_and_mean_nothing() -> None:
    for c in cases("ours", SEED, 30, faults=True, durations_s=(600,)):
        u = c.unit()
        gone = [np.isnan(f.truth) for f in u.fields if f.encoding != "text" and np.isnan(f.truth).any()]
        assert gone, c.name
        assert all(g.mean() < 0.15 for g in gone)
        for field in u.fields:
            if len(field.truth) and np.isnan(field.truth).any():
                assert len(np.unique(own(u, field)[np.isnan(field.truth)], axis=0)) == 1  # one code a value


def test_every_kind_of_level_and_of_device_comes(plain: list[tuple[Case, Unit]]) -> None:
    kinds = Counter(f.encoding.partition("-")[0] for _, u in plain for f in u.fields)
    assert set(kinds) == {
        "uint16", "int16", "bcd16", "bits16", "text", "uint32", "int32", "float32", "mod10k32", "float64",
    }  # fmt: skip
    names = {f.name for _, u in plain for f in u.fields}
    assert names == {
        "level", "percent", "current", "distance", "temperature", "echo", "second-level", "status", "heartbeat",
        "uptime", "setting", "text",
    }  # fmt: skip
    assert len({u.order for _, u in plain}) == 4
    mixed = [
        u for _, u in plain if any(f.encoding.startswith("float32") and u.order != f.encoding[8:] for f in u.fields)
    ]
    assert 0 < len(mixed) < UNITS / 10
    dropped = [u for c, u in plain if len(u.words) < 600 / c.period_s]
    assert UNITS / 10 < len(dropped) < UNITS / 2


def test_scenarios_differ_in_how_the_level_moves() -> None:
    moves: dict[Scenario, float] = {}
    for scenario in SCENARIOS:
        made = [
            unit(np.random.default_rng([3, n]), duration_s=3600, period_s=5, scenario=scenario) for n in range(40)
        ]
        moves[scenario] = float(np.mean([np.ptp(u.level_m) for u in made]))
    assert moves["idle"] == 0
    assert moves["moving"] > 1.3 * moves["mixed"] > 0
