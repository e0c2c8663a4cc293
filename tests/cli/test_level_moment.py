"""`sidetap level` of a recording: which chunks count for a moment, and that hearing many at once changes nothing."""

import json
import math
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from polled import EPOCH_S, EXAMPLE, MS, POLLS, S, chunks, framed

from sidetap.cli.main import run
from sidetap.line import Batch, Chunk, Parser, Settings, Transaction, listen
from sidetap.line.recording import Recording, read, write_csv, write_pcapng
from sidetap.measure import Meter, levels_document
from sidetap.site import load_or_refuse
from sidetap.yard import Yard

SITE = str(EXAMPLE / "bay-b.toml")
YARD = str(EXAMPLE / "site.toml")


def levels(capsys: pytest.CaptureFixture[str], path: Path, *more: str, site: str = SITE) -> list[dict[str, Any]]:
    assert run(["level", site, str(path), "--json", *more]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    found: list[dict[str, Any]] = json.loads(out)["levels"]
    return found


def error(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(["level", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    return err


def one_by_one(heard: Sequence[Chunk], at_ns: int | None) -> list[dict[str, Any]]:
    """The levels as a station would have had them: the incremental parser, chunk by chunk."""
    site = load_or_refuse(Path(SITE))
    parser, meter = Parser(Settings(19200, "8E1")), Meter(site)
    last_ns = 0

    def drain() -> None:
        while (event := parser.next_event()) is not None:
            if isinstance(event, Transaction):
                meter.receive(event)

    for chunk in heard:
        assert chunk.t_ns is not None
        if at_ns is None or chunk.t_ns <= at_ns:
            parser.receive(chunk)
            drain()
            last_ns = chunk.t_ns
    parser.close()
    drain()
    moment = last_ns if at_ns is None else at_ns
    found: list[dict[str, Any]] = levels_document(site, [meter.level(v.tag, moment) for v in site.vessels])["levels"]
    return found


def seconds(t_ns: int) -> str:
    return f"{t_ns // S}.{t_ns % S:09d}"


@pytest.fixture(scope="module")
def minutes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three minutes of the demo yard, a second master on the line from the second one on."""
    yard = Yard(3, second_master_at="2026-03-11T09:01", noise=True)
    path = tmp_path_factory.mktemp("minutes") / "line.pcapng"

    def heard() -> Iterator[Chunk]:
        for now_s in range(10, 181, 10):
            yard.advance(now_s * S)
            for t_ns, data, flags in yard.tap.take(now_s * S):
                yield Chunk(yard.clock.start_epoch_ns + t_ns, data, flags)

    write_pcapng(path, heard(), Settings.parse("19200 8E1"))
    return path


@pytest.mark.parametrize("since_s", [0.2, 3.41, 61.03, 61.31, 64.0, 100.77, 149.99, 179.5, None])
def test_many_at_once_is_the_same_as_one_by_one(
    capsys: pytest.CaptureFixture[str], minutes: Path, since_s: float | None
) -> None:
    heard = list(read(minutes).chunks)
    start_ns = heard[0].t_ns
    assert start_ns is not None
    at_ns = None if since_s is None else start_ns + round(since_s * S)
    more = () if at_ns is None else ("--at", seconds(at_ns))
    assert levels(capsys, minutes, *more) == one_by_one(heard, at_ns)


def test_nothing_after_the_moment_counts(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The answer that gives T1 away comes at 5.03 s; a recording that ends there says the same of 5.02 s."""
    heard = chunks()
    cut = [chunk for chunk in heard if chunk.t_ns is not None and chunk.t_ns <= 5 * S + 20 * MS]
    write_csv(tmp_path / "whole.csv", heard, None)
    write_csv(tmp_path / "cut.csv", cut, None)
    found = levels(capsys, tmp_path / "whole.csv", "--at", "5.02")
    assert found == levels(capsys, tmp_path / "cut.csv", "--at", "5.02")
    assert found[0]["age_s"] == 0.99
    assert levels(capsys, tmp_path / "whole.csv", "--at", "5.03")[0]["age_s"] == 0


def test_a_recording_is_not_heard_beyond_the_moment(
    capsys: pytest.CaptureFixture[str], minutes: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    heard: list[int] = []

    def counting(batches: Iterator[Any], *arguments: Any, **more: Any) -> Iterator[Any]:
        def counted() -> Iterator[Any]:
            for batch in batches:
                heard.append(len(batch.ends))
                yield batch

        return listen(counted(), *arguments, **more)

    read_on: list[int] = []

    def few(source: Recording) -> Iterator[Batch]:
        for batch in by_few(source):
            read_on.append(len(batch.ends))
            yield batch

    monkeypatch.setattr("sidetap.cli.level.listen", counting)
    source = read(minutes)
    start_ns = next(iter(source.chunks)).t_ns
    assert start_ns is not None
    at = ("--at", seconds(start_ns + 18 * S))
    found = levels(capsys, minutes, *at)
    in_one = sum(heard)
    assert 0 < in_one < source.chunk_count / 5
    monkeypatch.setattr("sidetap.cli.level.watched_batches", few)
    heard.clear()
    assert levels(capsys, minutes, *at) == found
    assert sum(heard) == in_one
    assert sum(read_on) <= in_one + 7


def by_few(source: Recording) -> Iterator[Batch]:
    """The same chunks, seven at a time."""
    heard = list(source.chunks)
    for first in range(0, len(heard), 7):
        yield Batch.of(heard[first : first + 7])


@pytest.mark.parametrize("few", [False, True])
def test_a_clock_that_was_set_back_comes_to_the_moment_twice(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, few: bool
) -> None:
    """Ten seconds, the clock set back by four, ten more: at 8 s the second time counts, being the later."""
    first, second = chunks(0), chunks(6)
    rising = [
        replace(c, data=framed("0B03060DAC000100B7")) if c.data == framed(POLLS["T1"][1]) else c for c in second
    ]
    heard = [*first, *rising]
    write_csv(tmp_path / "line.csv", heard, None)
    if few:
        monkeypatch.setattr("sidetap.cli.level.watched_batches", by_few)
    found = levels(capsys, tmp_path / "line.csv", "--at", "8.1")
    assert found == one_by_one(heard, 8 * S + 100 * MS)
    assert found[0]["level_mm"] == 3500.0  # of the second time


def test_bytes_held_back_are_never_fresh(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """What came in 4 to 10 s is delivered at once at 12 s: the last good level is that of before."""
    heard = [
        chunk if chunk.t_ns is not None and chunk.t_ns < 4 * S else Chunk(12 * S, chunk.data) for chunk in chunks()
    ]
    write_csv(tmp_path / "line.csv", heard, None)
    t1 = levels(capsys, tmp_path / "line.csv", "--at", "12")[0]
    assert (t1["quality"], t1["level_mm"], t1["last_good"]["t_s"]) == ("old", None, 3.03)


# -- the moment as people write it -----------------------------------------------------------------------------------


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """Ten seconds at 01:30 local time after the clocks went back: 2026-11-01T07:30:00Z."""
    path = tmp_path / "night.pcapng"
    write_pcapng(path, chunks(1_793_518_200), None)
    return path


def test_a_local_time_that_came_twice_is_asked_back(capsys: pytest.CaptureFixture[str], night: Path) -> None:
    # the second Sunday of March to the first of November: Energy Policy Act of 2005, section 110
    said = error(capsys, SITE, str(night), "--at", "2026-11-01T01:30:05")
    assert "'2026-11-01T01:30:05' came twice" in said
    assert "2026-11-01T01:30:05-05:00 or 2026-11-01T01:30:05-06:00" in said
    assert levels(capsys, night, "--at", "2026-11-01T01:30:05-06:00")[0]["quality"] == "good"
    assert "outside the recording" in error(capsys, SITE, str(night), "--at", "2026-11-01T01:30:05-05:00")


def test_a_local_time_that_never_came_is_asked_back(capsys: pytest.CaptureFixture[str], night: Path) -> None:
    assert "was left out" in error(capsys, SITE, str(night), "--at", "2026-03-08T02:30:00")


def test_a_moment_outside_is_told_the_recordings_own_span(capsys: pytest.CaptureFixture[str], night: Path) -> None:
    said = error(capsys, SITE, str(night), "--at", "2026-11-02")
    assert "This one runs from 2026-11-01T01:30:00-06:00 to 2026-11-01T01:30:09-06:00 (1793518200.000 to" in said
    said = error(capsys, SITE, str(night), "--at", "2026-11-01")  # before it begins: its end hasn't been heard
    assert "This one begins at 2026-11-01T01:30:00-06:00 (1793518200.000 s)" in said


@pytest.mark.parametrize(
    "text",
    [
        *("", " ", "5 s", "+-5", "1e3", "0x10", "nan", "Infinity", "--5", "٥", "24:00", "2026-13-01", "2026-02-30"),
        *("2026-02-11T10:00:00+99:00", "0001-01-01T00:00:00", "9999-12-31T23:59:59.999999", "0000-01-01"),
        *("999999999999", "-999999999999.999999999999", "2026-02-11T10:00:00\nerror: forged", "\x1b[2J" * 20),
    ],
)
def test_no_moment_is_one_line(capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str) -> None:
    write_pcapng(tmp_path / "line.pcapng", chunks(EPOCH_S), None)
    said = error(capsys, SITE, str(tmp_path / "line.pcapng"), f"--at={text}")
    assert len(said) < 300


# -- files that are none ---------------------------------------------------------------------------------------------


def test_what_is_no_recording_is_one_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo.csv")
    (tmp_path / "utf16.csv").write_text("time_s,hex\n0.0,0B0300640003\n", encoding="utf-16")
    (tmp_path / "latin.csv").write_bytes(b"time_s,hex\n0.0,\xe9\xe9\n")
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "head.csv").write_text("time_s,hex\n")
    (tmp_path / "torn.pcapng").write_bytes(b"\x0a\x0d\x0d\x0a\x1c\x00")
    (tmp_path / "text.txt").write_text("levels, please")
    for name in (
        "fifo.csv",
        "utf16.csv",
        "latin.csv",
        "empty.csv",
        "head.csv",
        "torn.pcapng",
        "text.txt",
        "gone.csv",
    ):
        assert name in error(capsys, SITE, str(tmp_path / name))
    assert "no plain file" in error(capsys, SITE, str(tmp_path))
    assert "no plain file" in error(capsys, SITE, "/dev/null")


def test_what_is_no_site_is_one_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo.toml")
    (tmp_path / "utf16.toml").write_text("format = 1\n", encoding="utf-16")
    (tmp_path / "nul.toml").write_bytes(b"format = 1\x00")
    write_csv(tmp_path / "line.csv", chunks(), None)
    for name in ("fifo.toml", "utf16.toml", "nul.toml", "gone.toml", "line.csv"):
        for more in ([str(tmp_path / "line.csv")], []):
            assert name in error(capsys, str(tmp_path / name), *more)


def test_a_recording_of_nothing_but_noise_leaves_every_level_unknown(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    write_csv(tmp_path / "line.csv", [Chunk(n * S, bytes(range(200))) for n in range(5)], None)
    for found in levels(capsys, tmp_path / "line.csv"):
        assert (found["quality"], found["level_mm"], found["last_good"], found["age_s"]) == ("old", None, None, None)


def test_acceptance_6_the_midnight_stock_is_the_last_good_value_before_the_gap(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The demo yard from 23:29 on; nobody polls levels from 23:30 on, only the power meter goes on being asked."""
    yard = Yard(4, start="2026-03-10T23:29")
    yard.advance(1920 * S)
    heard = [Chunk(yard.clock.start_epoch_ns + t, data, flags) for t, data, flags in yard.tap.take(1920 * S)]
    write_pcapng(tmp_path / "night.pcapng", heard, Settings.parse("19200 8E1"))
    midnight = ("--at", "2026-03-11T00:00:00")
    t1 = levels(capsys, tmp_path / "night.pcapng", *midnight, site=YARD)[0]
    assert (t1["quality"], t1["level_mm"], t1["volume_gal"]) == ("old", None, None)
    assert 1799 < t1["age_s"] < 1802
    assert run(["level", YARD, str(tmp_path / "night.pcapng"), *midnight]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert told.startswith(
        "Tarn Hollow Growers' Co-op, 2026-03-11 00:00:00 CDT quiet hours, 23:30 to 04:45: levels are not polled"
    )
    stock = re.search(r"T1 North Round -- -- -- old 30 min [12] s .*? was (.*?), ([\d,]+) gal, at (.*?) T2", told)
    assert stock is not None
    assert stock[3] in ("2026-03-10 23:29:59", "2026-03-10 23:29:58")
    area_m2 = math.pi * 9.144**2 / 4  # T1 is a plain cylinder: 9.144 m across
    gallons = area_m2 * t1["last_good"]["level_mm"] / 1000 / 0.003785411784
    assert abs(int(stock[2].replace(",", "")) - gallons) <= 1
    assert "32-0-0 -- -- without T1 (old)" in told
