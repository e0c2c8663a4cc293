"""Reasons and alarms: told while they are so, and while they are so only; counted by hand on two bays.

Sources: the words of the rules and of the table that people sign; times and levels are the made yard's, see
``puppet.yard``.
"""

from collections.abc import Mapping
from dataclasses import replace

import pytest
from puppet import Puppet, uneven_yard, yard

from sidetap.site.model import Alarm, TripVote

SITE, UNEVEN = yard(), uneven_yard()
VALVES = ("B1-1", "B1-2", "B1-3")
BAY, VESSEL = ("alarms-tell", "B1"), ("alarms-tell", "T1")
REFUSED = "B1.ticket_refused"
Facts = Mapping[str, bool | int]

# few models serve all: causes of one lot are never so in the same scan of a test
LOTS = (
    ("selector", "other-valve", "bad", "R-4", "no-such", "interrupted", "vessel-locked", "trip", "restarts"),
    ("own-valve", "window", "below-trip", "wait", "R-3", "R-4-low", "locked-out"),
    ("ticket", "product", "limit"),
    ("open", "switches", "starting", "no-time", "XS-B1"),
)


def speaking_of(cause: str) -> Puppet:
    """Return a yard whose scheme can name a cause, and those of its lot."""
    return Puppet(SITE, next(lot for lot in LOTS if cause in lot))


# -- reasons ----------------------------------------------------------------------------------------------------


def told_rightly(puppet: Puppet, cause: str, so_of: tuple[str, ...], once: Facts | None = None) -> None:
    """Expect that in the next scan a cause is told against these valves of B1, each of them, and against no other."""
    before = puppet.states

    def right(told_of: set[str]) -> bool:
        puppet.states = before
        told: Facts = {f"{valve}.block.{cause}": valve in told_of for valve in VALVES}
        return ("reasons-right", "B1") not in puppet.scan({**told, **(once or {})})

    assert right(set(so_of))
    assert not any(right(set(so_of) ^ {valve}) for valve in VALVES)


@pytest.mark.parametrize(
    ("cause", "so_of", "once"),
    [
        ("selector", VALVES, {"HS-B1-HAND": True}),
        ("selector", (), {"HS-B1-HAND": True, "HS-B1-AUTO": False}),
        ("other-valve", ("B1-1", "B1-3"), {"ZSC-B1-2": False}),
        ("other-valve", ("B1-1", "B1-3"), {"ZSO-B1-2": True}),
        ("own-valve", ("B1-2",), {"ZSC-B1-2": False}),
        ("own-valve", ("B1-2",), {"ZSO-B1-2": True}),
        ("switches", VALVES, {"ZSO-B1-2": True}),
        ("bad", ("B1-1",), {"T1.bad": True}),
        ("bad", ("B1-3",), {"T3.bad": True}),
        ("window", ("B1-1",), {"T1.bad": True}),
        ("window", ("B1-2",), {"T2.age": 5_000}),
        ("starting", VALVES, {"crash": True}),
        ("ticket", VALVES, {}),
        ("R-4", (), {"PB-B2-OPEN": True}),
        ("no-such", (), {}),
        ("XS-B1", VALVES, {"IO-1.live": False}),
    ],
)
def test_a_reason_that_is_so_in_one_scan(cause: str, so_of: tuple[str, ...], once: Facts) -> None:
    puppet = speaking_of(cause)
    puppet.scans(40)
    told_rightly(puppet, cause, so_of, once)


def test_the_hold_after_a_start_is_told_to_its_end() -> None:
    puppet = speaking_of("starting")
    puppet.scans(19)
    told_rightly(puppet, "starting", VALVES)
    told_rightly(puppet, "starting", ())


def test_what_stood_in_the_scan_before_is_told() -> None:
    for cause, before, so_of in (
        ("open", {"B1-2.command": True}, VALVES),
        ("locked-out", {"B1-2.locked_out": True}, VALVES),
        ("vessel-locked", {"B2-3.locked_out": True}, ("B1-1",)),
        ("vessel-locked", {"B1-1.locked_out": True}, ()),
        ("R-3", {"B2-3.command": True}, ("B1-1",)),
        ("R-4", {"B2-1.command": True, "T3.bad": True}, ("B1-3",)),
        ("R-4", {"B2-1.command": True}, ()),
    ):
        puppet = speaking_of(cause)
        puppet.scans(40)
        puppet.scan(before)
        told_rightly(puppet, cause, so_of)


