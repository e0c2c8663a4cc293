"""What people ask about -> the declared keys they mean: by path, by a place that ``check`` prints, or by a part."""

from __future__ import annotations

import re
from collections.abc import Iterator
from difflib import get_close_matches
from typing import Any

from sidetap.errors import BadInput
from sidetap.site.keys import KEYS, SAME_KEYS, Key, Many
from sidetap.site.keys.tree import children, inside, is_table
from sidetap.site.keys.units import bounds_of, units_of
from sidetap.site.keys.words import form_name

_NUMBER = re.compile(r" \d+(?=\.|$)")  # of a table without a tag, as in "point.LT-1.good_when 1.register"
_FILES = ("", "people: ", "secrets: ")
_LONGEST = 200  # characters of a question


def find(question: str) -> tuple[Key, ...]:
    """Return the keys meant, a table's with all inside it, in the order of their declaration; all for "".

    BadInput, with the nearest keys, when none is.
    """
    asked = _NUMBER.sub("", question.strip()[:_LONGEST]).removeprefix("[[").rstrip("]").removeprefix("[")
    for found in (_exactly(asked), _walked(asked), _ending(asked), _ending(asked.partition(".")[2])):
        if found:
            return tuple(key for path, key in KEYS.items() if any(_within(path, top) for top in found))
    raise BadInput("sidetap site explain", f"no key {question.strip()[:40]!r}", _nearest(asked))


def same_places(key: Key) -> tuple[str, ...]:
    """Return where else a key stands, by the tables that have the same keys."""
    tables = [(other, kind) for other, kind in SAME_KEYS.items() if key.path.startswith(f"{kind}.")]
    return tuple(other + key.path.removeprefix(kind) for other, kind in tables)


def _within(path: str, top: str) -> bool:
    return not top or path == top or path.startswith((f"{top}.", f"{top}: "))


def _exactly(asked: str) -> list[str]:
    return [asked] if not asked or asked in KEYS else []


def _walked(asked: str) -> list[str]:
    """Return the keys that a path with tags leads to."""
    parts = asked.split(".")
    tagged = [kind for kind, key in children("").items() if isinstance(key.form, Many)]
    starts = [(file, parts) for file in _FILES] + [(kind, parts[1:]) for kind in tagged if len(parts) > 1]
    return [path for kind, rest in starts for path in _down(kind, rest)]


def _down(kind: str, parts: list[str]) -> Iterator[str]:
    """Yield the keys at the end of parts from a table on; a part may be the tag of a [[table]], or a product."""
    keys = children(kind)
    key = keys.get(parts[0]) or (keys.get("PRODUCT") if kind == "compatible" else None)
    if key is None:
        return
    if len(parts) == 1 or kind == "compatible":
        yield key.path
    elif is_table(key):
        below = inside(kind, parts[0])
        found = list(_down(below, parts[1:]))
        if not found and isinstance(key.form, Many):
            found = [key.path] if len(parts) == 2 else list(_down(below, parts[2:]))
        yield from found


def _ending(asked: str) -> list[str]:
    return [path for path in KEYS if path.endswith(f".{asked}")] if asked else []


def _nearest(asked: str) -> str:
    near = get_close_matches(asked, KEYS, 3)
    last = asked.rpartition(".")[2]
    near += [
        path for path in KEYS if get_close_matches(last, [path.rpartition(".")[2]], 1, 0.75) and path not in near
    ]
    if not near:
        return "sidetap site explain alone lists every key."
    return f"Did you mean {' or '.join(near[:3])}? sidetap site explain alone lists every key."


def told(key: Key) -> dict[str, Any]:
    """Return all there is to say of a key, as a document; "" and empty lists for what doesn't hold of it."""
    bounds = bounds_of(key.form)
    return {
        "key": key.path,
        "form": form_name(key.form),
        "lowest": "" if bounds is None else bounds[0],
        "highest": "" if bounds is None else bounds[1],
        "units": list(units_of(key.form)),
        "example": "" if isinstance(key.form, Many) and key.example.startswith("[[") else key.example,
        "optional": key.optional,
        "default": key.default.strip('"'),
        "with": [str(word) for word in key.only],
        "meaning": key.meaning.replace("`", ""),
        "also": list(same_places(key)),
    }


def listed(key: Key) -> str:
    """Return a key in one sentence, for a list of all."""
    optional = "optional" if key.optional else ""
    with_ = f"with {', '.join(key.only)}" if key.only else ""
    what = key.meaning.replace("`", "") or form_name(key.form)
    return "; ".join(part for part in (optional, with_, what) if part)
