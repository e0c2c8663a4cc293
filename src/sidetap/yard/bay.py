"""A bay in steel: commands of the module and hands of people in, valve positions, flow and a tanker's load out.

How it works. A valve is energised while its coil is on, the watchdog's timing relay is in, the hard-wired stop is
healthy and the selector stands in AUTO; energised it strokes open, else its spring closes it. HAND and OFF release
the module's outputs. The pump runs while it is permitted and some valve is not closed; flow is in proportion to the
position, and valves that are open together share what the pump gives.
"""

from dataclasses import dataclass
from typing import Literal

from sidetap.yard.uart import NS
from sidetap.yard.vessels import Vessel

Selector = Literal["AUTO", "OFF", "HAND"]


class Valve:
    """A spring-to-close valve between a vessel and the bay.

    position: 0 closed to 1 open. stuck: it stays where it is, whatever drives it.
    """

    __slots__ = ("_at_ns", "_flowed_s", "energised", "position", "stroke_ns", "stuck", "tag", "vessel")

    def __init__(self, tag: str, vessel: Vessel, stroke_ns: int) -> None:
        self.tag = tag
        self.vessel = vessel
        self.stroke_ns = stroke_ns
        self.position = 0.0
        self.energised = False
        self.stuck = False
        self._at_ns = 0
        self._flowed_s = 0.0

    @property
    def shown_closed(self) -> bool:
        """Whether the closed switch is made."""
        return self.position == 0

    @property
    def shown_open(self) -> bool:
        """Whether the open switch is made."""
        return self.position == 1

    def settle(self, t_ns: int) -> None:
        """Move on to t_ns as driven so far."""
        if t_ns <= self._at_ns:
            return
        share = (t_ns - self._at_ns) / self.stroke_ns
        self._at_ns = t_ns
        target = self.position if self.stuck else 1.0 if self.energised else 0.0
        moved = min(share, abs(target - self.position))
        end = target if moved == abs(target - self.position) else self.position + (moved if target else -moved)
        stroke_s = self.stroke_ns / NS
        self._flowed_s += ((self.position + end) / 2 * moved + end * (share - moved)) * stroke_s
        self.position = end

    def take_flowed_s(self) -> float:
        """Return the seconds of full flow since the last call: the integral of the position."""
        flowed_s, self._flowed_s = self._flowed_s, 0.0
        return flowed_s


@dataclass(slots=True)
class Tanker:
    """What stands at the bay and is loaded."""

    capacity_gal: float = 5000
    loaded_gal: float = 0.0


class Bay:
    """A loading bay: its valves, its pump and what people do there.

    has_probe: whether there is a truck's high probe. open_key: energised while pressed. close_key_contact: energised
    while NOT pressed, so that a broken wire closes.
    """

    def __init__(self, tag: str, flow_gpm: float, valves: list[Valve], *, has_probe: bool) -> None:
        self.tag = tag
        self.flow_gpm = flow_gpm
        self.valves = {valve.tag: valve for valve in valves}
        self.has_probe = has_probe
        self.selector: Selector = "AUTO"
        self.stop_healthy = True
        self.probe_dry = True
        self.hose = False
        self.open_key = False
        self.close_key_contact = True
        self.tanker = Tanker()
        self.pump_running = False

    def contacts(self) -> dict[str, bool]:
        """Return what the bay's wires show, by what they come from, in the order of the module's bits."""
        shown = {"auto": self.selector == "AUTO", "hand": self.selector == "HAND"}
        for valve in self.valves.values():
            shown[f"{valve.tag} closed"] = valve.shown_closed
            shown[f"{valve.tag} open"] = valve.shown_open
        shown["stop"] = self.stop_healthy
        if self.has_probe:
            shown["probe"] = self.probe_dry
        return {**shown, "hose": self.hose, "open-key": self.open_key, "close-key": self.close_key_contact}

    def drive(self, t_ns: int, coils: dict[str, bool], relay_in: bool) -> None:
        """Energise or release each valve at t_ns."""
        supplied = relay_in and self.stop_healthy and self.selector == "AUTO"
        for tag, valve in self.valves.items():
            energised = supplied and coils[tag]
            if energised or valve.energised or valve.position:  # most valves rest most of the time
                valve.settle(t_ns)
                valve.energised = energised

    def flow(self, duration_ns: int, pump_permit: bool) -> None:
        """Move what has flowed in the last duration_ns from the vessels to the tanker."""
        self.pump_running = pump_permit and any(valve.position > 0 for valve in self.valves.values())
        flowed = {tag: valve.take_flowed_s() for tag, valve in self.valves.items()}
        open_s = sum(flowed.values())
        if not pump_permit or open_s == 0:
            return
        share = min(1.0, duration_ns / NS / open_s)
        for tag, flowed_s in flowed.items():
            if flowed_s:
                taken = self.valves[tag].vessel.add_gal(-self.flow_gpm / 60 * flowed_s * share)
                self.tanker.loaded_gal -= taken
