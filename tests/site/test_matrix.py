"""Every cell of the road bay's table against the scheme that runs: one cause at a time, from the wires and levels up.

A cause is brought about twice, beside a valve that is open and beside one that is ready to open, and what becomes of
the valve is compared with what the table says of it.
"""

from collections.abc import Callable
from functools import cache

import pytest
from yard_scans import Scans, ready, whole_yard

from sidetap.site.matrix import BayMatrix, Effect, Matrix, MatrixRow, matrix_of

Disturb = Callable[[Scans, str, str], object]  # scans, the valve that is looked at, a valve that the row is about
OWN = ("limit", "product")  # other valves may be stopped by rows of their own at the same time


@cache
def whole() -> Matrix:
    return matrix_of(whole_yard())


def road() -> BayMatrix:
    return next(of_bay for of_bay in whole().bays if of_bay.bay.tag == "B")


def put(name: str, value: int | bool) -> Disturb:
    return lambda scans, _, owner: scans.held.update({name.format(owner=owner, vessel=vessel(owner)): value})


def state(name: str, value: int | bool) -> Disturb:
    return lambda scans, *_: scans.states.update({name: value})


def vessel(valve: str) -> str:
    return whole_yard().valve(valve).vessel


def beside(valve: str) -> str:
    """Another valve of the same bay."""
    return next(v.tag for v in whole_yard().valves if v.bay == "B" and v.tag != valve)


def rival(valve: str) -> str:
    """A valve of another bay from the same vessel."""
    return next(v.tag for v in whole_yard().valves if v.bay != "B" and v.vessel == vessel(valve))


def switches(scans: Scans, valve: str, is_closed: bool, is_open: bool) -> None:
    scans.stuck.add(valve)
    wired = whole_yard().valve(valve)
    scans.held.update({wired.closed_switch: is_closed, wired.open_switch: is_open})


def falls(below_01mm: int, seconds: int) -> Disturb:
    """The level of the owner's vessel falls under its trip by so much, for so long."""

    def disturb(scans: Scans, _: str, owner: str) -> None:
        scans.level(vessel(owner), whole_yard().vessel(vessel(owner)).trip.below_01mm - below_01mm)
        scans.run(seconds)

    return disturb


def together(level_01mm: int) -> Disturb:
    """Bay A draws from T1 (since before), whose level falls; up to the scan in which a valve that was open closes."""

    def disturb(scans: Scans, valve: str, _: str) -> None:
        scans.level("T1", level_01mm)
        was_open = scans.on(valve)
        for _second in range(17):
            if scans.on(valve) is was_open:
                scans.run(1)

    return disturb


def did_not_follow(scans: Scans, valve: str, _: str) -> None:
    switches(scans, valve, True, False)
    scans.run(9)


def closed_just_now(scans: Scans, valve: str, _: str) -> None:
    if not scans.on(valve):
        scans.press(valve)
        scans.scan("B.panel_close")
        scans.scan()


def nearly_used_up(scans: Scans, *_: str) -> None:
    full = scans.scheme.bay("B").full
    scans.states.update({"B.openings": 1, "B.account": full - scans.compiled("B1").weight * 1000})


def after_another_product(scans: Scans, _: str, owner: str) -> None:
    last = {"B1": "B3", "B2": "B3", "B3": "B1"}[owner]
    scans.states["B.last"] = scans.compiled(last).choice


def emptied(scans: Scans, _: str, owner: str) -> None:
    scans.states[next(v.filled for v in scans.scheme.vessels if v.tag == vessel(owner))] = 0


DISTURB: dict[str, Disturb] = {
    "close-key": put("B.panel_close", True),
    "limit": lambda scans, _, owner: scans.scan(ms=scans.compiled(owner).limit_ms),
    **{tag: put(tag, False) for tag in ("HC-B", "HS-B-AUTO", "LSH-B", "XS-B")},
    "selector": put("HS-B-HAND", True),
    "panel-lost": put("B.panel_age", 5000),
    "trip": falls(1, 18),
    "bad": put("{vessel}.bad", True),
    "old": put("{vessel}.age", 5000),
    "R-5-low": together(14_499),
    "other-valve": lambda scans, valve, _: switches(scans, beside(valve), False, False),
    "switches": lambda scans, valve, _: switches(scans, valve, True, True),
    "locked-out": did_not_follow,
    "ticket": lambda scans, *_: scans.scan("B.ticket_end"),
    "not-on-ticket": put("{owner}.on_ticket", False),
    "interrupted": state("B.interrupted", True),
    "starting": state("site.up", 0),
    "R-2": put("R-2.quiet", True),
    "open": lambda scans, valve, _: scans.states.update({f"{beside(valve)}.command": True}),
    "product": after_another_product,
    "R-3": lambda scans, _, owner: switches(scans, rival(owner), False, True),
    "R-4": lambda scans, _, owner: switches(scans, rival(owner), False, True),
    "R-5": together(14_999),
    "vessel-locked": lambda scans, _, owner: scans.states.update({f"{rival(owner)}.locked_out": True}),
    "late": put("{vessel}.age", 3000),
    "window": emptied,
    "below-trip": falls(1, 15),
    "own-valve": lambda scans, valve, _: switches(scans, valve, False, scans.on(valve)),
    "restarts": state("B.openings", 2),
    "wait": closed_just_now,
    "no-time": nearly_used_up,
}