def test_the_later_bay_is_told_that_the_vessel_is_too_low_for_two() -> None:
    puppet = speaking_of("R-4-low")
    puppet.hold({"T3.level": 14_499, "B2-1.command": True})
    puppet.scans(40)
    puppet.hold({"B1-3.command": True})
    told_rightly(puppet, "R-4-low", ())
    puppet.scan()
    told_rightly(puppet, "R-4-low", ("B1-3",))


def low(cause: str, scans: int = 49) -> Puppet:
    """Return a yard whose T1 has been under its trip from the start: for the delay in the next scan after 49."""
    puppet = speaking_of(cause)
    puppet.hold({"T1.level": 5_999})
    puppet.scans(scans)
    return puppet


def test_a_trip_is_told_from_its_delay_on_and_a_low_level_at_once_but_not_while_bypassed() -> None:
    early: dict[str, tuple[str, ...]] = {"trip": (), "below-trip": ("B1-1",)}
    for cause, fresh in early.items():
        told_rightly(low(cause, 48), cause, fresh)
        told_rightly(low(cause), cause, ("B1-1",))
        bypassed = low(cause)
        bypassed.scan({"T1.bypass_ask": True})
        told_rightly(bypassed, cause, (), {"T1.bypass_approve": True, "site.bypass_ms": 1_000})


def test_a_vote_is_told_at_its_own_bays_only() -> None:
    vote = TripVote("R-9", "trip-vote", ("T1", "T2", "T4"), 2, ("B1",))
    puppet = Puppet(replace(SITE, rules=(*SITE.rules, vote)), ("R-9",))
    told_rightly(puppet, "R-9", VALVES, {"T2.tripped": True, "T4.tripped": True})
    told_rightly(puppet, "R-9", (), {"T1.tripped": True})
    at_b2: Facts = {f"{valve}.block.R-9": True for valve in ("B2-1", "B2-2", "B2-3")}
    assert ("reasons-right", "B2") in puppet.scan({**at_b2, "T2.tripped": True, "T4.tripped": True})


def with_a_ticket(cause: str) -> Puppet:
    """Return a yard with a new ticket at B1, in whose last scan B1-1 has opened on it."""
    puppet = speaking_of(cause)
    puppet.opened("B1-1", 1)
    return puppet


def closed(puppet: Puppet, scans: int) -> Puppet:
    puppet.hold({"B1-1.command": False, "ZSC-B1-1": True, "ZSO-B1-1": False})
    puppet.scans(scans)
    return puppet


def test_no_ticket_is_told_until_one_is_opened_and_from_its_end_on() -> None:
    puppet = speaking_of("ticket")
    puppet.scan()
    told_rightly(puppet, "ticket", VALVES, {"B1.ticket_open": True})
    told_rightly(puppet, "ticket", (), {"B1.ticket_open": True, "HC-B1": False})
    told_rightly(with_a_ticket("ticket"), "ticket", ())
    told_rightly(with_a_ticket("ticket"), "ticket", VALVES, {"B1.ticket_end": True})
    over = with_a_ticket("ticket")
    over.scans(250)
    told_rightly(over, "ticket", VALVES)


def test_the_limit_is_told_against_the_valve_that_was_open_in_the_scan_in_which_it_is_reached() -> None:
    """25 s: in the 250th scan of 100 ms after the one that opened it."""
    puppet = with_a_ticket("limit")
    puppet.scans(248)
    told_rightly(puppet, "limit", ())
    before = puppet.states
    told_rightly(puppet, "limit", ("B1-1",))
    puppet.states = before  # the same in the scan in which it closes
    told_rightly(puppet, "limit", ("B1-1",), {"B1-1.command": False})


def test_what_another_opening_takes_is_no_limit_yet() -> None:
    """24.9 s of 25 are used by the valve that is open; a stroke for the other one fills the account."""
    puppet = with_a_ticket("limit")
    puppet.scans(248)
    told_rightly(puppet, "limit", (), {"B1-2.command": True})


