"""The whole of verification: what holds on the example, what is reached, what is said, and what is equivalent."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from planting import planted, story_of, without
from small_site import small_site
from test_planted import EQUIVALENT

from sidetap.promises.build import build_model
from sidetap.scheme import FALSE, Program
from sidetap.site import load_or_refuse
from sidetap.site.cause_effect import compile_site
from sidetap.verify import Reached, Verification, verify
from sidetap.verify.goals import reached_goals
from sidetap.verify.search import Search
from sidetap.verify.verification import verdict_on

BAY_PROMISES = {
    "ticket-time-bound",
    "permissive-closes",
    "one-valve-per-bay",
    "compatible-only",
    "fresh-press-only",
    "close-wins",
    "start-up-closed",
    "opens-when-asked",
    "stays-open",
}
VESSEL_PROMISES = {"trip-closes", "bad-or-old-closes", "latched-until-reset"}


TARN_HOLLOW = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "bay-b.toml"


@pytest.fixture(scope="module")
def verified() -> tuple[Verification, list[tuple[str, float]]]:
    told: list[tuple[str, float]] = []
    site = load_or_refuse(TARN_HOLLOW)
    return verify(site, compile_site(site), lambda what, share: told.append((what, share))), told


def test_every_promise_holds(verified: tuple[Verification, list[tuple[str, float]]]) -> None:
    result, _ = verified
    assert [(v.promise, v.subject, v.trace) for v in result.promises if v.verdict != "holds"] == []


def test_the_promises_of_every_subject_are_there(verified: tuple[Verification, list[tuple[str, float]]]) -> None:
    result, _ = verified
    expected = {(p, "B") for p in BAY_PROMISES}
    expected |= {(p, t) for p in VESSEL_PROMISES for t in ("T1", "T2", "T3")}
    expected |= {("open-time-bound", v) for v in ("B1", "B2", "B3")} | {("ranges-hold", "site")}
    assert {(v.promise, v.subject) for v in result.promises} == expected


def test_every_goal_is_reached(verified: tuple[Verification, list[tuple[str, float]]]) -> None:
    result, _ = verified
    goals = {"can-open", "can-reach-limit", "can-use-all-restarts", "can-trip-and-reopen"}
    assert {(r.goal, r.subject) for r in result.reachable if r.reached} == {(g, "B") for g in goals}


def test_the_document_is_the_contract_s(verified: tuple[Verification, list[tuple[str, float]]]) -> None:
    result, _ = verified
    document = json.loads(json.dumps(result.document(), allow_nan=False))
    assert set(document) == {"ok", "scheme_hash", "seconds", "promises", "reachable"}
    assert document["scheme_hash"] == compile_site(load_or_refuse(TARN_HOLLOW)).digest
    for promise in document["promises"]:
        assert set(promise) == {"promise", "subject", "verdict", "trace", "replayed"}
        assert promise["verdict"] in ("holds", "broken", "unknown")
        assert all(set(step) == {"t_s", "what"} for step in promise["trace"])
    assert all(set(r) == {"goal", "subject", "reached"} for r in document["reachable"])
    assert document["ok"] is True


def test_progress_goes_from_nothing_to_all(verified: tuple[Verification, list[tuple[str, float]]]) -> None:
    _, told = verified
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert (shares[0], shares[-1]) == (0.0, 1.0)


def test_faults_that_are_equivalent() -> None:
    """Planted all at once, they leave every promise as it was: nobody could notice them.

    The causes of EQUIVALENT, and the edge memory of the keys starting at 0: in the first scan no window is full, so
    no key opens anything, and from the second scan on the memory is right.
    """

    def fault(program: Program) -> Program:
        for cause in sorted(EQUIVALENT):
            for valve in ("B1", "B2"):
                program = without(f"{valve}.block.{cause}")(program)
        states = dict(program.states)
        for key in ("B.post_key.before", "B.panel_key.before"):
            states[key] = replace(states[key], first=False)
        return replace(program, states=states)

    site = small_site()
    scheme = compile_site(site)
    result = verify(site, replace(scheme, program=fault(scheme.program)))
    kept = [v for v in result.promises if v.verdict != "holds"]
    assert [(v.promise, v.verdict, v.trace) for v in kept] == []


def test_broken_and_unknown_are_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """What nothing proved is broken when a course breaks it, and unknown, never more, when none is found."""
    site = small_site()
    scheme = planted(without("B1.block.LSH-B"))
    model = build_model(site, scheme.program)
    (promise,) = (p for p in model.promises if p.name == "permissive-closes")
    search = Search(model, promise.clauses)
    broken = verdict_on(search, promise, proved=set())
    assert (broken.verdict, broken.subject, broken.replayed) == ("broken", "B", True)
    assert "LSH-B is not energised" in broken.trace[-1].what
    monkeypatch.setattr(Search, "counter_example", lambda _self, _promise: None)
    unknown = verdict_on(search, promise, proved=set())
    assert (unknown.verdict, unknown.trace, unknown.replayed) == ("unknown", (), False)
    assert verdict_on(search, promise, proved={c.output for c in promise.clauses}).verdict == "holds"
    for verdict in (broken, unknown):
        assert not Verification("hash", 0.0, (verdict,), ()).ok


def test_a_goal_that_is_not_reached_is_not_ok() -> None:
    assert not Verification("hash", 0.0, (), (Reached("can-open", "B", False),)).ok


def test_a_scheme_that_never_opens_reaches_no_goal() -> None:
    """It keeps every promise but one, which is why goals are part of the answer."""

    def shut(program: Program) -> Program:
        for valve in ("B1", "B2"):
            program = program.with_next(f"{valve}.command", FALSE).with_output(f"{valve}.command", FALSE)
        return program

    goals = reached_goals(build_model(small_site(), planted(shut).program))
    assert [g.reached for g in goals] == [False] * 4
    assert story_of(planted(shut), "opens-when-asked", "B") is not None


def test_what_only_the_model_does_is_not_shown() -> None:
    """The scheme that runs is not the one that was modelled: the course breaks nothing in it, and is no story."""
    model = build_model(small_site(), planted(without("B1.block.LSH-B")).program)
    (promise,) = (p for p in model.promises if p.name == "permissive-closes")
    probe = [c for c in promise.clauses if "LSH-B" in c.text]
    assert Search(model, probe).counter_example(promise) is not None
    right = replace(model, scheme=compile_site(small_site()).program)
    assert Search(right, probe).counter_example(promise) is None
