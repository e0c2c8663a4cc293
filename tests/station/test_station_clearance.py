"""Who may run what: a verified scheme, or a named person who answers for it; and what nobody can answer for."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest
from stamped import all_well
from station_bench import LEAD, OPERATOR, SITE, Bench

from sidetap.errors import BadInput, Refused
from sidetap.promises.build import build_model
from sidetap.promises.stamp import Stamp, StampedVerdict, write_stamp
from sidetap.site import Site, load_or_refuse
from sidetap.site.cause_effect import CompiledScheme, compile_site
from sidetap.station.clearance import LONGEST_REASON, NEVER_SET_ASIDE, Override, clearance

ENGINEER, APPROVER = "R. Achterberg", "P. Linde"


@pytest.fixture(scope="module")
def example() -> Site:
    return load_or_refuse(SITE)


@pytest.fixture(scope="module")
def scheme(example: Site) -> CompiledScheme:
    return compile_site(example)


@pytest.fixture(scope="module")
def well(example: Site, scheme: CompiledScheme) -> Stamp:
    return all_well(scheme.digest, build_model(example, scheme.program))


@pytest.fixture
def site(tmp_path: Path, example: Site) -> Site:
    """The example's site as if its file stood in a folder of the test's: nothing but a stamp is read from there."""
    return replace(example, path=tmp_path / "site.toml")


def verdicts(well: Stamp, **changed: str) -> tuple[StampedVerdict, ...]:
    """The stamp's verdicts, those on some promises changed (close_wins for close-wins)."""
    by_name = {name.replace("_", "-"): verdict for name, verdict in changed.items()}
    return tuple(replace(v, verdict=by_name.get(v.promise, v.verdict)) for v in well.verdicts)


def nobody_asks() -> Iterable[StampedVerdict]:
    pytest.fail("the stamp has the answer")


def asked(by: str = ENGINEER, because: str = "commissioning, no product in the yard") -> Override:
    return Override(by, because)


def test_a_verified_scheme_runs_and_nobody_needs_to_answer_for_it(
    site: Site, scheme: CompiledScheme, well: Stamp
) -> None:
    write_stamp(site.path, well)
    assert clearance(site, scheme, None, nobody_asks) is None
    assert clearance(site, scheme, asked(), nobody_asks) is None


def test_without_a_stamp_it_does_not_run(site: Site, scheme: CompiledScheme) -> None:
    with pytest.raises(Refused) as told:
        clearance(site, scheme, None, nobody_asks)
    assert str(told.value) == f"{site.path}: its scheme has never been verified. Run sidetap verify {site.path}."


@pytest.mark.parametrize("verdict", ["broken", "unknown"])
def test_a_promise_that_does_not_hold_stops_it(site: Site, scheme: CompiledScheme, well: Stamp, verdict: str) -> None:
    write_stamp(site.path, replace(well, verdicts=verdicts(well, trip_closes=verdict)))
    with pytest.raises(Refused) as told:
        clearance(site, scheme, None, nobody_asks)
    assert f"trip-closes T1 is {verdict}, and 2 more. Run sidetap verify" in str(told.value)


def test_a_goal_that_was_not_reached_stops_it(site: Site, scheme: CompiledScheme, well: Stamp) -> None:
    write_stamp(site.path, replace(well, goals=(replace(well.goals[0], reached=False), *well.goals[1:])))
    with pytest.raises(Refused, match="can-open B is not reached"):
        clearance(site, scheme, None, nobody_asks)


def test_other_promises_stop_it(site: Site, scheme: CompiledScheme, well: Stamp) -> None:
    write_stamp(site.path, replace(well, promises_hash="0" * 64))
    with pytest.raises(Refused, match="other promises than this version's"):
        clearance(site, scheme, None, nobody_asks)


@pytest.mark.parametrize("person", [ENGINEER, LEAD])
def test_an_engineer_or_a_lead_may_answer_for_what_does_not_hold(
    site: Site, scheme: CompiledScheme, well: Stamp, person: str
) -> None:
    write_stamp(site.path, replace(well, verdicts=verdicts(well, compatible_only="unknown")))
    override = clearance(site, scheme, asked(person), nobody_asks)
    assert override == Override(person, asked().because, ("compatible-only B is unknown",))


@pytest.mark.parametrize(
    ("person", "told"),
    [
        (OPERATOR, "Tobias Quell is an operator; this needs an engineer or a lead"),
        (APPROVER, "P. Linde is an approver; this needs"),
        ("A. Stranger", "A. Stranger is not a known person here"),
        ("", "nobody is not a known person here"),
    ],
)
def test_nobody_else_may(site: Site, scheme: CompiledScheme, person: str, told: str) -> None:
    with pytest.raises(Refused) as refused:
        clearance(site, scheme, asked(person), nobody_asks)
    assert told in str(refused.value)


@pytest.mark.parametrize("because", ["", " \t", "x" * (LONGEST_REASON + 1)])
def test_a_reason_is_a_sentence(site: Site, scheme: CompiledScheme, because: str) -> None:
    with pytest.raises(BadInput, match="--because"):
        clearance(site, scheme, asked(because=because), nobody_asks)


@pytest.mark.parametrize("verdict", ["broken", "unknown"])
@pytest.mark.parametrize("name", NEVER_SET_ASIDE)
def test_nobody_can_set_these_aside(site: Site, scheme: CompiledScheme, well: Stamp, name: str, verdict: str) -> None:
    write_stamp(site.path, replace(well, verdicts=verdicts(well, **{name: verdict})))
    with pytest.raises(Refused) as told:
        clearance(site, scheme, asked(), nobody_asks)
    assert f"{name} B" in str(told.value)
    assert f"is {verdict}, and nobody can set that aside" in str(told.value)


@pytest.mark.parametrize("stamped", [False, True])
def test_what_no_stamp_tells_of_them_is_verified_first(
    site: Site, scheme: CompiledScheme, well: Stamp, stamped: bool
) -> None:
    if stamped:  # by other promises: what it says of these three may mean something else
        write_stamp(site.path, replace(well, promises_hash="0" * 64))
    few = [v for v in well.verdicts if v.promise in NEVER_SET_ASIDE]
    override = clearance(site, scheme, asked(), lambda: few)
    assert override is not None
    assert len(override.problems) == 1
    broken = replace(few[0], verdict="broken")
    answers = iter([[], few[1:], [broken, *few[1:]], [*few, broken]])
    for _ in range(4):
        with pytest.raises(Refused, match="nobody can set that aside"):
            clearance(site, scheme, asked(), lambda: next(answers))


def test_an_override_is_journalled_at_each_start_and_shown_as_long_as_it_lasts(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    assert bench.engine.snapshot(bench.now_ns)["override"] is None
    bench.override = replace(asked(), problems=("compatible-only B is unknown",))
    for _ in range(2):
        bench.power_cut(1)
        bench.run(1)
        shown = bench.engine.snapshot(bench.now_ns)
        json.dumps(shown)
        assert shown["override"] == {
            "by": ENGINEER,
            "because": "commissioning, no product in the yard",
            "problems": ("compatible-only B is unknown",),
        }
    found = bench.journal("start", "override")
    assert [(r.kind, r.who) for r in found] == [("start", "station"), ("override", ENGINEER)] * 2
    assert json.loads(found[-1].what) == {
        "because": "commissioning, no product in the yard",
        "problems": ["compatible-only B is unknown"],
    }
