"""Courses that use up the open time of a ticket, by whatever ways there are, and look just when it must be over.

A site, a bay and a valve by its number -> sketches. The account of a ticket is kept here in shares of its whole, from
the words of the rules: time open, a stroke for every opening after the first, and what a crash may have cost.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from math import ceil

from sidetap.quantity import NS_PER_MS
from sidetap.site.model import Bay, Site, Valve
from sidetap.verify.course import Course
from sidetap.verify.scripts.script import Script, at_and_before, choices

_STORED_MS = 1_000  # so often the station stores an account while a valve is open


def using_up(site: Site, bay: Bay, choice: int) -> Iterator[Course]:
    """Yield sketches that use up the open time of a ticket with something odd on the way.

    Half way to the limit every key that should not matter is pressed, or scans come late; or the valve is closed and
    opened again, with and without another valve in between; or the station crashes and the load is resumed.
    """
    valve = site.valves_of(bay.tag)[choice - 1]
    limit_ms, stroke_ms = valve.open_limit_ns // NS_PER_MS, valve.stroke_ns // NS_PER_MS
    opened = Script(site).load(bay, choice)
    over_ms = opened.now_ms + limit_ms
    half_ms = limit_ms // 2
    half = opened.copy().wait(half_ms)
    pressed = half.copy().press(bay).press_panel(bay)
    for word in ("ticket_open", "ticket_resume", "lockout_reset"):
        pressed.pulse(f"{bay.tag}.{word}")
    for v in site.vessels:
        pressed.pulse(f"{v.tag}.reset")
    for script in (opened, pressed, half.copy().late(5_000)):
        yield from _looks(script, over_ms)
    yield opened.course(limit_ms + 30_000, sketch=True)

    restarted = half.copy().close(bay).reopen(bay)
    yield from _looks(restarted, restarted.now_ms + limit_ms - half_ms - stroke_ms)
    for other, one, _ in choices(site, bay):
        if other != choice:
            changed = half.copy().close(bay).set(f"{bay.tag}.choice", other).reopen(bay)
            yield from _looks(changed, changed.now_ms + _left_ms(one, Fraction(half_ms, limit_ms)))
    # closed so late that a stroke would not fit any more, and a millisecond sooner
    if stroke_ms < limit_ms:
        for script in at_and_before(opened, over_ms - stroke_ms):
            yield script.close(bay).reopen(bay).course(1_000, sketch=True)
    yield from _over_crashes(site, bay, choice, opened, half)


def _over_crashes(site: Site, bay: Bay, choice: int, opened: Script, half: Script) -> Iterator[Course]:
    """Yield sketches in which the station crashes and the load is resumed."""
    valve = site.valves_of(bay.tag)[choice - 1]
    # half a second after the third storing, so that what is on the disk is known
    stored = opened.copy()
    for _ in range(3):
        stored.wait(_STORED_MS).look()
    crashed = stored.wait(_STORED_MS // 2).crashed(bay, choice)
    spent = Fraction(3 * _STORED_MS, valve.open_limit_ns // NS_PER_MS) + _lost_in_a_crash(site, bay)
    yield from _looks(crashed, crashed.now_ms + _left_ms(valve, spent))
    # just before the next storing, and the start takes longer than the watchdog's relay holds the valve
    late = half.copy().wait(900).crashed(bay, choice, 5_000)
    limit_ms = valve.open_limit_ns // NS_PER_MS
    yield late.course(limit_ms + 30_000, sketch=True)
    twice = half.copy().crashed(bay, choice, 5_000).wait(limit_ms // 4).crashed(bay, choice, 5_000)
    yield twice.course(limit_ms + 30_000, sketch=True)


def _looks(script: Script, over_ms: int) -> Iterator[Course]:
    """Yield sketches that look just when a time is over, and a millisecond before."""
    for at in at_and_before(script, over_ms):
        yield at.look().course(1_000, sketch=True)


def _left_ms(valve: Valve, spent: Fraction) -> int:
    """Return how long a valve may stay open that opens again when a share of the ticket is spent."""
    return ceil(valve.open_limit_ns // NS_PER_MS * (1 - spent)) - valve.stroke_ns // NS_PER_MS


def _lost_in_a_crash(site: Site, bay: Bay) -> Fraction:
    """Return what a crash costs of a ticket: the flow since the last storing, the relay's time and a stroke."""
    relay_ms = site.watchdog.relay_time_ns // NS_PER_MS if site.watchdog is not None else 0
    valves = site.valves_of(bay.tag)
    flowed_ms = _STORED_MS + relay_ms + max(v.stroke_ns for v in valves) // NS_PER_MS
    return max(Fraction(flowed_ms, v.open_limit_ns // NS_PER_MS) for v in valves)
