"""Levels, filters and lists in words: for paper in the site's units and exactly, for a bay's screen in its own."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from sidetap.quantity import EIGHTHS, Rounding, Texts, exact_metres, format_duration
from sidetap.site.model import Bay, Display, Site, Trip, Vessel


def on_screen(site: Site, bay: Bay, vessel: Vessel, level_01mm: int) -> str:
    """Return a level in the units of a bay's screen, rounded up: at the level shown it is reached."""
    return _rounded_up(bay.panel_show or site.show, vessel, level_01mm)


def on_paper(site: Site, vessel: Vessel, level_01mm: int) -> str:
    """Return a level, or a difference of levels, as the site shows it, rounded as its screens do, and exactly."""
    exactly = exact_metres(level_01mm)
    return exactly if site.show.level == "m" else f"{_rounded_up(site.show, vessel, level_01mm)} ({exactly})"


def _rounded_up(show: Display, vessel: Vessel, level_01mm: int) -> str:
    top_m = Fraction(vessel.top_01mm, 10_000)
    return Texts(show, EIGHTHS).level(Fraction(level_01mm, 10_000), top_m, Rounding.UP)


def filter_words(trip: Trip) -> str:
    """Return the name and the time of a trip's filter."""
    if trip.lag_ns:
        return f"first-order lag of {format_duration(trip.lag_ns)}"
    return f"mean of {format_duration(trip.mean_ns)}"


def trip_words(site: Site, vessel: Vessel) -> str:
    """Return a vessel's low trip as the scheme compares it."""
    trip = vessel.trip
    below = f"{below_words(site, vessel, trip.below_01mm)} for {format_duration(trip.delay_ns)}"
    return f"{below}, latched until reset at {on_paper(site, vessel, trip.reset_above_01mm)}"


def below_words(site: Site, vessel: Vessel, level_01mm: int) -> str:
    """Return that a vessel's filtered level is below a level."""
    return f"{filter_words(vessel.trip)} below {on_paper(site, vessel, level_01mm)}"


def one_of(role: str) -> str:
    """Return a role with its article."""
    return f"{'an' if role[0] in 'aeiou' else 'a'} {role}"


def listed(names: Sequence[str], word: str) -> str:
    """Return names with a word before the last one.

    >>> listed(["T1", "T2", "T3"], "or")
    'T1, T2 or T3'
    """
    *most, last = names
    return f"{', '.join(most)} {word} {last}" if most else last
