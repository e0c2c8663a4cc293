"""The recorded day: same seed, same bytes; every vessel moves; readings a person could have written."""

import csv
import io

import pytest
from yard_tools import NS, bytes_of

from sidetap.yard import WORKING_DAY, Transfer, Yard, readings_for
from sidetap.yard.field import Field

DAY_NS = 4 * 3600 * NS


@pytest.fixture(scope="module")
def day() -> Yard:
    """The working day's vessels. Nobody looks at the line, and a cut line is quick."""
    yard = Yard(plan=WORKING_DAY)
    yard.faults.line_cut = True
    yard.advance(DAY_NS)
    return yard


def levels(day: Yard, tag: str) -> list[float]:
    return [row[1][tag] for row in day.history]


def test_same_seed_same_bytes() -> None:
    def said(seed: int) -> bytes:
        return bytes_of(Yard(seed, noise=True, plan=WORKING_DAY, second_master_at="2026-03-11T09:01"), 180 * NS)

    assert said(7) == said(7)
    assert said(7) != said(8)


def test_noise_is_of_the_order_of_the_last_digit() -> None:
    quiet, noisy = Yard(plan=()), Yard(plan=(), noise=True)
    read = bytes.fromhex("0300640001")
    still = {quiet.devices[11].answer(read, n) for n in range(500)}
    shown = [int.from_bytes(noisy.devices[11].answer(read, n)[2:], "big") for n in range(500)]
    assert len(still) == 1
    assert set(shown) >= {3479, 3480, 3481} or set(shown) >= {3480, 3481}
    assert all(abs(value - 3480) <= 2 for value in shown)


def test_every_vessel_moves_and_stays_within_its_limits(day: Yard) -> None:
    # low and high alarms of the demo yard, mm
    limits = {
        "T1": (1000, 6900),
        "T2": (1000, 5700),
        "T3": (950, 2750),
        "T4": (1200, 5200),
        "T5": (600, 2300),
        "T6": (400, 1350),
    }
    for tag, (low, high) in limits.items():
        seen = levels(day, tag)
        assert max(seen) - min(seen) >= 620  # more than 0.40 m: three readings a foot apart
        assert low < min(seen) < max(seen) < high


def test_a_bay_loads_one_thing_at_a_time_and_t2_t3_serve_one_bay() -> None:
    def apart(transfers: list[Transfer]) -> bool:
        rows = sorted(transfers, key=lambda one: one.start_ns)
        ends = [one.start_ns + (60 * one.minutes + 6) * NS for one in rows]
        return all(end <= after.start_ns for end, after in zip(ends, rows[1:], strict=False))

    for what in ("load at bay A", "load at bay B", "load at bay C"):
        rows = [one for one in WORKING_DAY if one.what == what]
        assert len(rows) >= 6
        assert apart(rows)
    for tag in ("T2", "T3"):
        assert apart([one for one in WORKING_DAY if one.tag == tag and one.gpm < 0])


def test_a_load_moves_what_it_says(day: Yard) -> None:
    # bay B's first: 4,200 gal of T1 in 10.5 min; over 65.669 m² that is 242.1 mm, worked by hand
    seen = levels(day, "T1")
    assert seen[60] == 3480
    assert seen[60] - seen[15 * 60] == pytest.approx(242.1, abs=0.1)


def test_readings_are_a_foot_apart_and_near_the_truth(day: Yard) -> None:
    text = readings_for(day.history, day.clock.start_epoch_ns, 1)
    assert text == readings_for(day.history, day.clock.start_epoch_ns, 1)
    assert text != readings_for(day.history, day.clock.start_epoch_ns, 2)
    rows = list(csv.DictReader(io.StringIO(text)))
    assert list(rows[0]) == ["time_s", "name", "value", "unit", "tolerance", "kind"]
    assert {row["name"] for row in rows} == {"T1", "T2", "T3", "T4", "T5", "T6"}
    assert [row["time_s"] for row in rows] == sorted(row["time_s"] for row in rows)
    start_s = day.clock.start_epoch_ns // NS
    for tag in ("T1", "T2", "T3", "T4", "T5", "T6"):
        mine = [row for row in rows if row["name"] == tag]
        shown = sorted(float(row["value"]) for row in mine if row["kind"] == "display")
        assert len(shown) == 3
        assert shown[1] - shown[0] >= 0.3048
        assert shown[2] - shown[1] >= 0.3048
        assert sum(row["kind"] == "dip" for row in mine) == 2
        for row in mine:
            second = int(row["time_s"]) - start_s
            near = levels(day, tag)[max(second - 3, 0) : second + 4]
            error_m = min(abs(float(row["value"]) - level / 1000) for level in near)
            assert error_m <= (0.00051 if row["kind"] == "display" else 0.0036)
            assert row["unit"] == "m"


def test_start_on_the_world_s_clock() -> None:
    # 2026-03-11T09:00 in Chicago is 14:00Z (UTC-5 since 8 March); date -u -d 2026-03-11T14:00Z +%s
    assert Yard().clock.start_epoch_ns == 1773237600 * NS


def test_time_does_not_run_back() -> None:
    yard = Yard()
    yard.advance(NS)
    with pytest.raises(ValueError, match="can't run back"):
        yard.advance(NS - 1)


def test_levels_do_not_depend_on_how_often_one_looks() -> None:
    one, many = Yard(plan=WORKING_DAY), Yard(plan=WORKING_DAY)
    one.advance(200 * NS)
    for n in range(1, 2001):
        many.advance(n * 100_000_000)
    assert one.history == many.history
    assert isinstance(one._field, Field)
