"""The declared keys -> a JSON Schema (draft 2020-12) by which an editor completes and marks a site file.

It tells forms: which keys there are, which must be there, words, units, whole numbers and their bounds. What a
quantity amounts to, and what tables say about each other, is the business of ``check``. JSON has no dates, so an
editor hands them over as text. The people's and the secrets' file are ``$defs`` of their own. Nothing is read here.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from datetime import date
from typing import Any, TypeAlias

from sidetap.quantity import UNITS, Dimension
from sidetap.site.facts import STATES
from sidetap.site.keys import (
    ABOVE,
    BELOW,
    FORMAT,
    STACK,
    Choice,
    Day,
    Fact,
    FileName,
    Form,
    Inner,
    Key,
    Many,
    Number,
    Range,
    Reference,
    Tag,
    Text,
    Texts,
    TimeOfDay,
    Whole,
    WordOrInner,
)
from sidetap.site.keys.tree import children, decider, inside
from sidetap.site.keys.units import bounds_of, dimensions_of
from sidetap.site.table import LONGEST_TEXT, MOST_TABLES, RESERVED_TAGS

Schema: TypeAlias = dict[str, Any]

_TAG = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$"
_NUMBER = r"(\d[\d,]*(\.\d+)?|\.\d+)"
_LONGEST_QUANTITY = 80
_SAID_ELSEWHERE = {  # what keys that are text to the reader must say
    "watchdog.kind": {"const": "transistor"},
    "valve.fails": {"const": "closed"},
    "alarm.on": {"pattern": r"^\s*\S+\s+(above\s+high|below\s+low)\s*$"},
    "line.port": {"pattern": "^(/.|tcp:.+:[0-9]+$|pty:.)"},
    "module.port": {"pattern": "^(/.|tcp:.+:[0-9]+$|pty:.)"},
    "secrets: secret.pin": {"pattern": r"^scrypt\$[0-9]+\$[0-9]+\$[0-9]+\$[A-Za-z0-9+/=]+\$[A-Za-z0-9+/=]+$"},
}
_TOGETHER: dict[str, Schema] = {  # keys of a table that need or exclude each other
    "vessel": {"oneOf": [{"required": ["shape"]}, {"required": ["strapping"]}]},
    "vessel.trip": {"oneOf": [{"required": ["mean"]}, {"required": ["lag"]}]},
    "point.good_when": {"anyOf": [{"required": [key]} for key in ("equals", "at_least", "at_most")]},
}


def schema() -> Schema:
    """Return the schema of a site file."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"site file, format {FORMAT}",
        "$ref": "#/$defs/site file",
        "$defs": {
            "site file": _table(""),
            "people": _table("people: "),
            "secrets": _table("secrets: "),
            **{_name(kind): _table(kind) for kind in _kinds()},
        },
    }


def _kinds() -> Iterable[str]:
    """Return every kind of table below the tops of the files."""
    found: dict[str, None] = {}
    left = ["", "people: ", "secrets: "]
    while left:
        kind = left.pop()
        for name, key in children(kind).items():
            if isinstance(key.form, Inner | Many | WordOrInner) and (below := inside(kind, name)) not in found:
                found[below] = None
                left.append(below)
    return sorted(found)


def _name(kind: str) -> str:
    return kind.replace(": ", " ")


def _table(kind: str) -> Schema:
    """Return the schema of a kind of table: closed, with what must be there."""
    keys = children(kind)
    if "PRODUCT" in keys:  # its keys are names of the site's own
        return {"type": "object", "additionalProperties": _value(kind, "PRODUCT", keys["PRODUCT"])}
    found: Schema = {
        "type": "object",
        "properties": {name: _value(kind, name, key) for name, key in keys.items()},
        "required": [name for name, key in keys.items() if not key.optional and not key.only],
        "additionalProperties": False,
    }
    rules = [*_by_word(kind, keys), *_by_unit(kind, keys)]
    if rules:
        found["allOf"] = rules
    return {**found, **_TOGETHER.get(kind, {})}


def _by_word(kind: str, keys: dict[str, Key]) -> Iterable[Schema]:
    """Return which keys belong to a table with each word of its deciding key."""
    name = decider(kind)
    for word in _words(keys.get(name)):
        bound = {key: declared for key, declared in keys.items() if declared.only}
        then: Schema = {"properties": {key: False for key, declared in bound.items() if word not in declared.only}}
        required = [key for key, declared in bound.items() if word in declared.only and not declared.optional]
        yield {
            "if": {"properties": {name: {"const": str(word)}}, "required": [name]},
            "then": {**then, **({"required": required} if required else {})},
        }


