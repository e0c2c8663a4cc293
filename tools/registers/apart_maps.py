"""Register maps of made-up devices: which columns a kind of device has, in what order, with what beside them.

The kinds: level transmitters, pressure cells, flow meters, input gateways, temperature modules, power meters, drives,
scales, controllers that collect several vessels or several kinds of instrument, and plain one-value senders. All
invented.
"""

import numpy as np

from registers.apart_columns import (
    BCD,
    DOUBLE,
    LONG,
    MIXED,
    SINGLE,
    TENK,
    Column,
    Measured,
    Spelling,
    habit_of,
    measured_column,
    number_column,
    text_column,
)
from registers.apart_plant import Floats, Plant, plant
from registers.apart_quantities import Instruments

_KINDS = (
    "level",
    "pressure",
    "flow",
    "gateway",
    "temperature",
    "meter",
    "drive",
    "scale",
    "collector",
    "single",
    "panel",
)
_SHARES = (0.28, 0.1, 0.1, 0.1, 0.07, 0.07, 0.05, 0.04, 0.07, 0.07, 0.05)
_TEXTS = ("SN", "TANK", "LT", "FT", "REV", "V", "UNIT-", "PROBE ", "S/N ")
_SETTINGS = (
    0,
    1,
    2,
    3,
    4,
    5,
    8,
    10,
    15,
    20,
    30,
    50,
    60,
    96,
    100,
    192,
    250,
    500,
    1000,
    1200,
    2500,
    4000,
    9600,
    20_000,
)