def test_after_a_crash_the_limit_is_what_the_station_can_know() -> None:
    """Nothing is on disk, so 1 + 2 + 1 s are reckoned, and a stroke of 1 s for the second opening: 20 of 25 s."""
    puppet = closed(with_a_ticket("limit"), 1)
    puppet.scan({"crash": True})
    puppet.scan({"B1.ticket_resume": True})
    puppet.scans(60)
    puppet.hold({"B1-1.command": True})
    puppet.scans(199)
    told_rightly(puppet, "limit", ())
    told_rightly(puppet, "limit", ("B1-1",))


def test_an_interrupted_load_is_told_until_somebody_resumes_it() -> None:
    puppet = closed(with_a_ticket("interrupted"), 1)
    told_rightly(puppet, "interrupted", ())
    told_rightly(puppet, "interrupted", VALVES, {"crash": True})
    told_rightly(puppet, "interrupted", VALVES)
    told_rightly(puppet, "interrupted", (), {"B1.ticket_resume": True})


def test_what_an_opening_more_takes_is_told() -> None:
    """After one opening: 5 s from the scan that saw it closed; a stroke of 1 s of the 25 s; no 28-0-0 and back."""
    told_rightly(closed(with_a_ticket("wait"), 50), "wait", VALVES)
    told_rightly(closed(with_a_ticket("wait"), 51), "wait", ())
    for scans, so_of in ((238, ()), (239, VALVES)):
        puppet = with_a_ticket("no-time")
        puppet.scans(scans)
        told_rightly(closed(puppet, 1), "no-time", so_of)
    told_rightly(closed(with_a_ticket("product"), 1), "product", ())
    other = speaking_of("product")
    other.opened("B1-2", 2)
    told_rightly(other, "product", ("B1-1", "B1-3"))


def test_before_the_first_opening_no_wait_is_told() -> None:
    puppet = Puppet(SITE, ("wait", "no-time"))
    puppet.scan({"HC-B1": False})
    puppet.scan({"B1.ticket_open": True})
    told_rightly(puppet, "wait", ())


@pytest.mark.parametrize(("on_disk", "so_of"), [(20_500, ()), (21_000, VALVES)])
def test_before_the_first_opening_only_a_full_account_leaves_no_time(on_disk: int, so_of: tuple[str, ...]) -> None:
    """A crash adds 4 s to what is on disk; with 24.5 of 25 s used a stroke of 1 s doesn't fit, and costs nothing."""
    puppet = Puppet(SITE, ("wait", "no-time"))
    puppet.hold({"B1.account": on_disk, "B1.ticket": True})
    puppet.scan({"HC-B1": False})
    puppet.scan({"B1.ticket_open": True})
    told_rightly(puppet, "no-time", so_of, {"crash": True})


def test_the_stroke_that_must_fit_is_the_valve_s_own() -> None:
    """188 of 200 shares are used; a stroke takes 16 of B1-1, 5 of B1-2 and 8 of B1-3."""
    puppet = Puppet(UNEVEN, ("no-time",))
    puppet.opened("B1-1", 1)
    puppet.scans(234)
    told_rightly(closed(puppet, 1), "no-time", ("B1-1",))


def test_the_last_opening_is_told_as_such_while_it_lasts() -> None:
    puppet = closed(with_a_ticket("restarts"), 60)
    told_rightly(puppet, "restarts", ())
    puppet.hold({"B1-1.command": True})
    puppet.scan()
    told_rightly(puppet, "restarts", VALVES)


def test_of_a_ticket_that_has_ended_nothing_more_is_asked() -> None:
    for cause in ("wait", "no-time", "restarts"):
        puppet = closed(with_a_ticket(cause), 1)
        assert ("reasons-right", "B1") not in puppet.scan({f"B1-2.block.{cause}": True, "B1.ticket_end": True})


# -- alarms -----------------------------------------------------------------------------------------------------


def alarm(
    puppet: Puppet, name: str, subject: tuple[str, str], so: bool, once: Facts | None = None, ms: int = 100
) -> None:
    """Expect that in the next scan an alarm must be told, or mustn't; go on with the scan in which it is right."""
    before = puppet.states
    assert subject in puppet.scan({**(once or {}), name: not so}, ms)
    puppet.states = before
    assert subject not in puppet.scan({**(once or {}), name: so}, ms)


HIGH = ("alarm.T1-high", 69_000, 1, 50)
LOW = ("alarm.T1-low", 10_000, -1, 600)


