"""A bay's ticket and its account, kept once more from the words of the rules, crashes included.

Raw inputs, elapsed time and the bay's outputs -> what the ticket permits in this scan. Theory of operation: the true
account adds what flowed; the reckoned one is what the station can know: after a crash it starts from the disk, at
its worst. Both count in parts of the longest common measure: weight times limit is a full account for every valve.
``before`` means before an opening of this scan is added.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import lcm

from sidetap.promises.bounds import ticket_bound
from sidetap.promises.lasting import lasting
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.promises.valves import ValveFacts
from sidetap.quantity import NS_PER_MS
from sidetap.scheme.expression import Expr, all_of, any_of, choose, constant, elapsed, minimum, times
from sidetap.site.model import Bay

STORED_EVERY_MS = 1000  # the station's duty while a valve is open


@dataclass(frozen=True, slots=True)
class TicketFacts:
    """open: a person has opened it and nobody has ended it; runs: nor has its time or its last opening.

    begins: it is opened in this scan, which takes a hose that was seen off since the last one (hose_seen_off).
    interrupted: a start found it, and nobody has resumed it. waited: the bay has been closed for the waiting time;
    rested: the same, counted from the scan that first saw it closed. last_before: number of the valve opened last.
    used_up: nothing of the account is left. fits: by valve, whether one more stroke fits into the account.
    """

    open: Expr
    runs: Expr
    ran_before: Expr
    begins: Expr
    hose_seen_off: Expr
    interrupted: Expr
    openings_before: Expr
    last_before: Expr
    waited: Expr
    rested: Expr
    truly_left: Expr
    time_left: Expr
    used_up: Expr
    fits: tuple[Expr, ...]


@dataclass(frozen=True, slots=True)
class _Weights:
    """By valve, what a ms with a command adds to the account, and how long a stroke is; full: the whole account."""

    full: int
    per_ms: tuple[int, ...]
    strokes_ms: tuple[int, ...]

    def spent(self, is_open: Sequence[Expr], ms: Expr) -> Expr:
        """Return what flows in a time while these are open."""
        total = constant(0)
        for weight, so in zip(self.per_ms, is_open, strict=True):
            total = total + choose(so, times(weight, ms), 0)
        return total

    def surcharge(self, rises: Sequence[Expr], openings: Expr) -> Expr:
        """Return what an opening after the ticket's first one costs at once: one stroke of its valve."""
        total = constant(0)
        for weight, stroke, so in zip(self.per_ms, self.strokes_ms, rises, strict=True):
            total = total + choose(so & (openings >= 1), weight * stroke, 0)
        return total


