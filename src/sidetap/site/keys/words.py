"""A key -> sentences about it, for docs and for people at a terminal; markdown's back quotes around what is typed."""

from __future__ import annotations

from sidetap.site.keys.forms import (
    Choice,
    Day,
    Duration,
    Fact,
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
from sidetap.site.keys.units import bounds_of, units_of

_FORM_NAMES: dict[type[Form], str] = {
    Text: "text",
    Fact: "a fact",
    Tag: "a tag: up to 32 letters, digits, - and _",
    FileName: "a file beside this one",
    Whole: "a whole number",
    Number: "a number",
    Quantity: "a quantity with its unit, as text",
    Length: "a length with its unit, as text",
    Duration: "a duration with its unit, as text",
    Range: "lowest and highest, two quantities in units like the point's",
    Day: "a date",
    TimeOfDay: "a time of day",
    Inner: "a table",
    Many: "tables",
}


def form_name(form: Form) -> str:
    """Return what may stand at a key, without bounds and units."""
    match form:
        case Choice(options):
            return f"one of {', '.join(options)}"
        case WordOrInner(words):
            return f"one of {', '.join(words)}, or a table"
        case Reference(kind):
            return f"the tag of a [[{kind}]]"
        case Texts(Reference(kind)):
            return f"a list of tags of [[{kind}]]"
        case Texts(Fact()):
            return 'a list of facts: "TAG STATE"'
        case Texts():
            return "a list of texts"
        case Duration(whole_seconds=True):
            return f"{_FORM_NAMES[Duration]}, of whole seconds"
    return _FORM_NAMES[type(form)]


def allowed(form: Form) -> str:
    """Return what may stand at a key of this form, with its bounds, for a table of a document."""
    if isinstance(form, Choice):
        return " ".join(f"`{option}`" for option in form.options)
    if isinstance(form, WordOrInner):
        return " ".join(f"`{word}`" for word in form.words) + ", or a table"
    bounds = bounds_of(form)
    if bounds is None:
        return form_name(form)
    told = " to ".join(bounds)
    if isinstance(form, Quantity):
        return f"{told}; in {' '.join(units_of(form))}"
    return f"{told}, whole seconds" if isinstance(form, Duration) and form.whole_seconds else told


def may_be_left_out(key: Key) -> str:
    """Return whether and with what effect a key may be left out; "" when it must be there."""
    if not key.optional:
        return ""
    return f"*optional,* {key.default}" if key.default else "*optional*"


def belongs(key: Key) -> str:
    """Return with which words of its table's deciding key a key belongs there; "" with any."""
    return "with " + " ".join(f"`{word}`" for word in key.only) if key.only else ""
