"""The model as a whole: whose each state is, where each clause looks, what each promise means at the pipe."""

from dataclasses import replace

from puppet import yard

from sidetap.promises.build import build_model
from sidetap.promises.model import Model
from sidetap.quantity import NS_PER_S
from sidetap.site.cause_effect import compile_site
from sidetap.site.model import ExclusiveVessel, Site

SITE = yard()
MODEL = build_model(SITE, compile_site(SITE).program)


ORDER = (
    *("close-key", "limit", "permissives", "selector", "panel-lost", "trip", "vote", "bad", "old", "low for two"),
    *("other-valve", "switches", "locked-out", "ticket", "not-on-ticket", "interrupted", "starting", "quiet", "open"),
    *("product", "exclusive", "shared", "vessel-locked", "late", "window", "below-trip", "own-valve", "restarts"),
    *("wait", "no-time"),
)
BY_TAG = {"R-2": "quiet", "R-3": "exclusive", "R-4": "shared", "R-4-low": "low for two", "R-5": "vote"}


def test_causes_come_in_the_order_in_which_the_first_one_is_told() -> None:
    """Those that close before those that don't. Source: the order of the rows of the table that people sign."""
    for bay in compile_site(SITE).bays:
        for valve in bay.valves:
            names = [BY_TAG.get(c.name, c.name) for c in valve.causes]
            rows = [name if name in ORDER else "permissives" for name in names]
            assert sorted(rows, key=ORDER.index) == rows


def test_no_cause_is_unknown_to_the_judges() -> None:
    texts = [c.text for p in MODEL.promises if p.name == "reasons-right" for c in p.clauses]
    assert len(texts) == 4 * len(SITE.valves)
    assert not any("no such cause" in text for text in texts)


def bounds(model: Model) -> dict[tuple[str, str], str]:
    return {(p.name, p.subject): p.bound for p in model.promises}


def test_every_state_has_an_owner_and_every_clause_looks_near() -> None:
    tags = {thing.tag for things in (SITE.vessels, SITE.bays, SITE.rules, SITE.promises) for thing in things}
    assert set(MODEL.owners) == set(MODEL.program.states)
    assert set(MODEL.owners.values()) <= tags | {"site"}
    site_s = {name for name, owner in MODEL.owners.items() if owner == "site"}
    assert all(name.removeprefix("judge.").startswith("site.") for name in site_s)
    for promise in MODEL.promises:
        for clause in promise.clauses:
            assert clause.near
            assert set(clause.near) <= tags | {"site"}


def test_a_promise_about_one_bay_looks_at_few_others() -> None:
    far = {p.name: max(len(c.near) for c in p.clauses) for p in MODEL.promises if p.clauses}
    assert far["open-time-bound"] == far["close-wins"] == far["mismatch-alarms"] == 1
    assert far["trip-closes"] == far["bad-or-old-closes"] == 2


def test_a_bay_depends_on_another_only_where_they_meet() -> None:
    """T1, exclusive, is B1-1's and B2-3's; T3, shared above a level, is B1-3's and B2-1's. B1 goes first."""
    (first,) = (p.independent for p in MODEL.promises if (p.name, p.subject) == ("bays-independent", "B1"))
    (second,) = (p.independent for p in MODEL.promises if (p.name, p.subject) == ("bays-independent", "B2"))
    assert first is not None
    assert second is not None
    assert set(second.channels) == {"B1-1.command", "B1-1.locked_out", "B1-3.command", "B1-3.locked_out"}
    assert {"PB-B2-OPEN", "B2.panel_open", "B2.choice", "XS-B2", "ZSC-B2-1", "B2.panel_close"} <= set(first.foreign)
    assert not {"ZSC-B2-3", "ZSO-B2-3", "T1.bad", "IO-1.live", "HC-B1"} & set(first.foreign)
    assert not {"PB-B1-OPEN", "B1.panel_open", "B1.choice", "ZSC-B1-1"} & set(second.foreign)
    assert {"B1-1.command", "B1.ticket", "alarm.B1-1-mismatch", "alarm.B1-panel"} <= set(first.outputs)
    assert not any(name.startswith(("B2", "T", "alarm.B2", "alarm.T")) for name in first.outputs)


def without_rules(site: Site) -> Site:
    kept = tuple(r for r in site.rules if not isinstance(r, ExclusiveVessel))
    return replace(site, rules=kept)


def test_without_a_rule_only_a_lock_out_reaches_over() -> None:
    site = without_rules(SITE)
    model = build_model(site, compile_site(site).program)
    (second,) = (p.independent for p in model.promises if (p.name, p.subject) == ("bays-independent", "B2"))
    assert second is not None
    assert set(second.channels) == {"B1-1.locked_out", "B1-3.command", "B1-3.locked_out"}


def test_bounds_add_up() -> None:
    """400 gpm and a stroke of 6 s: 92 gal behind a mean of 15 s and 2 s of delay, 55 behind the age limit of 5 s.

    Q × (poll 1.0 + scan and output 0.2 + mean / 2 + delay + stroke / 2), rounded up: worked out once by hand,
    6.667 gal/s × 13.7 s = 91.3 gal and × 8.2 s = 54.7 gal.
    """
    slow = replace(
        SITE,
        valves=tuple(replace(v, stroke_ns=6 * NS_PER_S, open_limit_ns=575 * NS_PER_S) for v in SITE.valves),
        vessels=tuple(replace(v, trip=replace(v.trip, mean_ns=15 * NS_PER_S)) for v in SITE.vessels),
    )
    found = bounds(build_model(slow, compile_site(slow).program))
    assert found["open-time-bound", "B1-1"] == (
        "9 min 35 s + one scan 0.1 s + output 0.1 s + stroke 6 s: shut at most 9 min 41.2 s after the command"
    )
    trip = found["trip-closes", "T2"]
    assert "shut at most 16.7 s after" in trip
    assert trip.endswith("92 gal at 400 gpm")
    age = found["bad-or-old-closes", "T2"]
    assert "shut at most 11.2 s after the last good level" in age
    assert age.endswith("55 gal at 400 gpm")
    assert "shut at most 6.3 s after the key" in found["close-wins", "B1"]


def test_every_bound_that_a_promise_should_have_is_there() -> None:
    names = {name for (name, _), text in bounds(MODEL).items() if text}
    assert names == {
        "open-time-bound",
        "ticket-time-bound",
        "trip-closes",
        "bad-or-old-closes",
        "permissive-closes",
        "close-wins",
        "start-up-closed",
        "mismatch-alarms",
        "shared-only-above",
        "bypass-bounded",
        "own",
    }


def test_a_lag_stands_in_its_vessel_s_bound() -> None:
    lagging = replace(
        SITE, vessels=tuple(replace(v, trip=replace(v.trip, mean_ns=0, lag_ns=4 * NS_PER_S)) for v in SITE.vessels)
    )
    assert (
        "poll 1 s + lag 4 s + delay 2 s"
        in bounds(build_model(lagging, compile_site(lagging).program))["trip-closes", "T2"]
    )


def test_goals_of_each_bay() -> None:
    usual = {"can-open", "can-reach-limit", "can-use-all-restarts", "can-trip-and-reopen", "can-bypass"}
    assert {g.name for g in MODEL.goals if g.subject == "B1"} == usual
    plain = replace(SITE, bypass=None)
    model = build_model(plain, compile_site(plain).program)
    assert {g.name for g in model.goals if g.subject == "B1"} == usual - {"can-bypass"}
