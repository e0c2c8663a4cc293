"""A problem of a site's files, with the place a person has to go to."""

from dataclasses import dataclass
from enum import StrEnum

from sidetap.errors import BadInput, printable


class Severity(StrEnum):
    """An error makes the site unusable; a warning is for a person to judge."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Problem:
    """One problem: file, line and column (from 1, in characters), what it is about, what is wrong, what to do."""

    severity: Severity
    file: str
    line: int
    column: int
    where: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}"
        return printable(f"{place}: {self.severity}: {self.where}: {self.problem}. {self.remedy}")

    def as_error(self) -> BadInput:
        """Return the problem as the one line of a command that can't do its work."""
        return BadInput(f"{self.file}:{self.line}:{self.column}", f"{self.where}: {self.problem}", self.remedy)
