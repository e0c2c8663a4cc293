"""What may stand at a key of a site file: the forms of values, with their units and bounds.

Bounds are written as people write them ("0.60 m"); whoever reads a value parses them. Nothing here reads a file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from sidetap.quantity import Dimension


@dataclass(frozen=True, slots=True)
class Text:
    """Words that aren't blank."""


@dataclass(frozen=True, slots=True)
class Tag:
    """The name of one thing: letters, digits, - and _, used once in a site."""


@dataclass(frozen=True, slots=True)
class Reference:
    """The tag of a table of that kind."""

    kind: str


@dataclass(frozen=True, slots=True)
class FileName:
    """A file beside the site file."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One word of a closed list."""

    options: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number in low..high."""

    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Number:
    """Any number of everyday size, read exactly."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number and a unit of the dimension, as text; low and high are still good."""

    dimension: Dimension
    low: str
    high: str


@dataclass(frozen=True, slots=True)
class Length:
    """A length, kept in whole 0.1 mm, rounded to the nearest."""

    low: str
    high: str


@dataclass(frozen=True, slots=True)
class Duration:
    """A duration of whole ms, or of whole seconds where it says so."""

    low: str
    high: str
    whole_seconds: bool = False


@dataclass(frozen=True, slots=True)
class Range:
    """[lowest, highest], two quantities of the dimension that the table's unit has."""


@dataclass(frozen=True, slots=True)
class Day:
    """A date."""


@dataclass(frozen=True, slots=True)
class TimeOfDay:
    """A time of day, "23:30", in the site's time zone."""


@dataclass(frozen=True, slots=True)
class Fact:
    """Something that is so or not, "TAG STATE", for a vessel also "TAG below LENGTH" or "TAG above LENGTH"."""


@dataclass(frozen=True, slots=True)
class Texts:
    """A list of texts, not empty; of: what each of them is."""

    of: Text | Reference | Fact


@dataclass(frozen=True, slots=True)
class Inner:
    """A table inside a table."""


@dataclass(frozen=True, slots=True)
class Many:
    """A list of tables, [[key]] at the top of a file; required: at least one."""

    required: bool = True


@dataclass(frozen=True, slots=True)
class WordOrInner:
    """One word of a list where that says it all, or a table with the sizes."""

    words: tuple[str, ...]


Form: TypeAlias = (
    Text
    | Tag
    | Reference
    | FileName
    | Choice
    | Whole
    | Number
    | Quantity
    | Length
    | Duration
    | Range
    | Day
    | TimeOfDay
    | Texts
    | Fact
    | Inner
    | Many
    | WordOrInner
)


@dataclass(frozen=True, slots=True)
class Key:
    """One key of the site file, of the people's or the secrets'.

    path: "vessel.trip.below"; "people: person.name" in a file of its own.
    example: a value as it stands in a file.
    meaning: what it is for, where its name doesn't say; markdown, without a full stop.
    optional: whether it may be left out; default: what holds then, where that isn't just nothing.
    only: the words of the table's deciding key (kind, as, form) with which this one belongs there; () with any.
    remedy: what to do when it is missing, where an example isn't enough.
    """

    path: str
    form: Form
    example: str
    meaning: str = ""
    optional: bool = False
    default: str = ""
    only: tuple[str, ...] = ()
    remedy: str = ""
