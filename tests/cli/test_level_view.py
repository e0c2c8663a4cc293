"""What `sidetap level` prints for people: dashes for what isn't known, words for every mark, totals of what is."""

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from polled import EPOCH_S, EXAMPLE, S, chunks

from sidetap.cli.level_view import Row, View, lines, of_snapshot
from sidetap.cli.main import run
from sidetap.line.recording import write_csv, write_pcapng
from sidetap.measure import Rate
from sidetap.quantity import Quality
from sidetap.site import Display, Site, Vessel, load_or_refuse
from sidetap.site.model import QuietHours

SITE = load_or_refuse(EXAMPLE / "bay-b.toml")
NOW_NS = 1_773_241_200 * S  # 2026-03-11 10:00:00 in Chicago
GALLON_M3 = 0.003785411784
UNUSABLE = [quality for quality in Quality if not quality.usable]


def row(vessel: Vessel | None = None, level_mm: float = 3480, site: Site = SITE, **changes: Any) -> Row:
    """A vessel with a good level."""
    vessel = vessel or site.vessels[0]
    volume_m3 = vessel.geometry.volume_m3(level_mm / 1000)
    entry = {
        "vessel": vessel.tag, "level_mm": level_mm, "level_text": f"{level_mm:.1f} mm",
        "volume_gal": round(volume_m3 / GALLON_M3, 1), "volume_L": round(volume_m3 * 1000, 1),
        "mass_lb": None, "uncertainty_gal": 171.3, "volume_at_most_gal": None,
        "last_good": {"level_mm": level_mm, "t_s": NOW_NS / S - 1}, "quality": "good", "reason": "", "age_s": 1.0,
    }  # fmt: skip
    beside = {"rate": None, "to_trip_ns": None, "note": ""}
    more = {key: changes.pop(key, value) for key, value in beside.items()}
    return Row(vessel, {**entry, **changes}, round(level_mm * 10), **more)


def unusable(vessel: Vessel | None = None, quality: str = "old", **changes: Any) -> Row:
    nothing = {"level_mm": None, "level_text": None, "volume_gal": None, "volume_L": None, "uncertainty_gal": None}
    note = changes.pop("note", "")
    good = row(vessel, 2000, quality=quality, reason="no answer for 9.0 s", age_s=9.0)
    return replace(good, level_01mm=None, entry={**good.entry, **nothing, **changes}, note=note)


def told(view: View) -> str:
    return " ".join(" ".join(lines(view)).split())


def shown(*rows: Row, site: Site = SITE, dated: bool = True) -> list[str]:
    return list(lines(View(site, rows, NOW_NS, dated)))


def words(*rows: Row, site: Site = SITE, dated: bool = True) -> str:
    """All below the first vessel's first line, up to the totals, as one line."""
    text = shown(*rows, site=site, dated=dated)[4:]
    return " ".join(" ".join(text[: text.index("")]).split())


def test_a_vessel_in_two_lines() -> None:
    assert shown(row(level_text="11 ft 5 in"))[:5] == [
        "Tarn Hollow Growers' Co-op, 2026-03-11 10:00:00 CDT",
        "",
        "vessel               level   volume, gal     %  quality    age",
        "T1 North Round  11 ft 5 in  60,371 ± 172  47.6  good     1.0 s",
        "   [#tl#######........h.]  normal",
    ]


# -- what isn't known ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("quality", UNUSABLE)
def test_a_level_that_is_not_usable_is_dashes_in_every_column(quality: Quality) -> None:
    text = shown(unusable(quality=quality.value))
    assert re.fullmatch(rf"T1 North Round +-- +-- +-- +{quality} +9\.0 s", text[3])
    assert text[4].startswith("   [?tl???????????????h?]  no answer for 9.0 s;")


def test_what_it_was_has_the_stock_and_the_local_time() -> None:
    last = {"level_mm": 3480.0, "t_s": NOW_NS / S - 9}
    assert words(unusable(last_good=last)).endswith("was 11 ft 5 in, 60,371 gal, at 09:59:51")


