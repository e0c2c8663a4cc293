"""The first generator: level transmitters as our first experiments imagined them, and the truth of every register.

A random generator and a length in, a `Unit` out. Shares, units and habits are common practice, no source. A unit has
a vessel whose level moves at constant rates for a while each, a transmitter that samples it now and then with noise
of its own, and registers in some order: the level, perhaps percent, distance, temperature, echo, a second level,
status, heartbeat, uptime, settings, text, and registers that carry nothing.

Some units are awkward: liquid that sloshes, polls that never came, one value in a word order of its own; with
`faults`, bursts in which the level, and what is reckoned from it, is a code for "no value".
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from registers.encoding import ORDERS, Floats, Words, encode, integer_range, split, text_words
from registers.form import Field, Unit

Scenario = Literal["moving", "mixed", "idle"]

FOOT_M = 0.3048
_HEIGHTS_FT = (12, 15, 16, 20, 24, 25, 30, 32, 40, 48)
_ORDER_SHARES = (0.35, 0.40, 0.13, 0.12)
_LEVEL_SHARES = {
    "float32": 0.48,
    "uint16": 0.15,
    "int16": 0.06,
    "uint32": 0.08,
    "int32": 0.06,
    "bcd16": 0.04,
    "mod10k32": 0.04,
    "float64": 0.03,
    "percent": 0.03,  # the level is told in percent alone
    "current": 0.03,  # ... or as the current of its loop in µA
}
# units of a level, in counts a metre, with their shares
_FLOAT_UNITS = ((1 / FOOT_M, 0.6), (1.0, 0.25), (12 / FOOT_M, 0.15))
_SHORT_UNITS = ((100 / FOOT_M, 0.35), (120 / FOOT_M, 0.15), (1000.0, 0.35), (10 / FOOT_M, 0.1), (192 / FOOT_M, 0.05))
_LONG_UNITS = ((1000 / FOOT_M, 1 / 3), (10_000.0, 1 / 3), (12_000 / FOOT_M, 1 / 3))
_MOVES = {"moving": (0.2, 0.4, 0.4), "mixed": (0.6, 0.2, 0.2), "idle": (1.0, 0.0, 0.0)}  # still, rising, falling

_SLOSHES, _DROPS, _BREAKS_ORDER = 0.15, 0.25, 0.04  # shares of units
_DROPPED = 0.03  # share of polls, where they drop
_BCD_MOST = 9999
_LETTERS = np.array(list("ABCDEFGHJKLMNPRSTUVWXYZ0123456789-"))
_SETTINGS = (1.0, 0.5, 20.0, 4.0, 100.0, 0.845, 1.013)
_WHOLE_SETTINGS = (1, 2, 5, 10, 250, 1200, 9600, 0x0203)

_NO_NUMBERS = (np.nan, np.inf, -999.0, 999.9, 0.0)
_NO_VALUES = {  # as unsigned numbers of the value's width
    "uint16": (0, 0xFFFF, 0x7FFF, 0x8000),
    "int16": (0, 0xFFFF, 0x7FFF, 0x8000, 0xFC19),  # the last is -999
    "bcd16": (0, 0x9999, 0xFFFF),
    "uint32": (0, 0x7FFFFFFF, 0xFFFFFFFF, 0x80000000),
    "int32": (0, 0x7FFFFFFF, 0xFFFFFFFF, 0x80000000),
    "mod10k32": (0, 9999 << 16 | 9999, 0xFFFFFFFF),
}


@dataclass(frozen=True, slots=True)
class _Column:
    """One value before it has its place. sent: as told [answers]. from_level: it is reckoned from the level."""

    name: str
    encoding: str
    sent: Floats
    words: Words
    analog: bool
    scale: float | None = None
    offset: float | None = None
    from_level: bool = False


@dataclass(frozen=True, slots=True)
class _Clock:
    """When answers come, and when the transmitter samples.

    t_s: of each answer. held: which sample each answer tells [answers]. samples: how many there are.
    """

    t_s: Floats
    held: NDArray[np.int64]
    samples: int


def unit(
    random: np.random.Generator,
    *,
    duration_s: float,
    period_s: float,
    faults: bool = False,
    scenario: Scenario = "moving",
) -> Unit:
    """Return a made-up device that is polled every so many seconds; faults: its echo is lost now and then."""
    height_m = float(random.choice(_HEIGHTS_FT)) * FOOT_M
    clock = _clock(random, duration_s, period_s)
    calm_m = _level(random, clock.t_s, height_m, scenario)
    shown_m = _sampled(random, clock, calm_m, height_m, scenario)
    order = str(random.choice(ORDERS, p=_ORDER_SHARES))
    columns = _columns(random, clock, shown_m, height_m, order)
    if faults:
        columns = _with_lost_echo(random, columns, len(clock.t_s))
    if random.random() < _BREAKS_ORDER:
        columns = _with_one_of_another_order(random, columns, order)
    fields, words = _placed(random, columns)
    kept = random.random(len(words)) >= (_DROPPED if random.random() < _DROPS else 0.0)
    return Unit(
        device=int(random.integers(1, 248)),
        table=str(random.choice(["holding-register", "input-register"])),
        register=int(random.integers(0, 400)),
        t_ns=np.rint(clock.t_s[kept] * 1e9).astype(np.int64),
        words=words[kept],
        fields=tuple(replace(f, truth=f.truth[kept] if len(f.truth) else f.truth) for f in fields),
        order=order,
        height_m=height_m,
        level_m=calm_m[kept],
    )


def _clock(random: np.random.Generator, duration_s: float, period_s: float) -> _Clock:
    answers = int(duration_s / period_s)
    t_s = np.arange(answers) * period_s + random.normal(0, 0.02 * period_s, answers)
    own_period_s = random.choice([0.5, 1, 2, 5, 10])
    _, held = np.unique(np.floor(t_s / own_period_s), return_inverse=True)
    return _Clock(t_s, held, int(held[-1]) + 1)


def _level(random: np.random.Generator, t_s: Floats, height_m: float, scenario: Scenario) -> Floats:
    """Return the level: still, rising or falling for a while each, turned round at the ends of the vessel."""
    length_s = float(t_s[-1] - t_s[0])
    rate_m_h = np.zeros(len(t_s))
    reached_s = 0.0
    while reached_s < length_s:
        part_s = random.exponential(max(length_s / 4, 600))
        rates_ft_h = (0.0, random.uniform(0.2, 3), -random.uniform(1, 10))
        own = (t_s - t_s[0] >= reached_s) & (t_s - t_s[0] < reached_s + part_s)
        rate_m_h[own] = random.choice(rates_ft_h, p=_MOVES[scenario]) * FOOT_M
        reached_s += part_s
    start = random.uniform(0.1, 0.9) * height_m
    level = start + np.cumsum(rate_m_h / 3600 * np.diff(t_s, prepend=t_s[0]))
    bottom, span = 0.03 * height_m, 0.94 * height_m
    turned = (level - bottom) % (2 * span)
    return np.asarray(bottom + np.where(turned > span, 2 * span - turned, turned))


def _sampled(
    random: np.random.Generator, clock: _Clock, calm_m: Floats, height_m: float, scenario: Scenario
) -> Floats:
    """Return what the transmitter makes of the level: sampled, sloshing, with noise that lasts a little."""
    noise_m = random.choice([0, 0.0005, 0.002, 0.01, 0.02]) * FOOT_M
    if scenario == "idle" and random.random() < 0.4:
        noise_m = 0.0
    noise = random.normal(0, noise_m, clock.samples)
    for i in range(1, len(noise)):
        noise[i] = 0.6 * noise[i - 1] + 0.8 * noise[i]
    surface = calm_m
    if scenario != "idle" and random.random() < _SLOSHES:
        swing_m, swing_s = random.uniform(0.01, 0.1) * FOOT_M, random.uniform(2, 8)
        surface = calm_m + swing_m * np.sin(2 * np.pi * clock.t_s / swing_s + random.uniform(0, 6))
    first = np.unique(clock.held, return_index=True)[1]
    return np.clip((surface[first] + noise)[clock.held], 0, height_m)


def _columns(
    random: np.random.Generator, clock: _Clock, shown_m: Floats, height_m: float, order: str
) -> list[_Column]:
    """Return the values of a device; the level comes anywhere among the others."""
    kind = str(random.choice(list(_LEVEL_SHARES), p=list(_LEVEL_SHARES.values())))
    level = _level_column(random, kind, shown_m, height_m, order)
    as_float = split(level.encoding)[0] == "float32"
    others = []
    if random.random() < 0.5 and kind not in ("percent", "current"):
        most = 100 if as_float else 1000
        others.append(_linear("percent", "float32" if as_float else "uint16", order, shown_m, most / height_m))
    if random.random() < 0.5:
        empty_m = height_m + float(random.choice([0.5, 1.0, 1.25])) * FOOT_M
        each = (1 if as_float else 100) / FOOT_M
        others.append(
            _linear("distance", "float32" if as_float else "uint16", order, empty_m - shown_m, each, empty_m)
        )
    if random.random() < 0.8:
        others.append(_temperature(random, clock, order))
    if random.random() < 0.5:
        mean, spread = random.uniform(40, 90), random.choice([0.5, 2, 5])
        echo = np.clip(random.normal(mean, spread, clock.samples)[clock.held], 0, 100)
        others.append(_column("echo", "uint16", "", echo, analog=True))
    others.append(_status(random, clock, clock.t_s[-1] - clock.t_s[0]))
    seconds = np.floor(clock.t_s)
    if random.random() < 0.4:
        others.append(_column("heartbeat", "uint16", "", (float(random.integers(0, 60_000)) + seconds) % 65_536))
    if random.random() < 0.4:
        others.append(_column("uptime", "uint32", order, float(random.integers(10_000, 9_000_000)) + seconds))
    others += [_setting(random, len(seconds), height_m, order) for _ in range(random.integers(1, 5))]
    if random.random() < 0.25:
        spread_ft = random.choice([0.0, 0.001])
        second = np.round(random.uniform(0.1, 1.5), 2) + spread_ft * random.normal(size=clock.samples)[clock.held]
        others.append(_column("second-level", "float32", order, second, analog=True))
    columns = [others[n] for n in random.permutation(len(others))]
    columns.insert(int(random.integers(0, len(others) + 1)), level)
    if random.random() < 0.4:
        text = "".join(random.choice(_LETTERS, random.integers(6, 16)))
        words = np.tile(text_words(text), (len(seconds), 1))
        columns.append(_Column("text", "text", np.empty(0), words, analog=False))
    return columns


def _level_column(random: np.random.Generator, kind: str, shown_m: Floats, height_m: float, order: str) -> _Column:
    if kind == "percent":
        return _linear("percent", "uint16", order, shown_m, float(random.choice([1000, 10_000])) / height_m)
    if kind == "current":
        each = 16_000 / height_m
        column = _linear("current", "uint16", order, shown_m + 4000 / each, each)
        return replace(column, offset=-4000 / each)
    units = {"float32": _FLOAT_UNITS, "float64": _FLOAT_UNITS, "uint32": _LONG_UNITS, "int32": _LONG_UNITS}.get(
        kind, _LONG_UNITS if kind == "mod10k32" else _SHORT_UNITS
    )
    each = float(random.choice([u for u, _ in units], p=[share for _, share in units]))
    if kind == "bcd16" and each * height_m > _BCD_MOST:
        each = 100 / FOOT_M
    step = random.choice([0, 0.001, 0.01, 0.1], p=[0.55, 0.15, 0.2, 0.1]) if kind.startswith("float") else 1.0
    told = shown_m * each
    rounded = np.rint(told / step) * step if step else told
    column = _column("level", kind, order, rounded, analog=True)
    return replace(column, scale=1 / each, offset=0.0, from_level=True)


def _linear(name: str, kind: str, order: str, shown_m: Floats, each: float, empty_m: float | None = None) -> _Column:
    """Return a value that tells the level; each: counts a m. empty_m: it tells how far the level is below this."""
    column = _column(name, kind, order, shown_m * each, analog=True)
    scale, offset = (1 / each, 0.0) if empty_m is None else (-1 / each, empty_m)
    return replace(column, scale=scale, offset=offset, from_level=True)


def _temperature(random: np.random.Generator, clock: _Clock, order: str) -> _Column:
    """Return a temperature in °C: a day's swing and a walk that ends where it began."""
    answers = len(clock.t_s)
    walk = np.cumsum(random.normal(0, 0.01, answers))
    walk -= np.linspace(0, walk[-1], answers)
    celsius = random.uniform(-10, 40) + 3 * np.sin(2 * np.pi * (clock.t_s / 86_400 + random.random())) + 0.02 * walk
    if random.random() < 0.6:
        step = random.choice([0, 0.1, 0.01])
        rounded = np.rint(celsius / step) * step if step else celsius
        return _column("temperature", "float32", order, rounded, analog=True)
    return _column("temperature", "int16", "", celsius * 10, analog=True)


