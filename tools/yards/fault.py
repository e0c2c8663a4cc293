"""A planted fault: a made yard as it is meant to be, and what became of its program."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

from sidetap.scheme import Program
from sidetap.site.cause_effect import CompiledScheme, compile_site
from sidetap.site.model import Site
from yards.made import made_yard
from yards.numbers import Kind

VESSELS, BAYS = 4, 2


@dataclass(frozen=True, slots=True)
class Yard:
    """The yard a fault is planted in: its kind, and whether its times are short."""

    kind: Kind = "repeat"
    quick: bool = True

    @property
    def site(self) -> Site:
        """The site as it is meant to be."""
        return _site(self)

    @property
    def scheme(self) -> CompiledScheme:
        """Its scheme without a fault."""
        return _scheme(self)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. level: "site", what somebody mistypes or forgets, or "program", what a compiler gets wrong.

    breaks: what a person would expect to be broken, in words; promise: its name, where one can be named; None also
    where nothing is expected to differ.
    """

    name: str
    level: str
    breaks: str
    promise: str | None
    yard: Yard
    plant: Callable[[Yard], Program]

    def program(self) -> Program:
        """Return the program with the fault in it."""
        return self.plant(self.yard)


def in_site(
    name: str, breaks: str, promise: str | None, change: Callable[[Site], Site], yard: Yard = Yard()
) -> Fault:
    """Return a fault of the site file: another site is compiled, and judged against the one that was meant."""
    return Fault(name, "site", breaks, promise, yard, lambda y: compile_site(change(y.site)).program)


def in_program(
    name: str, breaks: str, promise: str | None, change: Callable[[Program], Program], yard: Yard = Yard()
) -> Fault:
    """Return a fault of the program: it is rewritten after it was compiled."""
    return Fault(name, "program", breaks, promise, yard, lambda y: change(y.scheme.program))


@cache
def _site(yard: Yard) -> Site:
    return made_yard(VESSELS, BAYS, yard.kind, quick=yard.quick)


@cache
def _scheme(yard: Yard) -> CompiledScheme:
    return compile_site(yard.site)