def test_acceptance_6_the_midnight_stock_is_the_last_good_value_with_its_time() -> None:
    midnight = datetime.fromisoformat("2026-03-10T23:29:58-05:00").timestamp()
    found = words(unusable(last_good={"level_mm": 3480.0, "t_s": midnight}, age_s=NOW_NS / S - midnight))
    assert found.endswith("was 11 ft 5 in, 60,371 gal, at 2026-03-10 23:29:58")
    text = shown(unusable(last_good={"level_mm": 3480.0, "t_s": midnight}, age_s=37_802.0))
    assert text[3].endswith("10 h 31 min")  # 10 h 30 min 2 s, rounded up


def test_the_night_the_clocks_change_shows_the_offset() -> None:
    site_now = datetime.fromisoformat("2026-11-01T01:40:00-06:00").timestamp()
    was = {"level_mm": 3480.0, "t_s": site_now - 1800}  # 01:10 for the second time; half an hour more: for the first
    view = View(SITE, [unusable(last_good=was)], round(site_now * S), True)
    assert "at 01:10:00" in told(view)
    earlier = View(SITE, [unusable(last_good={**was, "t_s": site_now - 3600})], round(site_now * S), True)
    assert "at 01:40:00 CDT" in told(earlier)


def test_a_recording_without_dates_counts_seconds() -> None:
    found = unusable(last_good={"level_mm": 3480.0, "t_s": 8.15})
    assert words(found, dated=False).endswith("at 8.150 s of the record")


@pytest.mark.parametrize(
    ("begin", "end", "inside"),
    [  # 10:00
        (600, 601, True), (601, 700, False), (500, 600, False), (500, 601, True),
        (1410, 285, False), (1410, 600, False), (1410, 601, True), (600, 285, True), (601, 600, False),
    ],
)  # fmt: skip
def test_quiet_hours_are_told(begin: int, end: int, inside: bool) -> None:
    rule = QuietHours("R-2", "quiet-hours", begin, end)
    text = shown(row(), site=replace(SITE, rules=(rule,)))
    assert text[1].startswith("quiet hours, ") is inside
    assert shown(row(), site=replace(SITE, rules=(rule,)), dated=False)[1] == ""


def test_never_heard_is_no_number_anywhere() -> None:
    text = shown(unusable(last_good=None, age_s=None, reason="no whole answer yet"))
    assert not any(c.isdigit() for c in text[3].removeprefix("T1"))
    assert text[4].endswith("]  no whole answer yet")


def test_a_bound_is_told_and_rounded_up() -> None:
    site = replace(SITE, show=Display("m", "L", "L/min", "kg"))
    below = unusable(quality="below-sensor", volume_at_most_gal=2056, last_good=None, reason="below the sensor")
    assert words(below) == "[?tl???????????????h?] below the sensor; at most 2,056 gal"
    assert words(below, site=site).endswith("at most 7,783 L")  # 7,782.8 L


# -- the bar and its words -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("level_mm", "bar", "word"),
    [  # T1: top 7315, high 6900, low 1000, trip 600 mm; a mark is 366 mm
        (0, "[.tl...............h.]", "below the trip"),
        (599.9, "[#tl...............h.]", "below the trip"),
        (600, "[#tl...............h.]", "below low"),
        (999.9, "[#tl...............h.]", "below low"),
        (1000, "[#tl...............h.]", "normal"),
        (6900, "[#tl###############h.]", "normal"),
        (6900.1, "[#tl###############h.]", "above high"),
        (7315, "[#tl###############h#]", "above high"),
    ],
)
def test_the_bar_is_said_in_words(level_mm: float, bar: str, word: str) -> None:
    assert words(row(level_mm=level_mm)) == f"{bar} {word}"


def test_where_marks_fall_together_the_graver_one_stays() -> None:
    vessel = replace(SITE.vessels[0], low_01mm=SITE.vessels[0].trip.below_01mm)
    assert "[#t########........h.]" in shown(row(vessel))[4]
    high = replace(SITE.vessels[0], high_01mm=SITE.vessels[0].top_01mm)
    assert "[#tl#######.........h]" in shown(row(high))[4]


