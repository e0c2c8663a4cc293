"""A difference in words, and values of a site file as people write them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any


@dataclass(frozen=True, slots=True)
class Difference:
    """What differs: where, as ``check`` tells it; was and now in the files' own units, "" for what isn't there.

    instead: what holds in its place where it isn't there, as the keys declare it. rows: how two strappings differ.
    """

    where: str
    was: str
    now: str
    instead: str = ""
    rows: str = ""

    @property
    def words(self) -> str:
        """The difference as one line of a journal."""
        if self.rows:
            return f"{self.where}: {self.rows}"
        without = f" (without it: {self.instead})" if self.instead else ""
        if not self.was:
            return f"{self.where}: new, {self.now}{without}"
        if not self.now:
            return f"{self.where}: gone, was {self.was}{without}"
        return f"{self.where}: was {self.was}, is {self.now}"


def shown(value: Any, ranged: bool = False) -> str:
    """Return a value of a file for people; tables key by key. ranged: whether two values are a lowest and highest."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Fraction):
        return decimal(value)
    if isinstance(value, list):
        return (" to " if ranged else ", ").join(_bracketed(item) for item in value) or "none"
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_bracketed(item)}" for key, item in value.items()) or "nothing in it"
    return str(value)


def _bracketed(value: Any) -> str:
    tables = isinstance(value, list) and all(isinstance(item, Mapping) for item in value)
    return f"({shown(value)})" if isinstance(value, list | Mapping) and not tables else shown(value)


def decimal(value: Fraction, decimals: int = 12) -> str:
    """Return a number without zeros at its end, rounded to so many decimals."""
    rounded = round(value, decimals)
    return f"{(Decimal(rounded.numerator) / Decimal(rounded.denominator)):f}"