def _status(random: np.random.Generator, clock: _Clock, length_s: float) -> _Column:
    bits = np.full(len(clock.t_s), int(random.choice([0, 1, 3, 0x80, 0x0101, 0x2004])))
    for _ in range(random.poisson(min(12, length_s / 900) + 1)):
        start, end = sorted(random.integers(0, len(bits), 2))
        bits[start:end] ^= 1 << int(random.integers(0, 16))
    return _column("status", "bits16", "", bits.astype(np.float64))


def _setting(random: np.random.Generator, answers: int, height_m: float, order: str) -> _Column:
    height_ft = height_m / FOOT_M
    if random.random() < 0.6:
        likely = (
            height_ft,
            height_ft * 0.9,
            height_ft * 0.1,
            height_m,
            *_SETTINGS,
            np.round(random.uniform(0.1, 60), 2),
        )
        return _column("setting", "float32", order, np.full(answers, random.choice(likely)))
    whole = random.choice([*_WHOLE_SETTINGS, int(random.integers(0, 9999))])
    return _column("setting", "uint16", "", np.full(answers, float(whole)))


def _column(name: str, kind: str, order: str, values: Floats, *, analog: bool = False) -> _Column:
    """Return a value as it is sent, in the device's order as far as its kind has one."""
    encoding = kind
    if order and kind not in ("uint16", "int16", "bcd16", "bits16"):
        plain = kind in ("mod10k32", "float64")  # nobody exchanges the bytes of these
        encoding = f"{kind}-{order.removesuffix('-swapped') if plain else order}"
    if kind.startswith("float"):
        sent = values.astype(np.float32).astype(np.float64) if kind == "float32" else values
    else:
        sent = np.clip(np.rint(values), *integer_range(encoding))
    return _Column(name, encoding, sent, encode(encoding, sent), analog)


