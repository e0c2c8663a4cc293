"""The whole of verification on a small site: what holds, what is said, and what a certificate is worth."""

import json
import random
from collections.abc import Mapping, Set
from dataclasses import dataclass, replace
from typing import Any

import pytest
from planting import planted, story_of, without
from small_site import small_site
from spacer import spacer

from sidetap.promises.build import build_model
from sidetap.promises.model import Model
from sidetap.scheme import FALSE, Expr, Op, Program, Runner, Type, Value
from sidetap.site.cause_effect import CompiledScheme, compile_site
from sidetap.verify import Memory, Reached, Verification, recheck, verify_model
from sidetap.verify import verification as whole
from sidetap.verify.goals import reached_goals
from sidetap.verify.graph import Graph
from sidetap.verify.prover import Proof, Prover, prove_again
from sidetap.verify.search import Search
from sidetap.verify.slices import EVERYBODY, Speakers, cut_out
from sidetap.verify.verification import Verdict

BAY_PROMISES = {
    *("ticket-time-bound", "permissive-closes", "one-valve-per-bay", "compatible-only", "fresh-press-only"),
    *("close-wins", "start-up-closed", "opens-when-asked", "stays-open", "bays-independent"),
    *("reasons-right", "pump-follows", "alarms-tell"),
}
VESSEL_PROMISES = {"trip-closes", "bad-or-old-closes", "latched-until-reset", "alarms-tell"}
VALVE_PROMISES = {"open-time-bound", "mismatch-alarms"}
SITE_PROMISES = {"ranges-hold", "watchdog-alternates"}
BAY_GOALS = {"can-open", "can-reach-limit", "can-use-all-restarts", "can-trip-and-reopen"}


@dataclass(frozen=True)
class Run:
    """One verification of the small site, what was told on the way, and what was found out for the next."""

    scheme: CompiledScheme
    result: Verification
    told: list[tuple[str, float]]
    memory: Memory


@pytest.fixture(scope="module")
def run() -> Run:
    told: list[tuple[str, float]] = []
    scheme, memory = compile_site(small_site()), Memory()
    result = verify_model(small_site(), scheme.program, lambda what, share: told.append((what, share)), memory=memory)
    return Run(scheme, result, told, memory)


# -- what is said ----------------------------------------------------------------------------------------------------


def test_every_promise_holds_and_every_goal_is_reached(run: Run) -> None:
    assert [(v.promise, v.subject, v.trace) for v in run.result.promises if v.verdict != "holds"] == []
    assert {(r.goal, r.subject) for r in run.result.reachable if r.reached} == {(g, "B") for g in BAY_GOALS}
    assert run.result.ok


def test_the_promises_of_every_subject_are_there(run: Run) -> None:
    expected = {(p, "B") for p in BAY_PROMISES} | {(p, "site") for p in SITE_PROMISES}
    expected |= {(p, t) for p in VESSEL_PROMISES for t in ("T1", "T2")}
    expected |= {(p, v) for p in VALVE_PROMISES for v in ("B1", "B2")}
    said = [(v.promise, v.subject) for v in run.result.promises]
    assert set(said) == expected
    assert len(said) == len(expected)


def test_the_document_is_the_contract_s(run: Run) -> None:
    document = json.loads(json.dumps(run.result.document(), allow_nan=False))
    assert set(document) == {"ok", "scheme_hash", "seconds", "promises", "reachable"}
    assert document["scheme_hash"] == run.scheme.digest
    for promise in document["promises"]:
        assert set(promise) == {"promise", "subject", "verdict", "trace", "replayed"}
        assert promise["verdict"] in ("holds", "broken", "unknown")
    assert all(set(r) == {"goal", "subject", "reached"} for r in document["reachable"])
    assert document["ok"] is True


def test_progress_goes_from_nothing_to_all(run: Run) -> None:
    shares = [share for _, share in run.told]
    assert shares == sorted(shares)
    assert (shares[0], shares[-1]) == (0.0, 1.0)
    assert len(set(shares)) > 10


