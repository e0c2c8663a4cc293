"""The whole of verification on a hand-made site: what holds, what is reached, what is said, what is equivalent."""

import json
from dataclasses import replace

import pytest
from small_site import small_site
from test_planted import EQUIVALENT, UNKNOWN, without

from sidetap.scheme import Program
from sidetap.site.cause_effect import compile_site
from sidetap.verify import Verification, verify

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


@pytest.fixture(scope="module")
def verified() -> tuple[Verification, list[tuple[str, float]]]:
    told: list[tuple[str, float]] = []
    site = small_site()
    return verify(site, compile_site(site), lambda what, share: told.append((what, share))), told


def test_every_promise_holds(verified: tuple[Verification, list[tuple[str, float]]]) -> None:
    result, _ = verified
    assert [(v.promise, v.subject, v.trace) for v in result.promises if v.verdict != "holds"] == []


def test_the_promises_of_every_subject_are_there(verified: tuple[Verification, list[tuple[str, float]]]) -> None:
    result, _ = verified
    expected = {(p, "B") for p in BAY_PROMISES}
    expected |= {(p, t) for p in VESSEL_PROMISES for t in ("T1", "T2")}
    expected |= {("open-time-bound", "B1"), ("open-time-bound", "B2"), ("ranges-hold", "site")}
    assert {(v.promise, v.subject) for v in result.promises} == expected


def test_every_goal_is_reached(verified: tuple[Verification, list[tuple[str, float]]]) -> None:
    result, _ = verified
    goals = {"can-open", "can-reach-limit", "can-use-all-restarts", "can-trip-and-reopen"}
    assert {(r.goal, r.subject) for r in result.reachable if r.reached} == {(g, "B") for g in goals}


def test_the_document_is_the_contract_s(verified: tuple[Verification, list[tuple[str, float]]]) -> None:
    result, _ = verified
    document = json.loads(json.dumps(result.document(), allow_nan=False))
    assert set(document) == {"ok", "scheme_hash", "seconds", "promises", "reachable"}
    assert document["scheme_hash"] == compile_site(small_site()).digest
    for promise in document["promises"]:
        assert set(promise) == {"promise", "subject", "verdict", "trace", "replayed"}
        assert promise["verdict"] in ("holds", "broken", "unknown")
        assert all(set(step) == {"t_s", "what"} for step in promise["trace"])
    assert all(set(r) == {"goal", "subject", "reached"} for r in document["reachable"])
    assert document["ok"] is result.ok


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


def test_broken_and_unknown_are_told_apart() -> None:
    """An ignored truck probe is found; "no-time" can neither be proved nor found: that is said, and is not ok."""

    def fault(program: Program) -> Program:
        for cause in sorted(UNKNOWN):
            program = without(f"B1.block.{cause}")(program)
        return without("B1.block.LSH-B")(program)

    site = small_site()
    scheme = compile_site(site)
    result = verify(site, replace(scheme, program=fault(scheme.program)))
    assert not result.ok
    (broken,) = (v for v in result.promises if v.verdict == "broken")
    assert (broken.promise, broken.subject, broken.replayed) == ("permissive-closes", "B", True)
    assert "LSH-B is not energised" in broken.trace[-1].what
    unknown = [v for v in result.promises if v.verdict == "unknown"]
    assert unknown
    assert all(v.trace == () and not v.replayed for v in unknown)