def ticket_facts(scene: Scene, bay: Bay, valves: Sequence[ValveFacts]) -> TicketFacts:
    """Return what the judge knows of a bay's ticket."""
    tag, at_most = bay.tag, 1 + bay.restarts
    weights = _weights(valves)
    open_now, rises, was = [v.command for v in valves], [v.rises for v in valves], [v.was for v in valves]
    ran_before = scene.kept(f"{tag}.ticket")
    hose_off = scene.live(bay.hose_input) & ~scene.input(bay.hose_input)
    seen_off = hose_off | scene.since_start(f"{tag}.hose_off")
    begins = all_of(scene.input(f"{tag}.ticket_open"), ~ran_before, seen_off)
    openings = choose(begins, 0, scene.kept(f"{tag}.openings", 0, at_most))
    openings_after = minimum(choose(any_of(*rises), openings + 1, openings), at_most)
    scene.keep(f"{tag}.openings", openings_after)

    surcharge = weights.surcharge(rises, openings)
    relay_ms = _relay_ms(scene)
    # what the watchdog's relay and the module let through after the last scan before a crash
    flowed_ms = choose(scene.crash, minimum(elapsed(), relay_ms), elapsed())
    energised_before = [scene.before(f"{v.tag}.was") for v in valves]
    flowed = scene.kept(f"{tag}.true_account", 0, weights.full) + weights.spent(energised_before, flowed_ms)
    flowed = minimum(choose(begins, 0, flowed), weights.full)
    true_account = scene.keep(f"{tag}.true_account", minimum(flowed + surcharge, weights.full))

    unknown_ms = STORED_EVERY_MS + relay_ms + max(weights.strokes_ms, default=0)
    crash_loss = max(weights.per_ms, default=0) * unknown_ms
    on_disk = choose(
        scene.on_disk(f"{tag}.stored_ticket"),
        minimum(scene.on_disk(f"{tag}.stored_account") + crash_loss, weights.full),
        0,
    )
    running = minimum(scene.kept(f"{tag}.reckoned", 0, weights.full) + weights.spent(was, elapsed()), weights.full)
    reckoned_before = choose(begins, 0, choose(scene.crash, on_disk, running))
    reckoned = scene.keep(f"{tag}.reckoned", minimum(reckoned_before + surcharge, weights.full))

    over = (openings_after >= at_most) & ~any_of(*open_now)
    is_open = (begins | ran_before) & ~scene.input(f"{tag}.ticket_end")
    runs = scene.keep(f"{tag}.ticket", all_of(is_open, reckoned < weights.full, ~over))
    # seen off since the last ticket, not while it stood
    scene.keep(f"{tag}.hose_off", all_of(seen_off, ~ran_before, ~begins))
    stored_ticket = scene.on_disk(f"{tag}.stored_ticket")
    # nobody resumes a load in the scan that starts the station: it has not been seen yet
    unresumed = scene.kept(f"{tag}.interrupted") & ~scene.input(f"{tag}.ticket_resume")
    interrupted = choose(scene.crash, stored_ticket, unresumed)
    scene.keep(f"{tag}.interrupted", interrupted & runs)
    last_before = choose(begins, 0, scene.kept(f"{tag}.last", 0, len(valves)))
    last = last_before
    for v in valves:
        last = choose(v.rises, v.number, last)
    scene.keep(f"{tag}.last", last)

    waited, rested = _waits(scene, bay, valves)
    _keep_disk(scene, tag, any_of(*rises), any_of(*energised_before), flowed_ms, relay_ms)
    _hint(scene, bay, valves, weights.per_ms)
    return TicketFacts(
        open=is_open,
        runs=runs,
        ran_before=ran_before,
        begins=begins,
        hose_seen_off=seen_off,
        interrupted=interrupted,
        openings_before=openings,
        last_before=last_before,
        waited=waited,
        rested=rested,
        truly_left=true_account < weights.full,
        time_left=reckoned < weights.full,
        used_up=reckoned_before >= weights.full,
        fits=tuple(
            reckoned_before + weight * stroke < weights.full
            for weight, stroke in zip(weights.per_ms, weights.strokes_ms, strict=True)
        ),
    )


