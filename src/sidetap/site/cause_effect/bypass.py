"""Bypasses: two people set the low trip of one named vessel aside for a time.

Who may ask and who may approve is the station's business; the scheme sees two acts in different scans. One bypass at
a time, and a horn at its end. A bypass hides a trip from the valves and from votes, and nothing else: the trip goes
on latching, so that the end of a bypass closes in the scan in which it comes. It is a high alarm, since a protection
is set aside (common practice, no source).
"""

from __future__ import annotations

from sidetap.quantity import NS_PER_MS, format_duration
from sidetap.scheme import Expr, any_of, choose
from sidetap.site.cause_effect.draft import Draft, counted_down, ms
from sidetap.site.model import natural

ASK_STANDS_MS = 60_000  # common practice, no source: whoever approves stands beside whoever asks
HORN_MS = 10_000  # common practice, no source: long enough to be heard at the far end of a yard


def compile_bypass(draft: Draft) -> dict[str, Expr]:
    """Return whether a vessel's low trip is set aside in this scan, by the tags of the vessels named for it."""
    bypass = draft.site.bypass
    if bypass is None:
        return {}
    b, tags = draft.b, sorted(bypass.trips, key=natural)
    lasts_ms = b.input_int("site.bypass_ms", 1, ms(bypass.at_most_ns))
    ends = {tag: b.input_bool(f"{tag}.bypass_end") for tag in tags}
    approved = {tag: _approved(draft, tag) & ~ends[tag] for tag in tags}
    left_before = {tag: b.state_int(f"{tag}.bypass", 0, 0, ms(bypass.at_most_ns)) for tag in tags}
    none_ran = ~any_of(*(left > 0 for left in left_before.values()))
    lasts = f"for {format_duration(bypass.time_ns)} unless told, {format_duration(bypass.at_most_ns)} at most"
    bypassed, ended = {}, []
    for number, tag in enumerate(tags):
        starts = approved[tag] & none_ran & ~any_of(*(approved[earlier] for earlier in tags[:number]))
        goes_on = choose(ends[tag], 0, counted_down(left_before[tag]))
        left = b.assign(f"{tag}.bypass", choose(starts, lasts_ms, goes_on))
        bypassed[tag] = left > 0
        ended.append((left_before[tag] > 0) & ~bypassed[tag])
        b.output(f"{tag}.bypassed", bypassed[tag])
        b.output(f"{tag}.bypass_left_ms", left)
        draft.alarm(f"{tag}-bypassed", "high", f"the low trip of {tag} is bypassed", bypassed[tag], lasts)
    _sound(draft, any_of(*ended))
    return bypassed


def _approved(draft: Draft, tag: str) -> Expr:
    """Return whether a bypass is approved that was asked for in an earlier scan; that uses up the ask."""
    b = draft.b
    ask, approve = b.input_bool(f"{tag}.bypass_ask"), b.input_bool(f"{tag}.bypass_approve")
    stands_ms = counted_down(b.state_int(f"{tag}.bypass_ask", 0, 0, ASK_STANDS_MS))
    b.assign(f"{tag}.bypass_ask", choose(ask, ASK_STANDS_MS, choose(approve, 0, stands_ms)))
    return approve & (stands_ms > 0)


def _sound(draft: Draft, ended: Expr) -> None:
    left_ms = counted_down(draft.b.state_int("site.bypass_horn", 0, 0, HORN_MS))
    left_ms = draft.b.assign("site.bypass_horn", choose(ended, HORN_MS, left_ms))
    draft.sound(f"a bypass has ended: for {format_duration(HORN_MS * NS_PER_MS)}", left_ms > 0)