@given(st.floats(0, 7315), st.sampled_from(SITE.vessels))
def test_the_bar_is_as_long_as_ever_and_its_liquid_grows(level_mm: float, vessel: Vessel) -> None:
    level_mm = vessel.geometry.bottom_m * 1000 + level_mm * (vessel.top_01mm / 10 / 7315) * 0.95
    bar = shown(row(vessel, level_mm))[4].split("]")[0].strip() + "]"
    assert len(bar) == 22
    assert bar.count("#") <= 20 * level_mm * 10 / vessel.top_01mm + 0.5


@pytest.mark.parametrize(
    ("rate", "to_trip_ns", "says"),
    [
        (Rate(-0.000384, 0.00002, -0.02524, 0.001), 6720 * S, "falling 0.91 in/min (400 gpm); trip in 1 h 52 min"),
        (Rate(-0.000384, 0.00002, -0.02524, 0.001), 3599 * S, "trip in 59 min 59 s"),
        (Rate(-0.000384, 0.00002, -0.02524, 0.001), 59_960_000_000, "trip in 59.9 s"),
        (Rate(0.000192, 0.00002, 0.01262, 0.001), None, "rising 0.45 in/min (200 gpm)"),
        (Rate(-0.000001, 0.00002, -0.00001, 0.001), None, "normal; steady"),
        (None, None, "normal"),
    ],
)
def test_rate_and_time_to_trip(rate: Rate | None, to_trip_ns: int | None, says: str) -> None:
    found = words(row(rate=rate, to_trip_ns=to_trip_ns))
    assert says in found
    assert ("trip in" in found) is (to_trip_ns is not None)


def test_a_warning_and_the_watch_say_why() -> None:
    assert words(row(quality="warn", reason="no answer for 3.2 s")).endswith("normal; no answer for 3.2 s")
    assert words(row(note="a delivery: the watch is suspended")).endswith(
        "normal; a delivery: the watch is suspended"
    )
    twice = unusable(quality="bad", reason="a frozen value", note="a frozen value", last_good=None)
    assert words(twice).endswith("] a frozen value")


# -- totals ----------------------------------------------------------------------------------------------------------


def totals(*rows: Row, site: Site = SITE) -> list[str]:
    text = shown(*rows, site=site)
    start = next(n for n, line in enumerate(text) if line.startswith("product"))
    return text[start + 1 : text.index("", start)]


def same_product() -> Sequence[Vessel]:
    return [replace(v, product="32-0-0", density=SITE.vessels[0].density) for v in SITE.vessels]


def test_vessels_of_a_product_add_up_and_their_errors_as_root_of_squares() -> None:
    """171.3 and 300 gal together are 345.5; T1 at 3480 mm holds 60,371.0 gal, T2 at 4321 mm 84,759.75."""
    one, two, _ = same_product()
    (sum_,) = totals(row(one), row(two, 4321, uncertainty_gal=300.0))
    assert re.fullmatch(r"32-0-0 +145,131 ± 346 +1,605,146  T1, T2", sum_)  # × 11.06 lb/gal


def test_what_is_not_usable_is_left_out_and_named() -> None:
    one, two, three = same_product()
    (some,) = totals(row(one), unusable(two, quality="bad"), unusable(three, quality="below-sensor"))
    assert re.fullmatch(r"32-0-0 +60,371 ± 172 +667,703  T1; without T2 \(bad\), T3 \(below-sensor\)", some)
    (nothing,) = totals(unusable(one), unusable(two))
    assert re.fullmatch(r"32-0-0 +-- +--  without T1 \(old\), T2 \(old\)", nothing)


def test_products_stand_in_the_order_of_the_site() -> None:
    found = totals(*(row(vessel, 2000) for vessel in SITE.vessels))
    assert [line.split()[0] for line in found] == ["32-0-0", "28-0-0", "10-34-0"]


def test_a_mass_has_an_uncertainty_where_every_density_has_one() -> None:
    """T1: 171.3 gal × 11.06 lb/gal = 1,895 lb; 0.5 % of 667,703 lb are 3,338: together 3,839.

    With T2 at 0.5 % of 937,443 the density's part is that of both, 8,026: the same certificate is wrong for both.
    """
    vague = replace(SITE.vessels[0].density, uncertainty=Fraction("0.005"))
    one, two, _ = (replace(v, density=vague) for v in same_product())
    assert "667,703 ± 3,839" in totals(row(one))[0]
    both = totals(row(one), row(two, 4321, uncertainty_gal=171.3))[0]
    assert "± 8,462" in both  # root of 2 × 1,894.6² and 8,025.7²: 8,461.2
    unstated = replace(two, density=SITE.vessels[0].density)
    assert "667,703  T1" in totals(row(replace(one, density=SITE.vessels[0].density)))[0]
    assert "1,605,146  T1, T2" in totals(row(one), row(unstated, 4321))[0]


