"""A key -> sentences about it, for docs and for people at a terminal; markdown's back quotes around what is typed."""

from __future__ import annotations

from sidetap.quantity import UNITS
from sidetap.site.keys.forms import (
    Choice,
    Day,
    Duration,
    FileName,
    Form,
    Inner,
    Key,
    Length,
    Many,
    Number,
    Quantity,
    Range,
    Reference,
    Tag,
    Text,
    Texts,
    TimeOfDay,
    Whole,
    WordOrInner,
)


def allowed(form: Form) -> str:
    """Return what may stand at a key of this form, with its bounds."""
    match form:
        case Text():
            return "text"
        case Tag():
            return "a tag"
        case Reference(kind):
            return f"the tag of a `[[{kind}]]`"
        case FileName():
            return "a file beside this one"
        case Choice(options):
            return " ".join(f"`{option}`" for option in options)
        case Whole(low, high):
            return f"{low} to {high}"
        case Number():
            return "a number"
        case Quantity(dimension, low, high):
            units = " ".join(u.name for u in UNITS.values() if u.dimension is dimension)
            return f"{low} to {high}; in {units}"
        case Length(low, high):
            return f"{low} to {high}"
        case Duration(low, high, whole_seconds):
            return f"{low} to {high}" + (", whole seconds" if whole_seconds else "")
        case Range():
            return "two quantities in units like the point's"
        case Day():
            return "a date"
        case TimeOfDay():
            return "a time of day"
        case Texts(of):
            return "a list of tags of " + f"`[[{of.kind}]]`" if isinstance(of, Reference) else "a list of texts"
        case Many():
            return "tables"
        case Inner():
            return "a table"
        case WordOrInner(words):
            return " ".join(f"`{word}`" for word in words) + ", or a table"


def may_be_left_out(key: Key) -> str:
    """Return whether and with what effect a key may be left out; "" when it must be there."""
    if not key.optional:
        return ""
    return f"*optional,* {key.default}" if key.default else "*optional*"


def belongs(key: Key) -> str:
    """Return with which words of its table's deciding key a key belongs there; "" with any."""
    return "with " + " ".join(f"`{word}`" for word in key.only) if key.only else ""
