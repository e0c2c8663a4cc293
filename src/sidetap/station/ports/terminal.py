"""A serial terminal as both ports need it: raw, nothing echoed, no flow control; errored bytes as each one says."""

import termios
from typing import TypeAlias

from sidetap.errors import BadInput
from sidetap.line import Settings

Attributes: TypeAlias = list[int | list[bytes | int]]


def raw_attributes(source: str, settings: Settings, read_errors: int) -> Attributes:
    """Return the attributes for tcsetattr. read_errors: the input flags that say what becomes of errored bytes."""
    speed = getattr(termios, f"B{settings.baud}", None)
    if speed is None:
        raise BadInput(source, f"this machine offers no {settings.baud} baud", "Use a standard speed.")
    size = {"7": termios.CS7, "8": termios.CS8}[settings.framing[0]]
    parity = {"N": 0, "E": termios.PARENB, "O": termios.PARENB | termios.PARODD}[settings.framing[1]]
    if source.startswith("pty:"):
        parity = 0  # a pty has none, and the C library calls it an error to ask for it a second time
    stop = termios.CSTOPB if settings.framing[2] == "2" else 0
    control: list[bytes | int] = [b"\0"] * 32
    control[termios.VMIN] = 1  # so that nothing to read differs from a terminal that hung up
    control[termios.VTIME] = 0
    flags = termios.CREAD | termios.CLOCAL | size | parity | stop
    return [read_errors, 0, flags, 0, speed, speed, control]
