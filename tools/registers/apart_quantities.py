"""What instruments measure, in the units they show: levels in all their guises, temperatures, flows, currents.

In come a plant and the moments of the answers; out come `Measured` quantities as the instrument holds them.
"""

import numpy as np

from registers.apart_columns import Measured
from registers.apart_plant import GRAVITY, GRID_S, Floats, Plant, lagged, wander
from registers.apart_sensing import sensed

_LENGTHS_M = {"m": 1.0, "mm": 0.001, "cm": 0.01, "ft": 0.3048, "in": 0.0254}  # NIST: in = 25.4 mm
_PRESSURES_PA = {"Pa": 1.0, "kPa": 1000.0, "mbar": 100.0, "bar": 100_000.0, "psi": 6894.757}
_COUNTS = (4095, 10_000, 16_383, 20_000, 27_000, 30_000, 32_767, 65_535)


class Instruments:
    """All that can be measured at one plant at the moments of the answers."""

    def __init__(self, random: np.random.Generator, plant: Plant, at_s: Floats) -> None:
        """at_s: moments of the answers from the start [answers]."""
        self._random = random
        self._plant = plant
        self._at_s = at_s
        self.length_m = _LENGTHS_M[str(random.choice(list(_LENGTHS_M), p=[0.3, 0.3, 0.12, 0.16, 0.12]))]
        self._fineness_m = float(random.choice([0.0005, 0.001, 0.002, 0.005]))
        self._level_m = self._held(plant.level_m + plant.wave_m, self._fineness_m)
        self._spread = random.uniform(0.8, 1.2)
        self._pumping = np.maximum(plant.filling, plant.drawing).astype(np.float64)

    def _held(self, series: Floats, resolution: float) -> Floats:
        return sensed(self._random, self._plant.grid_s, series, self._at_s, resolution)

    def _of_level(self, name: str, per_m: float, zero_m: float, high: float, *, whole: bool = False) -> Measured:
        """Return (level - zero_m) × per_m; per_m is below zero for a distance."""
        values = (self._level_m - zero_m) * per_m
        finest = self._fineness_m * abs(per_m)
        return Measured(name, values, 0.0, high, finest, 1 / per_m, zero_m, whole)

    def level(self) -> Measured:
        """Return the level as a length."""
        return self._of_level("level", 1 / self.length_m, 0.0, self._plant.height_m / self.length_m)

    def distance(self) -> Measured:
        """Return the distance from a reference above the liquid."""
        above_m = self._plant.height_m + float(np.round(self._random.uniform(0, 0.5), 2))
        return self._of_level("distance", -1 / self.length_m, above_m, above_m / self.length_m)

    def percent(self) -> Measured:
        """Return the level in percent of the height."""
        return self._of_level("percent", 100 / self._plant.height_m, 0.0, 100.0)

    def current_loop(self) -> Measured:
        """Return the level as 4-20 mA, or in the unit of 1 µA."""
        per_ma = float(self._random.choice([1.0, 1000.0], p=[0.8, 0.2]))
        per_m = 16 * per_ma / self._plant.height_m
        return self._of_level("current", per_m, -4 * per_ma / per_m, 22.0 * per_ma, whole=per_ma == 1000)

    def counts(self) -> Measured:
        """Return the level as a converter's counts, with or without a live zero."""
        full = int(self._random.choice(_COUNTS))
        zero = full / 5 if self._random.random() < 0.4 else 0.0
        per_m = (full - zero) / self._plant.height_m
        return self._of_level("counts", per_m, -zero / per_m if zero else 0.0, full, whole=True)

    def head(self) -> Measured:
        """Return the pressure of the liquid above a nozzle near the floor."""
        unit_pa = _PRESSURES_PA[str(self._random.choice(list(_PRESSURES_PA), p=[0.05, 0.4, 0.3, 0.15, 0.1]))]
        nozzle_m = float(np.round(self._plant.height_m * self._random.uniform(0, 0.02), 3))
        per_m = self._plant.density * GRAVITY / unit_pa
        return self._of_level("pressure", per_m, nozzle_m, self._plant.height_m * per_m)

    def volume(self) -> Measured:
        """Return the volume in an upright vessel in m³, litres or US gallons."""
        area_m2 = (self._plant.height_m * self._random.uniform(0.4, 1.5)) ** 2 * 0.785
        unit_m3 = float(self._random.choice([1.0, 0.001, 0.003785411784]))
        per_m = area_m2 / unit_m3
        return self._of_level("volume", per_m, 0.0, self._plant.height_m * per_m)

    def temperature(self) -> Measured:
        """Return a temperature of the liquid, the air, a motor or a product, in °C or °F."""
        random, plant = self._random, self._plant
        where = random.choice(["liquid", "air", "motor", "hot"], p=[0.45, 0.3, 0.15, 0.1])
        celsius = plant.ambient_c
        if where == "liquid":
            celsius = lagged(celsius, 900) + random.normal(2, 3)
        elif where == "motor":
            celsius = celsius + 8 + 30 * lagged(self._pumping, random.uniform(300, 1500))
        elif where == "hot":
            celsius = random.uniform(50, 140) + wander(random, plant.grid_s, random.uniform(0.3, 4), 900)
        shown = self._held(celsius, random.choice([0.01, 0.03, 0.1]))
        fahrenheit = random.random() < 0.25
        return Measured(
            "temperature",
            shown * 1.8 + 32 if fahrenheit else shown,
            -58.0 if fahrenheit else -50.0,
            392.0 if fahrenheit else 200.0,
            0.1,
        )

    def flow(self) -> Measured:
        """Return the flow of the pump that draws (or fills), cut off near zero or not."""
        random, plant = self._random, self._plant
        running = plant.drawing if random.random() < 0.7 else plant.filling
        full = float(np.exp(random.uniform(np.log(5), np.log(2000))))
        steady = 1 + wander(random, plant.grid_s, 0.02, 60)
        flow = lagged(running.astype(np.float64), random.choice([1, 3, 8])) * full * steady
        shown = self._held(flow, full * random.choice([0.0005, 0.002, 0.005]))
        low = -0.3 * full if random.random() < 0.4 else 0.0
        if low == 0.0 or random.random() < 0.5:
            shown = np.where(np.abs(shown) < 0.01 * full, 0.0, shown)
        return Measured("flow", np.maximum(shown, low), low, 2 * full, full / 2000)

    def line_pressure(self) -> Measured:
        """Return the pressure behind a pump."""
        random = self._random
        rest, work = random.uniform(0, 1), random.uniform(2, 9)
        bar = rest + (work - rest) * lagged(self._pumping, 2)
        bar = bar * (1 + wander(random, self._plant.grid_s, 0.01, 20))
        unit = float(random.choice([1.0, 100.0, 14.50377]))
        return Measured("pressure", self._held(bar, 0.01) * unit, -1 * unit, 16 * unit, 0.01 * unit)

    def quality(self) -> Measured:
        """Return the quality of an echo in percent."""
        random = self._random
        series = random.uniform(55, 90) + wander(random, self._plant.grid_s, 5, 300) - 8 * self._pumping
        return Measured("quality", np.clip(self._held(series, 1.0), 0, 100), 0.0, 100.0, 1.0)

    def strength(self) -> Measured:
        """Return the strength of a radio or of an echo in dB, below zero."""
        random = self._random
        series = random.uniform(-95, -25) + wander(random, self._plant.grid_s, 3, 200)
        return Measured("strength", self._held(series, 1.0), -120.0, 20.0, 1.0)

    def density(self) -> Measured:
        """Return the density in kg/m³ or kg/L."""
        random, unit = self._random, float(self._random.choice([1.0, 0.001]))
        series = (
            self._plant.density - 0.4 * (self._plant.ambient_c - 20) + wander(random, self._plant.grid_s, 0.5, 600)
        )
        return Measured("density", self._held(series, 0.1) * unit, 0.0, 3000 * unit, 0.1 * unit)

    def analysis(self) -> Measured:
        """Return what an analyser shows: pH, conductivity or turbidity."""
        random = self._random
        middle, spread, high, finest = (
            (7.2, 0.3, 14.0, 0.01),
            (850.0, 60.0, 5000.0, 1.0),
            (3.0, 0.8, 100.0, 0.01),
        )[int(random.integers(3))]
        series = middle + wander(random, self._plant.grid_s, spread, random.uniform(300, 3000))
        return Measured("analysis", np.maximum(self._held(series, finest), 0), 0.0, high, finest)

    def speed(self) -> Measured:
        """Return the output of a pump's drive in Hz or revolutions a minute."""
        random, unit = self._random, float(self._random.choice([1.0, 29.0]))
        series = lagged(self._pumping, 4) * (random.uniform(30, 50) + wander(random, self._plant.grid_s, 1.5, 120))
        shown = self._held(series, 0.01)
        shown = np.where(shown < 0.5, 0.0, shown)  # a drive that stands still says so
        return Measured("speed", shown * unit, 0.0, 60 * unit, 0.01 * unit)

    def weight(self) -> Measured:
        """Return what load cells under the vessel show in kg; it can fall below zero when empty."""
        area_m2 = self._random.uniform(0.3, 4)
        per_m = area_m2 * self._plant.density
        shown = self._of_level("weight", per_m, 0.0, self._plant.height_m * per_m)
        return Measured("weight", shown.values, -0.05 * shown.high, shown.high, shown.finest, shown.scale, 0.0)

    def level_guise(self) -> Measured:
        """Return the level in some guise."""
        guises = (self.level, self.distance, self.percent, self.head, self.counts, self.current_loop, self.volume)
        shares = (0.42, 0.14, 0.14, 0.1, 0.08, 0.06, 0.06)
        return guises[int(self._random.choice(len(guises), p=shares))]()

    def electricity(self) -> tuple[list[Measured], Floats]:
        """Return what a power meter shows, three phases that belong together, and the power in kW [answers]."""
        random, grid_s = self._random, self._plant.grid_s
        volt = float(random.choice([120, 230, 277, 347]))
        full = float(random.choice([5, 20, 60, 200, 800]))
        load = random.uniform(0.05, 0.3) + random.uniform(0.2, 0.6) * lagged(self._pumping, 1)
        load = load + np.abs(wander(random, grid_s, 0.05, 200))
        volts, amps = [], []
        for _ in range(3):
            series = volt * (1 + wander(random, grid_s, 0.006, 400)) - volt * 0.01 * load
            volts.append(self._held(series, volt * 0.0003))
            amps.append(np.maximum(self._held(load * full * random.uniform(0.9, 1.1), full * 0.0005), 0))
        factor = np.clip(self._held(0.82 + 0.12 * load + wander(random, grid_s, 0.01, 300), 0.001), -1, 1)
        sum_kva = sum((v * a for v, a in zip(volts, amps, strict=True)), np.zeros(len(self._at_s))) / 1000
        watts = float(random.choice([1.0, 1000.0]))
        feeds_back = random.random() < 0.1
        kilowatt = sum_kva * factor * (-1 if feeds_back else 1)
        reactive = sum_kva * np.sqrt(np.maximum(1 - factor**2, 0))
        hertz = float(random.choice([50, 60])) + wander(random, grid_s, 0.015, 60)
        top = 3 * volt * full / 1000
        low = -1.2 * top
        return [
            *(Measured("voltage", v, 0.0, 600.0, 0.1) for v in volts),
            *(Measured("current", a, 0.0, 1.2 * full, full / 10_000) for a in amps),
            Measured("power", kilowatt * watts, low * watts, 1.2 * top * watts, top * watts / 10_000),
            Measured("power", reactive * watts, low * watts, 1.2 * top * watts, top * watts / 10_000),
            Measured("factor", factor, -1.0, 1.0, 0.001),
            Measured("frequency", self._held(hertz, 0.005), 0.0, 70.0, 0.01),
        ], kilowatt

    def total(self) -> Floats:
        """Return what has flowed since the start [answers], at some unit a second while the pump draws."""
        rate = float(np.exp(self._random.uniform(np.log(0.02), np.log(50))))
        passed = np.cumsum(self._plant.drawing * GRID_S * rate)
        return np.interp(self._at_s, self._plant.grid_s, passed)

    def pumped_h(self) -> Floats:
        """Return for how many hours a pump has run since the start [answers]."""
        return np.interp(self._at_s, self._plant.grid_s, np.cumsum(self._pumping) * GRID_S / 3600)

    def pumping(self) -> Floats:
        """Return whether a pump runs [answers], 0 or 1."""
        return self._pumping[np.clip(self._at_s / GRID_S, 0, len(self._pumping) - 1).astype(np.int64)]
