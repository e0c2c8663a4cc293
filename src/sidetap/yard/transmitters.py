"""The seven devices of the demo line: levels of the vessels in, register words out.

The controller's requests, and where each device keeps what, are the demo yard's own. Noise is off unless asked for;
then a reading differs from the true level by a normal error of the size given beside each transmitter, which is of
the order of the last digit it shows (invented).
"""

import math
from collections.abc import Callable, Sequence
from random import Random

from sidetap.quantity import to_si
from sidetap.yard import frames
from sidetap.yard.agenda import Agenda, dice
from sidetap.yard.devices import Block, Device
from sidetap.yard.uart import NS
from sidetap.yard.vessels import Vessel
from sidetap.yard.wire import Wire

G_M_S2 = 9.80665  # standard gravity (BIPM, SI brochure)
_FOOT_MM = 1000 * float(to_si(1, "ft"))

T3_NOZZLE_MM = 420
T4_FLANGE_MM = 5620
T4_BLOCKING_MM = 300
T4_LOWEST_MM = 350
T5_SPAN_MM = 2500
HEARTBEAT_REGISTER = 200

STATUS_GOOD, STATUS_BAD = 1, 4
_ECHO_GOOD, _ECHO_BAD = 87, 22
_BUSY_SHARE = 0.02

_NOISE_MM = {11: 0.3, 12: 0.3, 13: 1.0, 14: 0.5, 15: 0.3, 16: 0.5}
_TEMPERATURE_C = {11: 18.3, 13: 18.4}
_DAILY_SWING_C = 2.5

_Words = Sequence[int]


def demo_devices(vessels: dict[str, Vessel], agenda: Agenda, wire: Wire, seed: int, noise: bool) -> dict[int, Device]:
    """Put the seven devices on the wire and return them by address."""
    devices: dict[int, Device] = {}

    def put(address: int, blocks: list[Block], writable: tuple[int, ...] = ()) -> None:
        random = dice(seed, f"flips of {address}")
        devices[address] = Device(address, blocks, agenda, wire, random, writable)

    def level(address: int, tag: str) -> Callable[[int], float]:
        vessel, random = vessels[tag], dice(seed, f"noise of {address}")
        spread_mm = _NOISE_MM[address] if noise else 0.0

        def read(t_ns: int) -> float:
            return vessel.seen_mm(t_ns) + (random.gauss(0, spread_mm) if spread_mm else 0.0)

        return read

    def bad(address: int) -> bool:
        return devices[address].ails.bad

    t1, t2, t3, t4, t5, t6 = (level(address, f"T{address - 10}") for address in range(11, 17))

    def words_11(t_ns: int) -> _Words:
        status = STATUS_BAD if bad(11) else STATUS_GOOD
        return frames.joined((frames.uint16(t1(t_ns)), (status,), frames.int16(10 * temperature_c(11, t_ns))))

    def words_12(t_ns: int) -> _Words:
        return *frames.uint32_low_first(10 * t2(t_ns)), STATUS_BAD if bad(12) else STATUS_GOOD

    def words_13(t_ns: int) -> _Words:
        head_m = max(t3(t_ns) - T3_NOZZLE_MM, 0) / 1000
        pressure_kpa = math.nan if bad(13) else head_m * vessels["T3"].density_kg_m3 * G_M_S2 / 1000
        return frames.float32_high_first(pressure_kpa, temperature_c(13, t_ns))

    echo = dice(seed, "echo of 14")

    def words_14(t_ns: int) -> _Words:
        level_mm = t4(t_ns)
        ullage_mm = T4_FLANGE_MM - level_mm
        weak = bad(14) or ullage_mm < T4_BLOCKING_MM or level_mm < T4_LOWEST_MM
        quality = _ECHO_BAD if weak else _ECHO_GOOD + (echo.randint(-2, 2) if noise else 0)
        return *frames.uint16(max(ullage_mm, T4_BLOCKING_MM)), quality

    def words_15(t_ns: int) -> _Words:
        return (0xFFFF,) if bad(15) else frames.uint16(10_000 * t5(t_ns) / T5_SPAN_MM)

    def words_16(t_ns: int) -> _Words:
        return frames.float32_low_first(math.nan if bad(16) else t6(t_ns) / _FOOT_MM)

    busy = dice(seed, "busy 16")
    put(11, [Block(3, 100, 3, words_11)])
    put(12, [Block(3, 0, 3, words_12)])
    put(13, [Block(4, 8, 4, words_13)])
    put(14, [Block(4, 30, 2, words_14)])
    put(15, [Block(3, 4, 1, words_15)], (HEARTBEAT_REGISTER,))
    put(16, [Block(3, 20, 2, words_16, lambda: busy.random() < _BUSY_SHARE)])
    put(31, [Block(4, 0, 22, PowerMeter(dice(seed, "meter")).words)])
    return devices


def temperature_c(address: int, t_ns: int) -> float:
    """Return the temperature of the liquid as a device tells it, to 0.1 °C: it swings slowly over the day."""
    return round(_TEMPERATURE_C[address] + _DAILY_SWING_C * math.sin(math.tau * t_ns / NS / 86_400), 1)


class PowerMeter:
    """A three-phase power meter, nothing to do with levels: what it shows fits together at every moment."""

    def __init__(self, random: Random) -> None:
        self._random = random
        self._energy_kwh = 48_213.5
        self._power_kw = 0.0
        self._read_ns = 0

    def words(self, t_ns: int) -> Sequence[int]:
        """Return 3 voltages [V], 3 currents [A], kW, kvar, power factor, frequency [Hz] and kWh at t_ns."""
        self._energy_kwh += self._power_kw * (t_ns - self._read_ns) / NS / 3600
        self._read_ns = t_ns
        gauss = self._random.gauss
        volts = [gauss(277, 0.5) for _ in range(3)]
        amperes = [gauss(42, 0.4) for _ in range(3)]
        power_factor = min(gauss(0.87, 0.004), 1.0)
        apparent_kva = sum(v * a for v, a in zip(volts, amperes, strict=True)) / 1000
        self._power_kw = apparent_kva * power_factor
        reactive_kvar = apparent_kva * math.sqrt(1 - power_factor**2)
        return frames.float32_high_first(
            *volts, *amperes, self._power_kw, reactive_kvar, power_factor, gauss(60, 0.01), self._energy_kwh
        )
