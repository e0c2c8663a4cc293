"""What comes out of compiling a site: the program, and what its names mean to people."""

from __future__ import annotations

from dataclasses import dataclass

from sidetap.scheme import Program


@dataclass(frozen=True, slots=True)
class Cause:
    """Why a valve is kept closed: the output that says so, and the words for it.

    text: for a person at the bay. remedy: what would let the valve open, as one clause. exactly: the comparison with
    this site's numbers, "" where text says it all. None of them ends with a full stop, and none is in the digest.
    """

    name: str
    output: str
    text: str
    closes: bool  # whether it also closes an open valve
    remedy: str
    exactly: str


@dataclass(frozen=True, slots=True)
class CompiledValve:
    """One valve in the scheme; choice is its number on the bay's choice input, weight its units per open ms.

    causes: in the order of importance; the first one that stands and closes is what has closed the valve.
    """

    tag: str
    vessel: str
    choice: int
    limit_ms: int
    weight: int
    stroke_ms: int
    causes: tuple[Cause, ...]


@dataclass(frozen=True, slots=True)
class CompiledBay:
    """One bay in the scheme; an account of full is used up."""

    tag: str
    full: int
    valves: tuple[CompiledValve, ...]

    def left_ms(self, valve: CompiledValve, account: int) -> int:
        """Return for how long valve may still be open on a ticket with this account, rounded down to ms."""
        return max(0, self.full - account) // valve.weight


@dataclass(frozen=True, slots=True)
class CompiledVessel:
    """One vessel in the scheme: its filtered level is the output TAG.total / parts, once TAG.full.

    filled: the state that counts the seconds in the filter; it is full at needed_s.
    """

    tag: str
    parts: int
    filled: str
    needed_s: int


@dataclass(frozen=True, slots=True)
class CompiledAlarm:
    """An alarm of the scheme: priority "high" or "low", the sentence for it, and its numbers as in Cause."""

    tag: str
    output: str
    priority: str
    text: str
    exactly: str


@dataclass(frozen=True, slots=True)
class CompiledScheme:
    """The program of a site and what its names mean. horn: what sounds the output site.horn, in words."""

    program: Program
    bays: tuple[CompiledBay, ...]
    vessels: tuple[CompiledVessel, ...]
    alarms: tuple[CompiledAlarm, ...]
    horn: tuple[str, ...]

    @property
    def digest(self) -> str:
        """The scheme_hash: of the canonical program, so comments and people don't change it."""
        return self.program.digest()

    def bay(self, tag: str) -> CompiledBay:
        """Return the bay of that tag; KeyError when there is none."""
        for bay in self.bays:
            if bay.tag == tag:
                return bay
        raise KeyError(tag)

    def vessel(self, tag: str) -> CompiledVessel:
        """Return the vessel of that tag; KeyError when there is none."""
        for vessel in self.vessels:
            if vessel.tag == tag:
                return vessel
        raise KeyError(tag)
