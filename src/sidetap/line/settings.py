"""The settings of a line: text such as "19200 8E1" -> Settings -> the time one character takes."""

import re
from dataclasses import dataclass

from sidetap.quantity import NS_PER_S

_TEXT = re.compile(r"(\d{2,7})\s+([78])([NEO])([12])(\s+inverted)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Settings:
    """Speed and character format of a line.

    baud: bits a second. framing: data bits, parity N, E or O, stop bits: "8E1". inverted: 0 and 1 exchanged.
    """

    baud: int
    framing: str
    inverted: bool = False

    @classmethod
    def parse(cls, text: str) -> "Settings":
        """Read "19200 8E1" or "19200 8E1 inverted"; ValueError says what was expected.

        >>> Settings.parse("19200 8E1").character_ns
        572917
        """
        match = _TEXT.fullmatch(text.strip())
        if match is None or int(match[1]) < 50:
            raise ValueError(f"{text!r} is no line setting; write speed and format like 19200 8E1")
        return cls(int(match[1]), f"{match[2]}{match[3].upper()}{match[4]}", match[5] is not None)

    def __str__(self) -> str:
        return f"{self.baud} {self.framing}{' inverted' if self.inverted else ''}"

    @property
    def character_bits(self) -> int:
        """Bits one character takes on the line: start, data, parity if any, stop."""
        return 1 + int(self.framing[0]) + (self.framing[1] != "N") + int(self.framing[2])

    @property
    def character_ns(self) -> int:
        """Time one character takes on the line, to the nearest ns."""
        return (2 * self.character_bits * NS_PER_S + self.baud) // (2 * self.baud)