@pytest.mark.parametrize(("name", "limit", "beyond", "scans"), [HIGH, LOW])
def test_a_level_alarm_stands_after_its_delay_until_the_dead_band_is_behind(
    name: str, limit: int, beyond: int, scans: int
) -> None:
    """Above 6.9 m for 5 s or below 1.0 m for 60 s, counted from the first scan that finds it so, until 50 mm back."""
    puppet = Puppet(SITE)
    puppet.hold({"T1.level": limit})
    assert VESSEL not in puppet.scans(scans + 10)
    puppet.hold({"T1.level": limit + beyond})
    assert VESSEL not in puppet.scans(scans)
    alarm(puppet, name, VESSEL, True)
    alarm(puppet, name, VESSEL, True, {"T1.level": limit - 499 * beyond})
    alarm(puppet, name, VESSEL, False, {"T1.level": limit - 500 * beyond})
    alarm(puppet, name, VESSEL, False, {"T1.level": limit + beyond})


@pytest.mark.parametrize("unknown", [{"T1.bad": True, "alarm.T1-bad": True}, {"T1.age": 5_000, "alarm.T1-old": True}])
def test_while_a_level_is_not_known_no_alarm_rises_and_none_goes(unknown: Facts) -> None:
    puppet = Puppet(SITE)
    puppet.hold({"T1.level": 69_001})
    puppet.scans(30)
    puppet.scan(unknown)
    assert VESSEL not in puppet.scans(50)
    alarm(puppet, "alarm.T1-high", VESSEL, True)
    puppet.hold({"alarm.T1-high": True})
    assert VESSEL not in puppet.scan({**unknown, "T1.level": 0})
    assert VESSEL not in puppet.scan()
    puppet.hold({"alarm.T1-high": False})
    assert VESSEL not in puppet.scan({"crash": True})


def test_a_level_alarm_waits_for_its_delay_to_the_millisecond() -> None:
    puppet = Puppet(SITE)
    puppet.hold({"T1.level": 69_001})
    puppet.scan()
    alarm(puppet, "alarm.T1-high", VESSEL, False)
    assert VESSEL not in puppet.scan(ms=4_899)
    assert VESSEL in puppet.scan(ms=1)


def test_an_alarm_may_look_at_either_side_of_either_level() -> None:
    """Below the high level of 6.9 m, at once; and not back before 7.0 m."""
    below_high = Alarm("T1-not-full", "T1", "below", "high", 0, 1_000, "low")
    puppet = Puppet(replace(SITE, alarms=(below_high,)))
    alarm(puppet, "alarm.T1-not-full", VESSEL, False, {"T1.level": 69_000})
    alarm(puppet, "alarm.T1-not-full", VESSEL, True, {"T1.level": 68_999})
    alarm(puppet, "alarm.T1-not-full", VESSEL, True, {"T1.level": 69_999})
    alarm(puppet, "alarm.T1-not-full", VESSEL, False, {"T1.level": 70_000})


def test_a_level_that_is_bad_old_or_late_is_told() -> None:
    for fact, name in (({"T1.bad": True}, "bad"), ({"T1.age": 5_000}, "old"), ({"T1.age": 3_000}, "late")):
        alarm(Puppet(SITE), f"alarm.T1-{name}", VESSEL, True, fact)
        alarm(Puppet(SITE), f"alarm.T1-{name}", VESSEL, False, {"T1.age": 2_999})
    for age in (3_000, 5_000):
        assert VESSEL not in Puppet(SITE).scan({"T1.age": age, "R-2.quiet": True})
    assert VESSEL in Puppet(SITE).scan({"T1.age": 5_000, "R-2.quiet": True, "alarm.T1-old": True})
    for late in (False, True):  # beside the alarm that it is old
        assert VESSEL not in Puppet(SITE).scan({"T1.age": 5_000, "alarm.T1-old": True, "alarm.T1-late": late})


# -- draws without a command ------------------------------------------------------------------------------------

DRAWN = "alarm.T1-drawn"


def closing(puppet: Puppet) -> None:
    """Let seconds end at whole seconds, and B1-1 have no command from 2 s on."""
    puppet.scan({"B1-1.command": True}, ms=1_000)
    puppet.scan(ms=1_000)


