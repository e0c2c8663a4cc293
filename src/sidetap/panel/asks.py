"""What a page may ask, and nothing else: a message from a page -> the message for the station, or None.

The bay is the panel's own and is filled in here: no page can ask for another bay. What comes of an ask is decided
by the station alone. The one thing judged here is whether a press is still of now: an open that was caught in a
stalled process, and comes out of it seconds later, is a press nobody makes any more.
"""

from __future__ import annotations

from typing import Any

ASKS: dict[str, tuple[str, ...]] = {
    "alive": (),
    "choose": ("valve",),
    "open": ("valve",),
    "close": (),
    "ticket": ("person", "vessels"),
    "end-ticket": ("person",),
    "resume": ("person",),
    "reset-trip": ("vessel", "person"),
    "reset-lockout": ("person",),
}
WITHOUT_BAY = {"reset-trip"}  # a vessel belongs to no bay
TEXT_LIMIT = 200
LIST_LIMIT = 64

FRESH_S = 1.0  # five snapshots
FRESH_FRAMES = 10  # two seconds of snapshots


def for_station(message: Any, bay: str) -> dict[str, Any] | None:
    """Return the station's form of a page's message, with the fields of its ask only; None when it isn't one."""
    if not isinstance(message, dict) or not isinstance(message.get("ask"), str):
        return None
    ask = message["ask"]
    if ask not in ASKS:
        return None
    passed: dict[str, Any] = {"ask": ask} if ask in WITHOUT_BAY else {"ask": ask, "bay": bay}
    for field in ASKS[ask]:
        value = message.get(field)
        good = _is_texts(value) if field == "vessels" else _is_text(value)
        if not good:
            return None
        passed[field] = value
    return passed


def is_fresh_press(pressed_on_seq: Any, newest_seq: int | None, newest_age_s: float | None) -> bool:
    """Return whether a press belongs to what the station shows now.

    pressed_on_seq: the snapshot that the person saw. newest_seq, newest_age_s: the newest snapshot that the panel
    holds, and how long it has had it. Both are needed: a panel that has just been woken may read the old press
    before or after the snapshots that piled up behind it.
    """
    if not isinstance(pressed_on_seq, int) or newest_seq is None or newest_age_s is None:
        return False
    return newest_age_s <= FRESH_S and 0 <= newest_seq - pressed_on_seq <= FRESH_FRAMES


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and 0 < len(value) <= TEXT_LIMIT


def _is_texts(value: Any) -> bool:
    return isinstance(value, list) and len(value) <= LIST_LIMIT and all(_is_text(v) for v in value)
