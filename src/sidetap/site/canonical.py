"""A site's values -> one text per meaning -> the site_hash that binds papers to it.

Comments, white space, the order of tables, units ("60 cm" or "0.60 m"), people and the file's own path leave no
mark. No tuple of the model carries a meaning by its order but pairs, which are sorted as they are written, and the
parts of a stack.
"""

import hashlib
from dataclasses import fields, is_dataclass
from datetime import date
from enum import Enum
from fractions import Fraction
from typing import Any

from sidetap.site.model import Site
from sidetap.vessel import Vessel as Geometry

_NOT_HASHED = ("path", "people", "secrets")


def canonical_text(site: Site) -> str:
    """Return the text that is hashed."""
    parts = []
    for field in fields(site):
        if field.name in _NOT_HASHED:
            continue
        value = getattr(site, field.name)
        parts.append(f"{field.name}={canonical(dict(value) if field.name == 'compatible' else value)}\n")
    return "".join(sorted(parts))


def site_hash(site: Site) -> str:
    """Return the SHA-256 of the canonical text, in hex."""
    return hashlib.sha256(canonical_text(site).encode()).hexdigest()


def canonical(value: Any) -> str:
    """Return one text per meaning of a value of the model."""
    if isinstance(value, Enum):  # before the texts: a StrEnum is one
        return repr(value.value)
    if value is None or isinstance(value, bool | int | Fraction | float | str | date):
        return repr(value)
    if isinstance(value, dict):
        return "{" + ",".join(sorted(f"{key!r}:{canonical(item)}" for key, item in value.items())) + "}"
    if isinstance(value, tuple) and value and all(isinstance(item, Geometry) for item in value):
        return "[" + ",".join(canonical(item) for item in value) + "]"  # a stack's parts stand on each other
    if isinstance(value, tuple):
        return "(" + ",".join(sorted(canonical(item) for item in value)) + ")"
    if is_dataclass(value):
        inside = (
            f"{f.name}={canonical(getattr(value, f.name))}" for f in fields(value) if not f.name.startswith("_")
        )
        return f"{type(value).__name__}({','.join(sorted(inside))})"
    raise TypeError(f"{type(value)} has no canonical text")
