"""One bay: its causes become its valves' commands, and these its ticket, its account and its pump permit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sidetap.scheme import Expr, any_of
from sidetap.site.cause_effect import causes
from sidetap.site.cause_effect.account import Account, read_account, settle_account
from sidetap.site.cause_effect.compiled import Cause, CompiledBay, CompiledValve
from sidetap.site.cause_effect.draft import Draft, ms
from sidetap.site.cause_effect.posts import Post
from sidetap.site.cause_effect.reasons import Reason
from sidetap.site.cause_effect.sharing import Sharing
from sidetap.site.cause_effect.supervision import supervise
from sidetap.site.cause_effect.tickets import Ticket, read_ticket
from sidetap.site.cause_effect.vessels import Level
from sidetap.site.model import Valve


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a bay's valves depend on beside their bay.

    voted: whether enough vessels have tripped, by a vote's rule. starting: the hold after the start stands.
    """

    draft: Draft
    levels: Mapping[str, Level]
    voted: Mapping[str, Expr]
    sharing: Sharing
    starting: Expr


def compile_bay(around: Surroundings, post: Post) -> tuple[CompiledBay, dict[str, Expr]]:
    """Compile a bay, and return with it the commands of this scan by the tags of its valves."""
    draft, b = around.draft, around.draft.b
    ticket = read_ticket(draft, post)
    account = read_account(draft, post, ticket)
    lockout_reset = b.input_bool(f"{post.bay.tag}.lockout_reset")
    compiled: list[CompiledValve] = []
    commands: dict[str, Expr] = {}
    starts: dict[str, Expr] = {}
    for valve in post.valves:
        closing = _closing(around, post, valve, ticket, account)
        keeping = _keeping(around, post, valve, account)
        closes, keeps = (any_of(*(r.when for r in reasons)) for reasons in (closing, keeping))
        starts[valve.tag] = post.asked[valve.tag] & ~(closes | keeps)
        stays = post.was_open[valve.tag] & ~closes
        commands[valve.tag] = b.assign(f"{valve.tag}.command", starts[valve.tag] | stays)
        b.output(f"{valve.tag}.command", commands[valve.tag])
        named = _named(draft, valve, closing, closes=True) + _named(draft, valve, keeping, closes=False)
        compiled.append(_compiled(post, valve, account, named))
        supervise(draft, post, valve, commands[valve.tag], lockout_reset)
    any_open = any_of(*commands.values())
    b.output(f"{post.bay.tag}.pump", any_open)
    settle_account(draft, post, ticket, account, starts, any_open)
    return CompiledBay(post.bay.tag, account.full, tuple(compiled)), commands


def _closing(around: Surroundings, post: Post, valve: Valve, ticket: Ticket, account: Account) -> list[Reason]:
    """Return all that closes a valve and keeps it closed; the first one that stands is told as what closed it."""
    return [
        *causes.closing_at_bay(around.draft, post, valve, account),
        *causes.closing_by_levels(around.draft, post, around.levels[valve.vessel], around.voted),
        *around.sharing.closing(post, valve),
        *causes.closing_at_valves(post, valve, ticket),
    ]


def _keeping(around: Surroundings, post: Post, valve: Valve, account: Account) -> list[Reason]:
    """Return what only keeps a valve from opening."""
    return [
        *causes.keeping_at_site(around.draft, around.starting),
        *causes.keeping_at_bay(around.draft, post, valve, account),
        *around.sharing.keeping(post, valve),
        *causes.keeping_at_vessel(around.draft, post, around.levels[valve.vessel]),
        *causes.keeping_at_valve(post, valve, account),
    ]


def _named(draft: Draft, valve: Valve, reasons: list[Reason], closes: bool) -> tuple[Cause, ...]:
    """Give each reason its output, and return them as causes."""
    named = []
    for r in reasons:
        output = f"{valve.tag}.block.{r.name}"
        draft.b.output(output, r.when)
        named.append(Cause(r.name, output, r.text, closes, r.remedy, r.exactly))
    return tuple(named)


def _compiled(post: Post, valve: Valve, account: Account, named: tuple[Cause, ...]) -> CompiledValve:
    limit_ms, stroke_ms = ms(valve.open_limit_ns), ms(valve.stroke_ns)
    number, weight = post.number(valve), account.weights[valve.tag]
    return CompiledValve(valve.tag, valve.vessel, number, limit_ms, weight, stroke_ms, named)
