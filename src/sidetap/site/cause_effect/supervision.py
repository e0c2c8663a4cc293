"""Supervision of a valve: its switches against its command lock its bay out."""

from __future__ import annotations

from sidetap.quantity import format_duration
from sidetap.scheme import Expr, choose, on_delay
from sidetap.site.cause_effect.draft import Draft, ms
from sidetap.site.cause_effect.posts import Post
from sidetap.site.model import Valve


def supervise(draft: Draft, post: Post, valve: Valve, command: Expr, reset: Expr) -> None:
    """Lock a valve out when its switches disagree with a command that has stood for stroke + margin.

    Nothing is supervised while the module is not live, whose switches say nothing then (a start, or a module that was
    away, locks nothing out), nor in HAND, where somebody else moves the valve. reset: a person resets lock-outs.
    """
    b, tag = draft.b, valve.tag
    is_closed, is_open = draft.wired[valve.closed_switch], draft.wired[valve.open_switch]
    disagrees = choose(command, is_closed | ~is_open, is_open | ~is_closed)
    supervised = draft.live(valve.closed_switch) & ~draft.wired[post.bay.hand_input]
    stands = supervised & disagrees & command.equals(post.was_open[tag])
    late = on_delay(b, f"{tag}.supervise", stands, ms(valve.supervise_ns))
    locked = b.assign(f"{tag}.locked_out", late | (post.was_locked[tag] & ~(reset & ~disagrees)))
    b.output(f"{tag}.locked_out", locked)
    exactly = f"a switch against its command for {format_duration(valve.supervise_ns)}, latched until reset"
    draft.alarm(f"{tag}-mismatch", "high", f"valve {tag} did not follow its command", locked, exactly)
