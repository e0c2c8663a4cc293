"""What a page may ask, and nothing else: a message from a page -> the message for the station, or None.

The bay is the panel's own and is filled in here: no page can ask for another bay. What comes of an ask is decided
by the station alone.
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
    "level-checked": ("vessel", "person"),
    "reset-lockout": ("person",),
    "bypass": ("vessel", "person"),
    "approve-bypass": ("vessel", "person"),
    "end-bypass": ("vessel", "person"),
}
WITHOUT_BAY = {ask for ask, fields in ASKS.items() if "vessel" in fields}  # a vessel belongs to no bay
TEXT_LIMIT = 200
LIST_LIMIT = 64


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


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and 0 < len(value) <= TEXT_LIMIT


def _is_texts(value: Any) -> bool:
    return isinstance(value, list) and len(value) <= LIST_LIMIT and all(_is_text(v) for v in value)
