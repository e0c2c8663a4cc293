"""What the judges keep in mind: tickets, accounts, means and latches, kept once more from the words of the rules.

Raw inputs, elapsed time and outputs -> facts that promises are made of. Written from the description of the rules
and never from the compiler of schemes, with states of its own: a scheme that forgets, counts wrongly or compares
wrongly disagrees with what is kept here. Every fact is the one *of this scan* unless its name says ``before``.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import lcm

from sidetap.promises.model import Scene
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.scheme.expression import Expr, all_of, any_of, choose, constant, elapsed, minimum, times
from sidetap.site.model import Bay, Valve, Vessel

SECOND_MS = 1000
STORED_EVERY_MS = 1000  # the station's duty while a valve is open


@dataclass(frozen=True, slots=True)
class VesselFacts:
    """A vessel as the judge sees it.

    full: the mean's window holds only good seconds. below: its mean is below the trip. fires: it has been for the
    delay. latched: it has fired and nobody has reset it at or above the reset level.
    """

    bad: Expr
    age: Expr
    old: Expr
    late: Expr
    full: Expr
    below: Expr
    fires: Expr
    latched: Expr


@dataclass(frozen=True, slots=True)
class ValveFacts:
    """A valve: open now, open in the scan before (since the start), rising; open_ms as of this scan."""

    command: Expr
    was: Expr
    rises: Expr
    at_limit: Expr
    outlasts: Expr
    closed_switch: Expr
    both_switches: Expr
    locked: Expr
    locked_before: Expr
    weight: int
    limit_ms: int
    stroke_ms: int


@dataclass(frozen=True, slots=True)
class BayFacts:
    """A bay: its keys, its ticket by the words, the true account and the account as it must be reckoned.

    The true account adds what flowed; the reckoned one is what the station can know: after a crash it starts from
    the disk, at its worst. ``before`` means before an opening of this scan is added. waited: the bay has been closed
    for the waiting time; rested: the same, counted from the scan that first saw it closed.
    """

    valves: tuple[ValveFacts, ...]
    close: Expr
    fresh_press: Expr
    pressed_since_start: Expr
    ticket: Expr
    ticket_before: Expr
    interrupted: Expr
    openings_before: Expr
    last_before: Expr
    waited: Expr
    rested: Expr
    true_account: Expr
    reckoned_before: Expr
    reckoned: Expr
    full: int


def vessel_facts(scene: Scene, vessel: Vessel) -> VesselFacts:
    """Return what the judge knows of a vessel in this scan."""
    tag, trip = vessel.tag, vessel.trip
    point = scene.site.point(vessel.level.point)
    level, new = scene.input(f"{tag}.level"), scene.input(f"{tag}.new")
    bad, age = scene.input(f"{tag}.bad"), scene.input(f"{tag}.age")
    old = age >= point.close_age_ns // NS_PER_MS
    full, total = _mean(scene, tag, level, new, bad | old, trip.mean_ns // NS_PER_S)

    seconds = trip.mean_ns // NS_PER_S
    below = full & (total < seconds * trip.below_01mm)
    delay_ms = trip.delay_ns // NS_PER_MS
    was_below = scene.since_start(f"{tag}.below")
    below_ms = scene.since_start(f"{tag}.below_ms", 0, delay_ms)
    scene.keep(f"{tag}.below", below)
    below_ms = scene.keep(f"{tag}.below_ms", choose(below & was_below, minimum(below_ms + elapsed(), delay_ms), 0))
    fires = below & (below_ms >= delay_ms)

    latched = choose(scene.crash, scene.on_disk(f"{tag}.stored_trip"), scene.kept(f"{tag}.latched"))
    may_reset = scene.input(f"{tag}.reset") & full & (total >= seconds * trip.reset_above_01mm)
    latched = scene.keep(f"{tag}.latched", (latched | fires) & ~may_reset)
    scene.store(f"{tag}.stored_trip", scene.output(f"{tag}.tripped"))
    return VesselFacts(bad, age, old, age >= point.warn_age_ns // NS_PER_MS, full, below, fires, latched)


def _mean(scene: Scene, tag: str, level: Expr, new: Expr, bad_or_old: Expr, seconds: int) -> tuple[Expr, Expr]:
    """Return whether the window is full, and the sum of its seconds.

    Seconds are counted from the last gap (or the start). The newest good level of a second is its value, a second
    without one repeats the second before; a level that comes with the end of a second belongs to the next.
    """
    highest = scene.high_of(f"{tag}.level")
    into = scene.since_start(f"{tag}.into_second", 0, SECOND_MS - 1)
    newest = scene.since_start(f"{tag}.newest", 0, highest)
    came = scene.since_start(f"{tag}.came")
    count = scene.since_start(f"{tag}.seconds", 0, seconds)
    old = [scene.since_start(f"{tag}.second{i}", 0, highest) for i in range(seconds)]

    gap = bad_or_old | (elapsed() > SECOND_MS)
    now = into + elapsed()
    over = now >= SECOND_MS
    done = over & (came | (count >= 1))
    scene.keep(f"{tag}.into_second", choose(gap, 0, choose(over, now - SECOND_MS, now)))
    scene.keep(f"{tag}.newest", choose(new, level, newest))
    scene.keep(f"{tag}.came", new | (came & ~over & ~gap))
    grown = choose(done, minimum(count + 1, seconds), count)
    scene.keep(f"{tag}.seconds", choose(gap, 0, grown))
    total = constant(0)
    for i in range(seconds):
        coming = choose(came, newest, old[0]) if i == 0 else old[i - 1]
        total = total + scene.keep(f"{tag}.second{i}", choose(done, coming, old[i]))
    return ~gap & (grown >= seconds), total


def bay_facts(scene: Scene, bay: Bay) -> BayFacts:
    """Return what the judge knows of a bay in this scan."""
    site, tag = scene.site, bay.tag
    valves = site.valves_of(tag)
    limits = [v.open_limit_ns // NS_PER_MS for v in valves]
    full = lcm(*limits) if limits else 1
    commands = [scene.output(f"{v.tag}.command") for v in valves]
    were = [scene.kept(f"{v.tag}.was") for v in valves]
    energised_before = any_of(*were)
    was = [~scene.crash & w for w in were]
    rises = [c & ~w for c, w in zip(commands, was, strict=True)]
    for v, c in zip(valves, commands, strict=True):
        scene.keep(f"{v.tag}.was", c)

    close = scene.input(f"{tag}.panel_close") | ~scene.energised(bay.close_key)
    fresh = any_of(
        _fresh(scene, f"{tag}.post_key", scene.energised(bay.open_key)),
        _fresh(scene, f"{tag}.panel_key", scene.input(f"{tag}.panel_open")),
    )
    pressed = scene.keep(f"{tag}.pressed", scene.since_start(f"{tag}.pressed") | fresh)

    # the ticket, and the account as it must be reckoned
    weights = [full // limit for limit in limits]
    strokes = [v.stroke_ns // NS_PER_MS for v in valves]
    at_most = 1 + bay.restarts
    ticket_before = scene.kept(f"{tag}.ticket")
    hose_off = scene.live(bay.hose_input) & ~scene.input(bay.hose_input)
    off_before = scene.kept(f"{tag}.hose_off")
    begins = all_of(
        scene.input(f"{tag}.ticket_open"),
        ~ticket_before,
        off_before | hose_off,
        scene.output(f"{tag}.ticket"),
    )
    openings = scene.kept(f"{tag}.openings", 0, at_most)
    openings = choose(begins, 0, openings)
    rising = any_of(*rises)
    openings_after = minimum(choose(rising, openings + 1, openings), at_most)
    scene.keep(f"{tag}.openings", openings_after)

    # what the watchdog's relay and the module let through after the last scan before a crash
    assert site.watchdog is not None  # noqa: S101  # a site with bays has one
    relay_ms = site.watchdog.relay_time_ns // NS_PER_MS
    unknown_ms = STORED_EVERY_MS + relay_ms + max(strokes, default=0)
    crash_loss = max(weights, default=0) * unknown_ms
    flowed_ms = choose(scene.crash, minimum(elapsed(), relay_ms), elapsed())
    spent = _weighted(were, weights, flowed_ms)
    true_before = minimum(choose(begins, 0, scene.kept(f"{tag}.true_account", 0, full) + spent), full)
    surcharge = _surcharge(rises, weights, strokes, openings)
    true_account = scene.keep(f"{tag}.true_account", minimum(true_before + surcharge, full))

    on_disk = choose(
        scene.on_disk(f"{tag}.stored_ticket"),
        minimum(scene.on_disk(f"{tag}.stored_account") + crash_loss, full),
        0,
    )
    running = minimum(scene.kept(f"{tag}.reckoned", 0, full) + _weighted(was, weights, elapsed()), full)
    reckoned_before = choose(begins, 0, choose(scene.crash, on_disk, running))
    reckoned = scene.keep(f"{tag}.reckoned", minimum(reckoned_before + surcharge, full))

    over = (openings_after >= at_most) & ~any_of(*commands)
    going = begins | ticket_before
    ticket = scene.keep(
        f"{tag}.ticket",
        all_of(going, ~(ticket_before & scene.input(f"{tag}.ticket_end")), reckoned < full, ~over),
    )
    scene.keep(f"{tag}.hose_off", ~ticket & (hose_off | (~ticket_before & off_before)))
    stored_ticket = scene.on_disk(f"{tag}.stored_ticket")
    # nobody resumes a load in the scan that starts the station: it has not been seen yet
    resumed = scene.kept(f"{tag}.interrupted") & ~scene.input(f"{tag}.ticket_resume")
    interrupted = scene.keep(f"{tag}.interrupted", choose(scene.crash, stored_ticket, resumed) & ticket)
    last_before = choose(begins, 0, scene.kept(f"{tag}.last", 0, len(valves)))
    last = last_before
    for n, r in enumerate(rises):
        last = choose(r, n + 1, last)
    scene.keep(f"{tag}.last", last)

    wait_ms = bay.restart_wait_ns // NS_PER_MS
    closed_ms = scene.kept(f"{tag}.closed_ms", 0, wait_ms)
    closed_before = scene.since_start(f"{tag}.closed")
    scene.keep(f"{tag}.closed", ~any_of(*commands))
    since_closing = choose(closed_before, minimum(closed_ms + elapsed(), wait_ms), 0)
    scene.keep(f"{tag}.closed_ms", choose(any_of(*commands), 0, since_closing))
    # the same, counted from the scan that first found the valves closed: what a scheme may take for it
    rested_ms = scene.since_start(f"{tag}.rested_ms", 0, wait_ms)
    was_resting = scene.since_start(f"{tag}.resting")
    resting = scene.keep(f"{tag}.resting", ~any_of(*was))
    rested_ms = scene.keep(
        f"{tag}.rested_ms", choose(resting & was_resting, minimum(rested_ms + elapsed(), wait_ms), 0)
    )
    waited = closed_before & (since_closing >= wait_ms)

    _keep_disk(scene, tag, rising, energised_before, flowed_ms, relay_ms)
    facts = BayFacts(
        valves=tuple(
            _valve_facts(scene, v, commands[n], was[n], rises[n], limits[n], weights[n], strokes[n])
            for n, v in enumerate(valves)
        ),
        close=close,
        fresh_press=fresh,
        pressed_since_start=pressed,
        ticket=ticket,
        ticket_before=ticket_before,
        interrupted=interrupted,
        openings_before=openings,
        last_before=last_before,
        waited=waited,
        rested=rested_ms >= wait_ms,
        true_account=true_account,
        reckoned_before=reckoned_before,
        reckoned=reckoned,
        full=full,
    )
    _hint(scene, bay, valves, weights)
    return facts


def _fresh(scene: Scene, name: str, pressed: Expr) -> Expr:
    """Return whether a key rises that was seen released since the start."""
    held = scene.since_start(f"{name}.held", True)
    scene.keep(f"{name}.held", pressed)
    return pressed & ~held


def _weighted(open_before: list[Expr], weights: list[int], ms: Expr) -> Expr:
    total = constant(0)
    for w, is_open in zip(weights, open_before, strict=True):
        total = total + choose(is_open, times(w, ms), 0)
    return total


def _surcharge(rises: list[Expr], weights: list[int], strokes: list[int], openings: Expr) -> Expr:
    """Return what an opening after the ticket's first one costs at once: one stroke of its valve."""
    total = constant(0)
    for r, w, stroke in zip(rises, weights, strokes, strict=True):
        total = total + choose(r & (openings >= 1), w * stroke, 0)
    return total


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


