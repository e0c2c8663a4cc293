"""Rules between bays on one vessel: T2 and T3 serve one bay at a time, T1 serves A and B together only at 1.5 m."""

from dataclasses import replace
from itertools import permutations

import pytest
from yard_scans import Scans, ready, whole_yard

from sidetap.scheme import Op, ordered
from sidetap.site import Site
from sidetap.site.model import SharedOnlyAbove

T1_SHARED = 15_000  # level 1.500 m
T1_LATER_CLOSES = 14_500  # close_below 1.450 m


def close(scans: Scans, bay: str) -> None:
    scans.scan(f"{bay}.panel_close")
    scans.scan()


def three_bays() -> Site:
    """The yard with a third bay on T1, shared by all three: C's valve C3 draws from it."""
    site = whole_yard()
    rules = (r for r in site.rules if r.tag not in ("R-4", "R-5"))
    return replace(
        site,
        valves=tuple(replace(v, vessel="T1") if v.tag == "C3" else v for v in site.valves),
        rules=(
            *rules,
            SharedOnlyAbove("R-5", "shared-only-above", "T1", ("A", "B", "C"), T1_SHARED, T1_LATER_CLOSES),
        ),
    )


# -- one bay at a time -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("first", "second", "bay", "rule"), [("A2", "B2", "A", "R-3"), ("C3", "B3", "C", "R-4")])
def test_an_exclusive_vessel_waits_until_the_other_valve_is_shown_closed(
    first: str, second: str, bay: str, rule: str
) -> None:
    scans = ready()
    assert scans.press(first) == [True]
    assert scans.press(second) == [False]
    assert scans.why(second) == [rule]
    scans.scan(f"{bay}.panel_close")
    assert not scans.on(first)
    scans.stuck.add(first)  # it still shows open
    scans.scan()
    scans.scan()
    assert scans.press(second) == [False]
    assert scans.why(second) == [rule]
    valve = scans.site.valve(first)
    scans.held[valve.open_switch] = False  # on its way: neither switch is made
    scans.scan()
    assert scans.why(second) == [rule]
    scans.held |= {valve.closed_switch: True, valve.open_switch: True}  # both: not shown closed
    scans.scan()
    assert scans.why(second) == [rule]
    scans.held[valve.open_switch] = False
    scans.scan()
    assert scans.press(second) == [True]


def test_an_exclusive_vessel_asked_for_in_one_scan_serves_the_earlier_bay() -> None:
    assert ready().press("A2", "B2") == [True, False]
    assert ready().press("B3", "C3") == [True, False]


def test_who_asks_first_in_order_goes_first_even_in_vain() -> None:
    scans = ready()
    scans.held["A2.on_ticket"] = False
    assert scans.press("A2", "B2") == [False, False]
    assert scans.why("B2") == ["R-3"]


def test_a_later_bay_that_asks_in_vain_stands_in_nobodys_way() -> None:
    scans = ready()
    scans.held["B2.on_ticket"] = False
    assert scans.press("A2", "B2") == [True, False]


def test_a_key_that_was_down_asks_for_nothing() -> None:
    scans = ready()
    key = scans.choose("A4")
    scans.held[key] = True
    scans.scan()  # A4 opens
    close(scans, "A")
    scans.choose("A2")  # A's key is still held
    scans.scan()
    assert scans.press("B2") == [True]


def test_other_vessels_are_nobodys_business() -> None:
    scans = ready()
    assert scans.press("A2", "B1", "C3") == [True, True, True]


# -- together only above a level -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("level_01mm", "opens"), [(T1_SHARED, True), (T1_SHARED - 1, False)])
def test_acceptance_18_a_shared_vessel_serves_two_bays_at_its_level_and_not_below(
    level_01mm: int, opens: bool
) -> None:
    scans = ready()
    scans.level("T1", level_01mm)
    scans.run(16)
    assert scans.press("A1") == [True]
    assert scans.press("B1") == [opens]
    assert scans.why("B1") == ([] if opens else ["R-5"])
    assert scans.on("A1")


@pytest.mark.parametrize("order", list(permutations(["A1", "B1"])))
def test_acceptance_18_the_bay_opened_later_closes_below_and_not_at_the_limit(order: tuple[str, str]) -> None:
    scans = ready()
    for valve in order:
        assert scans.press(valve) == [True]
    scans.level("T1", T1_LATER_CLOSES)
    scans.run(17)
    assert scans.outputs["T1.total"] == 15 * T1_LATER_CLOSES
    assert [scans.on(valve) for valve in order] == [True, True]
    scans.level("T1", T1_LATER_CLOSES - 1)  # one bucket of 15 is one tenth of a millimetre lower: so is the mean
    scans.run(1)
    assert [scans.on(valve) for valve in order] == [True, True]  # the bucket is not over yet
    scans.run(1)
    assert scans.outputs["T1.total"] == 15 * T1_LATER_CLOSES - 1
    assert [scans.on(valve) for valve in order] == [True, False]
    assert scans.why(order[1])[0] == "R-5-low"
    scans.run(3)
    assert scans.on(order[0])
    assert "R-5" not in scans.why(order[0])  # nobody draws beside it any more


def test_of_two_that_open_in_one_scan_the_earlier_bay_counts_as_first() -> None:
    scans = ready()
    scans.level("T1", T1_SHARED)
    scans.run(16)
    assert scans.press("A1", "B1") == [True, True]
    scans.level("T1", T1_LATER_CLOSES - 1)
    scans.run(17)
    assert (scans.on("A1"), scans.on("B1")) == (True, False)


