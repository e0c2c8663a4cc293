"""What moves liquid in the yard: the bays' valves, deliveries and loads in, levels of the vessels out.

Volumes move on a grid of 100 ms of virtual time, so that a level does not depend on how often anybody looks.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sidetap.yard.agenda import Agenda
from sidetap.yard.bay import Bay
from sidetap.yard.module import IoModule
from sidetap.yard.uart import NS
from sidetap.yard.vessels import Vessel

STEP_NS = 100_000_000
_RAMP_S = 6.0  # a transfer starts and ends as slowly as most valves stroke


@dataclass(frozen=True, slots=True)
class Transfer:
    """A delivery (gpm > 0) or a load (gpm < 0) that nobody of ours controls.

    minutes: full flow's worth; it lasts a ramp longer. until_mm: it ends there, if that comes first.
    """

    start_ns: int
    tag: str
    gpm: float
    minutes: float = float("inf")
    until_mm: float | None = None
    what: str = ""

    def share(self, t_ns: int) -> float:
        """Return the share of its flow that runs at t_ns."""
        passed_s = (t_ns - self.start_ns) / NS
        return min(1.0, max(0.0, passed_s / _RAMP_S), max(0.0, (60 * self.minutes + _RAMP_S - passed_s) / _RAMP_S))

    def over(self, t_ns: int, level_mm: float) -> bool:
        """Return whether it has ended."""
        if self.until_mm is not None and (level_mm - self.until_mm) * self.gpm >= 0:
            return True
        return (t_ns - self.start_ns) / NS >= 60 * self.minutes + _RAMP_S


class Field:
    """Vessels, bays and transfers over time."""

    def __init__(
        self,
        agenda: Agenda,
        vessels: dict[str, Vessel],
        bays: Mapping[str, Bay],
        module: IoModule,
        plan: Iterable[Transfer],
    ) -> None:
        self.transfers: list[Transfer] = []
        self.history: list[tuple[int, dict[str, float]]] = []
        self._agenda = agenda
        self._vessels = vessels
        self._bays = bays
        self._module = module
        for transfer in plan:
            agenda.at(transfer.start_ns, lambda transfer=transfer: self.transfers.append(transfer))  # type: ignore[misc]
        agenda.at(0, self._step)

    def _step(self) -> None:
        now_ns = self._agenda.now_ns
        self._module.settle(now_ns)
        for tag, bay in self._bays.items():
            bay.flow(STEP_NS, self._module.pump_permitted(tag))
        if self.transfers:
            self._transfer(now_ns)
        if now_ns % NS == 0:
            self.history.append((now_ns, {tag: vessel.level_mm for tag, vessel in self._vessels.items()}))
        self._agenda.at(now_ns + STEP_NS, self._step)

    def _transfer(self, now_ns: int) -> None:
        for transfer in self.transfers:
            share = transfer.share(now_ns - STEP_NS // 2)
            if share:
                self._vessels[transfer.tag].add_gal(transfer.gpm / 60 * share * STEP_NS / NS)
        self.transfers = [one for one in self.transfers if not one.over(now_ns, self._vessels[one.tag].level_mm)]
