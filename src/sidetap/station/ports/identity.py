"""Which adapter is this? A port's path -> its USB serial number. The only module that uses pyserial."""

from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports


@dataclass(frozen=True, slots=True)
class Identity:
    """What tells one adapter from another. serial: the USB serial number, None where the adapter has none."""

    device: str
    serial: str | None
    description: str


def identity(path: str) -> Identity | None:
    """Return the identity of the serial port at path (a by-id or by-path link too); None when it is none."""
    real = str(Path(path).resolve())
    for port in list_ports.comports():
        if port.device == real:
            return Identity(real, port.serial_number, port.description)
    return None
