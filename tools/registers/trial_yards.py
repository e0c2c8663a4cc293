"""Made-up yards for trials of readings: vessels whose levels move, devices that tell them, and devices that don't.

A seed in, a `Yard` out: units in the form of `registers.form`, and beside them what no listener sees, the level of
every vessel second by second. Written apart from the code that it judges. All laws are linear but one: the volume in
a lying vessel, which is nearly straight over a short stretch and is there to mislead.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from registers.form import Field, Unit
from registers.trial_words import ORDERS, Floats, decode, encode, width_of

NS = 1_000_000_000
G_KPA = 9.80665  # kPa of a metre of water of density 1
FT_M, IN_M = 0.3048, 0.0254
TABLES = ("holding-register", "input-register")
FIRST_REGISTERS = (0, 1, 2, 4, 8, 10, 16, 20, 30, 40, 99, 100, 128, 200, 256, 400, 1000, 2000, 3000)
COUNTS = ((0, 4095), (819, 4095), (0, 27648), (6400, 32000), (0, 65535), (0, 10000), (4000, 20000), (0, 32767))


@dataclass(frozen=True, slots=True)
class Law:
    """How a register tells a level: decoded = level in m × scale + offset. family: what must be known to undo it."""

    family: str  # direct, distance, percent, current, pressure, volume
    encoding: str
    scale: float
    offset: float = 0.0
    unit: str = ""  # of the decoded value, when it is one that a display would show
    span_m: float = 0.0  # of a percentage or a current: the level at its upper end


@dataclass(frozen=True, slots=True)
class Vessel:
    """What is true of a vessel. level_m: at every whole second of the record, as its transmitter sees it.

    noise_m: of the transmitter. law: of the main register. unit: its device; None when it isn't on the line. twin:
    another vessel's name, when the two are alike some of the time: at the seconds of `alike`.
    """

    name: str
    height_m: float
    level_m: Floats
    noise_m: float
    law: Law
    unit: Unit | None
    twin: str | None = None
    alike: tuple[int, int] = (0, 0)
    idle: bool = False
    held: bool = False  # its device also tells the highest level so far, or a slow mean: another meaning
    borrowed: bool = False  # its level is what its register tells, noise and all

    @property
    def display_noise_m(self) -> float:
        """What a display adds to the level."""
        return 0.0 if self.borrowed else self.noise_m


@dataclass(frozen=True, slots=True)
class Yard:
    """One line. start_ns, end_ns: of the record. strangers: devices that tell no level."""

    seed: int
    start_ns: int
    end_ns: int
    vessels: tuple[Vessel, ...]
    strangers: tuple[Unit, ...]

    @property
    def units(self) -> tuple[Unit, ...]:
        """Every device on the line."""
        return tuple(v.unit for v in self.vessels if v.unit is not None) + self.strangers


@dataclass(slots=True)
class _Layout:
    """Fields of one device as they are laid one behind the other."""

    answers: int
    width: int = 0
    fields: list[Field] = field(default_factory=list)
    words: list[np.ndarray] = field(default_factory=list)

    def lay(
        self,
        name: str,
        values: NDArray[np.floating[Any]],
        encoding: str,
        *,
        analog: bool = False,
        law: Law | None = None,
    ) -> None:
        words = encode(values.astype(np.float64), encoding)
        scale = None if law is None else 1 / law.scale
        offset = None if law is None else -law.offset / law.scale
        truth = decode(words, encoding)
        self.fields.append(Field(name, self.width, width_of(encoding), encoding, analog, truth, scale, offset))
        self.words.append(words)
        self.width += words.shape[1]


def profile(random: np.random.Generator, seconds: int, height_m: float, start_m: float | None = None) -> Floats:
    """Return a level at every second: rests, draws and receipts, at least half a metre apart at the ends."""
    low, high = 0.06 * height_m, 0.94 * height_m
    for _ in range(40):
        level = float(random.uniform(0.2, 0.9) * height_m) if start_m is None else start_m
        first, steps, at = level, [], 0
        while at < seconds:
            what = random.random()
            minutes = random.uniform(3, 40)
            rate_mm = 0.0 if what < 0.45 else -random.uniform(3, 40) if what < 0.8 else random.uniform(10, 80)
            length = min(int(minutes * 60), seconds - at)
            rate = rate_mm / 60_000
            if not low < level + rate * length < high:
                rate = 0.0
            steps.append(np.full(length, rate))
            level += rate * length
            at += length
        moved: Floats = first + np.cumsum(np.concatenate(steps))
        if np.ptp(moved) > 0.5:
            return moved
    sign = -1 if first > height_m / 2 else 1
    return np.asarray(first + sign * np.linspace(0, min(0.7, 0.4 * height_m), seconds))


def main_law(random: np.random.Generator, height_m: float) -> Law:
    """Return how a transmitter of a vessel tells its level."""
    order = "-" + str(random.choice(ORDERS))
    choice = random.random()
    if choice < 0.55:
        return _direct(random, height_m, order)
    if choice < 0.67:
        flange = height_m + round(float(random.uniform(0.05, 0.7)), 2)
        options = [
            Law("distance", "uint16", -1000, 1000 * flange, "mm"),
            Law("distance", "float32" + order, -1, flange, "m"),
            Law("distance", "float32" + order, -1 / FT_M, flange / FT_M, "ft"),
            Law("distance", "uint32" + order, -10_000, 10_000 * flange),
        ]
        return options[random.integers(len(options))]
    if choice < 0.79:
        span = _span(random, height_m)
        options = [
            Law("percent", "uint16", 10_000 / span, span_m=span),
            Law("percent", "uint16", 1000 / span, span_m=span),
            Law("percent", "float32" + order, 100 / span, span_m=span),
        ]
        return options[random.integers(len(options))]
    if choice < 0.9:
        span = _span(random, height_m)
        low, high = COUNTS[random.integers(len(COUNTS))]
        if random.random() < 0.25:
            return Law("current", "float32" + order, 16 / span, 4.0, span_m=span)
        return Law("current", "uint16", (high - low) / span, low, span_m=span)
    density = float(random.choice([0.79, 0.87, 0.998, 1.0, 1.26, 1.33, 1.396, 1.42]))
    nozzle = 0.0 if random.random() < 0.4 else round(float(random.uniform(0.02, 0.05 * height_m)), 2)
    kpa = density * G_KPA
    units = (("kPa", 1.0), ("bar", 0.01), ("psi", 1 / 6.894757293168), ("", 10.0))
    unit, factor = units[random.integers(len(units))]
    if unit == "kPa" and random.random() < 0.4:
        return Law("pressure", "uint16", 100 * kpa, -100 * kpa * nozzle)
    return Law("pressure", "float32" + order, kpa * factor, -kpa * factor * nozzle, unit)


def _direct(random: np.random.Generator, height_m: float, order: str) -> Law:
    options = [
        Law("direct", "uint16", 1000, 0, "mm"),
        Law("direct", "uint16", 1000, 0, "mm"),
        Law("direct", "int16", 1000, 0, "mm"),
        Law("direct", "uint16", 100, 0, "cm"),
        Law("direct", "uint16", 100 / FT_M),
        Law("direct", "uint16", 10 / IN_M),
        Law("direct", "uint32" + order, 10_000),
        Law("direct", "int32" + order, 10_000),
        Law("direct", "uint32" + order, 1000, 0, "mm"),
        Law("direct", "mod10k32" + order, 10_000),
        *(Law("direct", "float32" + order, 1 / u, 0, n) for n, u in _LENGTHS.items()),
        *(Law("direct", "float32" + order, 1 / u, 0, n) for n, u in _LENGTHS.items()),
        Law("direct", "float64-" + ("high", "low")[random.integers(2)] + "-word-first", 1, 0, "m"),
        Law("direct", "bcd16", 100, 0, "cm"),
    ]
    return options[random.integers(len(options))]


_LENGTHS = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": FT_M, "in": IN_M}


def _span(random: np.random.Generator, height_m: float) -> float:
    return height_m if random.random() < 0.5 else round(float(random.uniform(0.97, 1.1) * height_m), 2)


def quantised(decoded: Floats, encoding: str) -> Floats:
    """Return what is left of values after the encoding."""
    return decode(encode(decoded, encoding), encoding)


def vessel_unit(
    random: np.random.Generator,
    address: int,
    t_ns: np.ndarray,
    level_m: Floats,
    height_m: float,
    law: Law,
    *,
    faults: bool,
    held: bool,
) -> Unit:
    """Return the device of a vessel; level_m: what its transmitter makes of the level at each answer."""
    n = len(t_ns)
    order = law.encoding.partition("-")[2] or str(random.choice(ORDERS))
    hours = (t_ns - t_ns[0]) / (3600 * NS)
    lay = _Layout(n)

    def level() -> None:
        resolution = random.choice([0.0, 0.0, 0.0001, 0.001]) if law.encoding.startswith("float") else 0.0
        seen = level_m if not resolution else np.rint(level_m / resolution) * resolution
        lay.lay(law.family, seen * law.scale + law.offset, law.encoding, analog=True, law=law)

    def percent() -> None:
        own = Law("percent", "uint16", 1000 / height_m)
        lay.lay("percent", level_m * own.scale, "uint16", analog=True, law=own)

    def distance() -> None:
        own = Law("distance", "uint16", -1000, 1000 * (height_m + 0.2))
        lay.lay("distance", level_m * own.scale + own.offset, "uint16", analog=True, law=own)

    def temperature() -> None:
        celsius = 15 + 8 * np.sin(hours / 4 + random.uniform(0, 6)) + random.normal(0, 0.05, n)
        if random.random() < 0.5:
            lay.lay("temperature", 10 * celsius, "int16", analog=True)
        else:
            lay.lay("temperature", celsius, "float32-" + order, analog=True)

    def quality() -> None:
        lay.lay("quality", np.clip(85 + np.cumsum(random.normal(0, 0.3, n)), 40, 100), "uint16", analog=True)

    def status() -> None:
        lay.lay("status", np.ones(n), "uint16")

    def beat() -> None:
        lay.lay("heartbeat", np.arange(n) % 65536.0, "uint16")

    def setting() -> None:
        mm = float(random.choice([height_m * 1000, 0.9 * height_m * 1000, 100, 1396, 5000]))
        lay.lay("setting", np.full(n, np.rint(mm)), "uint16")

    def spare() -> None:
        lay.lay("spare", np.zeros(n), "uint16")

    def lying_volume() -> None:
        lay.lay("volume", lying_m3(level_m, height_m) * 264.172052, "float32-" + order, analog=True)

    def other_meaning() -> None:
        if random.random() < 0.5:
            other = np.maximum.accumulate(level_m)
        else:
            weights = np.exp(-np.arange(min(n, 400)) * float(np.median(np.diff(t_ns))) / (600.0 * NS))
            padded = np.concatenate([np.full(len(weights) - 1, level_m[0]), level_m])
            other = np.convolve(padded, weights / weights.sum(), mode="valid")
        lay.lay("held", other * law.scale + law.offset, law.encoding, analog=True)

    parts: list[Callable[[], None]] = [level]
    optional: Sequence[tuple[Callable[[], None], float]] = (
        (percent, 0.2 if law.family != "percent" else 0.0),
        (distance, 0.15 if law.family != "distance" else 0.0),
        (temperature, 0.5),
        (quality, 0.15),
        (status, 0.4),
        (beat, 0.15),
        (setting, 0.2),
        (spare, 0.3),
        (lying_volume, 0.1),
    )
    parts += [part for part, share in optional if random.random() < share]
    if held:
        parts.append(other_meaning)
    for place in random.permutation(len(parts)):
        parts[place]()
    unit = Unit(
        address,
        TABLES[int(random.random() < 0.3)],
        int(random.choice(FIRST_REGISTERS)),
        t_ns,
        np.concatenate(lay.words, axis=1),
        tuple(lay.fields),
        order,
        height_m,
        level_m,
    )
    return with_faults(random, unit) if faults else unit


def lying_m3(level_m: Floats, diameter_m: float, length_m: float = 8.0) -> Floats:
    """Return the volume in a lying cylinder with flat ends [m3]; a segment of a circle, times its length."""
    r = diameter_m / 2
    h = np.clip(level_m, 0, diameter_m)
    return np.asarray(
        length_m * (r * r * np.arccos((r - h) / r) - (r - h) * np.sqrt(np.maximum(0, 2 * r * h - h * h)))
    )


FAULT_WORDS = {
    "uint16": ((0xFFFF,), (0x8000,), (0,)),
    "int16": ((0x7FFF,), (0x8000,), (0xFC19,), (0xFFFF,)),  # 0xFC19: -999
    "bcd16": ((0x9999,), (0,)),
    "uint32": ((0xFFFF, 0xFFFF), (0x8000, 0), (0, 0)),
    "int32": ((0x7FFF, 0xFFFF), (0x8000, 0), (0xFFFF, 0xFC19), (0xFFFF, 0xD8F1)),  # the last: -9999
    "mod10k32": ((9999, 9999), (0, 0)),
}


def with_faults(random: np.random.Generator, unit: Unit) -> Unit:
    """Return the unit with codes for "no value" in its level registers, in one to five bursts."""
    n = len(unit.t_ns)
    gone = np.zeros(n, dtype=np.bool_)
    for _ in range(int(random.integers(1, 6))):
        at = int(random.integers(n))
        gone[at : at + int(random.choice([1, 2, 5, 20, 60]))] = True
    words = unit.words.copy()
    fields = []
    for f in unit.fields:
        if f.level_scale is None and f.name not in ("volume", "held"):
            fields.append(f)
            continue
        base = f.encoding.partition("-")[0]
        if base.startswith("float"):
            code = encode(np.array([random.choice([np.nan, np.nan, -999.0, -9999.0, np.inf])]), f.encoding)[0]
        else:
            options = FAULT_WORDS[base]
            high_first = np.array(options[random.integers(len(options))], dtype=np.uint16)
            order = f.encoding.partition("-")[2]
            code = high_first[::-1] if order.startswith("low-word-first") else high_first
            code = code.byteswap() if order.endswith("-swapped") else code
        words[gone, f.start : f.start + f.width] = code
        fields.append(replace(f, truth=np.where(gone, np.nan, f.truth)))
    return replace(unit, words=words, fields=tuple(fields))


def _stranger(random: np.random.Generator, address: int, t_ns: np.ndarray, vessel: Floats) -> Unit:
    """Return a device that tells no level: a power meter, a flow meter with a total, or a controller's settings."""
    n = len(t_ns)
    order = str(random.choice(ORDERS))
    lay = _Layout(n)
    what = random.random()
    if what < 0.4:
        running = (np.diff(vessel, prepend=vessel[0]) < -1e-7).astype(np.float64)
        amps = 3 + 39 * running + random.normal(0, 0.2, n)
        for _ in range(3):
            lay.lay("voltage", 277 + random.normal(0, 0.4, n), "float32-" + order, analog=True)
        lay.lay("current", amps, "float32-" + order, analog=True)
        lay.lay("power", amps * 277 * 3 * 0.86 / 1000, "float32-" + order, analog=True)
        energy = 15_000 + np.cumsum(amps) / 3600 * 0.7
        lay.lay("energy", energy, "float32-" + order, analog=True)
    elif what < 0.75:  # a total of what was drawn: straight against the level until something is delivered
        drawn = np.cumsum(np.maximum(0.0, -np.diff(vessel, prepend=vessel[0])))
        total = random.uniform(1e3, 4e4) + drawn * random.uniform(2e3, 2e4)
        flow = np.maximum(0.0, -np.diff(vessel, prepend=vessel[0])) * 4e4
        lay.lay("total", total, ("uint32-" if random.random() < 0.5 else "float32-") + order, analog=True)
        lay.lay("flow", flow, "float32-" + order, analog=True)
        lay.lay("status", (flow > 0).astype(np.float64), "uint16")
    else:
        for _ in range(int(random.integers(2, 9))):
            lay.lay("setting", np.full(n, float(random.integers(0, 9000))), "uint16")
        lay.lay("heartbeat", np.arange(n) % 100.0, "uint16")
    return Unit(
        address,
        TABLES[int(random.random() < 0.3)],
        int(random.choice(FIRST_REGISTERS)),
        t_ns,
        np.concatenate(lay.words, axis=1),
        tuple(lay.fields),
        order,
        0.0,
        np.full(n, np.nan),
    )


