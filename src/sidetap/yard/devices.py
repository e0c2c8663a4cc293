"""What hangs on the line and answers: request frames in, answer frames out 12 ms after the request's end.

A device knows blocks of registers. Functions, registers and counts it does not have are answered with the exceptions
01, 02 and 03 (MODBUS Application Protocol V1.1b3, section 7); broadcasts and frames for others are not answered.
"""

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random

from sidetap.yard.agenda import Agenda
from sidetap.yard.frames import frame, pdu_of_words
from sidetap.yard.wire import Wire

ANSWER_AFTER_NS = 12_000_000  # from the end of the request, t3.5 included

TWIN_LATER_NS = 3_000_000

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, BUSY = 1, 2, 3, 6

_READ = (3, 4)
_WRITE_ONE = 6
_MOST_REGISTERS = 125


@dataclass(frozen=True, slots=True)
class Block:
    """Registers first to first + count - 1 of a table that a function reads.

    read: takes the time and returns all of the block's words.
    busy: returns whether a read that could be answered gets exception 06 this time.
    """

    function: int
    first: int
    count: int
    read: Callable[[int], Sequence[int]]
    busy: Callable[[], bool] = lambda: False


@dataclass(slots=True)
class Ails:
    """What is wrong with a device.

    bad: it says itself that its value is bad, in its own way (status, NaN, a value out of range, a weak echo).
    frozen: it repeats what it read last. flip_rate: share of its answers' bits that arrive turned over.
    twin: a second device has its address, answers 0 to 3 ms after it, and reads other values.
    """

    silent: bool = False
    bad: bool = False
    frozen: bool = False
    flip_rate: float = 0.0
    twin: bool = False


class Device:
    """A device on the line.

    written: what has been written to its registers.
    """

    def __init__(
        self, address: int, blocks: list[Block], agenda: Agenda, wire: Wire, random: Random, writable: tuple[int, ...]
    ) -> None:
        self.address = address
        self.name = f"device {address}"
        self.ails = Ails()
        self.written: dict[int, int] = {}
        self._blocks = blocks
        self._writable = writable
        self._agenda = agenda
        self._wire = wire
        self._random = random
        self._last_words: dict[int, Sequence[int]] = {}
        wire.listeners.append(self)

    def hear(self, data: bytes, end_ns: int) -> None:
        """Take a frame off the line, and plan the answer if it is for this device."""
        if data[0] != self.address or self.ails.silent:
            return
        self._agenda.at(end_ns + ANSWER_AFTER_NS, lambda: self._speak(data[1:-2]))
        if self.ails.twin:
            later_ns = self._random.randint(0, TWIN_LATER_NS)
            self._agenda.at(end_ns + ANSWER_AFTER_NS + later_ns, lambda: self._speak_as_twin(data[1:-2]))

    def answer(self, pdu: bytes, t_ns: int) -> bytes:
        """Return the answer to a request's PDU at t_ns, as a PDU."""
        code = pdu[0]
        served = any(block.function == code for block in self._blocks)
        if not served and not (code == _WRITE_ONE and self._writable):
            return _exception(code, ILLEGAL_FUNCTION)
        if len(pdu) != 5:
            return _exception(code, ILLEGAL_VALUE)
        register, value = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
        if code == _WRITE_ONE:
            if register not in self._writable:
                return _exception(code, ILLEGAL_ADDRESS)
            self.written[register] = value
            return pdu
        if not 1 <= value <= _MOST_REGISTERS:
            return _exception(code, ILLEGAL_VALUE)
        for number, block in enumerate(self._blocks):
            start = register - block.first
            if block.function == code and start >= 0 and start + value <= block.count:
                if block.busy():
                    return _exception(code, BUSY)
                return pdu_of_words(code, self._words(number, t_ns)[start : start + value])
        return _exception(code, ILLEGAL_ADDRESS)

    def _words(self, number: int, t_ns: int) -> Sequence[int]:
        if not self.ails.frozen or number not in self._last_words:
            self._last_words[number] = self._blocks[number].read(t_ns)
        return self._last_words[number]

    def _speak(self, pdu: bytes) -> None:
        if self.ails.silent:
            return
        data = frame(self.address, self.answer(pdu, self._agenda.now_ns))
        flips: frozenset[int] = frozenset()
        if self.ails.flip_rate:
            bits = len(data) * self._wire.settings.framing.bits
            flips = frozenset(n for n in range(bits) if self._random.random() < self.ails.flip_rate)
        self._wire.send(data, self.name, flips)

    def _speak_as_twin(self, pdu: bytes) -> None:
        """Say what a second device of this address says: the same registers, another reading in each."""
        answer = self.answer(pdu, self._agenda.now_ns)
        if answer[0] in _READ:
            words = struct.unpack(f">{len(answer) // 2 - 1}H", answer[2:])
            answer = pdu_of_words(answer[0], [(3 * word + 1000) & 0xFFFF for word in words])
        self._wire.send(frame(self.address, answer), f"twin of {self.name}")


def _exception(function: int, code: int) -> bytes:
    return bytes((function | 0x80, code))


@dataclass(slots=True)
class Faults:
    """Faults of the line and its devices, to be switched on and off while the yard runs.

    line_cut: the controller's end is cut off: nothing it sends reaches the devices or the tap.
    """

    devices: dict[int, Device]
    line_cut: bool = False

    def silence(self, address: int) -> None:
        """Let a device stop answering."""
        self.devices[address].ails.silent = True

    def bad(self, address: int) -> None:
        """Let a device say, in its own way, that its value is bad."""
        self.devices[address].ails.bad = True

    def freeze(self, address: int) -> None:
        """Let a device repeat the words of its last answer."""
        self.devices[address].ails.frozen = True

    def flip(self, address: int, rate: float) -> None:
        """Turn over this share of the bits of a device's answers."""
        self.devices[address].ails.flip_rate = rate

    def twin(self, address: int) -> None:
        """Hang a second device of the same address on the line."""
        self.devices[address].ails.twin = True

    def restore(self, address: int) -> None:
        """End all faults of a device."""
        self.devices[address].ails = Ails()
