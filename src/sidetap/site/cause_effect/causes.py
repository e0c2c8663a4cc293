"""All that keeps a valve closed, in the order in which it is told."""

from __future__ import annotations

from collections.abc import Mapping

from sidetap.quantity import NS_PER_S, format_duration
from sidetap.scheme import Expr, all_of, any_of
from sidetap.site.cause_effect.account import Account
from sidetap.site.cause_effect.draft import Draft
from sidetap.site.cause_effect.posts import Post
from sidetap.site.cause_effect.reasons import Reason
from sidetap.site.cause_effect.tickets import Ticket
from sidetap.site.cause_effect.vessels import Level
from sidetap.site.cause_effect.words import below_words, listed, on_screen, one_of, trip_words
from sidetap.site.model import QuietHours, Site, TripVote, Valve, in_order, natural

NEW_TICKET = "end this ticket and open a new one"


def closing_at_bay(draft: Draft, post: Post, valve: Valve, account: Account) -> list[Reason]:
    """Return what closes a valve from the bay itself: keys, the limit, its permissives."""
    bay, wired = post.bay, draft.wired
    limit = format_duration(valve.open_limit_ns)
    return [
        Reason(
            "close-key",
            post.close,
            "Close was pressed (or the wire of the post's close key is broken)",
            "let go of Close; when nobody holds it, have its wire looked at",
        ),
        Reason(
            "limit",
            post.was_open[valve.tag] & account.used_up,
            "the open time of this ticket is used up",
            NEW_TICKET,
            f"{limit} of one ticket, or its share beside other vessels; kept over closing and opening again",
        ),
        *(_permissive(draft, post, tag) for tag in sorted(bay.run_permissives, key=natural)),
        Reason(
            "selector",
            wired[bay.auto_input] & wired[bay.hand_input],
            "the selector shows AUTO and HAND at once",
            "turn the selector to AUTO; when it still shows both, have its wires looked at",
        ),
        Reason(
            "panel-lost",
            post.panel_lost,
            "the bay's panel is lost",
            "wait until the panel is back, or have it looked at",
            f"not heard for {format_duration(bay.panel_lost_after_ns)}",
        ),
    ]


def _permissive(draft: Draft, post: Post, tag: str) -> Reason:
    remedy = {
        post.bay.auto_input: "turn the selector to AUTO",
        post.bay.stop_input: "release what has opened the stop circuit",
        post.bay.hose_input: "put the hose on",
    }.get(tag, f"put right what it says, or have {tag} and its wire looked at; never bridge it")
    wired = draft.input(tag)
    text = wired.when_off or f"{tag} is not energised"
    older = f"or older than {format_duration(wired.max_age_ns)}"
    exactly = f"{tag} not energised, {older}" if wired.when_off else older
    return Reason(tag, ~draft.wired[tag], text, remedy, exactly)


def closing_by_levels(draft: Draft, post: Post, level: Level, voted: Mapping[str, Expr]) -> list[Reason]:
    """Return what closes a valve by its vessel's level, or by trips of several vessels; voted: by the vote's rule."""
    site, vessel, trip = draft.site, level.vessel, level.vessel.trip
    tag, enough = vessel.tag, on_screen(site, post.bay, vessel, trip.reset_above_01mm)
    point = site.point(vessel.level.point)
    return [
        Reason(
            "trip",
            level.tripped,
            f"{tag} has tripped on low level",
            f"press reset once {tag} stands at {enough} or more",
            trip_words(site, vessel),
        ),
        *_voted(site, post, voted),
        Reason(
            "bad", level.bad, f"{tag} has no valid level", f"wait until {tag} has a valid level, or have it looked at"
        ),
        Reason(
            "old",
            level.old,
            f"{tag}'s level is old",
            f"wait until {tag} is heard again, or have the line looked at",
            f"nothing good heard for {format_duration(point.close_age_ns)}",
        ),
    ]


def _voted(site: Site, post: Post, voted: Mapping[str, Expr]) -> list[Reason]:
    reasons = []
    for rule in in_order(site.rules):
        if isinstance(rule, TripVote) and post.bay.tag in rule.bays:
            count = f"{rule.at_least} of {listed(sorted(rule.vessels, key=natural), 'and')}"
            text = f"at least {count} have tripped on low level"
            remedy = f"reset trips until fewer than {count} stand"
            reasons.append(Reason(rule.tag, voted[rule.tag], text, remedy, "a bypassed trip doesn't count"))
    return reasons


