"""What each promise means at the pipe, in words and numbers: its limit, then a scan, the output, the stroke.

A site -> a sentence beside each promise that has a bound. A promise speaks of commands in scans; the valve follows
later, and a level or a switch is known later than it changes. Times add up exactly; volumes are those of the nominal
flow, rounded up: Q × (time + stroke / 2), half a stroke being the mean opening of a valve that closes evenly (common
practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from sidetap.quantity import NS_PER_MS, NS_PER_S, Rounding, Texts, format_duration, format_number
from sidetap.site.model import Bay, OwnPromise, SharedOnlyAbove, Site, Valve, Vessel, in_order

OUTPUT_NS = 100 * NS_PER_MS  # an output is at the valve within this
INPUT_NS = 100 * NS_PER_MS  # inputs are read this often
_Part = tuple[str, int]


def limit_bound(site: Site, valve: Valve) -> str:
    """Return how long after its open command a valve is shut at the latest."""
    parts = [("", valve.open_limit_ns), *_closing(site, valve.stroke_ns)]
    return f"{_sum(parts)}: shut at most {_total(parts)} after the command"


def ticket_bound(site: Site, bay: Bay) -> str:
    """Return how long a ticket is open in all, and what comes after its last closing."""
    valves = site.valves_of(bay.tag)
    alone = " or ".join(f"{_time(v.open_limit_ns)} from {v.vessel}" for v in valves)
    share = ", or shares of these that make one whole" if len(valves) > 1 else ""
    again = f", {_count(bay.restarts, 'restart')} within it" if bay.restarts else ""
    parts = _closing(site, _longest_stroke(valves))
    return f"open {alone} a ticket{share}{again}; then {_sum(parts)}: shut at most {_total(parts)} later"


def permissive_bound(site: Site, bay: Bay) -> str:
    """Return how long after a contact, a module or the panel is lost the bay is shut."""
    stroke_ns = _longest_stroke(site.valves_of(bay.tag))
    wired = {*bay.run_permissives, bay.auto_input, bay.stop_input, bay.hose_input}
    age_ns = max(i.max_age_ns for i in site.inputs if i.tag in wired)
    texts = []
    for what, first in (
        ("a contact opens", ("input", INPUT_NS)),
        ("its module falls silent", ("input's age", age_ns)),
        ("the panel is lost", ("", bay.panel_lost_after_ns)),
    ):
        parts = [first, *_closing(site, stroke_ns)]
        texts.append(f"{_sum(parts)}: shut at most {_total(parts)} after {what}")
    return "; ".join(texts)


def close_bound(site: Site, bay: Bay) -> str:
    """Return how long after a close key the bay is shut."""
    parts = [("input", INPUT_NS), *_closing(site, _longest_stroke(site.valves_of(bay.tag)))]
    return f"{_sum(parts)}: shut at most {_total(parts)} after the key"


def start_bound(site: Site) -> str:
    """Return how long after a start nothing opens."""
    return f"nothing opens within {_time(site.start_hold_ns)} of the first scan, nor without a press after it"


def mismatch_bound(site: Site, valve: Valve) -> str:
    """Return when a valve that doesn't follow its command is locked out."""
    parts = [("", valve.supervise_ns), ("input", INPUT_NS), ("one scan", site.scan_ns)]
    return f"{_sum(parts)}: locked out, with an alarm, at most {_total(parts)} after the command"


def trip_bound(site: Site, vessel: Vessel) -> str:
    """Return how long after a steadily falling level has passed the trip the valves are shut, and what flows."""
    parts = [*_measuring(site, vessel), ("delay", vessel.trip.delay_ns)]
    return _drawn(site, _valves_from(site, vessel.tag), parts, "a steadily falling level has passed the trip")


def age_bound(site: Site, vessel: Vessel) -> str:
    """Return how long after its last good level a vessel's valves are shut, and how much flows until then."""
    limit = ("", site.point(vessel.level.point).close_age_ns)
    return _drawn(site, _valves_from(site, vessel.tag), [limit], "the last good level")


def together_bound(site: Site, rule: SharedOnlyAbove) -> str:
    """Return how long after the level has become too low for two the later bay is shut."""
    valves = [v for v in _valves_from(site, rule.vessel) if v.bay in rule.bays]
    return _drawn(
        site,
        valves,
        _measuring(site, site.vessel(rule.vessel)),
        "a steadily falling level has become too low for two",
    )


def bypass_bound(site: Site) -> str:
    """Return how long a bypass lasts."""
    assert site.bypass is not None  # noqa: S101  # who asks has one
    names = ", ".join(site.bypass.trips)
    return (
        f"{_time(site.bypass.time_ns)} unless told, {_time(site.bypass.at_most_ns)} at most, one of {names} at a "
        f"time; at its end a trip that stands closes in that scan"
    )


def own_bound(site: Site, own: OwnPromise) -> str:
    """Return how much later than it is so it is seen."""
    parts = [*([("", own.for_ns)] if own.for_ns else []), ("one scan", site.scan_ns), ("output", OUTPUT_NS)]
    return f"{_sum(parts)}: at the outputs at most {_total(parts)} later"


def _drawn(site: Site, valves: Iterable[Valve], before: list[_Part], after: str) -> str:
    """Return the time until valves are shut, with the volume that flows through each."""
    texts = []
    for valve in valves:
        bay = site.bay(valve.bay)
        parts = [*before, *_closing(site, valve.stroke_ns)]
        flowing_s = Fraction(sum(ns for _, ns in parts) - valve.stroke_ns, NS_PER_S) + Fraction(
            valve.stroke_ns, 2 * NS_PER_S
        )
        texts_of = Texts(site.show)
        volume = texts_of.volume(bay.flow_m3_per_s * flowing_s, Rounding.UP)
        flow = texts_of.flow(bay.flow_m3_per_s)
        texts.append(f"{valve.tag} {_sum(parts)}: shut at most {_total(parts)} after {after}, {volume} at {flow}")
    return "; ".join(texts)


def _measuring(site: Site, vessel: Vessel) -> list[_Part]:
    """Return how much later than it falls a level is known: a poll, and what a filter lags behind a steady fall."""
    trip = vessel.trip
    lag = ("half the mean", trip.mean_ns // 2) if trip.mean_ns else ("lag", trip.lag_ns)
    return [("poll", site.point(vessel.level.point).poll_ns), lag]


def _closing(site: Site, stroke_ns: int) -> list[_Part]:
    return [("one scan", site.scan_ns), ("output", OUTPUT_NS), ("stroke", stroke_ns)]


def _valves_from(site: Site, vessel: str) -> list[Valve]:
    return [v for v in in_order(site.valves) if v.vessel == vessel]


def _longest_stroke(valves: Iterable[Valve]) -> int:
    return max((v.stroke_ns for v in valves), default=0)


def _sum(parts: Iterable[_Part]) -> str:
    return " + ".join(f"{name} {_time(ns)}".strip() for name, ns in parts)


def _total(parts: Iterable[_Part]) -> str:
    return _time(sum(ns for _, ns in parts))


def _time(ns: int) -> str:
    """Return a duration with decimals of a second, as bounds add up: "9 min 41.2 s"."""
    whole, rest = divmod(ns, NS_PER_S)
    if not rest:
        return format_duration(ns)
    minutes, seconds = whole // 60 * 60 * NS_PER_S, Fraction(ns % (60 * NS_PER_S), NS_PER_S)
    decimals = next(d for d in range(1, 10) if (seconds * 10**d).denominator == 1)
    text = f"{format_number(seconds, decimals)} s"
    return f"{format_duration(minutes)} {text}" if minutes else text


def _count(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"
