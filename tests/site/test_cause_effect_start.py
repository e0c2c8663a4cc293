"""The hold after a start, quiet hours, the watchdog's beat: rules about the whole site, counted by hand."""

from dataclasses import replace

import pytest
from yard_scans import Scans, ready, whole_yard

from sidetap.quantity import NS_PER_MS


def held_at_start(hold_ms: int) -> Scans:
    """Return a yard in its first scan, which comes long after whatever was before it."""
    scans = Scans(replace(whole_yard(), start_hold_ns=hold_ms * NS_PER_MS))
    scans.scan(ms=60_000)
    return scans


@pytest.mark.parametrize(("rest_ms", "starting"), [(3999, True), (4000, False)])
def test_the_hold_counts_from_the_first_scan(rest_ms: int, starting: bool) -> None:
    scans = held_at_start(20_000)
    scans.run(16)  # the window is full by now
    assert "window" not in scans.why("A1")
    scans.scan(ms=100)
    scans.held["HC-A"] = True
    scans.scan("A.ticket_open", ms=rest_ms - 100)
    assert ("starting" in scans.why("A1")) is starting


def test_nothing_opens_in_the_hold_and_a_press_in_it_is_lost() -> None:
    scans = held_at_start(25_000)
    scans.run(16)
    scans.ticket("A")
    assert scans.press("A1") == [False]
    assert scans.why("A1") == ["starting"]
    scans.run(10)
    assert not scans.on("A1")
    assert scans.press("A1") == [True]


def test_no_hold_is_none() -> None:
    assert "starting" not in held_at_start(0).why("A1")


def test_quiet_hours_keep_closed_and_close_nothing() -> None:
    scans = ready()
    assert scans.press("B1") == [True]
    scans.held["R-2.quiet"] = True
    scans.run(3)
    assert scans.on("B1")
    assert scans.press("C5") == [False]
    assert scans.why("C5") == ["R-2"]
    scans.held["R-2.quiet"] = False
    scans.scan()
    assert scans.press("C5") == [True]


def test_levels_that_are_not_polled_raise_no_alarm_in_quiet_hours_but_close() -> None:
    scans = ready()
    assert scans.press("B1") == [True]
    scans.held |= {"T1.age": 3000, "T2.age": 5000, "T1.new": False, "T2.new": False}
    scans.scan()
    assert (scans.alarm("T1-late"), scans.alarm("T2-old")) == (True, True)
    scans.held["R-2.quiet"] = True
    scans.scan()
    assert not any(scans.alarm(f"{tag}-{word}") for tag in ("T1", "T2") for word in ("late", "old"))
    assert scans.on("B1")
    scans.held["T1.age"] = 5000
    scans.scan()
    assert not scans.on("B1")
    assert scans.why("B1")[0] == "old"


def test_the_watchdog_alternates_from_the_first_scan() -> None:
    scans = Scans(whole_yard())
    assert [scans.scan(ms=ms)["site.watchdog"] for ms in (1, 100, 5000, 7)] == [True, False, True, False]