def _valve_facts(
    scene: Scene, valve: Valve, command: Expr, was: Expr, rises: Expr, limit_ms: int, weight: int, stroke_ms: int
) -> ValveFacts:
    tag = valve.tag
    stays = command & was
    open_ms = minimum(scene.kept(f"{tag}.open_ms", 0, limit_ms) + elapsed(), limit_ms)
    scene.keep(f"{tag}.open_ms", choose(stays, open_ms, 0))
    is_closed, is_open = scene.energised(valve.closed_switch), scene.energised(valve.open_switch)

    # a switch against the command, this scan's or the last one's, for the whole supervision time, whichever way
    supervise_ms = valve.supervise_ns // NS_PER_MS
    shown_open, shown_closed = is_open & ~is_closed, is_closed & ~is_open
    against = ((command | was) & ~shown_open) | (~(command & was) & ~shown_closed)
    was_against = scene.since_start(f"{tag}.against")
    scene.keep(f"{tag}.against", against)
    against_ms = minimum(scene.kept(f"{tag}.against_ms", 0, supervise_ms) + elapsed(), supervise_ms)
    against_ms = scene.keep(f"{tag}.against_ms", choose(was_against, against_ms, 0))
    reset = scene.input(f"{valve.bay}.lockout_reset") & ~against
    locked_before = scene.since_start(f"{tag}.locked")
    locked = scene.keep(f"{tag}.locked", (locked_before & ~reset) | (against_ms >= supervise_ms))
    return ValveFacts(
        command=command,
        was=was,
        rises=rises,
        at_limit=was & (open_ms >= limit_ms),
        outlasts=stays & (open_ms >= limit_ms),
        closed_switch=is_closed,
        both_switches=is_closed & is_open,
        locked=locked,
        locked_before=locked_before,
        weight=weight,
        limit_ms=limit_ms,
        stroke_ms=stroke_ms,
    )


