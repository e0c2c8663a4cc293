"""The image of bay B's input and output module: coils in, input bits out. Its Modbus server is somebody else's.

How it works. Any valid request restarts the drop-out timer; after 2 s without one the module opens its outputs. Coil
15 drives a retriggerable timing relay, which comes in with each change of the coil and drops out 2 s after the last
one; its contact lies in the supply of the bay's valves. All is evaluated at exact times, however seldom it is asked.
"""

from enum import IntEnum

from sidetap.yard.bay import Bay
from sidetap.yard.uart import NS

DROPS_OUT_AFTER_NS = 2 * NS
RELAY_TIME_NS = 2 * NS
POINTS = 16  # coils, and input bits


class Coil(IntEnum):
    """Outputs in use."""

    B1 = 0
    B2 = 1
    B3 = 2
    PUMP_PERMIT = 8
    HORN = 14
    WATCHDOG = 15


class IoModule:
    """Coils and inputs of bay B.

    forced: input bits that a fault holds, whatever the field says (a wire off, a contact that sticks).
    """

    def __init__(self, bay: Bay) -> None:
        self.coils = [False] * POINTS
        self.forced: dict[int, bool] = {}
        self.relay_in = False
        self._bay = bay
        self._heard_ns: int | None = None
        self._triggered_ns = 0

    def heard(self, now_ns: int) -> None:
        """Take note of a valid request."""
        self.settle(now_ns)
        self._heard_ns = now_ns

    def write_coil(self, number: int, on: bool, now_ns: int) -> None:
        """Set a coil, as a valid request does; IndexError when there is none of that number."""
        if not 0 <= number < POINTS:
            raise IndexError(f"the module has coils 0 to {POINTS - 1}, not {number}")
        self.heard(now_ns)
        if number == Coil.WATCHDOG and on != self.coils[number]:
            self.relay_in = True
            self._triggered_ns = now_ns
        self.coils[number] = on
        self._drive(now_ns)

    def inputs(self) -> list[bool]:
        """Return the input bits of the present, from bit 0 on; the last three are spare."""
        bay = self._bay
        switches = [s for valve in bay.valves.values() for s in (valve.shown_closed, valve.shown_open)]
        bits = [
            bay.selector == "AUTO",
            bay.selector == "HAND",
            *switches,
            bay.stop_healthy,
            bay.probe_dry,
            bay.hose,
            bay.open_key,
            bay.close_key_contact,
        ]
        bits += [False] * (POINTS - len(bits))
        return [self.forced.get(n, bit) for n, bit in enumerate(bits)]

    def settle(self, now_ns: int) -> None:
        """Let time-outs up to now_ns happen, each at its own time, and the field follow."""
        drop_out_ns = None if self._heard_ns is None else self._heard_ns + DROPS_OUT_AFTER_NS
        relay_ns = self._triggered_ns + RELAY_TIME_NS if self.relay_in else None
        for due_ns in sorted(t for t in {drop_out_ns, relay_ns} if t is not None and t <= now_ns):
            if due_ns == drop_out_ns:
                self.coils = [False] * POINTS
                self._heard_ns = None
            if due_ns == relay_ns:
                self.relay_in = False
            self._drive(due_ns)
        self._drive(now_ns)

    def _drive(self, t_ns: int) -> None:
        coils = {tag: self.coils[Coil[tag]] for tag in self._bay.valves}
        self._bay.drive(t_ns, coils, self.relay_in)