def _with_lost_echo(random: np.random.Generator, columns: list[_Column], answers: int) -> list[_Column]:
    """Return the values with bursts of "no value" in the level and, in half of the others, in what tells it too."""
    lost = np.zeros(answers, dtype=np.bool_)
    for _ in range(random.integers(1, 5)):
        start = int(random.integers(0, answers - 10))
        lost[start : start + int(random.integers(3, max(4, answers // 40)))] = True
    first = next(c for c in columns if c.from_level)
    told = next((c for c in columns if c.name == "level"), first)
    return [_lost(random, c, lost) if c is told or (c.from_level and random.random() < 0.5) else c for c in columns]


def _lost(random: np.random.Generator, column: _Column, lost: NDArray[np.bool_]) -> _Column:
    kind, order = split(column.encoding)
    if kind.startswith("float"):
        code = encode(column.encoding, np.array([random.choice(_NO_NUMBERS)]))
    else:
        plain = f"uint32-{order}" if order else "uint16"
        code = encode(plain, np.array([float(random.choice(_NO_VALUES[kind]))]))
    return replace(
        column, sent=np.where(lost, np.nan, column.sent), words=np.where(lost[:, None], code, column.words)
    )


def _with_one_of_another_order(random: np.random.Generator, columns: list[_Column], order: str) -> list[_Column]:
    likely = [
        c for c in columns if c.encoding.startswith("float32") and c.name != "level" and not np.isnan(c.sent).any()
    ]
    if not likely:
        return columns
    odd = likely[int(random.integers(len(likely)))]
    encoding = f"float32-{random.choice([o for o in ORDERS if o != order])}"
    return [replace(c, encoding=encoding, words=encode(encoding, c.sent)) if c is odd else c for c in columns]


def _placed(random: np.random.Generator, columns: list[_Column]) -> tuple[list[Field], Words]:
    """Return the values side by side, here and there with one to three registers that carry nothing before one."""
    answers = len(columns[0].words)
    fields: list[Field] = []
    parts: list[Words] = []
    place = 0
    for column in columns:
        if column.encoding != "text" and random.random() < 0.15:
            empty = int(random.integers(1, 4))
            parts.append(np.zeros((answers, empty), dtype=np.uint16))
            place += empty
        width = column.words.shape[1]
        fields.append(
            Field(
                name=column.name,
                start=place,
                width=width,
                encoding=column.encoding,
                analog=column.analog,
                truth=column.sent,
                level_scale=column.scale,
                level_offset=column.offset,
            )
        )
        parts.append(column.words.astype(np.uint16))
        place += width
    return fields, np.concatenate(parts, axis=1)