def test_what_falls_before_a_vessel_is_at_rest_is_no_draw() -> None:
    """Two valves of T1, with strokes of 2 s and 1 s, a mean of 3 s, and 2 s: from 9 s on."""
    puppet = Puppet(UNEVEN)
    closing(puppet)
    puppet.scans(60)
    puppet.hold({"T1.level": 30_000 - 451})  # the mean of the second that ends at 9 s has it
    puppet.scans(9)
    puppet.scan(ms=99)
    assert VESSEL not in puppet.scan({"T1.level": 30_000}, ms=1)
    puppet.hold({"T1.level": 30_000})
    assert VESSEL not in puppet.scans(40)


def at_rest() -> Puppet:
    """Return a yard in whose next scan, at 9 s, T1 comes to rest at 3.000 m."""
    puppet = Puppet(UNEVEN)
    closing(puppet)
    puppet.scans(69)
    return puppet


@pytest.mark.parametrize(("vessel", "fall"), [("T1", 450), ("T2", 600)])
def test_a_fall_from_the_first_scan_at_rest_is_a_draw(vessel: str, fall: int) -> None:
    """15 mm where the site says so, else 20 mm: of one second of three, so three times as much. The next second's."""
    for less, so in ((1, False), (0, True)):
        puppet = at_rest()
        puppet.scan({f"{vessel}.level": 30_000 - fall + less})
        puppet.hold({f"{vessel}.level": 30_000 - fall + less})
        alarm(puppet, f"alarm.{vessel}-drawn", ("alarms-tell", vessel), so, ms=1_000)


def drawn() -> Puppet:
    """Return a yard in whose last scan, at 10 s, a draw from T1 was told; its level is as before."""
    puppet = at_rest()
    puppet.scan({"T1.level": 30_000 - 450})
    alarm(puppet, DRAWN, VESSEL, True, {"T1.level": 30_000 - 450}, ms=1_000)
    return puppet


def test_a_reset_or_a_start_forgets_a_draw_and_where_the_level_was() -> None:
    for once in ({"T1.reset": True}, {"crash": True}):
        puppet = drawn()
        alarm(puppet, DRAWN, VESSEL, False, once)
        assert VESSEL not in puppet.scans(15)


def test_a_vessel_that_was_drawn_from_rests_anew() -> None:
    puppet = at_rest()
    puppet.scans(20)
    puppet.hold({"T1.level": 29_000, "B1-1.command": True})
    puppet.scans(50)
    puppet.hold({"B1-1.command": False})
    assert VESSEL not in puppet.scans(100)


def test_a_fall_over_a_gap_is_seen_once_the_mean_is_full_again() -> None:
    puppet = at_rest()
    puppet.scans(10)
    puppet.scan({"T1.bad": True, "alarm.T1-bad": True})
    puppet.hold({"T1.level": 20_000})
    assert VESSEL not in puppet.scans(29)
    alarm(puppet, DRAWN, VESSEL, True)


def no_more(name: str, subject: tuple[str, str], facts: Facts | None = None) -> bool:
    """Return whether an alarm that tells what is not so breaks its promise."""
    puppet = Puppet(SITE)
    puppet.scans(3)
    return subject in puppet.scan({**(facts or {}), name: True})


def test_an_alarm_for_nothing_breaks_its_promise() -> None:
    for word in ("stuck-key", "hose-left", "panel", "hand"):
        assert no_more(f"alarm.B1-{word}", BAY)
    assert no_more("alarm.T1-drawn", VESSEL)
    assert no_more("alarm.T1-trip", VESSEL)
    assert no_more("alarm.B1-1-mismatch", ("mismatch-alarms", "B1-1"))
    assert no_more("alarm.T1-bypassed", ("bypass-bounded", "site"))


def test_a_hose_seen_off_ends_the_alarm_that_it_was_left_on() -> None:
    puppet = with_a_ticket("limit")
    puppet.hold({"B1-1.command": False, "B1.ticket": False})
    puppet.scan({"B1.ticket_end": True})
    puppet.scans(100)
    alarm(puppet, "alarm.B1-hose-left", BAY, True, {"site.horn": True})
    alarm(puppet, "alarm.B1-hose-left", BAY, False, {"HC-B1": False})
    alarm(puppet, "alarm.B1-hose-left", BAY, False)


def ended() -> Puppet:
    """Return a yard in whose last scan a ticket of B1 was ended, its hose still on."""
    puppet = with_a_ticket("limit")
    puppet.hold({"B1-1.command": False, "B1.ticket": False})
    puppet.scan({"B1.ticket_end": True})
    return puppet


