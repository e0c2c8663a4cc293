"""Every cell of every bay's table against the scheme that runs: one cause at a time, from the wires and levels up.

A cause is brought about twice, beside a valve that is open and beside one that is ready to open, and what becomes of
the valve is compared with what the table says of it.
"""

from collections.abc import Callable
from functools import cache

import pytest
from yard_scans import Scans, ready, whole_yard

from sidetap.quantity import NS_PER_S
from sidetap.site.matrix import BayMatrix, Effect, Matrix, MatrixRow, matrix_of

Disturb = Callable[[Scans, str, str], object]  # scans, the valve that is looked at, a valve that the row is about
OWN = ("limit", "product")  # other valves may be stopped by rows of their own at the same time


@cache
def whole() -> Matrix:
    return matrix_of(whole_yard())


def table(bay: str) -> BayMatrix:
    return next(of_bay for of_bay in whole().bays if of_bay.bay.tag == bay)


def bay_of(valve: str) -> str:
    return whole_yard().valve(valve).bay


def vessel(valve: str) -> str:
    return whole_yard().valve(valve).vessel


def put(name: str, value: int | bool) -> Disturb:
    def disturb(scans: Scans, valve: str, owner: str) -> None:
        scans.held[name.format(bay=bay_of(valve), owner=owner, vessel=vessel(owner))] = value

    return disturb


def state(name: str, value: int | bool) -> Disturb:
    return lambda scans, valve, _: scans.states.update({name.format(bay=bay_of(valve)): value})


def beside(valve: str) -> str:
    """Another valve of the same bay."""
    return next(v.tag for v in whole_yard().valves if v.bay == bay_of(valve) and v.tag != valve)


def rival(valve: str) -> str:
    """A valve of another bay from the same vessel."""
    return next(v.tag for v in whole_yard().valves if v.bay != bay_of(valve) and v.vessel == vessel(valve))


def switches(scans: Scans, valve: str, is_closed: bool, is_open: bool) -> None:
    scans.stuck.add(valve)
    wired = whole_yard().valve(valve)
    scans.held.update({wired.closed_switch: is_closed, wired.open_switch: is_open})


def falls(seconds: int) -> Disturb:
    """The level of the owner's vessel falls just under its trip, until so long after its mean has come there."""

    def disturb(scans: Scans, _: str, owner: str) -> None:
        trip = whole_yard().vessel(vessel(owner)).trip
        scans.level(vessel(owner), trip.below_01mm - 1)
        scans.run(trip.mean_ns // NS_PER_S + seconds)

    return disturb


def together(level_01mm: int) -> Disturb:
    """The level of T1 falls, from which another bay draws; up to the scan in which a valve that was open closes."""

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
        scans.scan(f"{bay_of(valve)}.panel_close")
        scans.scan()


def nearly_used_up(scans: Scans, valve: str, _: str) -> None:
    bay, a_second = bay_of(valve), scans.compiled(valve).weight * 1000
    scans.states.update({f"{bay}.openings": 1, f"{bay}.account": scans.scheme.bay(bay).full - a_second})


def after_another_product(scans: Scans, _: str, owner: str) -> None:
    """The ticket has loaded a product of the bay that the client's list doesn't let this one follow."""
    products = {v.tag: whole_yard().vessel(v.vessel).product for v in whole_yard().valves if v.bay == bay_of(owner)}
    after = dict(whole_yard().compatible)
    last = next(tag for tag, product in products.items() if products[owner] not in after[product])
    scans.states[f"{bay_of(owner)}.last"] = scans.compiled(last).choice


def emptied(scans: Scans, _: str, owner: str) -> None:
    scans.states[next(v.filled for v in scans.scheme.vessels if v.tag == vessel(owner))] = 0


DISTURB: dict[str, Disturb] = {
    "close-key": put("{bay}.panel_close", True),
    "limit": lambda scans, _, owner: scans.scan(ms=scans.compiled(owner).limit_ms),
    **{tag: put(tag, False) for bay in whole_yard().bays for tag in bay.run_permissives},
    "selector": put("HS-{bay}-HAND", True),
    "panel-lost": put("{bay}.panel_age", 5000),
    "trip": falls(3),
    "bad": put("{vessel}.bad", True),
    "old": put("{vessel}.age", 5000),
    "R-5-low": together(14_499),
    "other-valve": lambda scans, valve, _: switches(scans, beside(valve), False, False),
    "switches": lambda scans, valve, _: switches(scans, valve, True, True),
    "locked-out": did_not_follow,
    "ticket": lambda scans, valve, _: scans.scan(f"{bay_of(valve)}.ticket_end"),
    "not-on-ticket": put("{owner}.on_ticket", False),
    "interrupted": state("{bay}.interrupted", True),
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
    "below-trip": falls(0),
    "own-valve": lambda scans, valve, _: switches(scans, valve, False, scans.on(valve)),
    "restarts": state("{bay}.openings", 2),
    "wait": closed_just_now,
    "no-time": nearly_used_up,
}


@cache
def rested() -> Scans:
    scans = ready()
    scans.run(60)
    return scans


def at_rest(bay: str, row: MatrixRow) -> Scans:
    """A yard where all is ready, long after any closing; with another bay at T1 where the row is about sharing it."""
    scans = ready()
    scans.states, scans.outputs = dict(rested().states), rested().outputs
    if row.name.startswith("R-5"):
        assert scans.press("B1" if bay == "A" else "A1") == [True]
        scans.scan()
    return scans


def observed(row: MatrixRow, valve: str, owner: str) -> Effect | None:
    """What a cause does to a valve in the scheme, and that it is this cause that does it."""
    disturb, bay = DISTURB[row.name], bay_of(valve)
    scans = at_rest(bay, row)
    assert scans.press(valve) == [True]
    scans.scan()
    disturb(scans, valve, owner)
    if scans.on(valve):
        scans.scan()
    commands = [v.tag for v in table(bay).valves if scans.on(v.tag)]
    assert scans.outputs[f"{bay}.pump"] is bool(commands)
    if valve not in commands:
        assert scans.why(valve)[0] == row.name
        return Effect.CLOSES
    scans = at_rest(bay, row)
    disturb(scans, valve, owner)
    if scans.press(valve) == [True]:
        return None
    assert scans.why(valve) == [row.name]
    return Effect.NO_START


@pytest.mark.parametrize(
    ("of_bay", "row"),
    [
        pytest.param(of_bay, row, id=f"{of_bay.bay.tag}-{row.number}-{row.name}")
        for of_bay in whole().bays
        for row in of_bay.rows
    ],
)
def test_a_row_is_what_the_scheme_does(of_bay: BayMatrix, row: MatrixRow) -> None:
    columns = [valve.tag for valve in of_bay.valves]
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
    road, tender = table("B"), table("A")  # from T1, T2 and T3; from T1, T2 and T4, which has none
    assert [row.name for row in road.rows if row.set_aside] == ["trip"] * 3 + ["below-trip"] * 3
    assert [row.text.split()[0] for row in tender.rows if row.set_aside] == ["T1", "T2"] * 2
    for row in road.rows:
        if row.name in ("limit", "open"):  # these need an open valve
            continue
        owner = next(v.tag for v, effect in zip(road.valves, row.effects, strict=True) if effect is not None)
        scans = at_rest("B", row)
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
