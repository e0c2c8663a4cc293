"""The order in which a site's parts are compiled: what all read first, what depends on commands last."""

from __future__ import annotations

from collections.abc import Mapping

from sidetap.scheme import FALSE, Expr, any_of, choose, elapsed, minimum, votes
from sidetap.site.cause_effect.bays import Surroundings, compile_bay
from sidetap.site.cause_effect.bypass import compile_bypass
from sidetap.site.cause_effect.compiled import CompiledScheme
from sidetap.site.cause_effect.draft import Draft, ms
from sidetap.site.cause_effect.posts import read_post
from sidetap.site.cause_effect.sharing import Sharing
from sidetap.site.cause_effect.vessels import Level, compile_vessel, watch_draws
from sidetap.site.model import Site, TripVote, in_order


def compile_site(site: Site) -> CompiledScheme:
    """Return the scheme of a checked site."""
    draft = Draft(site)
    bypassed = compile_bypass(draft)
    vessels = in_order(site.vessels)
    levels = {v.tag: compile_vessel(draft, v, bypassed.get(v.tag, FALSE)) for v in vessels}
    posts = [read_post(draft, bay) for bay in in_order(site.bays)]
    sharing = Sharing(draft, posts, levels)
    around = Surroundings(draft, levels, _voted(site, levels), sharing, _starting(draft))
    compiled = [compile_bay(around, post) for post in posts]
    commands = {tag: command for _, of_bay in compiled for tag, command in of_bay.items()}
    sharing.remember(commands)
    _watch_draws(draft, levels, commands)
    _beat(draft)
    horn = draft.horn()
    return CompiledScheme(
        program=draft.b.program(),
        bays=tuple(bay for bay, _ in compiled),
        vessels=tuple(level.compiled for level in levels.values()),
        alarms=tuple(draft.alarms),
        horn=horn,
    )


def _voted(site: Site, levels: Mapping[str, Level]) -> dict[str, Expr]:
    """Return by rule whether enough of its vessels have tripped and are not bypassed."""
    rules = [rule for rule in in_order(site.rules) if isinstance(rule, TripVote)]
    return {rule.tag: votes([levels[tag].tripped for tag in rule.vessels], rule.at_least) for rule in rules}


def _starting(draft: Draft) -> Expr:
    """Return whether the hold after the start stands; what had elapsed before the first scan doesn't count."""
    hold_ms = ms(draft.site.start_hold_ns)
    before = draft.b.state_int("site.up", 0, 0, hold_ms)
    up_ms = choose(draft.first, 0, minimum(before + elapsed(), hold_ms))
    return draft.b.assign("site.up", up_ms) < hold_ms


def _watch_draws(draft: Draft, levels: Mapping[str, Level], commands: Mapping[str, Expr]) -> None:
    """Watch the vessels that have valves: what leaves another one, no valve has let out."""
    for tag, level in levels.items():
        valves = [v for v in in_order(draft.site.valves) if v.vessel == tag]
        if valves:
            watch_draws(draft, level, valves, any_of(*(commands[v.tag] for v in valves)))


def _beat(draft: Draft) -> None:
    """Alternate the watchdog's output with every scan, from true in the first one."""
    before = draft.b.state_bool("site.watchdog")
    draft.b.output("site.watchdog", draft.b.assign("site.watchdog", ~before))
