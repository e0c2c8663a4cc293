"""One bay of the whole yard: HAND, what may follow what, openings, keys, hose, switches; and what is told of it."""

from collections.abc import Callable

import pytest
from yard_scans import FULL_01MM, Scans, ready, whole_yard

# Order and names bind whoever shows or judges a closing: the first one that closes is the first cause.
CAUSES_OF_B1 = [
    *("close-key", "limit", "HC-B", "HS-B-AUTO", "LSH-B", "XS-B", "selector", "panel-lost", "trip", "bad", "old"),
    *("R-5-low", "other-valve", "switches", "locked-out", "ticket", "not-on-ticket", "interrupted"),
    *("starting", "R-2", "open", "product", "R-5", "vessel-locked", "late", "window", "below-trip", "own-valve"),
    *("restarts", "wait", "no-time"),
]


def closed_again(scans: Scans, bay: str) -> None:
    """Close a bay's valve and let the wait of a restart pass: 60 s from the first scan that finds it closed."""
    scans.scan(f"{bay}.panel_close")
    scans.scan()
    scans.run(60)


# -- what is told ----------------------------------------------------------------------------------------------------


def test_causes_stand_in_their_order_and_those_that_close_come_first() -> None:
    causes = ready().compiled("B1").causes
    assert [cause.name for cause in causes] == CAUSES_OF_B1
    assert [cause.closes for cause in causes] == [True] * 18 + [False] * 13


def test_a_cause_that_can_never_stand_is_none() -> None:
    names = [cause.name for cause in ready().compiled("C6").causes]
    # T6 serves one bay, and whatever C loads may come before its zinc
    assert not {"R-3", "R-4", "R-5", "vessel-locked", "product"} & set(names)


def test_every_cause_says_what_would_let_the_valve_open() -> None:
    scheme = ready().scheme
    for bay in scheme.bays:
        for valve in bay.valves:
            for cause in valve.causes:
                assert cause.output in scheme.program.outputs
                for words in (cause.text, cause.remedy):
                    assert words
                    assert not words.endswith(".")
    trip = next(c for c in ready().compiled("B1").causes if c.name == "trip")
    assert trip.remedy == "press reset once T1 stands at 2 ft 3 5/8 in or more"  # 0.70 m, rounded up to 1/8 in
    limits = "below 1 ft 11 5/8 in (0.600 m) for 2 s, latched until reset at 2 ft 3 5/8 in (0.700 m)"
    assert trip.exactly == f"mean of 15 s {limits}"


def test_what_the_remedy_asks_for_lets_the_valve_open() -> None:
    scans = ready()
    scans.level("T1", 5_000)
    scans.run(19)
    assert scans.why("B1") == ["trip", "below-trip"]
    scans.level("T1", 7_020)  # 2 ft 3 5/8 in = 701.7 mm
    scans.run(16)
    scans.scan("T1.reset")
    assert scans.press("B1") == [True]


def test_whatever_is_asked_in_vain_has_a_cause() -> None:
    scans = ready()
    for fault in ("XS-A", "HC-A", "HS-A-AUTO"):
        scans.held[fault] = False
        assert scans.press("A1") == [False]
        assert scans.why("A1") == [fault]
        scans.held[fault] = True
        scans.scan()
    assert scans.press("A1") == [True]


def test_what_sounds_the_horn_is_told() -> None:
    assert ready().scheme.horn == (
        "a bypass has ended: for 10 s",
        *(f"the hose of bay {bay} is still on 5 min after its ticket" for bay in "ABC"),
    )


# -- HAND ------------------------------------------------------------------------------------------------------------


def opened_by_hand(scans: Scans) -> None:
    """Show A1 open though it has no command."""
    valve = scans.site.valve("A1")
    scans.stuck.add("A1")
    scans.held |= {valve.closed_switch: False, valve.open_switch: True}


def test_nothing_is_supervised_in_hand_and_the_time_starts_anew_after_it() -> None:
    scans = ready()
    opened_by_hand(scans)
    scans.run(8)
    assert not scans.outputs["A1.locked_out"]
    scans.held["HS-A-HAND"] = True
    scans.run(100)
    assert not scans.outputs["A1.locked_out"]
    assert scans.alarm("A-hand")
    scans.held["HS-A-HAND"] = False
    scans.run(8)
    assert not scans.outputs["A1.locked_out"]
    scans.run(1)
    assert scans.outputs["A1.locked_out"]


def test_a_lock_out_stays_in_hand() -> None:
    scans = ready()
    opened_by_hand(scans)
    scans.run(9)
    assert scans.outputs["A1.locked_out"]
    scans.held["HS-A-HAND"] = True
    scans.run(20)
    scans.scan("A.lockout_reset")
    assert scans.outputs["A1.locked_out"]


def test_acceptance_44_hand_releases_and_back_in_auto_nothing_restarts() -> None:
    scans = ready()
    assert scans.press("A1") == [True]
    scans.held |= {"HS-A-AUTO": False, "HS-A-HAND": True}
    scans.scan()
    assert (scans.on("A1"), scans.outputs["A.pump"]) == (False, False)
    scans.held |= {"HS-A-AUTO": True, "HS-A-HAND": False}
    scans.run(70)
    assert not scans.on("A1")
    assert scans.press("A1") == [True]


# -- what may follow what, and how often -----------------------------------------------------------------------------


def test_acceptance_19_a_product_that_may_not_follow_is_refused_by_name() -> None:
    scans = ready()
    assert scans.press("B1") == [True]
    closed_again(scans, "B")
    assert scans.press("B3") == [False]
    assert scans.why("B3") == ["product"]
    (text,) = (cause.text for cause in scans.compiled("B3").causes if cause.name == "product")
    assert text == "10-34-0 may not follow 32-0-0 or 28-0-0 on one ticket"
    scans.scan()
    assert scans.press("B2") == [True]  # 28-0-0 may follow 32-0-0


