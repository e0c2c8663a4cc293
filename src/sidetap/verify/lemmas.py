"""What a person would say first about why a scheme keeps its promises: candidates for facts, by the names of states.

A site -> expressions over states of the scheme and of its judges. Nothing is believed for standing here: each is
proved together with what it is used for, or dropped, and one whose states don't exist is left out. They spare the
search for facts; a wrong one changes no verdict.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from math import lcm

from sidetap.quantity import NS_PER_MS
from sidetap.scheme import Expr, Op, Type, all_of, any_of, times
from sidetap.site.model import Bay, Site

_STORED_EVERY_MS = 1000


def lemmas(site: Site) -> list[Expr]:
    """Return the candidates, bay by bay, then those between bays and of the whole site."""
    return [*(fact for bay in site.bays for fact in _bay(site, bay)), *_between(site), *_bypass(site)]


def _flag(name: str) -> Expr:
    return Expr(Op.PREVIOUS, Type.BOOL, (), name)


def _number(name: str) -> Expr:
    return Expr(Op.PREVIOUS, Type.INT, (), name)


def _bay(site: Site, bay: Bay) -> Iterator[Expr]:
    tag, valves = bay.tag, site.valves_of(bay.tag)
    limits = {v.tag: v.open_limit_ns // NS_PER_MS for v in valves}
    full = lcm(*limits.values())
    weights = {v: full // limit for v, limit in limits.items()}
    heaviest = max(weights.values(), default=0)
    commands = {v.tag: _flag(f"{v.tag}.command") for v in valves}
    is_open = any_of(*commands.values())
    ticket, interrupted = _flag(f"{tag}.ticket"), _flag(f"{tag}.interrupted")
    account, reckoned = _number(f"{tag}.account"), _number(f"judge.{tag}.reckoned")
    true, on_disk = _number(f"judge.{tag}.true_account"), _number(f"stored.{tag}.account")
    openings, unstored_ms = _number(f"{tag}.openings"), _number(f"judge.{tag}.unstored_ms")

    # the scheme's ticket is the judge's, and what is on disk is not behind by more than a second
    yield ticket.equals(_flag(f"judge.{tag}.ticket"))
    yield ~ticket | interrupted.equals(_flag(f"judge.{tag}.interrupted"))
    yield ticket | ~_flag(f"judge.{tag}.interrupted")
    yield ~ticket | account.equals(reckoned)
    yield ~ticket | (reckoned < full)
    yield ~ticket | (on_disk <= account)
    yield ~ticket | (true <= account)
    yield ~ticket | (true <= on_disk + times(heaviest, unstored_ms))
    yield ~is_open | (unstored_ms < _STORED_EVERY_MS)
    for word in ("openings", "last"):
        yield ~ticket | _number(f"{tag}.{word}").equals(_number(f"judge.{tag}.{word}"))
        yield ~ticket | _number(f"stored.{tag}.{word}").equals(_number(f"{tag}.{word}"))
    yield ~ticket | is_open | (openings < 1 + bay.restarts)
    yield ~ticket | openings.equals(0).equals(_number(f"{tag}.last").equals(0))
    yield _flag(f"{tag}.hose_seen_off").equals(_flag(f"judge.{tag}.hose_off"))
    yield ~ticket | ~_flag(f"judge.{tag}.hose_off")
    yield _flag(f"{tag}.had_ticket").equals(_flag(f"judge.{tag}.had_ticket"))
    yield _flag(f"{tag}.hose_left.was").equals(_flag(f"judge.{tag}.hose_left"))
    left_ms, counted_ms = _number(f"{tag}.hose_left.ms"), _number(f"judge.{tag}.hose_left_ms")
    yield from (left_ms <= counted_ms, counted_ms <= left_ms)

    # an open valve is the only one, under a ticket, pressed for, and within its limit
    yield from (~(a & b) for a, b in combinations(commands.values(), 2))
    for number, (valve, command) in enumerate(commands.items(), start=1):
        open_ms = _number(f"judge.{valve}.open_ms")
        yield ~command | ticket
        yield ~command | ~interrupted
        yield ~command | _flag(f"judge.{tag}.pressed")
        yield ~command | _number(f"{tag}.last").equals(number)
        yield ~command | (times(weights[valve], open_ms) <= account)
        yield command | open_ms.equals(0)
    yield ~is_open | (openings >= 1)
    yield _flag("site.first") | _flag(f"judge.{tag}.closed").equals(~is_open)
    yield is_open | (_number(f"{tag}.closed_for.ms") <= _number(f"judge.{tag}.closed_ms"))


def _between(site: Site) -> Iterator[Expr]:
    """Yield what holds between bays: no two valves of a vessel at once. Of one that is shared it is dropped."""
    for a, b in combinations(site.valves, 2):
        if a.vessel == b.vessel and a.bay != b.bay:
            yield ~(_flag(f"{a.tag}.command") & _flag(f"{b.tag}.command"))


def _bypass(site: Site) -> Iterator[Expr]:
    yield _number("site.up").equals(_number("judge.site.since_start_ms"))
    yield _number("site.bypass_horn").equals(_number("judge.site.bypass_horn_ms"))
    trips = site.bypass.trips if site.bypass is not None else ()
    for tag in trips:
        yield _number(f"{tag}.bypass").equals(_number(f"judge.{tag}.bypass_left_ms"))
        yield _number(f"{tag}.bypass_ask").equals(_number(f"judge.{tag}.ask_left_ms"))
    # one at a time, told vessel by vessel: pairs of fifty would be a thousand
    idle = [_number(f"{tag}.bypass").equals(0) for tag in trips]
    yield from (mine | all_of(*idle[:n]) for n, mine in enumerate(idle) if n)
