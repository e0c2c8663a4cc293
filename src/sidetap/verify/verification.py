"""Verification of a scheme: every promise proved, broken with a replayed counter-example, or honestly unknown.

A site and its compiled scheme -> a document. "Holds" means: in this model, for every order of events, any input
within its range, any whole number of ms between scans, and a crash in any scan. It says nothing about the wiring,
the valves or the plant, and it is no statement about safety.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sidetap.promises.build import build_model
from sidetap.promises.model import Model, Promise
from sidetap.scheme import Value
from sidetap.site.cause_effect import CompiledScheme
from sidetap.site.model import Site
from sidetap.verify import smt
from sidetap.verify.goals import Reached, reached_goals
from sidetap.verify.invariants import invariants
from sidetap.verify.replay import Replayed
from sidetap.verify.search import Search, seen_states
from sidetap.verify.story import Step

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of one promise: "holds", "broken" with the story and the scans of how, or "unknown".

    bound: what the promise comes to at the pipe, in words. clause: of a broken one, what was seen in the last scan.
    """

    promise: str
    subject: str
    verdict: str
    trace: tuple[Step, ...] = ()
    replayed: bool = False
    scans: tuple[Replayed, ...] = ()
    bound: str = ""
    clause: str = ""


@dataclass(frozen=True, slots=True)
class Verification:
    """All verdicts of one scheme. ok: every promise holds, and every goal was reached.

    certificate: what a re-check of the proofs needs, JSON values.
    """

    scheme_hash: str
    seconds: float
    promises: tuple[Verdict, ...]
    reachable: tuple[Reached, ...]
    certificate: Mapping[str, Any] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        """Whether every promise holds and every goal was reached."""
        return all(v.verdict == "holds" for v in self.promises) and all(r.reached for r in self.reachable)

    def document(self) -> dict[str, Any]:
        """Return the result as the document of ``sidetap verify --json``."""
        return {
            "ok": self.ok,
            "scheme_hash": self.scheme_hash,
            "seconds": round(self.seconds, 3),
            "promises": [
                {
                    "promise": v.promise,
                    "subject": v.subject,
                    "verdict": v.verdict,
                    "trace": [{"t_s": s.t_ms / 1000, "what": s.what} for s in v.trace],
                    "replayed": v.replayed,
                }
                for v in self.promises
            ],
            "reachable": [{"goal": r.goal, "subject": r.subject, "reached": r.reached} for r in self.reachable],
        }


def verify(
    site: Site,
    scheme: CompiledScheme,
    progress: Progress | None = None,
    only: Collection[str] | None = None,
) -> Verification:
    """Return what becomes of every promise of the site's scheme.

    progress: called with what is being done and the share of the work done, 0 to 1. only: the names of the promises
    asked for; then no goal is looked for.
    """
    started = time.perf_counter()
    report = progress or (lambda _what, _share: None)
    model = build_model(site, scheme.program)
    if only is not None:
        model = replace(model, promises=tuple(p for p in model.promises if p.name in only), goals=())
    report("reaching the goals", 0.0)
    reachable = reached_goals(model)
    report("running courses of events", 0.2)
    rows = seen_states(model)
    report("proving", 0.4)
    proved = _proved(model, rows)
    unproved = [c for p in model.promises for c in p.clauses if c.output not in proved]
    search = Search(model, unproved)
    verdicts: list[Verdict] = []
    for n, promise in enumerate(model.promises):
        report(f"{promise.name} {promise.subject}", 0.8 + 0.2 * n / len(model.promises))
        verdicts.append(verdict_on(search, promise, proved))
    report("done", 1.0)
    return Verification(scheme.digest, time.perf_counter() - started, tuple(verdicts), reachable)


def _proved(model: Model, rows: Sequence[Sequence[Value]]) -> set[str]:
    """Return the clauses that have been proved, by the names of their outputs."""
    program = model.program
    clauses = [c for p in model.promises for c in p.clauses]
    facts = invariants(program, rows, model.hints, model.guards, _parts(model))
    scan = smt.Scan(program)
    first = {name: s.first for name, s in program.states.items()}
    solvers = []
    # a clause must hold in the first scan, and in every scan after one that left the facts true
    for before in (scan.states_are(first), smt.all_of([scan.term(f) for f in facts])):
        solver = smt.Solver()
        solver.add(*scan.bounds(), before)
        solvers.append(solver)
    broken = {c.output: smt.negation(scan.term(program.outputs[c.output])) for c in clauses}
    return {output for output, term in broken.items() if all(s.ask_with(term) is False for s in solvers)}


def _parts(model: Model) -> list[list[str]]:
    """Return the states in parts to look at together: each vessel's, then the bays', then what only alarms read."""
    program = model.program
    judged = [c.holds for p in model.promises if p.name != "ranges-hold" for c in p.clauses]
    needed = dict.fromkeys(program.cone(judged)[0])
    vessels = {v.tag for v in model.site.vessels}
    parts: dict[str, list[str]] = {tag: [] for tag in (*sorted(vessels), "bays", "rest")}
    for name in program.states:
        word = name.removeprefix("judge.").removeprefix("stored.").split(".")[0]
        parts["rest" if name not in needed else word if word in vessels else "bays"].append(name)
    return list(parts.values())


def verdict_on(search: Search, promise: Promise, proved: set[str]) -> Verdict:
    """Return what became of a promise; proved names the outputs of the clauses that need no search."""
    if all(c.output in proved for c in promise.clauses):
        return Verdict(promise.name, promise.subject, "holds", bound=promise.bound)
    found = search.counter_example(promise)
    if found is None:
        return Verdict(promise.name, promise.subject, "unknown", bound=promise.bound)
    return Verdict(
        promise.name, promise.subject, "broken", found.story, True, found.scans, promise.bound, found.clause.text
    )