def test_acceptance_26_the_third_opening_of_a_ticket_is_refused_from_any_vessel() -> None:
    scans = ready()
    assert scans.press("B1") == [True]
    scans.scan("B.panel_close")
    scans.scan()
    scans.run(59)
    assert scans.press("B2") == [False]
    assert scans.why("B2") == ["wait"]
    scans.run(1)
    assert scans.press("B2") == [True]
    closed_again(scans, "B")
    assert scans.press("B1") == [False]
    assert not scans.outputs["B.ticket"]


def test_acceptance_26_open_time_adds_up_over_closing_and_opening_again() -> None:
    scans = ready()
    assert scans.press("B1") == [True]
    scans.run(300)
    closed_again(scans, "B")
    assert scans.press("B1") == [True]
    scans.run(575 - 300 - 6 - 1)  # a stroke is taken in advance
    assert scans.on("B1")
    scans.run(1)
    assert not scans.on("B1")
    assert scans.why("B1")[0] == "limit"


def test_acceptance_28_the_hose_left_on_sounds_the_horn_and_bars_a_new_ticket() -> None:
    scans = ready()
    scans.scan("C.ticket_end")
    assert scans.scan("C.ticket_open")["C.ticket_refused"]  # the hose has not been seen off since the ticket
    scans.run(299)
    scans.scan(ms=900)
    assert not scans.outputs["site.horn"]
    scans.run(1)
    assert scans.outputs["site.horn"]
    assert scans.alarm("C-hose-left")
    assert scans.scan("C.ticket_open")["C.ticket_refused"]
    scans.held["HC-C"] = False
    scans.scan()
    assert not scans.outputs["site.horn"]
    scans.scan("C.ticket_open")
    assert scans.outputs["C.ticket"]


# -- keys and switches -----------------------------------------------------------------------------------------------


def test_acceptance_27_an_open_key_held_is_one_command_and_an_alarm_at_10_s() -> None:
    scans = ready()
    scans.choose("A1")
    scans.held["PB-A-OPEN"] = True
    scans.scan()
    assert scans.on("A1")
    scans.run(9)
    assert not scans.alarm("A-stuck-key")
    scans.run(1)
    assert scans.alarm("A-stuck-key")
    scans.scan("A.panel_close")
    scans.run(70)
    assert not scans.on("A1")


def test_acceptance_48_a_key_that_is_down_at_the_start_opens_nothing() -> None:
    scans = Scans(whole_yard())
    scans.choose("A1")
    scans.held["PB-A-OPEN"] = True
    scans.run(16)
    scans.ticket("A")
    scans.run(16)
    assert scans.why("A1") == []
    assert not scans.on("A1")
    scans.held["PB-A-OPEN"] = False
    scans.scan()
    scans.held["PB-A-OPEN"] = True
    scans.scan()
    assert scans.on("A1")


def test_acceptance_43_a_valve_stays_open_off_its_seat_and_closes_when_another_leaves_its_own() -> None:
    scans = ready()
    assert scans.press("A1") == [True]
    scans.run(5)
    assert scans.on("A1")
    scans.stuck.add("A2")
    scans.held[scans.site.valve("A2").closed_switch] = False
    scans.scan()
    assert not scans.on("A1")
    assert scans.why("A1")[0] == "other-valve"


def silent_module(scans: Scans) -> None:
    """Let the input module fall silent: nothing of it counts as energised."""
    scans.held |= {wired.tag: False for wired in scans.site.inputs} | {"IO-1.live": False}
    scans.stuck |= {valve.tag for valve in scans.site.valves}


def both_made(scans: Scans) -> None:
    for tag, bay in (("A2", "A"), ("C6", "C")):
        valve = scans.site.valve(tag)
        assert valve.bay == bay
        scans.stuck.add(tag)
        scans.held |= {valve.closed_switch: True, valve.open_switch: True}


@pytest.mark.parametrize("fault", [silent_module, both_made])
def test_acceptance_47_without_inputs_or_with_both_switches_made_a_bay_closes(fault: Callable[[Scans], None]) -> None:
    scans = ready()
    assert scans.press("A1", "C5") == [True, True]
    scans.scan()
    fault(scans)
    scans.scan()
    assert (scans.on("A1"), scans.on("C5")) == (False, False)
    scans.run(20)
    assert bool(scans.outputs["A2.locked_out"]) is (fault is both_made)


@pytest.mark.parametrize("gap", ["T1.bad", "T1.age", "a late scan"])
def test_acceptance_46_after_a_gap_nothing_opens_until_the_window_is_full(gap: str) -> None:
    scans = ready()
    if gap == "a late scan":
        scans.scan(ms=1001)
    else:
        before = scans.held[gap]
        scans.held |= {gap: True if gap == "T1.bad" else 5000, "T1.new": False}
        scans.scan()
        scans.held |= {gap: before, "T1.new": True}
        scans.scan(ms=1)
    scans.level("T1", FULL_01MM)
    scans.run(14)
    assert scans.press("B1") == [False]
    assert scans.why("B1") == ["window"]
    scans.run(1)
    assert scans.press("B1") == [True]


def test_acceptance_45_what_is_not_new_ages_and_closes_at_its_limit() -> None:
    scans = ready()
    assert scans.press("B1") == [True]
    scans.held |= {"T1.new": False, "T1.age": 4999}
    scans.scan()
    assert scans.on("B1")
    scans.held["T1.age"] = 5000
    scans.scan()
    assert not scans.on("B1")
    assert scans.why("B1")[:2] == ["old", "open"]
