"""The bypass of low trips, kept once more: who asked, who approved, and how long it has still to run.

Pulses of people -> for each vessel named, whether its trip is set aside in this scan. One at a time, for the time
that was read with the approval, never over a start. That two different people act is the station's duty.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from sidetap.promises.bounds import bypass_bound
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.quantity import NS_PER_MS
from sidetap.scheme.expression import Expr, any_of, choose, elapsed
from sidetap.site.model import in_order

PENDING_MS = 60_000  # for so long an ask waits for its approval
HORN_MS = 10_000  # for so long the horn tells that a bypass has ended


@dataclass(frozen=True, slots=True)
class BypassFacts:
    """left_ms: by vessel, how long its bypass still runs, 0 when none does. sounding: the horn must."""

    left_ms: Mapping[str, Expr]
    runs: Mapping[str, Expr]
    sounding: Expr


def bypass_facts(scene: Scene) -> BypassFacts | None:
    """Return what the judge knows of the site's bypass; None where there is none."""
    bypass = scene.site.bypass
    if bypass is None:
        return None
    at_most_ms = bypass.at_most_ns // NS_PER_MS
    tags = [v.tag for v in in_order(scene.site.vessel(tag) for tag in bypass.trips)]
    before = {tag: scene.since_start(f"{tag}.bypass_left_ms", 0, at_most_ms) for tag in tags}
    in_the_way = any_of(*(ms >= 1 for ms in before.values()))
    left_ms: dict[str, Expr] = {}
    ended: list[Expr] = []
    for tag in tags:
        approved = _approved(scene, tag) & ~scene.input(f"{tag}.bypass_end")
        starts = approved & ~in_the_way
        in_the_way = in_the_way | starts
        left = choose(scene.input(f"{tag}.bypass_end"), 0, _less_elapsed(before[tag]))
        left_ms[tag] = scene.keep(f"{tag}.bypass_left_ms", choose(starts, scene.input("site.bypass_ms"), left))
        ended.append((before[tag] >= 1) & (left_ms[tag] < 1))
    sounds_ms = _less_elapsed(scene.since_start("site.bypass_horn_ms", 0, HORN_MS))
    sounds_ms = scene.keep("site.bypass_horn_ms", choose(any_of(*ended), HORN_MS, sounds_ms))
    return BypassFacts(left_ms, {tag: ms >= 1 for tag, ms in left_ms.items()}, sounds_ms >= 1)


def _less_elapsed(left_ms: Expr) -> Expr:
    """Return what is left of a time after this scan's elapsed time; at 0 it is over."""
    return choose(left_ms > elapsed(), left_ms - elapsed(), 0)


def _approved(scene: Scene, tag: str) -> Expr:
    """Return whether an ask of an earlier scan is approved in this one; keeps the asks."""
    ask, approve = scene.input(f"{tag}.bypass_ask"), scene.input(f"{tag}.bypass_approve")
    waits_ms = _less_elapsed(scene.since_start(f"{tag}.ask_left_ms", 0, PENDING_MS))
    pending = waits_ms >= 1
    scene.keep(f"{tag}.ask_left_ms", choose(ask, PENDING_MS, choose(approve, 0, waits_ms)))
    return pending & approve


def bypass_promises(scene: Scene, facts: BypassFacts) -> Iterator[Promise]:
    """Yield the promise that a bypass keeps within its bounds."""
    yield Promise("bypass-bounded", "site", tuple(_clauses(scene, facts)), bound=bypass_bound(scene.site))


def _clauses(scene: Scene, facts: BypassFacts) -> Iterator[Clause]:
    tags = list(facts.runs)
    near = (*tags, "site")
    assert scene.site.bypass is not None  # noqa: S101  # there are no facts without one
    at_most_ms = scene.site.bypass.at_most_ns // NS_PER_MS
    for n, tag in enumerate(tags):
        shown, runs = scene.output(f"{tag}.bypassed"), facts.runs[tag]
        yield Clause(
            f"{tag}'s trip is bypassed though no bypass of it was asked for, approved by a second act and still runs",
            ~shown | runs,
            near=near,
        )
        yield Clause(f"{tag}'s trip is not bypassed though two people want it and may", ~runs | shown, near=near)
        yield Clause(
            f"the time left of {tag}'s bypass is not what is left of it",
            scene.output(f"{tag}.bypass_left_ms").equals(facts.left_ms[tag]),
            near=near,
        )
        yield Clause(
            f"{tag}'s trip is bypassed for longer than anybody may",
            scene.output(f"{tag}.bypass_left_ms") <= at_most_ms,
            near=near,
        )
        told = scene.output(f"alarm.{tag}-bypassed")
        yield Clause(f"{tag}'s trip is bypassed without an alarm", ~shown | told, near=near)
        yield Clause(f"an alarm tells that {tag}'s trip is bypassed, which is not so", shown | ~told, near=near)
        others = any_of(*(scene.output(f"{other}.bypassed") for other in tags[:n]))
        yield Clause(f"the trips of {tag} and of another vessel are bypassed at once", ~(shown & others), near=near)
    yield Clause(
        "the horn is silent though a bypass ended less than 10 s ago",
        ~facts.sounding | scene.output("site.horn"),
        near=near,
    )
