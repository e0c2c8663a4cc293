"""What a relation between registers is: which registers, what was seen, and what follows from it.

Plain data, told in whole sentences. A relation is evidence, never a statement about a vessel: what can't be known
from the record (whose level it is, how tall the vessel stands) is not said.
"""

from dataclasses import dataclass
from enum import StrEnum


class RelationKind(StrEnum):
    """What ties the registers."""

    METER = "meter"  # several electrical laws at once: a power meter, with all registers that belong to it
    POWER = "power"  # one electrical law alone: of voltages, currents, powers and power factors
    ENERGY = "energy"  # a counter that rises as fast as a power says
    SAME = "same"  # one quantity twice: in two encodings, two units or two decimal scales
    SUM_CONSTANT = "sum-constant"  # a distance from above and a level of the same vessel
    TEMPERATURES = "temperatures"  # degrees Celsius and Fahrenheit of one temperature
    PROPORTIONAL = "proportional"  # one is the other times a number that no two units share
    LINEAR = "linear"  # one is the other times a number, and a number more: a current or a share of a span
    TOGETHER = "together"  # one rises whenever the other does, by a curve: a volume and a level
    FALLS_DURING = "falls-during"  # a value that falls only while something draws


@dataclass(frozen=True, slots=True)
class Tied:
    """A register of a relation: its first one (0-based), its encoding, and what it is in this relation."""

    device: int
    table: str
    register: int
    encoding: str
    role: str

    def __str__(self) -> str:
        return f"register {self.register} of device {self.device} ({self.encoding}, {self.role})"


@dataclass(frozen=True, slots=True)
class Relation:
    """Registers that fit together.

    text: what was found, one or two whole sentences. evidence: the numbers (how many answers, how closely, over how
    much movement), whole sentences. follows: what may be concluded and what may not, whole sentences. chance: how
    likely registers that have nothing to do with one another would fit so well somewhere on this line, at most.
    """

    kind: RelationKind
    registers: tuple[Tied, ...]
    text: str
    evidence: str
    follows: str
    chance: float

    @property
    def devices(self) -> tuple[int, ...]:
        """The devices that it ties, in order."""
        return tuple(sorted({tied.device for tied in self.registers}))