def closing_at_valves(post: Post, valve: Valve, ticket: Ticket) -> list[Reason]:
    """Return what closes a valve from the bay's valves and its ticket."""
    others = [v for v in post.valves if v is not valve]
    supervised = listed(sorted({format_duration(v.supervise_ns) for v in post.valves}), "or")
    lead = one_of(post.bay.resume_role)
    return [
        Reason(
            "other-valve",
            ~all_of(*(post.shown_closed[v.tag] for v in others)),
            "another valve of the bay is not shown closed",
            "have the bay's other valves closed and shown so by their switches",
        ),
        Reason(
            "switches",
            any_of(*post.contradicts.values()),
            "a valve shows open and closed at once",
            "have that valve's limit switches looked at",
        ),
        Reason(
            "locked-out",
            any_of(*post.was_locked.values()),
            "a valve did not follow its command",
            "reset the lock-out once that valve's switches agree with its command",
            f"switches of a valve of the bay against its command for {supervised}",
        ),
        Reason("ticket", ~ticket.stands, "no ticket is open", "take the hose off and open a ticket"),
        Reason(
            "not-on-ticket",
            ~ticket.names[valve.tag],
            f"the ticket does not name {valve.vessel}",
            f"open a ticket that names {valve.vessel}",
        ),
        Reason(
            "interrupted",
            ticket.interrupted,
            f"the load was interrupted; {lead} must resume it",
            f"have {lead} resume the ticket, or end it",
        ),
    ]


def keeping_at_site(draft: Draft, starting: Expr) -> list[Reason]:
    """Return what keeps every valve of the site from opening."""
    hold = format_duration(draft.site.start_hold_ns)
    reasons = [
        Reason("starting", starting, "the station has just started", f"wait {hold} from the start", f"for {hold}")
    ]
    for rule in in_order(draft.site.rules):
        if isinstance(rule, QuietHours):
            text, until = "no levels are polled at this hour", _clock(rule.to_minute)
            hours = f"from {_clock(rule.from_minute)} to {until}"
            reasons.append(Reason(rule.tag, draft.quiet[rule.tag], text, f"wait until {until}", hours))
    return reasons


def keeping_at_bay(draft: Draft, post: Post, valve: Valve, account: Account) -> list[Reason]:
    """Return what keeps a valve from opening while another one of its bay is open, or after another product."""
    product = {v.tag: draft.site.vessel(v.vessel).product for v in post.valves}
    table = dict(draft.site.compatible)
    # a blank cell forbids
    refused = [v for v in post.valves if product[valve.tag] not in table.get(product[v.tag], ())]
    reasons = [Reason("open", post.any_was_open, "a valve of the bay is open", "close it first")]
    if refused:
        before = listed(list(dict.fromkeys(product[v.tag] for v in refused)), "or")
        when = any_of(*(account.last.equals(post.number(v)) for v in refused))
        text = f"{product[valve.tag]} may not follow {before} on one ticket"
        reasons.append(Reason("product", when, text, NEW_TICKET))
    return reasons


def keeping_at_vessel(draft: Draft, post: Post, level: Level) -> list[Reason]:
    """Return what keeps a valve from opening because its vessel's level is not known well enough, or too low."""
    vessel, trip = level.vessel, level.vessel.trip
    tag, filled = vessel.tag, format_duration(level.compiled.needed_s * NS_PER_S)
    enough = on_screen(draft.site, post.bay, vessel, trip.below_01mm)
    late_ns = draft.site.point(vessel.level.point).warn_age_ns
    return [
        Reason(
            "late",
            level.late,
            f"{tag}'s level is late",
            f"wait until {tag} is heard again",
            f"nothing good heard for {format_duration(late_ns)}",
        ),
        Reason(
            "window",
            ~level.full,
            f"{tag}'s level has not been good for long enough",
            f"wait until {tag}'s level has been good for {filled}",
            f"good for less than {filled} without a gap",
        ),
        Reason(
            "below-trip",
            level.below_trip,
            f"{tag} is below its trip",
            f"wait until {tag} stands at {enough} or more",
            below_words(draft.site, vessel, trip.below_01mm),
        ),
    ]


def keeping_at_valve(post: Post, valve: Valve, account: Account) -> list[Reason]:
    """Return what keeps a valve from opening by itself: its switches, and what is left of the ticket's restarts."""
    bay, stroke = post.bay, account.stroke(valve)
    wait = format_duration(bay.restart_wait_ns)
    no_room = account.would_restart & (account.spent + stroke >= account.full)
    return [
        Reason(
            "own-valve",
            ~post.shown_closed[valve.tag],
            "the valve is not shown closed",
            f"have {valve.tag} closed and shown so by its switches",
        ),
        Reason(
            "restarts",
            account.openings >= account.most_openings,
            "the restarts of this ticket are used up",
            NEW_TICKET,
            f"{bay.restarts} a ticket, from any vessel",
        ),
        Reason(
            "wait",
            account.would_restart & ~account.waited,
            f"less than {wait} has passed since closing",
            "wait until it has passed",
            f"{wait} from closing to the next opening of a ticket",
        ),
        Reason(
            "no-time",
            account.used_up | no_room,
            "the ticket has no open time left for a restart",
            NEW_TICKET,
            f"what is left of the limit is not more than one stroke, {format_duration(valve.stroke_ns)}",
        ),
    ]


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"