def _by_unit(kind: str, keys: dict[str, Key]) -> Iterable[Schema]:
    """Return which quantities belong to a table with each of its own units."""
    ranges = [name for name, key in keys.items() if isinstance(key.form, Range)]
    for dimension in dimensions_of(Range()) if ranges else ():
        names = [name for name in _words(keys.get("unit")) if UNITS[name].dimension is dimension]
        items = {"items": {"pattern": _quantity((dimension,))}}
        yield {
            "if": {"properties": {"unit": {"enum": names}}, "required": ["unit"]},
            "then": {"properties": dict.fromkeys(ranges, items)},
        }


def _words(key: Key | None) -> tuple[str, ...]:
    return key.form.options if key is not None and isinstance(key.form, Choice) else ()


def _value(kind: str, name: str, key: Key) -> Schema:
    """Return the schema of a key's value, with what an editor shows beside it."""
    found: Schema = {}
    description = _description(key)
    if description:
        found["description"] = description
    found |= _form(inside(kind, name), key.form) | _SAID_ELSEWHERE.get(key.path, {})
    if key.path == "format":
        found["const"] = FORMAT
    if key.path == "vessel.shape.parts":
        found["items"] = {"allOf": [found["items"], {"properties": {"kind": {"not": {"const": STACK}}}}]}
    for word, text in (("default", key.default), ("examples", key.example)):
        value = _of_toml(text)
        if value is not None:
            found[word] = [value] if word == "examples" else value
    return found


def _description(key: Key) -> str:
    bounds = bounds_of(key.form)
    within = f"{bounds[0]} to {bounds[1]}" if bounds is not None and not isinstance(key.form, Whole) else ""
    instead = f"without it: {key.default}" if key.default and _of_toml(key.default) is None else ""
    return "; ".join(part for part in (within, key.meaning, instead) if part)


def _of_toml(text: str) -> Any:
    """Return the value that a text of TOML stands for, None where it is none; JSON has no dates."""
    try:
        return without_dates(tomllib.loads(f"x = {text}")["x"])
    except tomllib.TOMLDecodeError:
        return None


def without_dates(value: Any) -> Any:
    """Return a value of a file as an editor hands it over, dates as text."""
    if isinstance(value, dict):
        return {key: without_dates(item) for key, item in value.items()}
    if isinstance(value, list):
        return [without_dates(item) for item in value]
    return value.isoformat() if isinstance(value, date) else value


def _form(kind: str, form: Form) -> Schema:
    """Return the schema of a form; kind: of the table that stands there."""
    quantity = {"type": "string", "maxLength": _LONGEST_QUANTITY, "pattern": _quantity(dimensions_of(form))}
    text = {"type": "string", "maxLength": LONGEST_TEXT, "pattern": r"\S"}
    table = {"$ref": f"#/$defs/{_name(kind).replace(' ', '%20')}"}
    match form:
        case Text() | FileName():
            return text
        case Tag():
            return {"type": "string", "pattern": _TAG, "not": {"enum": list(RESERVED_TAGS)}}
        case Reference():
            return {"type": "string", "pattern": _TAG}
        case Choice(options):
            return {"enum": [str(option) for option in options]}
        case Whole(low, high):
            return {"type": "integer", "minimum": low, "maximum": high}
        case Number():
            return {"type": "number"}
        case Range():
            return {"type": "array", "minItems": 2, "maxItems": 2, "items": quantity}
        case Day():
            return {"type": "string", "format": "date", "pattern": r"^\d{4}-\d{2}-\d{2}$"}
        case TimeOfDay():
            return {"type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$"}
        case Fact():
            return {"type": "string", "pattern": _fact()}
        case Texts(of):
            return {"type": "array", "minItems": 1, "items": _form("", of)}
        case Inner():
            return table
        case Many(required):
            return {"type": "array", "minItems": int(required), "maxItems": MOST_TABLES, "items": table}
        case WordOrInner(words):
            return {"oneOf": [{"enum": list(words)}, table]}
    return quantity


def _fact() -> str:
    """Return the pattern of a fact: a tag, and a state with its level where it needs one."""
    plain = "|".join(state for state in STATES if state not in (BELOW, ABOVE))
    level = _quantity((Dimension.LENGTH,)).strip("^$")
    return rf"^\s*{_TAG.strip('^$')}\s+({plain}|({BELOW}|{ABOVE})\s{level})\s*$"


def _quantity(dimensions: Iterable[Dimension]) -> str:
    """Return the pattern of a quantity in units of these dimensions: one or more numbers, each with its unit."""
    units = "|".join(re.escape(u.name) for u in UNITS.values() if u.dimension in dimensions)
    term = rf"{_NUMBER}(\s+\d+/\d+)?\s*({units})"
    return rf"^\s*[+-]?{term}(\s*{term})*\s*$"