def test_of_two_asked_for_in_one_scan_below_the_level_only_the_earlier_bay_opens() -> None:
    scans = ready()
    scans.level("T1", T1_SHARED - 1)
    scans.run(16)
    assert scans.press("A1", "B1") == [True, False]
    assert scans.why("B1") == ["R-5"]


@pytest.mark.parametrize("order", list(permutations(["A1", "B1"])))
def test_who_opened_first_is_forgotten_when_it_closes(order: tuple[str, str]) -> None:
    scans = ready()
    for valve in order:
        scans.press(valve)
    close(scans, scans.site.valve(order[0]).bay)
    scans.run(61)  # the wait of a restart
    assert scans.press(order[0]) == [True]  # now it is the later one
    scans.level("T1", T1_LATER_CLOSES - 1)
    scans.run(17)
    assert [scans.on(valve) for valve in order] == [False, True]


def test_two_bays_go_on_while_the_window_is_not_full() -> None:
    scans = ready()
    scans.press("A1")
    scans.press("B1")
    scans.level("T1", T1_LATER_CLOSES - 1)
    scans.scan(ms=1001)  # a scan that comes too late empties the window
    scans.run(14)
    assert (scans.on("A1"), scans.on("B1")) == (True, True)
    scans.run(1)
    assert (scans.on("A1"), scans.on("B1")) == (True, False)


def test_an_empty_window_lets_no_second_bay_in() -> None:
    scans = ready()
    scans.press("A1")
    scans.scan(ms=1001)
    assert scans.press("B1") == [False]
    assert scans.why("B1") == ["R-5", "window"]


@pytest.mark.parametrize("order", list(permutations(["A1", "B1", "C3"])))
def test_of_three_bays_only_the_first_stays(order: tuple[str, str, str]) -> None:
    scans = ready(three_bays())
    assert [scans.press(valve) for valve in order] == [[True]] * 3
    scans.level("T1", T1_LATER_CLOSES - 1)
    scans.run(17)
    assert [scans.on(valve) for valve in order] == [True, False, False]


def test_a_vessel_under_no_rule_serves_all_its_bays() -> None:
    site = whole_yard()
    scans = ready(replace(site, rules=tuple(r for r in site.rules if r.tag not in ("R-3", "R-5"))))
    scans.level("T1", 8_000)
    scans.run(16)
    assert scans.press("A1", "B1") == [True, True]
    assert ready(scans.site).press("A2", "B2") == [True, True]


# -- a locked vessel -------------------------------------------------------------------------------------------------


def test_acceptance_24_a_valve_that_does_not_close_locks_its_vessel_for_other_bays_and_stops_the_pump() -> None:
    scans = ready()
    assert scans.press("A1") == [True]
    assert scans.outputs["A.pump"]
    scans.scan()
    scans.stuck.add("A1")  # it stays where it is, open
    scans.scan("A.panel_close")
    assert not scans.outputs["A.pump"]
    scans.scan()  # the command stands since the scan before: the supervision's 8 s begin
    for _ in range(79):
        scans.scan()
    assert not scans.outputs["A1.locked_out"]
    assert scans.press("B1") == [True]  # not locked yet in the scan before
    assert scans.outputs["A1.locked_out"]
    assert scans.alarm("A1-mismatch")
    scans.run(2)
    assert scans.on("B1")  # what is open stays
    scans.scan("B.panel_close")
    scans.run(61)
    assert scans.press("B1") == [False]
    assert scans.why("B1") == ["vessel-locked"]
    assert "vessel-locked" not in scans.why("B2")  # another vessel
    valve = scans.site.valve("A1")
    scans.held |= {valve.closed_switch: True, valve.open_switch: False}
    scans.scan("A.lockout_reset")
    assert scans.press("B1") == [True]


# -- and nothing else ------------------------------------------------------------------------------------------------


def looked_at(scans: Scans, valve: str) -> set[str]:
    """Return the inputs and the states before the scan that a valve's command is made of."""
    nodes = ordered([scans.scheme.program.states[f"{valve}.command"].next])
    return {str(node.value) for node in nodes if node.op in (Op.INPUT, Op.PREVIOUS)}


def neighbours(names: set[str], bay: str) -> set[str]:
    """Return those of the names that belong to other bays, their valves or their wires."""
    others = [b.tag for b in whole_yard().bays if b.tag != bay]
    valves = [v for v in whole_yard().valves if v.bay in others]
    tags = {*others, *(v.tag for v in valves)}
    wires = {t for v in valves for t in (v.closed_switch, v.open_switch)}
    for b in (whole_yard().bay(tag) for tag in others):
        wires |= {*b.run_permissives, b.auto_input, b.hand_input, b.hose_input, b.open_key, b.close_key}
    return {name for name in names if name in wires or name.split(".")[0] in tags}


def test_a_bay_looks_at_others_only_through_a_vessel_both_draw_from_and_only_at_their_past_and_keys() -> None:
    scans = ready()
    keys_of_a = {"A.choice", "A.panel_open", "A.panel_key.before", "A.post_key.before", "PB-A-OPEN"}
    assert neighbours(looked_at(scans, "C5"), "C") == set()
    assert neighbours(looked_at(scans, "A4"), "A") == set()
    assert neighbours(looked_at(scans, "A2"), "A") == {"B2.command", "B2.locked_out", "ZSC-B2", "ZSO-B2"}
    assert neighbours(looked_at(scans, "A1"), "A") == {"B1.command", "B1.locked_out"}
    assert neighbours(looked_at(scans, "B1"), "B") == {"A1.command", "A1.locked_out", *keys_of_a}
    assert neighbours(looked_at(scans, "B2"), "B") == {"A2.command", "A2.locked_out", "ZSC-A2", "ZSO-A2", *keys_of_a}
