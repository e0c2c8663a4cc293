"""Verification of a scheme: every promise proved, broken with a replayed counter-example, or honestly unknown.

A site and its compiled scheme -> a document. "Holds" means: in this model, for every order of events, any input
within its range, any whole number of ms between scans, and a crash in any scan. It says nothing about the wiring,
the valves or the plant, and it is no statement about safety.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping, Set
from dataclasses import dataclass, field, replace
from typing import Any

from sidetap.promises.build import build_model
from sidetap.promises.model import Model, Promise
from sidetap.scheme import Program
from sidetap.site.cause_effect import CompiledScheme
from sidetap.site.model import Site
from sidetap.verify.course import Course
from sidetap.verify.equivalence import is_independent
from sidetap.verify.goals import Reached, reached_goals
from sidetap.verify.prover import Memory, prove, prove_again
from sidetap.verify.replay import Replayed
from sidetap.verify.search import Search
from sidetap.verify.story import Step

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of one promise: "holds", "broken" with the story and the scans of how, or "unknown".

    bound: what the promise comes to at the pipe, in words. clause: of a broken one, what was seen in the last scan.
    course: and the events that lead there.
    """

    promise: str
    subject: str
    verdict: str
    trace: tuple[Step, ...] = ()
    replayed: bool = False
    scans: tuple[Replayed, ...] = ()
    bound: str = ""
    clause: str = ""
    course: Course | None = None


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
    return verify_model(site, scheme.program, progress, only)


def verify_model(
    site: Site,
    program: Program,
    progress: Progress | None = None,
    only: Collection[str] | None = None,
    memory: Memory | None = None,
) -> Verification:
    """Return what becomes of every promise of a site when this program is its scheme, as ``verify`` does.

    memory: of earlier proofs about like programs, and for later ones.
    """
    started = time.perf_counter()
    report = progress or (lambda _what, _share: None)
    model = build_model(site, program)
    if only is not None:
        model = replace(model, promises=tuple(p for p in model.promises if p.name in only), goals=())
    report("reaching the goals", 0.0)
    reachable = reached_goals(model)
    proof = prove(model, memory, lambda share: report("proving", 0.2 + 0.6 * share))
    search = Search(model, [c for p in model.promises for c in p.clauses if c.output not in proof.holds])
    verdicts: list[Verdict] = []
    for n, promise in enumerate(model.promises):
        report(f"{promise.name} {promise.subject}", 0.8 + 0.2 * n / len(model.promises))
        verdicts.append(_verdict(model, search, promise, proof.holds))
    report("done", 1.0)
    seconds = time.perf_counter() - started
    return Verification(program.digest(), seconds, tuple(verdicts), reachable, proof.certificate)


def _verdict(model: Model, search: Search, promise: Promise, proved: Set[str]) -> Verdict:
    """Return what became of a promise; proved: the outputs of the clauses that need no search."""
    apart = promise.independent
    if apart is not None:
        holds = is_independent(model.scheme, apart)
    else:
        holds = all(c.output in proved for c in promise.clauses)
    if holds:
        return Verdict(promise.name, promise.subject, "holds", bound=promise.bound)
    found = search.counter_example(promise)
    if found is None:
        return Verdict(promise.name, promise.subject, "unknown", bound=promise.bound)
    return Verdict(
        promise.name,
        promise.subject,
        "broken",
        trace=found.story,
        replayed=True,
        scans=found.scans,
        bound=promise.bound,
        clause=found.clause.text,
        course=found.course,
    )


def recheck(site: Site, scheme: CompiledScheme, certificate: Mapping[str, Any]) -> tuple[str, ...]:
    """Return in sentences what of a certificate does not hold for the site's scheme; nothing when it does.

    Every fact is proved again, none is looked for. ValueError for a certificate of another form.
    """
    model = build_model(site, scheme.program)
    proof = prove_again(model, certificate)
    return tuple(
        f"{p.name} {p.subject}: {c.text} is not excluded by the certificate"
        for p in model.promises
        for c in p.clauses
        if c.output not in proof.holds
    ) + tuple(
        f"{p.name} {p.subject}: it depends on inputs of other bays"
        for p in model.promises
        if p.independent is not None and not is_independent(model.scheme, p.independent)
    )