def test_no_hose_is_left_on_that_nobody_hears_or_after_a_start() -> None:
    for unheard in (True, False):
        puppet = ended()
        puppet.hold({"IO-1.live": False, "HC-B1": unheard})
        puppet.scans(110)
        alarm(puppet, "alarm.B1-hose-left", BAY, False)
    puppet = ended()
    puppet.scan()
    puppet.scan({"crash": True})
    puppet.scans(110)
    alarm(puppet, "alarm.B1-hose-left", BAY, False)


def test_a_key_is_stuck_to_the_millisecond_and_each_for_itself() -> None:
    puppet = Puppet(SITE)
    puppet.hold({"PB-B1-OPEN": True})
    puppet.scan()
    alarm(puppet, "alarm.B1-stuck-key", BAY, False)
    assert BAY not in puppet.scan(ms=3_899)  # 3,999 ms with the scan before
    before = puppet.states
    assert BAY in puppet.scan(ms=1)
    puppet.states = before
    puppet.scan({"PB-B1-OPEN": False, "B1.panel_open": True})
    puppet.hold({"B1.panel_open": True})
    puppet.hold({"PB-B1-OPEN": False})
    assert BAY not in puppet.scans(10)


def test_what_nobody_hears_is_neither_stuck_nor_in_hand() -> None:
    puppet = Puppet(SITE)
    puppet.hold({"IO-1.live": False, "PB-B1-OPEN": True, "HS-B1-HAND": True})
    puppet.scans(50)
    alarm(puppet, "alarm.B1-stuck-key", BAY, False)
    alarm(puppet, "alarm.B1-hand", BAY, False)


def test_a_ticket_ends_as_its_last_opening_does() -> None:
    puppet = closed(with_a_ticket("limit"), 60)
    puppet.hold({"B1-1.command": True})
    alarm(puppet, "B1.ticket", BAY, True)
    alarm(puppet, "B1.ticket", BAY, True)
    alarm(puppet, "B1.ticket", BAY, False, {"B1-1.command": False})


def test_a_ticket_whose_time_is_used_up_is_no_longer_shown() -> None:
    puppet = with_a_ticket("limit")
    puppet.scans(249)
    alarm(puppet, "B1.ticket", BAY, False, {"B1-1.command": False})
    other = with_a_ticket("limit")
    other.scans(239)
    alarm(closed(other, 60), "B1.ticket", BAY, False, {"B1-1.command": True})  # the last second is its stroke's


def test_a_ticket_is_shown_while_it_runs_and_a_refused_one_is_told() -> None:
    ask: Facts = {"B1.ticket_open": True}
    puppet = Puppet(SITE)
    puppet.scan()
    alarm(puppet, REFUSED, BAY, True, ask)  # the hose was never seen off
    alarm(puppet, REFUSED, BAY, False, {"HC-B1": False})
    alarm(puppet, "B1.ticket", BAY, True, ask)
    puppet.hold({"B1.ticket": True})
    alarm(puppet, REFUSED, BAY, True, ask)  # one runs
    assert BAY in puppet.scan({"B1.ticket": False})
    alarm(puppet, "B1.ticket", BAY, False, {"B1.ticket_end": True, "HC-B1": False})
    puppet.hold({"B1.ticket": False})
    alarm(puppet, REFUSED, BAY, True, ask)  # seen off in its last scan, and not since
    alarm(puppet, REFUSED, BAY, True, {**ask, "HC-B1": False, "IO-1.live": False})
    alarm(puppet, REFUSED, BAY, False, {**ask, "HC-B1": False, "B1.ticket": True})


def test_a_start_forgets_that_the_hose_was_seen_off() -> None:
    puppet = Puppet(SITE)
    puppet.scan({"HC-B1": False})
    puppet.scan({"crash": True})
    alarm(puppet, REFUSED, BAY, True, {"B1.ticket_open": True})


def test_a_ticket_that_is_ended_as_it_is_opened_takes_its_hose_with_it() -> None:
    puppet = Puppet(SITE)
    puppet.scan({"HC-B1": False})
    alarm(puppet, "B1.ticket", BAY, False, {"B1.ticket_open": True, "B1.ticket_end": True})
    alarm(puppet, REFUSED, BAY, True, {"B1.ticket_open": True})
