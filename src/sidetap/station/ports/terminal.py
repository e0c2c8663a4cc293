"""A serial terminal as both ports need it: raw, nothing echoed, no flow control; errored bytes as each one says."""

import fcntl
import os
import platform
import struct
import termios
from typing import TypeAlias, cast

from sidetap.errors import BadInput
from sidetap.line import Settings

Attributes: TypeAlias = list[int | list[bytes | int]]

# Speeds without a name of their own: struct termios2 of Linux, asm-generic/termbits.h and ioctls.h; from memory,
# and tried on a pty. Other processors number these calls differently.
_GENERIC_NUMBERS = ("x86_64", "i386", "i686", "aarch64", "armv6l", "armv7l", "riscv64")
_TCGETS2, _TCSETS2 = 0x802C542A, 0x402C542B
_TERMIOS2 = struct.Struct("4I20s2I")  # the four flag words, line and control characters, input and output speed
_CONTROL_FLAGS, _SPEED_IN, _SPEED_OUT = 2, 5, 6
# Device numbers of pseudo-terminals (devices.txt of Linux). They have characters of eight bits without parity, and
# the C library calls it an error to ask for anything else a second time.
_PTYS = range(136, 144)
_CBAUD, _BOTHER, _CIBAUD = 0o010017, 0o010000, 0o02003600000
_NAMED_MEANWHILE = termios.B38400
# A receiver that samples the middle of each bit stands 5 % over a character; half of it is for the talker.
_MOST_OFF = 0.025


def raw_attributes(source: str, settings: Settings, read_errors: int) -> Attributes:
    """Return the attributes for set_up. read_errors: the input flags that say what becomes of errored bytes.

    BadInput for a speed that this machine can't be asked for.
    """
    speed = getattr(termios, f"B{settings.baud}", None)
    if speed is None:
        if platform.system() != "Linux" or platform.machine() not in _GENERIC_NUMBERS:
            raise BadInput(source, f"this machine offers no {settings.baud} baud", "Use a standard speed.")
        speed = _NAMED_MEANWHILE
    size = {"7": termios.CS7, "8": termios.CS8}[settings.framing[0]]
    parity = {"N": 0, "E": termios.PARENB, "O": termios.PARENB | termios.PARODD}[settings.framing[1]]
    stop = termios.CSTOPB if settings.framing[2] == "2" else 0
    control: list[bytes | int] = [b"\0"] * 32
    control[termios.VMIN] = 1  # so that nothing to read differs from a terminal that hung up
    control[termios.VTIME] = 0
    flags = termios.CREAD | termios.CLOCAL | size | parity | stop
    return [read_errors, 0, flags, 0, speed, speed, control]


def set_up(source: str, descriptor: int, settings: Settings, read_errors: int) -> None:
    """Give a terminal its settings and drop what it holds; BadInput when it can't have that speed.

    OSError or termios.error when it takes none at all.
    """
    attributes = raw_attributes(source, settings, read_errors)
    if is_pty(descriptor):
        attributes[2] = cast(int, attributes[2]) & ~(termios.PARENB | termios.CSIZE) | termios.CS8
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)
    if not hasattr(termios, f"B{settings.baud}"):
        offered = _set_speed(descriptor, settings.baud)
        if abs(offered - settings.baud) > _MOST_OFF * settings.baud:
            problem = f"this adapter offers {offered} baud and not {settings.baud}"
            raise BadInput(source, problem, "Use an adapter that offers the line's speed.")
    termios.tcflush(descriptor, termios.TCIOFLUSH)  # an echo of what came before echoing was off


def is_pty(descriptor: int) -> bool:
    """Whether a terminal is a pseudo-terminal, which has neither speed nor parity."""
    return os.major(os.fstat(descriptor).st_rdev) in _PTYS


def _set_speed(descriptor: int, baud: int) -> int:
    """Ask for a speed by number and return the one that the driver made of it."""
    fields = list(_TERMIOS2.unpack(fcntl.ioctl(descriptor, _TCGETS2, bytes(_TERMIOS2.size))))
    fields[_CONTROL_FLAGS] = fields[_CONTROL_FLAGS] & ~(_CBAUD | _CIBAUD) | _BOTHER
    fields[_SPEED_IN] = fields[_SPEED_OUT] = baud
    fcntl.ioctl(descriptor, _TCSETS2, _TERMIOS2.pack(*fields))
    return int(_TERMIOS2.unpack(fcntl.ioctl(descriptor, _TCGETS2, bytes(_TERMIOS2.size)))[_SPEED_OUT])
