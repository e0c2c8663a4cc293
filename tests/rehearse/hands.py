"""A yard and a station on one virtual clock, with a driver's hands."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from sidetap.quantity import NS_PER_S
from sidetap.rehearse.folder import BAY_B, EXAMPLE
from sidetap.rehearse.plant import Plant
from sidetap.site import Site, load_or_refuse
from sidetap.site.cause_effect import CompiledScheme, compile_site
from sidetap.station.store import Store
from sidetap.yard import Yard

BAY = "B"
OPERATOR, LEAD = "Mara Odhiambo", "Ines Varga"


class Hands:
    """What people do at bay B, and what they could see there."""

    def __init__(self, plant: Plant, store_path: Path) -> None:
        self.plant = plant
        self.yard = plant.yard
        self.bay = plant.yard.bay(BAY)
        self.store_path = store_path

    def ticket(self, vessel: str = "T1") -> dict[str, Any]:
        """Open a ticket with the hose off, then put the hose on."""
        reply = self.plant.ask(ask="ticket", bay=BAY, person=OPERATOR, vessels=[vessel])
        self.plant.run(0.5)
        self.bay.hose = True
        self.plant.run(0.5)
        return reply

    def press_open(self, valve: str = "B1") -> dict[str, Any]:
        reply = self.plant.ask(ask="open", bay=BAY, valve=valve)
        self.plant.run(0.5)
        return reply

    def press_close(self) -> None:
        self.plant.ask(ask="close", bay=BAY)
        self.plant.run(0.2)

    def shown(self, valve: str = "B1") -> dict[str, Any]:
        bay = self.shown_bay()
        return next(v for v in bay["valves"] if v["tag"] == valve)

    def shown_bay(self) -> dict[str, Any]:
        return next(b for b in self.plant.snapshot()["bays"] if b["tag"] == BAY)

    def commanded(self, valve: str = "B1") -> bool:
        return bool(self.shown(valve)["command"])

    def energised(self, valve: str = "B1") -> bool:
        return self.bay.valves[valve].energised

    def position(self, valve: str = "B1") -> float:
        return self.bay.valves[valve].position

    def until(self, condition: Any, within_s: float, step_s: float = 0.1) -> float:
        """Let time pass until condition holds and return how long it took; fail when it never does.

        Some more passes after it: a close is written once its command is on its way.
        """
        started_ns = self.yard.now_ns
        while not condition():
            self.plant.run(step_s)
            assert (self.yard.now_ns - started_ns) / NS_PER_S <= within_s, "it did not come about"
        took_s = (self.yard.now_ns - started_ns) / NS_PER_S
        self.plant.run(0.3)
        return took_s

    def cut_power(self) -> None:
        """Take the station's power away: no bye, no last record."""
        self.plant.kill_engine()
        self.plant.store.close()

    def restore_power(self) -> None:
        self.plant.start_engine(Store.open(self.store_path))

    def journal(self, kind: str, subject: str) -> list[tuple[float, dict[str, Any]]]:
        """Return (seconds on the yard's clock, what) of the records of a kind about a subject."""
        return [
            (record.mono_ns / NS_PER_S, json.loads(record.what))
            for record in self.plant.store.journal()
            if record.kind == kind and record.subject == subject
        ]


@pytest.fixture(scope="session")
def tarn_hollow() -> Site:
    return load_or_refuse(EXAMPLE / BAY_B)


@pytest.fixture(scope="session")
def scheme(tarn_hollow: Site) -> CompiledScheme:
    return compile_site(tarn_hollow)


@pytest.fixture
def fresh(tarn_hollow: Site, scheme: CompiledScheme, tmp_path: Path) -> Iterator[Hands]:
    """A station in the moment of its start."""
    path = tmp_path / "station.db"
    plant = Plant(Yard(1, night_window=False, noise=True), tarn_hollow, scheme, Store.open(path))
    yield Hands(plant, path)
    plant.store.close()


@pytest.fixture
def hands(fresh: Hands) -> Hands:
    """A station that has run for half a minute: its port has listened, its windows are full."""
    fresh.plant.run(30)
    return fresh
