"""A reason to keep one valve closed, before it has an output."""

from __future__ import annotations

from dataclasses import dataclass

from sidetap.scheme import Expr


@dataclass(frozen=True, slots=True)
class Reason:
    """When a valve is kept closed, and the words for it; see Cause."""

    name: str
    when: Expr
    text: str
    remedy: str
    exactly: str = ""