def test_units_are_the_displays() -> None:
    site = replace(SITE, show=Display("m", "m3", "m3/h", "t"))
    text = shown(row(rate=Rate(-0.000384, 0.00002, -0.02524, 0.001)), site=site)
    assert "volume, m3" in text[2]
    assert "228.53 ± 0.65" in text[3]  # 171.3 gal are 0.6484 m³
    assert "falling 23.0 mm/min (90.9 m3/h)" in text[4]
    assert totals(row(), site=site)[0].split("  ")[-2].strip() == "302.87"  # × 1325.28 kg/m³


# -- 80 columns ------------------------------------------------------------------------------------------------------

LONG = st.text(st.characters(codec="ascii", categories=("L", "N", "Zs")), min_size=1, max_size=70).map(
    lambda text: " ".join(text.split()) or "x"
)


@given(LONG, LONG, LONG, st.sampled_from(UNUSABLE), st.floats(0, 1e8))
def test_no_line_is_longer_than_80_columns(
    name: str, product: str, reason: str, quality: Quality, age: float
) -> None:
    vessel = replace(SITE.vessels[0], name=name, product=product)
    rate = Rate(-0.0123456, 0.00002, -0.9, 0.001)
    good = row(vessel, level_text="24 ft 10 15/16 in", volume_L=4_673_345.0, uncertainty_gal=12_345.6, rate=rate)
    bad = unusable(vessel, quality=quality.value, reason=reason, age_s=age, volume_at_most_gal=1_234_567)
    text = shown(good, bad, bad, site=replace(SITE, name=f"{name} {reason}"))
    assert max(map(len, text)) <= 80
    assert all(line == line.rstrip() for line in text)


def test_of_a_recording_it_is_plain_and_fits(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    write_csv(tmp_path / "line.csv", chunks(), None)
    assert run(["level", str(SITE.path), str(tmp_path / "line.csv")]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "\x1b" not in out
    out.encode("latin-1")  # the least that a pipe takes
    text = out.splitlines()
    assert max(map(len, text)) <= 80
    assert text[0].endswith("9.150 s of the record")
    assert text[3].split()[:9] == ["T1", "North", "Round", "11", "ft", "5", "in", "60,371", "±"]
    assert any("below the sensor" in line or "below-sensor" in line for line in text)
    told = " ".join(out.split())
    assert "at most 2,056 gal; was 7 ft 10 7/16 in" in told  # 2399.5 mm


def test_of_a_dated_recording_it_says_local_time(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    write_pcapng(tmp_path / "line.pcapng", chunks(EPOCH_S), None)
    assert run(["level", str(SITE.path), str(tmp_path / "line.pcapng")]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Tarn Hollow Growers' Co-op, 2026-02-11 10:00:09 CST\n")
    assert "10:00:08" in out  # T3's last good value


def test_of_a_station_it_is_the_same_view() -> None:
    rate = {
        "level_m_per_s": -0.000384,
        "level_u_m_per_s": 0.00002,
        "volume_m3_per_s": -0.02524,
        "volume_u_m3_per_s": 0.001,
    }
    entry = row(level_text="11 ft 5 in").entry
    vessel = {"tag": "T1", "level_01mm": 34_800, "rate": rate, "to_trip_ms": 6_720_000, "watch_text": "told"}
    snapshot = {"utc": "2026-03-11T15:00:00.000Z", "vessels": [vessel], "levels": [entry]}
    site = replace(SITE, vessels=SITE.vessels[:1])
    found = list(lines(of_snapshot(site, snapshot)))
    here = row(level_text="11 ft 5 in", rate=Rate(**rate), to_trip_ns=6720 * S, note="told")
    assert found == shown(here)
    assert "trip in 1 h 52 min; told" in " ".join(" ".join(found).split())