def test_only_what_is_asked_for_is_looked_at(run: Run) -> None:
    only = {"close-wins", "pump-follows"}
    result = verify_model(small_site(), run.scheme.program, only=only, memory=run.memory)
    assert [(v.promise, v.verdict) for v in result.promises] == [("close-wins", "holds"), ("pump-follows", "holds")]
    assert result.reachable == ()


def test_broken_and_unknown_are_told_apart(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """What nothing proved is broken when a course breaks it, and unknown, never more, when none is found."""
    site, scheme = small_site(), planted(without("B1.block.LSH-B"))
    result = verify_model(site, scheme.program, only={"permissive-closes"}, memory=run.memory)
    (broken,) = result.promises
    assert (broken.verdict, broken.subject, broken.replayed) == ("broken", "B", True)
    assert "LSH-B is not energised" in broken.trace[-1].what
    assert not result.ok
    document = result.document()["promises"][0]
    assert all(set(step) == {"t_s", "what"} for step in document["trace"])
    assert document["trace"][-1]["what"] == broken.trace[-1].what
    monkeypatch.setattr(Search, "counter_example", lambda _self, _promise: None)
    result = verify_model(site, scheme.program, only={"permissive-closes"}, memory=run.memory)
    (unknown,) = result.promises
    assert (unknown.verdict, unknown.trace, unknown.replayed) == ("unknown", (), False)
    assert not result.ok


def test_a_goal_that_is_not_reached_is_not_ok() -> None:
    assert not Verification("hash", 0.0, (), (Reached("can-open", "B", False),)).ok
    assert Verification("hash", 0.0, (Verdict("close-wins", "B", "holds"),), (Reached("can-open", "B", True),)).ok


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


# -- why it may be believed ------------------------------------------------------------------------------------------


def test_what_has_been_merged_says_the_same_in_random_runs(run: Run) -> None:
    """The program that clauses are proved of, beside the model: every output, in every scan."""
    model = build_model(small_site(), run.scheme.program)
    prover = Prover(model, run.memory)
    prover.prove([c for p in model.promises for c in p.clauses], lambda _share: None)
    assert len(prover.program.states) < 0.7 * len(model.program.states)
    original, merged = Runner(model.program), Runner(prover.program)
    rng = random.Random(1)
    for _ in range(2):
        states, fewer = original.first_states(), merged.first_states()
        calm = random_inputs(rng, model.program)
        for _ in range(50):
            calm |= {n: v for n, v in random_inputs(rng, model.program).items() if rng.random() < 0.1}
            elapsed_ms = rng.choice([1, 100, 101, 1000, 3000, 21_000])
            states, outputs = original.step(states, calm, elapsed_ms)
            fewer, said = merged.step(fewer, calm, elapsed_ms)
            assert {n: v for n, v in outputs.items() if said[n] != v} == {}
            assert [n for n in run_holds(model) if not outputs[n]] == []


def random_inputs(rng: random.Random, program: Program) -> dict[str, Value]:
    """Return inputs with a liking for what lets a valve open."""
    values: dict[str, Value] = {}
    for name, i in program.inputs.items():
        if i.type is Type.INT:
            values[name] = rng.choice([i.low, i.high, rng.randint(i.low, i.high), min(i.high, 6500), min(i.high, 1)])
        else:
            values[name] = rng.random() < (0.03 if name == "crash" else 0.7)
    return values


def run_holds(model: Model) -> list[str]:
    return [c.output for p in model.promises for c in p.clauses]


@pytest.mark.parametrize("promise", ["close-wins", "one-valve-per-bay", "start-up-closed"])
def test_the_solver_s_own_engine_finds_the_same_by_another_way(promise: str) -> None:
    """It holds in the scheme, and no more where both valves have one command that nothing closes."""
    program = compile_site(small_site()).program
    assert by_spacer(program, promise) is True
    hand = Expr(Op.INPUT, Type.BOOL, (), "HC-B")
    for valve in ("B1", "B2"):
        program = program.with_output(f"{valve}.command", hand)
    assert by_spacer(program, promise) is False


def by_spacer(scheme: Program, promise: str) -> bool | None:
    model = build_model(small_site(), scheme)
    outputs = [c.output for p in model.promises if p.name == promise for c in p.clauses]
    graph = Graph()
    part = cut_out(graph, graph.program(model.program), Speakers(model.owners), {"B", EVERYBODY}, outputs)
    return spacer(part.program, outputs[0])


# -- certificates ----------------------------------------------------------------------------------------------------


def test_a_certificate_is_enough_and_survives_being_written_down(run: Run) -> None:
    certificate = json.loads(json.dumps(run.result.certificate, allow_nan=False))
    assert certificate["same"]
    assert any(kept["facts"] for kept in certificate["slices"])
    assert recheck(small_site(), run.scheme, certificate) == ()


def test_what_is_not_excluded_is_told_in_a_sentence(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each clause that is not proved again, and each bay that looks at what it must not."""
    monkeypatch.setattr(whole, "prove_again", lambda _model, _certificate: Proof(frozenset(), {}))
    monkeypatch.setattr(whole, "is_independent", lambda _program, _apart: False)
    told = recheck(small_site(), run.scheme, run.result.certificate)
    model = build_model(small_site(), run.scheme.program)
    assert len(told) == 1 + sum(len(p.clauses) for p in model.promises)
    assert "close-wins B: " in "\n".join(told)
    assert told[-1] == "bays-independent B: it depends on inputs of other bays"
    assert all(sentence.endswith(" is not excluded by the certificate") for sentence in told[:-1])


def still_proved(scheme: Program, certificate: Mapping[str, Any], promises: Set[str]) -> dict[str, bool]:
    """Return of promises whether a certificate proves them of a scheme, which need not be the small site's."""
    model = build_model(small_site(), scheme)
    asked = tuple(p for p in model.promises if p.name in promises)
    holds = prove_again(replace(model, promises=asked), certificate).holds
    return {f"{p.name} {p.subject}": holds >= {c.output for c in p.clauses} for p in asked}


def test_a_certificate_says_nothing_of_a_scheme_with_another_number(run: Run) -> None:
    """The scheme lets a valve stay open for a second more than its site says."""
    site = small_site()
    longer = tuple(replace(v, open_limit_ns=v.open_limit_ns + 10**9 * (v.tag == "B1")) for v in site.valves)
    program = compile_site(replace(site, valves=longer)).program
    assert not still_proved(program, run.result.certificate, {"open-time-bound"})["open-time-bound B1"]


def test_a_certificate_without_its_facts_is_none_and_a_false_twin_is_not_believed(run: Run) -> None:
    """B1 ignores a full truck, and it is claimed that it always is as B2 is, which does not."""
    program = planted(without("B1.block.LSH-B")).program
    words = [n.removeprefix("B1.") for n in program.states if n.startswith("B1.")]
    lies = [[f"B1.{w}", f"B2.{w}"] for w in words]
    certificate = {"same": [*run.result.certificate["same"], *lies], "equal": [], "slices": []}
    said = still_proved(program, certificate, {"permissive-closes", "compatible-only", "close-wins"})
    assert said == {"permissive-closes B": False, "compatible-only B": False, "close-wins B": True}


@pytest.mark.parametrize(
    "change",
    [
        {"same": None},
        {"same": [["a"]]},
        {"equal": [["previous", "nobody"]]},
        {"equal": [["input", "HC-B"]]},
        {"equal": [["sorcery", True]]},
        {"equal": [["not"]]},
        {"equal": [[]]},
        {"equal": ["true"]},
        {"equal": [None]},
        {"equal": [["previous", "B1.command", 3]]},
        {"slices": [{}]},
        {"slices": [{"facts": 7}]},
        {"equal": [["previous", "site.up"]]},
        {"equal": [["times", [], ["previous", "site.up"]]]},
        {"equal": [["less", True, 3]]},
    ],
    ids=str,
)
def test_another_form_is_no_certificate(run: Run, change: Mapping[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"certificate|fact"):
        recheck(small_site(), run.scheme, {**run.result.certificate, **change})


def test_nothing_is_no_certificate(run: Run) -> None:
    with pytest.raises(ValueError, match="not a certificate"):
        recheck(small_site(), run.scheme, {})
