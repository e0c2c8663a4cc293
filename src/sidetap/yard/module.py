"""The image of the bays' input and output module: coils in, input bits out. Its Modbus server is somebody else's.

How it works. Any valid request restarts the drop-out timer; after 2 s without one the module opens its outputs. Coil
15 drives a retriggerable timing relay, which comes in with each change of the coil and drops out 2 s after the last
one; its contact lies in the supply of all valves. All is evaluated at exact times, however seldom it is asked.
"""

from collections.abc import Mapping, Sequence
from enum import IntEnum

from sidetap.yard.bay import Bay
from sidetap.yard.uart import NS

DROPS_OUT_AFTER_NS = 2 * NS
RELAY_TIME_NS = 2 * NS
COILS = 16
BITS = 40


class Coil(IntEnum):
    """Outputs in use."""

    B1 = 0
    B2 = 1
    B3 = 2
    A1 = 3
    A2 = 4
    A4 = 5
    C3 = 6
    C5 = 7
    PUMP_B = 8
    PUMP_A = 9
    PUMP_C = 10
    C6 = 11
    HORN = 14
    WATCHDOG = 15


class IoModule:
    """Coils and inputs of the bays; input bits follow each other as the bays do.

    forced: input bits that a fault holds, whatever the field says (a wire off, a contact that sticks).
    """

    def __init__(self, bays: Mapping[str, Bay]) -> None:
        self.coils = [False] * COILS
        self.forced: dict[int, bool] = {}
        self.relay_in = False
        self._bays = bays
        self._driven = [(bay, {tag: int(Coil[tag]) for tag in bay.valves}) for bay in bays.values()]
        self._heard_ns: int | None = None
        self._triggered_ns = 0

    @property
    def wires(self) -> list[tuple[str, str]]:
        """The bay and the contact that each input bit comes from, from bit 0 on."""
        return [(tag, contact) for tag, bay in self._bays.items() for contact in bay.contacts()]

    def heard(self, now_ns: int) -> None:
        """Take note of a valid request."""
        self.settle(now_ns)
        self._heard_ns = now_ns

    def pump_permitted(self, bay: str) -> bool:
        """Return whether a bay's pump is permitted."""
        return self.coils[Coil[f"PUMP_{bay}"]]

    def write_coils(self, first: int, values: Sequence[bool], now_ns: int) -> None:
        """Set coils from first on, as a valid request does; IndexError when there are not so many."""
        if not 0 <= first <= first + len(values) <= COILS:
            raise IndexError(f"the module has coils 0 to {COILS - 1}, not {first} to {first + len(values) - 1}")
        self.heard(now_ns)
        coils = [*self.coils[:first], *values, *self.coils[first + len(values) :]]
        if coils[Coil.WATCHDOG] != self.coils[Coil.WATCHDOG]:
            self.relay_in = True
            self._triggered_ns = now_ns
        self.coils = coils
        self._drive(now_ns)

    def inputs(self) -> list[bool]:
        """Return the input bits of the present, from bit 0 on; the last three are spare."""
        bits = [contact for bay in self._bays.values() for contact in bay.contacts().values()]
        bits += [False] * (BITS - len(bits))
        return [self.forced.get(n, bit) for n, bit in enumerate(bits)]

    def settle(self, now_ns: int) -> None:
        """Let time-outs up to now_ns happen, each at its own time, and the field follow."""
        drop_out_ns = None if self._heard_ns is None else self._heard_ns + DROPS_OUT_AFTER_NS
        relay_ns = self._triggered_ns + RELAY_TIME_NS if self.relay_in else None
        for due_ns in sorted(t for t in {drop_out_ns, relay_ns} if t is not None and t <= now_ns):
            if due_ns == drop_out_ns:
                self.coils = [False] * COILS
                self._heard_ns = None
            if due_ns == relay_ns:
                self.relay_in = False
            self._drive(due_ns)
        self._drive(now_ns)

    def _drive(self, t_ns: int) -> None:
        coils = self.coils
        for bay, numbers in self._driven:
            bay.drive(t_ns, {tag: coils[number] for tag, number in numbers.items()}, self.relay_in)
