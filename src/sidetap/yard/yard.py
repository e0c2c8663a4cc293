"""The whole simulated yard on one virtual clock: vessels, bays, the line with its seven devices, and a tap on it.

Everything moves by ``advance``; nothing here knows the real time, opens a device or prints. The same seed and the
same calls give the same bytes.
"""

from collections.abc import Iterable

from sidetap.yard.agenda import Agenda, dice
from sidetap.yard.bay import Bay, Valve
from sidetap.yard.devices import Faults
from sidetap.yard.field import Field, Transfer
from sidetap.yard.masters import LocalClock, Master, controller, second_master
from sidetap.yard.module import IoModule
from sidetap.yard.plan import PROFILES
from sidetap.yard.probe import Probe
from sidetap.yard.tap import Latency, TapPoint
from sidetap.yard.transmitters import demo_devices
from sidetap.yard.uart import NS, LineSettings, Receiver
from sidetap.yard.vessels import demo_vessels
from sidetap.yard.wire import Wire

TIME_ZONE = "America/Chicago"
# by bay: flow in gpm, stroke in s, valves with their vessels, whether there is a truck's high probe
_BAYS = (
    ("B", 400.0, 6, ("B1", "B2", "B3"), ("T1", "T2", "T3"), True),
    ("A", 200.0, 6, ("A1", "A2", "A4"), ("T1", "T2", "T4"), False),
    ("C", 60.0, 4, ("C3", "C5", "C6"), ("T3", "T5", "T6"), False),
)


class Yard:
    """The demo yard.

    start: local time at t = 0. night_window: whether the controller sleeps from 23:30 to 04:45.
    second_master_at: local time at which a second master polls for 90 s, or None.
    noise: whether transmitters jitter in their last digits. plan: transfers nobody of ours controls.
    """

    def __init__(
        self,
        seed: int = 1,
        *,
        start: str = "2026-03-11T09:00",
        night_window: bool = True,
        second_master_at: str | None = None,
        noise: bool = False,
        plan: Iterable[Transfer] = PROFILES,
    ) -> None:
        self.clock = LocalClock(start, TIME_ZONE)
        self.settings = LineSettings()
        self.vessels = demo_vessels()
        self._bays: dict[str, Bay] = {}
        for tag, flow_gpm, stroke_s, valves, drawn, has_probe in _BAYS:
            steel = [Valve(v, self.vessels[t], stroke_s * NS) for v, t in zip(valves, drawn, strict=True)]
            self._bays[tag] = Bay(tag, flow_gpm, steel, has_probe=has_probe)
        self.module = IoModule(self._bays)
        self._agenda = Agenda()
        self._field = Field(self._agenda, self.vessels, self._bays, self.module, plan)
        self.wire = Wire(self._agenda, self.settings, seed)
        self.tap = TapPoint(self.wire)
        self.devices = demo_devices(self.vessels, self._agenda, self.wire, seed, noise)
        self.faults = Faults(self.devices)
        self._controller = Master("controller", self._agenda, self.wire, self.faults)
        self._agenda.at(0, lambda: self._controller.run(controller(self._agenda, self.clock, night_window)))
        if second_master_at is not None:
            from_ns = self.clock.since_start_ns(second_master_at)
            second = Master("second master", self._agenda, self.wire)
            script = second_master(self._agenda, dice(seed, "second master"), from_ns)
            self._agenda.at(0, lambda: second.run(script))

    @property
    def now_ns(self) -> int:
        """Virtual time since the start."""
        return self._agenda.now_ns

    @property
    def history(self) -> list[tuple[int, dict[str, float]]]:
        """True levels in mm by vessel, once a second of virtual time."""
        return self._field.history

    def advance(self, to_ns: int) -> None:
        """Let virtual time run to to_ns; ValueError when that is past."""
        self.module.settle(self.now_ns)  # what people did since the last call, they did now
        self._agenda.run(to_ns)
        self.module.settle(to_ns)

    def bay(self, tag: str) -> Bay:
        """Return a bay."""
        return self._bays[tag]

    def add_tap(
        self, *, receiver: Receiver | None = None, latency: Latency = "usb16ms", flags: bool = False
    ) -> TapPoint:
        """Return one more adapter on the line, before the yard has moved or later; it hears from now on."""
        return TapPoint(self.wire, receiver=receiver, latency=latency, flags=flags)

    def add_probe(self, *, inverted: bool = False, biased: bool = True) -> Probe:
        """Return a probe behind one more receiver on the line; it sees from now on."""
        return Probe(self.wire, self.now_ns, inverted=inverted, biased=biased)

    def set_level(self, tag: str, level_mm: float) -> None:
        """Set a vessel's true level at once."""
        self.vessels[tag].set_level(level_mm)

    def deliver(self, tag: str, gpm: float, *, until_mm: float | None = None, minutes: float = float("inf")) -> None:
        """Fill a vessel from now on (or drain it, gpm < 0) until a level is reached or the time is over."""
        self._field.transfers.append(Transfer(self.now_ns, tag, gpm, minutes, until_mm, "delivery"))

    def silence_device(self, address: int) -> None:
        """Let a device stop answering."""
        self.faults.silence(address)

    def restore(self, address: int) -> None:
        """End all faults of a device."""
        self.faults.restore(address)