class Map:
    """Columns of one device, as they are put together."""

    def __init__(self, random: np.random.Generator, around: Plant, at_s: Floats, order: str) -> None:
        """at_s: moments of the answers from the start [answers]."""
        self._random = random
        self._around = around
        self._at_s = at_s
        self._spelling = Spelling(habit_of(random), order)
        self._instruments = Instruments(random, around, at_s)
        self._flags_as_floats = self._spelling.habit == SINGLE and random.random() < 0.06

    def columns(self) -> list[Column]:
        """Return the columns of a device of some kind."""
        kind = str(self._random.choice(_KINDS, p=_SHARES))
        columns: list[Column] = getattr(self, f"_{kind}")()
        return columns

    def _chance(self, share: float) -> bool:
        return bool(self._random.random() < share)

    def _say(self, measured: Measured) -> Column:
        return measured_column(self._random, self._spelling, measured)

    def _number(self, name: str, kind: str, values: Floats) -> Column:
        if self._flags_as_floats:
            kind = "float32"
        return number_column(name, kind, self._spelling.order, values)

    def _some(self, *makers: tuple[float, str]) -> list[Column]:
        """Return those of the columns, by the names of their methods, that chance takes."""
        return [column for share, name in makers if self._chance(share) for column in [getattr(self, f"_{name}")()]]

    # Beside the measured

    def _constant(self, name: str, kind: str, value: float) -> Column:
        return self._number(name, kind, np.full(len(self._at_s), float(value)))

    def _status(self) -> Column:
        """Return a word that says "good" nearly always, or bits that follow the pump."""
        random, answers = self._random, len(self._at_s)
        if self._chance(0.5):
            good = float(random.choice([0, 1, 1, 2, 128, 192]))
            values = np.full(answers, good)
            for _ in range(int(random.choice([0, 0, 0, 1, 3]))):
                first = int(random.integers(answers))
                values[first : first + int(random.integers(1, 20))] = float(random.choice([0, 2, 3, 4, 16]))
            return self._number("status", str(random.choice(["uint16", "bits16"])), values)
        bit = 2.0 ** int(random.integers(0, 16))
        rest = float(random.choice([0, 1, 0x8000, 0x0101]))
        if int(rest) & int(bit):
            rest = 0.0
        return self._number("status", "bits16", rest + bit * self._instruments.pumping())

    def _alarm(self) -> Column:
        """Return an alarm word: bits for a level above or below marks, without hysteresis."""
        level, height_m = self._around.level_m, self._around.height_m
        shown = np.interp(self._at_s, self._around.grid_s, level + self._around.wave_m)
        high, low = self._random.uniform(0.6, 1.0, 1) * height_m, self._random.uniform(0.0, 0.3) * height_m
        bits = 2.0 ** self._random.choice(16, 2, replace=False)
        return self._number("alarm", "bits16", (shown > high) * bits[0] + (shown < low) * bits[1])

    def _heartbeat(self) -> Column:
        """Return a counter of cycles, of seconds, or a flag that changes at every cycle."""
        step_s = float(self._random.choice([0.1, 0.5, 1, 1, 2, 10]))
        start = int(self._random.integers(0, 70_000))
        count: Floats = np.floor((self._at_s + self._random.uniform(0, 10)) / step_s) + start
        around = float(self._random.choice([2, 10, 100, 256, 1000, 32_768, 65_536, 65_536]))
        return self._number("heartbeat", "uint16", count % around)

    def _uptime(self) -> Column:
        """Return seconds, minutes or hours since the device started, or a clock's seconds."""
        start_s = float(self._random.choice([3e2, 5e4, 4e6, 6e7, 1.79e9]))
        start_s *= self._random.uniform(0.5, 1.0) if start_s < 1e9 else 1.0
        unit_s = float(self._random.choice([1, 1, 60, 3600])) if start_s < 1e9 else 1.0
        kind = TENK in self._spelling.habit and start_s / unit_s < 9e7
        return self._number("uptime", "mod10k32" if kind else "uint32", np.floor((start_s + self._at_s) / unit_s))

    def _setting(self) -> Column:
        """Return a constant (a span, a damping, an address, a code of a unit) or one that is set anew once."""
        if self._chance(0.5) and self._spelling.habit in (SINGLE, DOUBLE, MIXED):
            value = float(np.round(self._random.choice([self._around.height_m, 4.0, 20.0, 1.0, 0.42, 100.0, 3.5]), 2))
            return self._constant("setting", "float32", value)
        kind = "uint32" if self._spelling.habit == LONG and self._chance(0.5) else "uint16"
        values = np.full(len(self._at_s), float(self._random.choice(_SETTINGS)))
        if self._chance(0.05):
            values[int(self._random.integers(len(values))) :] = float(self._random.choice(_SETTINGS))
        return self._number("setting", kind, values)

    def _text(self) -> Column:
        registers = int(self._random.integers(2, 11))
        digits = "".join(str(n) for n in self._random.integers(0, 10, int(self._random.integers(2, 12))))
        text = str(self._random.choice(_TEXTS)) + digits
        return text_column(text, registers, len(self._at_s), "\0 "[int(self._random.integers(2))])

    def _padding(self) -> Column:
        return number_column("padding", "uint16", self._spelling.order, np.zeros(len(self._at_s)))

    def _total(self) -> Column:
        """Return a total, that of the start being anything a device gathers in years."""
        habit = self._spelling.habit
        kinds = {SINGLE: ["float32", "uint32", "float64"], DOUBLE: ["float64"], TENK: ["mod10k32"], BCD: ["uint32"]}
        kind = str(self._random.choice(kinds.get(habit, ["uint32", "uint32", "int32", "float32", "mod10k32"])))
        start = float(np.exp(self._random.uniform(np.log(10), np.log(5e7))))
        passed = start + self._instruments.total() * float(self._random.choice([0.1, 1, 1, 10]))
        return number_column("total", kind, self._spelling.order, passed if "float" in kind else np.floor(passed))

    def _pump_hours(self) -> Column:
        hours = self._random.uniform(10, 40_000) + self._instruments.pumped_h()
        kind = str(self._random.choice(["uint32", "uint16"]))
        return self._number("hours", kind, np.floor(hours))

    def _clock(self) -> list[Column]:
        """Return hour, minute and second in registers of their own."""
        second = np.floor(self._at_s + self._random.integers(0, 86_400))
        kind = "bcd16" if self._spelling.habit == BCD else "uint16"
        return [
            number_column("clock", kind, self._spelling.order, part)
            for part in (second // 3600 % 24, second // 60 % 60, second % 60)
        ]

    # What the instruments show

    def _main(self) -> Column:
        return self._say(self._instruments.level_guise())

    def _guise(self) -> Column:
        return self._say(self._instruments.level_guise())

    def _peak(self) -> Column:
        """Return the highest level since it was last reset, which may fall within the record."""
        level = self._instruments.level()
        split = int(self._random.integers(1, len(level.values))) if self._chance(0.3) else 0
        parts = [np.maximum.accumulate(part) for part in (level.values[:split], level.values[split:])]
        peak = Measured("peak", np.concatenate(parts), level.low, level.high, level.finest)
        return self._say(peak)

    def _warm(self) -> Column:
        return self._say(self._instruments.temperature())

    def _quality(self) -> Column:
        return self._say(self._instruments.quality())

    def _strength(self) -> Column:
        return self._say(self._instruments.strength())

    # The kinds of device

    def _level(self) -> list[Column]:
        head = self._some((0.12, "text"), (0.15, "setting"), (0.15, "status"), (0.05, "setting"))
        body = [self._main()]
        body += self._some(
            (0.4, "guise"),
            (0.25, "guise"),
            (0.5, "warm"),
            (0.25, "quality"),
            (0.1, "strength"),
            (0.06, "peak"),
            (0.4, "status"),
            (0.15, "alarm"),
            (0.15, "heartbeat"),
            (0.08, "uptime"),
        )
        if self._chance(0.25):
            self._random.shuffle(body)
        tail = self._some(
            (0.15, "setting"), (0.15, "setting"), (0.1, "setting"), (0.08, "text"), (0.1, "padding"), (0.1, "padding")
        )
        return head + body + tail

    def _pressure(self) -> list[Column]:
        body = [self._say(self._instruments.head())]
        body += self._some((0.5, "warm"), (0.3, "guise"), (0.3, "status"), (0.15, "setting"), (0.1, "text"))
        if self._chance(0.25):
            body.append(self._say(self._instruments.line_pressure()))
        return body

    def _flow(self) -> list[Column]:
        body = [self._say(self._instruments.flow())]
        body += self._some((0.6, "total"), (0.25, "total"), (0.3, "warm"), (0.4, "status"), (0.1, "uptime"))
        if self._chance(0.3):
            body.append(self._say(self._instruments.density()))
        if self._chance(0.25):
            body.append(self._say(self._instruments.line_pressure()))
        return body + self._some((0.2, "setting"), (0.1, "text"), (0.1, "alarm"), (0.1, "padding"))

    def _gateway(self) -> list[Column]:
        """Return channels of one kind, some of them with nothing connected, and inputs as bits."""
        counts = self._chance(0.4)
        body: list[Column] = []
        for _ in range(int(self._random.choice([2, 4, 6, 8, 12]))):
            if self._chance(0.25):
                body.append(self._unused())
            elif counts:
                body.append(self._say(self._instruments.counts()))
            else:
                body.append(self._random_input())
        return self._some((0.3, "status")) + body + self._some((0.4, "status"), (0.2, "heartbeat"), (0.2, "uptime"))

    def _random_input(self) -> Column:
        makers = (
            self._instruments.current_loop,
            self._instruments.temperature,
            self._instruments.line_pressure,
            self._instruments.analysis,
            self._instruments.level,
        )
        return self._say(makers[int(self._random.integers(len(makers)))]())

    def _unused(self) -> Column:
        """Return an input with nothing connected: still at zero, or a little noise around it."""
        answers = len(self._at_s)
        noise = np.rint(self._random.normal(0, self._random.choice([0, 1, 3]), answers))
        kind = {SINGLE: "float32", LONG: "int32"}.get(self._spelling.habit, "int16")
        values = noise / 1000 if kind == "float32" else noise
        return number_column("unused", kind, self._spelling.order, values)

    def _temperature(self) -> list[Column]:
        body = [self._warm() for _ in range(int(self._random.choice([1, 2, 4, 6, 8])))]
        return body + self._some((0.2, "unused"), (0.2, "unused"), (0.4, "status"), (0.1, "setting"))

    def _meter(self) -> list[Column]:
        shown, kilowatt = self._instruments.electricity()
        first = int(self._random.choice([0, 0, 0, 3]))
        body = [self._say(measured) for measured in shown[first : int(self._random.choice([6, 8, 10]))]]
        work = np.cumsum(np.abs(kilowatt) * np.gradient(self._at_s) / 3600) if len(kilowatt) > 1 else np.zeros(1)
        start = float(np.exp(self._random.uniform(np.log(50), np.log(2e6))))
        kind = str(self._random.choice({TENK: ["mod10k32"]}.get(self._spelling.habit, ["uint32", "float32"])))
        energy = start + work * float(self._random.choice([1, 10, 1000]))
        if self._chance(0.7):
            order = self._spelling.order
            body.append(number_column("energy", kind, order, energy if kind == "float32" else np.floor(energy)))
        return body + self._some((0.2, "status"), (0.1, "heartbeat"), (0.2, "setting"))

    def _drive(self) -> list[Column]:
        body = [*self._some((0.8, "status")), self._say(self._instruments.speed())]
        shown, _ = self._instruments.electricity()
        body += [self._say(measured) for measured in (shown[3], shown[6])]
        return body + self._some((0.4, "warm"), (0.5, "pump_hours"), (0.5, "alarm"), (0.3, "setting"), (0.2, "total"))

    def _scale(self) -> list[Column]:
        return [
            self._say(self._instruments.weight()),
            *self._some((0.6, "status"), (0.3, "setting"), (0.2, "heartbeat")),
        ]

    def _collector(self) -> list[Column]:
        """Return what a small controller gathers of several vessels, each as the first."""
        body: list[Column] = []
        if self._chance(0.3):
            body += self._clock()
        with_status, with_warmth = self._chance(0.5), self._chance(0.5)
        for _ in range(int(self._random.choice([2, 3, 4, 6, 8]))):
            other = Instruments(self._random, plant(self._random, float(self._at_s[-1]) + 1), self._at_s)
            shown = other.level() if self._chance(0.7) else other.percent()
            said = self._say(shown)
            body.append(Column("other-level", said.encoding, True, said.words, said.truth))
            if with_warmth:
                body.append(self._say(other.temperature()))
            if with_status:
                body.append(self._status())
        return [self._main(), *body, *self._some((0.5, "heartbeat"), (0.3, "alarm"))]

    def _panel(self) -> list[Column]:
        """Return what a controller shows of several kinds of instrument."""
        kinds = ("level", "pressure", "flow", "temperature", "meter", "drive", "scale", "single")
        body: list[Column] = []
        for _ in range(int(self._random.choice([2, 3, 4, 6]))):
            body += getattr(self, f"_{kinds[int(self._random.integers(len(kinds)))]}")()
        return body + self._some((0.3, "heartbeat"), (0.3, "alarm"))

    def _single(self) -> list[Column]:
        return [self._main(), *self._some((0.25, "status"))]
