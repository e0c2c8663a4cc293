"""Which adapter is this? A port's path -> what tells its adapter from others. The only module that uses pyserial.

Names such as ttyUSB0 move when adapters are plugged in anew, so that a port is known by its adapter's USB serial
number and, on adapters with several ports, by which of them it is. An adapter without a serial number is known by
its make and by the socket it is in.
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass

from serial.tools import list_ports


@dataclass(frozen=True, slots=True)
class Identity:
    """What tells one adapter from another.

    device: its path at present. serial: the USB serial number, None where the adapter has none. make: USB vendor
    and product, None for a port of the machine's own. socket: where on the USB it is, and after a colon which of the
    adapter's ports.
    """

    device: str
    serial: str | None
    description: str
    make: tuple[int, int] | None = None
    socket: str | None = None

    def is_same(self, other: "Identity") -> bool:
        """Whether this is the same port of the same adapter, whatever path it has now."""
        if self.make is None or other.make is None:
            return self.make == other.make and self.device == other.device
        if self.make != other.make or self.serial != other.serial:
            return False
        if self.serial is None:
            return self.socket == other.socket
        return _port_of(self.socket) == _port_of(other.socket)

    def __str__(self) -> str:
        if self.serial is None:
            return f"{self.description}, no USB serial number"
        return f"{self.description}, USB serial number {self.serial}"


def identity(path: str) -> Identity | None:
    """Return the identity of the serial port at path (a by-id or by-path link too); None when it is none."""
    try:
        real = os.path.realpath(path)
    except (OSError, ValueError):  # no path at all
        return None
    return next((found for found in _present() if found.device == real), None)


def find(wanted: Identity) -> Identity | None:
    """Return the port that is the wanted one, wherever it is plugged in now; None when it is away."""
    return next((found for found in _present() if found.is_same(wanted)), None)


def _present() -> Iterator[Identity]:
    try:
        ports = list_ports.comports()
    except (OSError, TypeError, ValueError):  # an adapter that was pulled out while its entry was being read
        return
    for port in ports:
        make = None if port.vid is None else (port.vid, port.pid)
        yield Identity(port.device, port.serial_number, port.description, make, port.location)


def _port_of(socket: str | None) -> str:
    return (socket or "").partition(":")[2]
