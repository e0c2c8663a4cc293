"""What people and wires say at a bay in a scan, and what its valves were before it.

This is all that other bays may know of a bay: raw inputs, and states of the scan before.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sidetap.quantity import format_duration
from sidetap.scheme import Expr, any_of, on_delay, rises
from sidetap.site.cause_effect.draft import AGE_LIMIT_MS, Draft, ms
from sidetap.site.model import Bay, Valve


@dataclass(frozen=True, slots=True)
class Post:
    """One bay in one scan; mappings are by the tags of its valves.

    close: a close key is pressed, or its wire is broken. asked: an open key has risen while this valve is chosen,
    whether or not it may open. was_open, was_locked: command and lock-out of the scan before. shown_closed: the
    closed switch is made and the open one is not. contradicts: both are made.
    """

    bay: Bay
    valves: tuple[Valve, ...]
    close: Expr
    panel_lost: Expr
    asked: Mapping[str, Expr]
    was_open: Mapping[str, Expr]
    was_locked: Mapping[str, Expr]
    shown_closed: Mapping[str, Expr]
    contradicts: Mapping[str, Expr]
    any_was_open: Expr

    def number(self, valve: Valve) -> int:
        """Return a valve's number on the bay's choice."""
        return self.valves.index(valve) + 1


def read_post(draft: Draft, bay: Bay) -> Post:
    """Declare a bay's keys, choice, switches and commands, and raise the alarms that these alone make."""
    b, tag, valves = draft.b, bay.tag, draft.site.valves_of(bay.tag)
    panel_open, panel_close = b.input_bool(f"{tag}.panel_open"), b.input_bool(f"{tag}.panel_close")
    post_open = draft.wired[bay.open_key]
    choice = b.input_int(f"{tag}.choice", 0, len(valves))
    press = rises(b, f"{tag}.post_key", post_open) | rises(b, f"{tag}.panel_key", panel_open)
    panel_lost = b.input_int(f"{tag}.panel_age", 0, AGE_LIMIT_MS) >= ms(bay.panel_lost_after_ns)

    held, lost = format_duration(bay.stuck_key_after_ns), format_duration(bay.panel_lost_after_ns)
    stuck_ms = ms(bay.stuck_key_after_ns)
    stuck = on_delay(b, f"{tag}.stuck_post", post_open, stuck_ms)
    stuck = stuck | on_delay(b, f"{tag}.stuck_panel", panel_open, stuck_ms)
    draft.alarm(f"{tag}-stuck-key", "low", f"the open key of bay {tag} is held or stuck", stuck, f"for {held}")
    draft.alarm(f"{tag}-panel", "low", f"the panel of bay {tag} is lost", panel_lost, f"not heard for {lost}")
    hand_text = f"bay {tag} is in HAND: its outputs are released"
    draft.alarm(f"{tag}-hand", "low", hand_text, draft.wired[bay.hand_input])
    closed = {v.tag: draft.wired[v.closed_switch] for v in valves}
    opened = {v.tag: draft.wired[v.open_switch] for v in valves}
    was_open = {v.tag: b.state_bool(f"{v.tag}.command") for v in valves}
    return Post(
        bay=bay,
        valves=valves,
        close=panel_close | ~draft.wired[bay.close_key],
        panel_lost=panel_lost,
        asked={v.tag: press & choice.equals(number) for number, v in enumerate(valves, start=1)},
        was_open=was_open,
        was_locked={v.tag: b.state_bool(f"{v.tag}.locked_out") for v in valves},
        shown_closed={v.tag: closed[v.tag] & ~opened[v.tag] for v in valves},
        contradicts={v.tag: closed[v.tag] & opened[v.tag] for v in valves},
        any_was_open=any_of(*was_open.values()),
    )
