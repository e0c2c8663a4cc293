"""A bay's ticket: opened once the hose is seen off, ended by a person, by time used up, or by its last closing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sidetap.quantity import format_duration
from sidetap.scheme import FALSE, Expr, choose, latch, on_delay
from sidetap.site.cause_effect.draft import Draft, ms
from sidetap.site.cause_effect.posts import Post


@dataclass(frozen=True, slots=True)
class Ticket:
    """A bay's ticket before this scan's commands.

    opened: in this scan. stands: it is open, and nobody ends it in this scan. interrupted: a start found it open, and
    nobody has resumed it. names: whether it names a valve's vessel, by the valve's tag.
    """

    opened: Expr
    stands: Expr
    interrupted: Expr
    names: Mapping[str, Expr]


def read_ticket(draft: Draft, post: Post) -> Ticket:
    """Declare what people do with a bay's ticket, and return what becomes of it."""
    b, bay, tag = draft.b, post.bay, post.bay.tag
    asked = b.input_bool(f"{tag}.ticket_open")
    ends, resumes = b.input_bool(f"{tag}.ticket_end"), b.input_bool(f"{tag}.ticket_resume")
    stored = b.input_bool(f"{tag}.stored_ticket")
    hose = draft.wired[bay.hose_input]

    before = choose(draft.first, stored, b.state_bool(f"{tag}.ticket"))
    seen_off = b.state_bool(f"{tag}.hose_seen_off") | (~hose & draft.live(bay.hose_input) & ~before)
    had_ticket = latch(b, f"{tag}.had_ticket", before, FALSE)
    left_on = hose & had_ticket & ~before & ~seen_off
    hose_left = on_delay(b, f"{tag}.hose_left", left_on, ms(bay.hose_left_after_ns))
    opened = asked & ~before & seen_off & ~hose_left
    stands = (before | opened) & ~ends
    b.assign(f"{tag}.hose_seen_off", seen_off & ~opened)
    interrupted_before = choose(draft.first, stored, b.state_bool(f"{tag}.interrupted"))
    # a ticket that ends in its very first scan leaves nothing to the next one
    interrupted = interrupted_before & stands & ~opened & ~(resumes & ~draft.first)
    b.output(f"{tag}.interrupted", b.assign(f"{tag}.interrupted", interrupted))
    b.output(f"{tag}.ticket_refused", asked & ~opened)
    text, left_after = f"the hose of bay {tag} is still on after its ticket", format_duration(bay.hose_left_after_ns)
    draft.alarm(f"{tag}-hose-left", "high", text, hose_left, f"for {left_after}")
    draft.sound(f"the hose of bay {tag} is still on {left_after} after its ticket", hose_left)
    return Ticket(opened, stands, interrupted, {v.tag: b.input_bool(f"{v.tag}.on_ticket") for v in post.valves})