def yard(seed: int, most_answers: int = 3600, most_vessels: int = 8) -> Yard:
    """Return the yard of a seed; most_answers: of a device in the record, by polling more seldom."""
    random = np.random.default_rng([seed, 4])
    seconds = int(random.choice([3600, 5400, 7200, 4 * 3600, 6 * 3600, 8 * 3600]))
    start_ns = int(random.choice([0, -7_000 * NS, 1_773_237_600 * NS]))
    periods = [p for p in (1, 2, 5, 10, 15, 30) if seconds / p <= most_answers] or [30]
    period = float(periods[random.integers(min(3, len(periods)))])
    count = min(int(random.integers(2, 9)), most_vessels)
    addresses = iter(random.permutation(np.arange(1, 100)).tolist())
    vessels: list[Vessel] = []

    def times() -> np.ndarray:
        n = int((seconds - 2) / period)
        at = start_ns + (np.arange(n) * period * NS).astype(np.int64) + int(random.uniform(0, NS))
        return np.asarray(at + random.integers(0, 16_000_000, n))

    def seen(level: Floats, t_ns: np.ndarray, noise_m: float) -> Floats:
        at = (t_ns - start_ns) / NS
        exact = np.interp(at, np.arange(seconds), level)
        return np.asarray(exact + random.normal(0, noise_m, len(at)) if noise_m else exact)

    def add(height: float, level: Floats, law: Law, *, online: bool = True, **more: object) -> None:
        noise = float(random.choice([0.0, 0.0002, 0.0005, 0.0015]))
        t_ns = times()
        unit = None
        if online:
            values = seen(level, t_ns, noise)
            unit = vessel_unit(
                random,
                next(addresses),
                t_ns,
                values,
                height,
                law,
                faults=random.random() < 0.35,
                held=bool(more.get("held", False)),
            )
        vessels.append(Vessel(f"V{len(vessels) + 1}", height, level, noise, law, unit, **more))  # type: ignore[arg-type]

    for n in range(count):
        height = round(float(random.uniform(2.0, 6.0) if random.random() < 0.7 else random.uniform(6.0, 12.0)), 2)
        law = _fitting(random, height)
        if n and random.random() < 0.12:
            add(height, _still(random, seconds, height), law, idle=True)
        else:
            add(height, profile(random, seconds, height), law, held=random.random() < 0.12)
    if random.random() < 0.45:  # a twin of the first: all the time, or for the first or last part of the record
        first = vessels[0]
        law = first.law if random.random() < 0.6 else _fitting(random, first.height_m)
        level, alike = _twin(random, first, seconds)
        add(first.height_m, level, law, twin=first.name, alike=alike)
        vessels[0] = replace(first, twin=vessels[-1].name, alike=alike)
    for _ in range(2):  # vessels that aren't on the line
        height = round(float(random.uniform(2.0, 9.0)), 2)
        add(height, profile(random, seconds, height), _fitting(random, height), online=False)
    strangers = tuple(
        _stranger(random, next(addresses), t_ns, seen(vessels[0].level_m, t_ns, 0.0))
        for t_ns in (times() for _ in range(int(random.integers(0, 3))))
    )
    return Yard(seed, start_ns, start_ns + seconds * NS, tuple(vessels), strangers)


