"""The account of a ticket as the judges keep it, counted by hand, crashes included.

Every limit of the yard is 25 s, so that a full account is 25,000 and each ms open adds one; a stroke is 1 s, the
watchdog's relay holds for 2 s, the disk is written every second.
"""

import pytest
from puppet import Puppet, uneven_yard, yard

SITE = yard()
BOUND = ("ticket-time-bound", "B1")


@pytest.fixture
def puppet() -> Puppet:
    """Return a yard in whose last scan valve B1-1 has opened, its account said as counted."""
    puppet = Puppet(SITE)
    puppet.opened("B1-1", 1)
    return puppet


def accounts(puppet: Puppet) -> tuple[object, object]:
    return puppet.states["judge.B1.true_account"], puppet.states["judge.B1.reckoned"]


def test_the_true_account_adds_what_flowed(puppet: Puppet) -> None:
    puppet.scans(40)
    assert accounts(puppet) == (4_000, 4_000)
    assert puppet.states["judge.B1-1.open_ms"] == 4_000
    assert puppet.states["judge.B1.openings"] == 1


def test_a_valve_is_open_for_its_limit_and_no_longer(puppet: Puppet) -> None:
    assert ("open-time-bound", "B1-1") not in puppet.scans(249)
    assert BOUND not in puppet.scan({"B1-1.command": False})
    other = Puppet(SITE)
    other.opened("B1-1", 1)
    other.scans(249)
    assert {("open-time-bound", "B1-1"), BOUND} <= other.scan()


def test_after_a_crash_the_relay_s_time_has_flowed_and_the_worst_is_reckoned(puppet: Puppet) -> None:
    """A crash 2.5 s after the opening, the start 5 s later: 2.5 s + 2 s have flowed, 2 s are on disk."""
    for now_ms in range(100, 2_600, 100):
        puppet.scan({"B1.account": now_ms})
    puppet.hold({"B1-1.command": False})
    puppet.scan({"crash": True}, ms=5_000)
    assert accounts(puppet) == (2_500 + 2_000, 2_000 + 1_000 + 2_000 + 1_000)
    assert puppet.states["judge.B1.interrupted"] is True
    assert puppet.states["judge.B1-1.open_ms"] == 0
    assert puppet.states["judge.B1.openings"] == 1
    puppet.scan({"PB-B1-OPEN": True})
    assert BOUND in puppet.scan({"B1-1.command": True})


def stored_nothing(open_scans: int) -> Puppet:
    """Return a yard that opens B1-1 once more, after a crash, and had never said what the first opening took."""
    puppet = Puppet(SITE)
    puppet.opened("B1-1", 1)
    puppet.scans(open_scans)
    puppet.hold({"B1-1.command": False})
    puppet.scan({"crash": True})
    puppet.scan({"B1.ticket_resume": True})
    puppet.scans(60)
    puppet.hold({"B1-1.command": True})
    return puppet


def test_what_truly_flowed_counts_whatever_the_station_has_stored() -> None:
    """20.1 s with the scan of the crash, and a stroke of 1 s: 3.9 s more; the station could know of 9 s only."""
    puppet = stored_nothing(200)
    assert BOUND not in puppet.scans(39)
    assert accounts(puppet) == (24_900, 8_800)
    assert BOUND in puppet.scan()


@pytest.mark.parametrize(("open_scans", "broken"), [(238, False), (239, True)])
def test_the_stroke_of_an_opening_must_truly_fit(open_scans: int, broken: bool) -> None:
    assert (BOUND in stored_nothing(open_scans).scan()) is broken


def test_the_valve_that_rose_last_is_the_last_one() -> None:
    puppet = Puppet(SITE)
    puppet.opened("B1-2", 2)
    puppet.scan({"B1-1.command": True})
    assert puppet.states["judge.B1.last"] == 1


def test_nobody_resumes_in_the_scan_that_starts(puppet: Puppet) -> None:
    puppet.hold({"B1-1.command": False})
    puppet.scan({"crash": True, "B1.ticket_resume": True})
    assert puppet.states["judge.B1.interrupted"] is True
    puppet.scan({"B1.ticket_resume": True})
    assert puppet.states["judge.B1.interrupted"] is False


def test_an_interruption_ends_with_its_ticket(puppet: Puppet) -> None:
    puppet.hold({"B1-1.command": False})
    puppet.scan({"crash": True})
    puppet.scan({"B1.ticket_end": True})
    assert puppet.states["judge.B1.interrupted"] is False


def test_a_second_opening_waits_and_costs_a_stroke_at_once(puppet: Puppet) -> None:
    puppet.scans(19)
    puppet.hold({"B1-1.command": False})
    puppet.scan()
    puppet.scans(48)
    assert BOUND in puppet.scan({"B1-1.command": True})  # 4.9 s closed, of 5
    other = Puppet(SITE)
    other.opened("B1-1", 1)
    other.scans(19)
    other.hold({"B1-1.command": False})
    other.scans(50)
    other.hold({"B1-1.command": True})
    assert BOUND not in other.scan()
    assert accounts(other) == (2_000 + 1_000, 2_000 + 1_000)
    assert other.states["judge.B1.openings"] == 2


@pytest.mark.parametrize(("scans", "broken"), [(48, True), (49, False)])
def test_after_a_start_the_wait_begins_anew(puppet: Puppet, scans: int, broken: bool) -> None:
    puppet.hold({"B1-1.command": False})
    puppet.scans(60)
    puppet.scan({"crash": True})
    puppet.hold({"B1.ticket_resume": True})
    puppet.scans(scans)
    assert (BOUND in puppet.scan({"B1-1.command": True})) is broken