def _weights(valves: Sequence[ValveFacts]) -> _Weights:
    limits = [f.valve.open_limit_ns // NS_PER_MS for f in valves]
    full = lcm(*limits)
    return _Weights(
        full, tuple(full // limit for limit in limits), tuple(f.valve.stroke_ns // NS_PER_MS for f in valves)
    )


def _relay_ms(scene: Scene) -> int:
    assert scene.site.watchdog is not None  # noqa: S101  # a site with bays has one
    return scene.site.watchdog.relay_time_ns // NS_PER_MS


def _waits(scene: Scene, bay: Bay, valves: Sequence[ValveFacts]) -> tuple[Expr, Expr]:
    """Return whether the bay has been closed for the waiting time: truly, and as the scans have seen it."""
    tag, wait_ms = bay.tag, bay.restart_wait_ns // NS_PER_MS
    is_open = any_of(*(v.command for v in valves))
    closed_ms = scene.kept(f"{tag}.closed_ms", 0, wait_ms)
    closed_before = scene.since_start(f"{tag}.closed")
    scene.keep(f"{tag}.closed", ~is_open)
    since_closing = choose(closed_before, minimum(closed_ms + elapsed(), wait_ms), 0)
    scene.keep(f"{tag}.closed_ms", choose(is_open, 0, since_closing))
    rested = lasting(scene, f"{tag}.resting", ~any_of(*(v.was for v in valves)), wait_ms)
    return closed_before & (since_closing >= wait_ms), rested


def _keep_disk(scene: Scene, tag: str, rising: Expr, was_open: Expr, flowed_ms: Expr, relay_ms: int) -> None:
    """Model the station's storing: at each opening, each change of the ticket, and every second while open."""
    unstored = scene.kept(f"{tag}.unstored_ms", 0, STORED_EVERY_MS + relay_ms)
    now = unstored + choose(was_open, flowed_ms, 0)
    ticket = scene.output(f"{tag}.ticket")
    changed = ~ticket.equals(scene.on_disk(f"{tag}.stored_ticket"))
    stores = rising | changed | (was_open & ~scene.crash & (now >= STORED_EVERY_MS))
    scene.keep(f"{tag}.unstored_ms", choose(stores, 0, now))
    for word in ("ticket", "account", "openings", "last"):
        name = f"{tag}.stored_{word}"
        scene.store(name, choose(stores, scene.output(f"{tag}.{word}"), scene.on_disk(name)))


def _hint(scene: Scene, bay: Bay, valves: Sequence[ValveFacts], weights: Sequence[int]) -> None:
    """Offer the prover what a person would say first; it proves or drops each."""
    tag = bay.tag
    true, reckoned = scene.before(f"{tag}.true_account"), scene.before(f"{tag}.reckoned")
    ticket, unstored = scene.before(f"{tag}.ticket"), scene.before(f"{tag}.unstored_ms")
    disk = scene.on_disk(f"{tag}.stored_account")
    scene.hints.append(~ticket | (true <= reckoned))
    scene.hints.append(~ticket | (true <= disk + times(max(weights, default=0), unstored)))
    closed = scene.before(f"{tag}.closed")
    opened = any_of(*(scene.before(f"{v.tag}.was") for v in valves))
    scene.hints.append(~scene.before(f"{tag}.resting") | closed | opened)
    scene.hints.append(~ticket | opened | (scene.before(f"{tag}.openings") < 1 + bay.restarts))
    scene.hints.append(~closed | (scene.before(f"{tag}.resting_ms") <= scene.before(f"{tag}.closed_ms")))
    scene.hints.append(~opened | (unstored < STORED_EVERY_MS))
    for v, weight in zip(valves, weights, strict=True):
        was = scene.before(f"{v.tag}.was")
        scene.hints.append(~was | (times(weight, scene.before(f"{v.tag}.open_ms")) <= reckoned))


def ticket_promise(scene: Scene, bay: Bay, valves: Sequence[ValveFacts], facts: TicketFacts) -> Promise:
    """Return the promise that a ticket opens no more than it permits."""
    clauses = tuple(Clause(text, holds, near=(bay.tag,)) for text, holds in _clauses(bay, valves, facts))
    return Promise("ticket-time-bound", bay.tag, clauses, bound=ticket_bound(scene.site, bay))


def _clauses(bay: Bay, valves: Sequence[ValveFacts], facts: TicketFacts) -> Iterator[tuple[str, Expr]]:
    shut, rising = ~any_of(*(v.command for v in valves)), any_of(*(v.rises for v in valves))
    again = rising & (facts.openings_before >= 1)
    yield "a valve is open though the ticket's open time is used up", shut | facts.truly_left
    yield "a valve opens once more than the ticket permits", ~rising | (facts.openings_before < 1 + bay.restarts)
    yield "a valve opens again before the waiting time is over", ~again | facts.waited
    yield "a valve is open without a ticket that a person has opened", shut | facts.runs
    yield "a valve is open though the load was interrupted and nobody resumed it", shut | ~facts.interrupted