def _fitting(random: np.random.Generator, height_m: float) -> Law:
    """Return a law whose register holds every level of the vessel."""
    while True:
        law = main_law(random, height_m)
        try:
            encode(np.array([-0.02, 1.02 * height_m]) * law.scale + law.offset, law.encoding)
        except ValueError:
            if law.encoding not in ("uint16", "bcd16") and not law.encoding.startswith(("uint32", "mod10k32")):
                continue
            try:  # an unsigned register can't go below nothing; no level here comes that low
                encode(np.array([0.03 * height_m, 1.02 * height_m]) * law.scale + law.offset, law.encoding)
            except ValueError:
                continue
        return law


def _still(random: np.random.Generator, seconds: int, height_m: float) -> Floats:
    return np.full(seconds, float(random.uniform(0.1, 0.9) * height_m))


def _twin(random: np.random.Generator, first: Vessel, seconds: int) -> tuple[Floats, tuple[int, int]]:
    gap_m = float(random.uniform(-0.0005, 0.0005))
    if random.random() < 0.35:
        return first.level_m + gap_m, (0, seconds)
    cut = int(random.uniform(0.5, 0.85) * seconds)
    own = profile(random, seconds, first.height_m, None)
    if random.random() < 0.5:
        tail = own[cut:] - own[cut] + first.level_m[cut]
        joined = np.concatenate([first.level_m[:cut], tail])
        alike = (0, cut)
    else:
        early = seconds - cut
        head = own[:early] - own[early] + first.level_m[early]
        joined = np.concatenate([head, first.level_m[early:]])
        alike = (early, seconds)
    return np.clip(joined + gap_m, 0.06 * first.height_m, 0.98 * first.height_m), alike


