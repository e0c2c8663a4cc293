"""A site -> its cause and effect as a table for people: what closes which valve, and what keeps it from opening.

Every row comes from the causes that the compiled scheme has, so that what is signed is what runs.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from sidetap.site.cause_effect import Cause, CompiledAlarm, CompiledValve, compile_site
from sidetap.site.model import Bay, Site

_BYPASSED = ("trip", "below-trip")  # the causes that a bypass of their vessel's trip sets aside


class Effect(StrEnum):
    """What a cause does to a valve: it closes it, or an open one stays open and none opens."""

    CLOSES = "closes"
    NO_START = "no start"


@dataclass(frozen=True, slots=True)
class MatrixRow:
    """One cause at a bay. effects: one for each of its valves, None where the cause has nothing to do with it.

    name: what the scheme's outputs call it. remedies: what would let the valves open, each told once. set_aside:
    whether a bypass may set it aside.
    """

    number: int
    name: str
    text: str
    exactly: str
    effects: tuple[Effect | None, ...]
    remedies: tuple[str, ...]
    set_aside: bool

    @property
    def words(self) -> str:
        """The cause with this site's numbers."""
        return with_numbers(self.text, self.exactly)

    @property
    def pump(self) -> str:
        """What it does to the bay's pump permit, which stands while one of the bay's valves has a command."""
        return "off" if Effect.CLOSES in self.effects else Effect.NO_START


@dataclass(frozen=True, slots=True)
class BayMatrix:
    """The rows of one bay, and its valves in the order of the columns."""

    bay: Bay
    valves: tuple[CompiledValve, ...]
    rows: tuple[MatrixRow, ...]


@dataclass(frozen=True, slots=True)
class Follower:
    """What may follow a product on one ticket, and what is refused after it."""

    product: str
    may: tuple[str, ...]
    refused: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Matrix:
    """The cause and effect of a site. horn: what sounds it."""

    scheme_hash: str
    bays: tuple[BayMatrix, ...]
    horn: tuple[str, ...]
    alarms: tuple[CompiledAlarm, ...]
    followers: tuple[Follower, ...]


def with_numbers(text: str, exactly: str) -> str:
    """Return what a cause or an alarm of the scheme says, with this site's numbers where it has some."""
    return f"{text}: {exactly}" if exactly else text


def matrix_of(site: Site) -> Matrix:
    """Return the cause and effect of a site."""
    scheme = compile_site(site)
    trips = () if site.bypass is None else site.bypass.trips
    bays = tuple(BayMatrix(site.bay(bay.tag), bay.valves, tuple(_rows(bay.valves, trips))) for bay in scheme.bays)
    return Matrix(scheme.digest, bays, scheme.horn, scheme.alarms, tuple(_followers(site)))


def _rows(valves: Sequence[CompiledValve], trips: Sequence[str]) -> Iterable[MatrixRow]:
    """Return the rows of a bay; trips: of the vessels whose low trip may be bypassed."""
    number = 0
    for name in _names(valves):
        of_valves = [next((c for c in valve.causes if c.name == name), None) for valve in valves]
        for words in dict.fromkeys((c.text, c.exactly) for c in of_valves if c is not None):
            number += 1
            meant = [c if c is not None and (c.text, c.exactly) == words else None for c in of_valves]
            remedies = tuple(dict.fromkeys(c.remedy for c in meant if c is not None))
            vessels = [valve.vessel for valve, c in zip(valves, meant, strict=True) if c is not None]
            aside = name in _BYPASSED and all(vessel in trips for vessel in vessels)
            yield MatrixRow(number, name, *words, tuple(map(_effect, meant)), remedies, aside)


def _names(valves: Sequence[CompiledValve]) -> list[str]:
    """Return the causes of all valves once each, in an order that keeps the order of each valve."""
    names: list[str] = []
    for valve in valves:
        place = 0
        for cause in valve.causes:
            if cause.name in names:
                place = names.index(cause.name) + 1
            else:
                names.insert(place, cause.name)
                place += 1
    return names


def _effect(cause: Cause | None) -> Effect | None:
    if cause is None:
        return None
    return Effect.CLOSES if cause.closes else Effect.NO_START


def _followers(site: Site) -> Iterable[Follower]:
    """Return for each product that a valve draws what may follow it, and what not: a blank means refused."""
    drawn = {valve.vessel for valve in site.valves}
    products = list(dict.fromkeys(vessel.product for vessel in site.vessels if vessel.tag in drawn))
    table = dict(site.compatible)
    for product in products:
        may = table.get(product, ())
        yield Follower(product, tuple(p for p in products if p in may), tuple(p for p in products if p not in may))