@pytest.mark.parametrize(("ms", "broken"), [(4_999, True), (5_000, False)])
def test_the_wait_is_kept_to_the_millisecond(puppet: Puppet, ms: int, broken: bool) -> None:
    puppet.scan({"B1-1.command": False})
    assert (BOUND in puppet.scan(ms=ms)) is broken


def test_the_disk_has_each_opening_and_each_second_open_and_nothing_of_the_scan_that_starts() -> None:
    puppet = Puppet(SITE)
    puppet.hold({"B1.account": 7})
    puppet.opened("B1-1", 1)

    def after(scans: int, said: int, once: dict[str, bool]) -> object:
        puppet.hold({"B1.account": said})
        puppet.scans(scans - 1)
        puppet.scan(once)
        return puppet.states["stored.B1.account"]

    assert after(9, 8, {}) == 7
    assert after(1, 9, {}) == 9
    assert after(9, 10, {}) == 9
    puppet.hold({"B1-1.command": False})
    assert after(1, 11, {"crash": True}) == 9
    assert after(20, 12, {}) == 9
    assert after(1, 13, {"B1-1.command": True}) == 13


def test_one_opening_too_many_is_told_as_that(puppet: Puppet) -> None:
    """Another clause is broken too, whenever this one is."""
    (once_more,) = (
        c.output
        for p in puppet.model.promises
        for c in p.clauses
        if (p.name, p.subject) == BOUND and "once more" in c.text
    )
    puppet.hold({"B1-1.command": False})
    puppet.scans(60)
    puppet.hold({"B1-1.command": True})
    assert BOUND not in puppet.scans(60)
    puppet.scan({"B1-2.command": True})
    assert puppet.outputs[once_more] is False


def test_nothing_opens_without_a_ticket_or_on_an_interrupted_one(puppet: Puppet) -> None:
    puppet.hold({"B1-1.command": False})
    puppet.scan({"crash": True})
    puppet.scans(60)
    assert BOUND in puppet.scan({"B1-1.command": True})
    other = Puppet(SITE)
    other.scans(40)
    assert BOUND in other.scan({"B1-1.command": True})


def test_a_third_opening_is_one_too_many(puppet: Puppet) -> None:
    for _ in range(2):
        puppet.hold({"B1-1.command": False})
        puppet.scans(60)
        puppet.hold({"B1-1.command": True})
        last = puppet.scan()
    assert BOUND in last


def test_a_new_ticket_starts_at_nothing_only_after_the_hose_was_off(puppet: Puppet) -> None:
    puppet.scans(29)
    puppet.hold({"B1-1.command": False})
    puppet.scan({"B1.ticket_end": True})
    puppet.scan({"B1.ticket_open": True})
    assert puppet.states["judge.B1.ticket"] is False
    puppet.scan({"HC-B1": False, "IO-1.live": False})  # not heard is not seen off
    puppet.scan({"B1.ticket_open": True})
    assert accounts(puppet)[0] == 3_000
    puppet.scan({"HC-B1": False})
    puppet.scan({"B1.ticket_open": True})
    assert puppet.states["judge.B1.ticket"] is True
    assert puppet.states["judge.B1.openings"] == puppet.states["judge.B1.last"] == 0
    assert accounts(puppet) == (0, 0)


def test_what_was_never_on_disk_is_forgotten_with_a_crash(puppet: Puppet) -> None:
    puppet.scans(20)
    puppet.scan({"B1.ticket": False})  # and nobody says again that there is one
    puppet.hold({"B1.ticket": False, "B1-1.command": False})
    puppet.scan({"crash": True})
    assert accounts(puppet)[1] == 0
    assert puppet.states["judge.B1.interrupted"] is False


def test_a_ticket_that_runs_is_not_begun_anew(puppet: Puppet) -> None:
    puppet.scans(20)
    puppet.scan({"B1.ticket_open": True, "HC-B1": False})
    assert accounts(puppet) == (2_100, 2_100)


def test_what_may_not_follow_on_one_ticket(puppet: Puppet) -> None:
    """T1 holds 32-0-0 and T2 28-0-0: the first may be followed by the second, and not the other way."""
    puppet.hold({"B1-1.command": False})
    puppet.scans(60)
    assert ("compatible-only", "B1") not in puppet.scan({"B1-2.command": True})
    puppet.scans(60)
    assert ("compatible-only", "B1") in puppet.scan({"B1-1.command": True})


def test_two_valves_of_a_bay_and_a_press_for_another(puppet: Puppet) -> None:
    found = puppet.scan({"B1-2.command": True, "PB-B1-OPEN": True})
    assert {("one-valve-per-bay", "B1"), ("fresh-press-only", "B1")} <= found
    assert ("close-wins", "B1") in puppet.scan({"B1.panel_close": True})
    assert ("bad-or-old-closes", "T1") in puppet.scan({"T1.age": 5_000})


def test_each_valve_s_time_has_its_own_weight() -> None:
    """200,000 are full: B1-1, for 25 s at most, adds 8 a ms, and a stroke of 2 s; B1-2, for 40 s, 5 a ms.

    A crash costs at worst what the fastest adds in 1 + 2 + 2 s.
    """
    puppet = Puppet(uneven_yard())
    puppet.opened("B1-2", 2)
    puppet.scans(19)
    puppet.hold({"B1-2.command": False})
    puppet.scans(60)
    assert accounts(puppet) == (10_000, 10_000)
    puppet.hold({"B1-1.command": True, "B1.account": 26_000})
    puppet.scan()
    assert accounts(puppet) == (26_000, 26_000)
    puppet.scans(10)
    assert accounts(puppet) == (34_000, 34_000)
    puppet.hold({"B1-1.command": False})
    puppet.scan({"crash": True}, ms=700)
    assert accounts(puppet) == (34_000 + 5_600, 26_000 + 40_000)