def _hint(scene: Scene, bay: Bay, valves: tuple[Valve, ...], weights: list[int]) -> None:
    """Offer the prover what a person would say first; it proves or drops each."""
    tag = bay.tag
    true, reckoned = scene.before(f"{tag}.true_account"), scene.before(f"{tag}.reckoned")
    ticket = scene.before(f"{tag}.ticket")
    disk = scene.on_disk(f"{tag}.stored_account")
    unstored = scene.before(f"{tag}.unstored_ms")
    heaviest = max(weights, default=0)
    scene.guards += [f"{tag}.ticket", *(f"{v.tag}.was" for v in valves)]
    scene.hints.append(~ticket | (true <= reckoned))
    scene.hints.append(~ticket | (true <= disk + times(heaviest, unstored)))
    closed = scene.before(f"{tag}.closed")
    opened = any_of(*(scene.before(f"{v.tag}.was") for v in valves))
    scene.hints.append(~scene.before(f"{tag}.resting") | closed | opened)
    scene.hints.append(~ticket | opened | (scene.before(f"{tag}.openings") < 1 + bay.restarts))
    scene.hints.append(~closed | (scene.before(f"{tag}.rested_ms") <= scene.before(f"{tag}.closed_ms")))
    scene.hints.append(~opened | (unstored < STORED_EVERY_MS))
    for v, w in zip(valves, weights, strict=True):
        was = scene.before(f"{v.tag}.was")
        scene.hints.append(~was | (times(w, scene.before(f"{v.tag}.open_ms")) <= reckoned))


def conditions(bay: Bay) -> tuple[str, ...]:
    """Return the inputs that must be energised all the time, each once."""
    return tuple(dict.fromkeys((*bay.run_permissives, bay.auto_input, bay.stop_input, bay.hose_input)))
