"""Values -> the TOML that stands for them, for edits of a site file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from typing import TypeAlias

Value: TypeAlias = "str | bool | int | Decimal | date | list[Value] | tuple[Value, ...] | Mapping[str, Value]"

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SHORT = {"\\": "\\\\", '"': '\\"', "\t": "\\t", "\n": "\\n", "\r": "\\r"}


def written(value: Value) -> str:
    """Return a value on one line; a mapping as an inline table. ValueError for what TOML has no form of."""
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, Decimal) and value.is_finite():
        text = f"{value:f}"
        return text if "." in text else f"{text}.0"
    if isinstance(value, date) and not isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(written(item) for item in value) + "]"
    if isinstance(value, Mapping):
        inside = ", ".join(f"{written_key(key)} = {written(item)}" for key, item in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    raise ValueError(f"{type(value).__name__} has no form in a site file")


def written_key(key: str) -> str:
    """Return a key, in quotes where it isn't bare."""
    return key if _BARE_KEY.fullmatch(key) else _text(key)


def _text(text: str) -> str:
    return '"' + "".join(_SHORT.get(c) or (c if c.isprintable() else _escape(c)) for c in text) + '"'


def _escape(character: str) -> str:
    code = ord(character)
    return f"\\u{code:04X}" if code < 0x10000 else f"\\U{code:08X}"