@cache
def rested() -> Scans:
    scans = ready()
    scans.run(60)
    return scans


def at_rest(row: MatrixRow) -> Scans:
    """A yard where all is ready, long after any closing; with bay A at T1 where the row is about sharing it."""
    scans = ready()
    scans.states, scans.outputs = dict(rested().states), rested().outputs
    if row.name.startswith("R-5"):
        assert scans.press("A1") == [True]
        scans.scan()
    return scans


def observed(row: MatrixRow, valve: str, owner: str) -> Effect | None:
    """What a cause does to a valve in the scheme, and that it is this cause that does it."""
    disturb = DISTURB[row.name]
    scans = at_rest(row)
    assert scans.press(valve) == [True]
    scans.scan()
    disturb(scans, valve, owner)
    if scans.on(valve):
        scans.scan()
    commands = [v.tag for v in road().valves if scans.on(v.tag)]
    assert scans.outputs["B.pump"] is bool(commands)
    if valve not in commands:
        assert scans.why(valve)[0] == row.name
        return Effect.CLOSES
    scans = at_rest(row)
    disturb(scans, valve, owner)
    if scans.press(valve) == [True]:
        return None
    assert scans.why(valve) == [row.name]
    return Effect.NO_START


@pytest.mark.parametrize("row", road().rows, ids=lambda row: f"{row.number}-{row.name}")
def test_a_row_is_what_the_scheme_does(row: MatrixRow) -> None:
    columns = [valve.tag for valve in road().valves]
    owner = next(tag for tag, effect in zip(columns, row.effects, strict=True) if effect is not None)
    for tag, effect in zip(columns, row.effects, strict=True):
        if row.name not in OWN or effect is not None:
            about = tag if effect is not None else owner
            assert observed(row, tag, about) is effect, (row.number, tag)


def test_every_cause_of_the_scheme_has_its_cell() -> None:
    for of_bay in whole().bays:
        for column, valve in enumerate(of_bay.valves):
            told = [(row.name, row.text, row.exactly) for row in of_bay.rows if row.effects[column] is not None]
            assert told == [(cause.name, cause.text, cause.exactly) for cause in valve.causes]


def test_a_bypass_sets_aside_what_the_table_says_and_nothing_else() -> None:
    assert [row.name for row in road().rows if row.set_aside] == ["trip"] * 3 + ["below-trip"] * 3
    tender = next(of_bay for of_bay in whole().bays if of_bay.bay.tag == "A")  # from T1, T2 and T4, which has none
    assert [row.text.split()[0] for row in tender.rows if row.set_aside] == ["T1", "T2"] * 2
    for row in road().rows:
        if row.name in ("limit", "open"):  # these need an open valve
            continue
        owner = next(v.tag for v, effect in zip(road().valves, row.effects, strict=True) if effect is not None)
        scans = at_rest(row)
        scans.held["site.bypass_ms"] = 60_000
        scans.scan(f"{vessel(owner)}.bypass_ask")
        scans.scan(f"{vessel(owner)}.bypass_approve")
        if row.name in ("R-5-low", "locked-out"):  # these need one too, and leave it closed
            scans.press(owner)
        DISTURB[row.name](scans, owner, owner)
        if row.name != "R-5-low":
            scans.scan()
        assert scans.outputs[f"{vessel(owner)}.bypassed"]
        assert (row.name in scans.why(owner)) is not row.set_aside, row


def test_products_are_those_of_the_client() -> None:
    followers = {follower.product: follower for follower in whole().followers}
    assert followers["32-0-0"].may == ("32-0-0", "28-0-0")
    assert followers["32-0-0"].refused == ("10-34-0", "12-0-0-26S", "water", "10 % Zn")
    assert followers["12-0-0-26S"].may == ("12-0-0-26S",)