class Maker(Protocol):
    """A generator of single devices."""

    def __call__(
        self, random: np.random.Generator, *, duration_s: float, period_s: float, faults: bool = False
    ) -> Unit:
        """Return a device polled every period_s for duration_s; faults: with codes for "no value" now and then."""


IDLE_M = 0.005


def borrowed_yard(seed: int, maker: Maker, most_answers: int = 3600, most_devices: int = 8) -> Yard:
    """Return a yard of another author's devices; what tells no level is a stranger, one vessel isn't on the line."""
    random = np.random.default_rng([seed, 5])
    seconds = int(random.choice([3600, 7200, 4 * 3600, 8 * 3600]))
    period_s = float(random.choice([p for p in (1, 2, 5, 10, 15) if seconds / p <= most_answers] or [30]))
    addresses = random.permutation(np.arange(1, 100))
    vessels: list[Vessel] = []
    strangers: list[Unit] = []
    for n in range(min(int(random.integers(3, 9)), most_devices)):
        unit = maker(random, duration_s=seconds - 2.0, period_s=period_s, faults=random.random() < 0.4)
        unit = replace(unit, device=int(addresses[n]), t_ns=unit.t_ns - unit.t_ns[0] + NS)
        vessel = _of_unit(f"V{n + 1}", unit, seconds)
        if vessel is None:
            strangers.append(unit)
        else:
            vessels.append(vessel)
    if len(vessels) > 2:
        vessels[-1] = replace(vessels[-1], unit=None, idle=False)
    return Yard(seed, 0, seconds * NS, tuple(vessels), tuple(strangers))


def _of_unit(name: str, unit: Unit, seconds: int) -> Vessel | None:
    """Return the vessel behind a device: read off its display, which shows what its first level register tells."""
    told = [f for f in unit.fields if f.level_scale is not None and np.isfinite(f.truth).mean() > 0.5]
    if not told:
        return None
    main = next((f for f in told if f.name == "level"), told[0])
    scale = main.level_scale or 1.0
    level = main.truth * scale + (main.level_offset or 0.0)
    good = np.isfinite(level)
    shown = np.interp(np.arange(seconds), unit.t_ns[good] / NS, level[good])
    law = Law(main.name, main.encoding, 1 / scale, -(main.level_offset or 0.0) / scale)
    noise = float(np.std(level[good] - unit.level_m[good]))
    idle = bool(np.ptp(unit.level_m) < IDLE_M)
    return Vessel(name, unit.height_m, np.asarray(shown), noise, law, unit, idle=idle, borrowed=True)
