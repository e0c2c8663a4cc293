"""The demo's relay and input module: pymodbus answers, the yard's image says what.

Bytes of the station's master in -> bytes of the module's answer out. The Modbus side is wholly pymodbus' own server
code (framing, decoding, answering), so that the station's master is tried against bytes that nobody here wrote; the
image behind it is the yard's. This is the only module that imports pymodbus.
"""

from collections.abc import Callable, Sequence
from typing import Protocol, cast

from pymodbus.constants import ExcCodes
from pymodbus.datastore import ModbusServerContext
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU, ModbusPDU

COILS = 16
READ_COILS, READ_INPUTS, WRITE_COIL, WRITE_COILS = 1, 2, 5, 15


class Image(Protocol):
    """What the module is wired to: the yard's side of it."""

    @property
    def coils(self) -> Sequence[bool]:
        """The coils as they are now."""

    def inputs(self) -> Sequence[bool]:
        """Return the input bits as they are now."""

    def write_coils(self, first: int, values: Sequence[bool], now_ns: int) -> None:
        """Set coils from first on."""

    def heard(self, now_ns: int) -> None:
        """Note a valid request: the module's own drop-out timer starts again."""


class ModuleServer:
    """One module with its address; feed it bytes with ``receive``, it returns the answer's bytes or none."""

    def __init__(self, image: Image, device: int = 1) -> None:
        self._image = image
        self._device = device
        self._framer = FramerRTU(DecodePDU(True))
        self._pending = b""
        self._now_ns = 0

    def receive(self, data: bytes, now_ns: int) -> bytes:
        """Take in bytes from the wire and return the answer that goes back onto it, empty while there is none."""
        self._now_ns = now_ns
        self._pending += data
        used, request = self._framer.handleFrame(self._pending, self._device, 0)
        self._pending = self._pending[used:]
        if request is None:
            return b""
        self._image.heard(now_ns)
        # pymodbus asks its datastore with coroutines that never wait here, so one step runs them to the end
        context = cast(ModbusServerContext, self)
        answer = _finish(request.datastore_update(context, self._device).send)
        answer.dev_id = self._device
        return self._framer.buildFrame(answer)

    async def async_getValues(  # noqa: N802  (the name is pymodbus')
        self, _device: int, function: int, address: int, count: int
    ) -> list[bool] | ExcCodes:
        """Answer pymodbus' question for bits."""
        bits = list(self._image.inputs() if function == READ_INPUTS else self._image.coils)
        if function not in (READ_COILS, READ_INPUTS, WRITE_COIL, WRITE_COILS):
            return ExcCodes.ILLEGAL_FUNCTION
        if address + count > len(bits):
            return ExcCodes.ILLEGAL_ADDRESS
        return bits[address : address + count]

    async def async_setValues(  # noqa: N802
        self, _device: int, function: int, address: int, values: list[bool]
    ) -> ExcCodes | None:
        """Take pymodbus' new values for coils."""
        if function not in (WRITE_COIL, WRITE_COILS):
            return ExcCodes.ILLEGAL_FUNCTION
        if address + len(values) > COILS:
            return ExcCodes.ILLEGAL_ADDRESS
        self._image.write_coils(address, [bool(value) for value in values], self._now_ns)
        return None


def _finish(send: Callable[[None], object]) -> ModbusPDU:
    try:
        send(None)
    except StopIteration as done:
        return cast(ModbusPDU, done.value)
    raise RuntimeError("pymodbus waited for something while answering")
