"""A bay's account of open time and openings: one per ticket, never cleared within it, at its worst after a crash."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import lcm

from sidetap.scheme import Expr, any_of, choose, elapsed, minimum, running_time, times
from sidetap.site.cause_effect.draft import Draft, ms
from sidetap.site.cause_effect.posts import Post
from sidetap.site.cause_effect.tickets import Ticket
from sidetap.site.model import Valve

STORE_INTERVAL_MS = 1000  # the station stores a running account at least this often


@dataclass(frozen=True, slots=True)
class Account:
    """The account before this scan's openings. full is used up; weights are by the tags of the valves.

    spent: with the time since the scan before; used_up: no open time is left. openings: so far on this ticket, and
    would_restart: another one would be one after the first. last: the number of the valve opened last on it, 0 for
    none. waited: the wait between closing and opening is over.
    """

    full: int
    weights: Mapping[str, int]
    most_openings: int
    spent: Expr
    used_up: Expr
    openings: Expr
    would_restart: Expr
    last: Expr
    waited: Expr

    def stroke(self, valve: Valve) -> int:
        """Return what an opening of valve after the first adds in advance: one stroke."""
        return self.weights[valve.tag] * ms(valve.stroke_ns)


def read_account(draft: Draft, post: Post, ticket: Ticket) -> Account:
    """Return the account up to this scan."""
    b, bay, tag, valves = draft.b, post.bay, post.bay.tag, post.valves
    full = lcm(*(ms(v.open_limit_ns) for v in valves))
    weights = {v.tag: full // ms(v.open_limit_ns) for v in valves}
    most_openings = 1 + bay.restarts
    stored_account = b.input_int(f"{tag}.stored_account", 0, full)
    stored_openings = b.input_int(f"{tag}.stored_openings", 0, most_openings)
    stored_last = b.input_int(f"{tag}.stored_last", 0, len(valves))

    assert draft.site.watchdog is not None  # noqa: S101  # a site with bays has one
    lost_ms = STORE_INTERVAL_MS + ms(draft.site.watchdog.relay_time_ns) + max(ms(v.stroke_ns) for v in valves)
    restored = minimum(stored_account + max(weights.values()) * lost_ms, full)
    spent: Expr = choose(ticket.opened, 0, choose(draft.first, restored, b.state_int(f"{tag}.account", 0, 0, full)))
    for v in valves:
        spent = spent + choose(post.was_open[v.tag], times(weights[v.tag], elapsed()), 0)
    openings = choose(draft.first, stored_openings, b.state_int(f"{tag}.openings", 0, 0, most_openings))
    last = choose(draft.first, stored_last, b.state_int(f"{tag}.last", 0, 0, len(valves)))
    # the time since the last opening ended is unknown at the start, so it counts from there
    wait_ms = ms(bay.restart_wait_ns)
    waited = running_time(b, f"{tag}.closed_for", ~post.any_was_open, wait_ms) >= wait_ms
    spent = minimum(spent, full)
    openings = choose(ticket.opened, 0, openings)
    return Account(
        full=full,
        weights=weights,
        most_openings=most_openings,
        spent=spent,
        used_up=spent >= full,
        openings=openings,
        would_restart=openings >= 1,
        last=choose(ticket.opened, 0, last),
        waited=waited,
    )


def settle_account(
    draft: Draft, post: Post, ticket: Ticket, account: Account, starts: Mapping[str, Expr], any_open: Expr
) -> None:
    """Take this scan's openings into the account, and end a ticket on which nothing may be opened any more.

    starts: whether a valve's command rises, by its tag. any_open: whether a valve of the bay has a command now.
    """
    b, tag = draft.b, post.bay.tag
    spent, last = account.spent, account.last
    for valve in post.valves:
        start = starts[valve.tag]
        spent = spent + choose(start & account.would_restart, account.stroke(valve), 0)
        last = choose(start, post.number(valve), last)
    spent = b.assign(f"{tag}.account", minimum(spent, account.full))
    opened = choose(any_of(*starts.values()), 1, 0)
    openings = b.assign(f"{tag}.openings", minimum(account.openings + opened, account.most_openings))
    finished = ~any_open & ((openings >= account.most_openings) | account.used_up)
    b.output(f"{tag}.ticket", b.assign(f"{tag}.ticket", ticket.stands & ~finished))
    b.output(f"{tag}.account", spent)
    b.output(f"{tag}.openings", openings)
    b.output(f"{tag}.last", b.assign(f"{tag}.last", last))
