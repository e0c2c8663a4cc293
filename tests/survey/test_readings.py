"""Readings as people type them: exact values, half of the last digit, and every fault with file and line."""

from datetime import UTC, timedelta, timezone
from fractions import Fraction
from pathlib import Path

import pytest

from sidetap.errors import BadInput
from sidetap.survey import PersonReading, ReadingKind, read, read_events

HEADER = "time_s,name,value,unit,device,tolerance,kind\n"


def one(tmp_path: Path, row: str, header: str = HEADER) -> PersonReading:
    path = tmp_path / "readings.csv"
    path.write_text(header + row + "\n")
    (reading,) = read(path)
    return reading


@pytest.mark.parametrize(
    ("value", "unit", "expected", "rounding"),
    [
        ("3.480", "m", Fraction(348, 100), Fraction(5, 10_000)),
        ("3480", "mm", Fraction(3480), Fraction(1, 2)),
        (".5", "%", Fraction(1, 2), Fraction(1, 20)),
        ("-1.0", "C", Fraction(-1), Fraction(1, 20)),
        # an inch is a twelfth of a foot: 11 ft 5 in is 11.41666... ft
        ("11 ft 5 in", "ft-in", Fraction(137, 12), Fraction(1, 24)),
        ("11 ft 5 3/16 in", "ft-in", Fraction(2195, 192), Fraction(1, 384)),
        # NIST Handbook 44, appendix C: 1 in = 25.4 mm exactly
        ("10 in", "mm", Fraction(254), Fraction(127, 10)),
    ],
)
def test_values(tmp_path: Path, value: str, unit: str, expected: Fraction, rounding: Fraction) -> None:
    reading = one(tmp_path, f"12.5,T1,{value},{unit},,,")
    assert (reading.value, reading.rounding, reading.tolerance) == (expected, rounding, rounding)
    assert (reading.t_ns, reading.row, reading.kind, reading.device) == (12_500_000_000, 1, ReadingKind.DISPLAY, None)


def test_the_first_unit_of_a_name_counts(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(HEADER + "1,T1,11 ft 5 in,ft-in,,,\n\n2,T1,3.048,m,11,0.003,dip\n3,T2,50,%,,,\n")
    first, second, third = read(path)
    assert (first.unit, second.unit, third.unit) == ("ft", "ft", "%")
    assert second.value == 10
    assert second.tolerance == Fraction(3, 1000) / Fraction(3048, 10_000)
    assert (second.row, second.device, second.kind) == (2, 11, ReadingKind.DIP)


def test_local_times(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("time,name,value,unit\n2026-03-11T09:00:00.5,T1,1,m\n2026-03-11T14:00:00Z,T1,2,m\n")
    first, second = read(path, timezone(timedelta(hours=-5)))
    assert first.t_ns == second.t_ns + 500_000_000
    # 2026-03-11T14:00:00Z is 20,523 days and 14 h after the epoch
    assert second.t_ns == (20_523 * 86_400 + 14 * 3600) * 10**9
    assert read(path, UTC)[0].t_ns == first.t_ns - 5 * 3600 * 10**9


@pytest.mark.parametrize(
    ("text", "line", "problem"),
    [
        ("", 1, "no column 'name'"),
        ("time_s,name,value\n", 1, "no column 'unit'"),
        ("name,value,unit\n", 1, "time_s and time"),
        ("time_s,time,name,value,unit\n", 1, "time_s and time"),
        ("time_s,name,value,unit,colour\n", 1, "unknown column 'colour'"),
        ("time_s,name,value,unit,unit\n", 1, "'unit' twice"),
        (HEADER + "1,T1,1,m,,,\n2,T1,1,m\n", 3, "4 cells where the header has 7"),
        (HEADER + "1,T1,1,furlong,,,\n", 2, "unknown unit 'furlong'"),
        (HEADER + "1,T1,one,m,,,\n", 2, "no number"),
        (HEADER + "1,T1,nan,m,,,\n", 2, "no number"),
        (HEADER + "1,T1,1e3,m,,,\n", 2, "no number"),
        (HEADER + "1,T1,.,m,,,\n", 2, "no number"),
        (HEADER + "1,T1,11 ft 5 in,gal,,,\n", 2, "is no gal"),
        (HEADER + "1,T1,5 in 11 ft 2 in,ft-in,,,\n", 2, "twice"),
        (HEADER + "inf,T1,1,m,,,\n", 2, "no time"),
        (HEADER + "1,,1,m,,,\n", 2, "no name"),
        (HEADER + "1,T1,1,m,300,,\n", 2, "no device"),
        (HEADER + "1,T1,1,m,,0,\n", 2, "no tolerance"),
        (HEADER + "1,T1,1,m,,,guess\n", 2, "no kind of reading"),
        (HEADER + "1,T1,1,m,,,\n2,T1,1,gal,,,\n", 3, "'T1' is in gal here and in m above"),
        ("time,name,value,unit\nyesterday,T1,1,m\n", 2, "no time"),
        (HEADER + '1,"T1,1,m,,,\n', 2, "not CSV"),
    ],
)
def test_faults_have_file_and_line(tmp_path: Path, text: str, line: int, problem: str) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(text)
    with pytest.raises(BadInput, match=problem) as caught:
        read(path)
    assert caught.value.place == f"{path}:{line}"


def test_what_is_no_readings_file(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(HEADER)
    with pytest.raises(BadInput, match="no readings"):
        read(path)
    path.write_bytes(HEADER.encode("utf-16"))
    with pytest.raises(BadInput, match="not UTF-8"):
        read(path)
    path.write_text(HEADER + "1,T1,1,m,,,\n" * 1001)
    with pytest.raises(BadInput, match="more than 1000"):
        read(path)
    with pytest.raises(BadInput, match="not a file"):
        read(tmp_path)
    with pytest.raises(BadInput, match="no such file"):
        read(tmp_path / "gone.csv")


def test_events_are_read_in_order_of_time(tmp_path: Path) -> None:
    path = tmp_path / "events.csv"
    path.write_text("time_s,name\n20,pump 2\n10.5,door\n")
    assert [(e.t_ns, e.name) for e in read_events(path)] == [(10_500_000_000, "door"), (20_000_000_000, "pump 2")]
    for text in ("time,name\n1,x\n", "time_s,name\nnan,x\n", "time_s,name\n1\n", ""):
        path.write_text(text)
        with pytest.raises(BadInput):
            read_events(path)
    with pytest.raises(BadInput):
        read_events(tmp_path)
