"""An invented yard of four vessels, one for each way to tell a level, and what people and the line say of it.

The true levels are chosen by the tests; the registers are worked out here from what is really built, the levels by
the code under test from what the site file claims. Where the two differ, a fault is planted.
"""

import csv
import itertools
import struct
from collections.abc import Callable, Iterable, Mapping
from fractions import Fraction
from pathlib import Path

import fastcrc

from sidetap.line import Chunk
from sidetap.line.recording import write_csv
from sidetap.measure.doctor import Comparison, Noted, Standing
from sidetap.quantity import to_si
from sidetap.site import Site, load_or_refuse
from sidetap.survey import PersonReading, ReadingKind

S = 1_000_000_000
G = 9.80665  # m/s², standard gravity (ISO 80000-3)
GALLON_M3 = 231 * 0.0254**3

HEAD = """\
# An invented yard; this comment stays.
format = 1
people = "people.toml"

[site]
name = "Four Vessels"
time_zone = "America/Chicago"
show = { level = "m", volume = "gal", flow = "gpm", mass = "lb" }
scan = "100 ms"

[[line]]
tag = "north"
port = "/dev/serial/by-path/one"
baud = 19200
framing = "8E1"
transmitter = { state = "disabled in hardware", checked_by = "R. Achterberg", on = 2026-02-11 }
"""
TAIL = """
[[module]]
tag = "IO-1"
kind = "modbus-rtu"
port = "/dev/serial/by-path/two"
baud = 19200
framing = "8E1"
device = 1
drops_out_after = "2 s"

[watchdog]
module = "IO-1"
coil = 15
kind = "transistor"
relay_time = "2 s"

[horn]
module = "IO-1"
coil = 14

[[bay]]
tag = "B"
name = "Road"
flow = { value = "100 gpm", tolerance = "10 %", source = "typed" }
vehicle = { capacity = "5000 gal", payload = "47000 lb" }
restarts = 1
restart_wait = "60 s"
resume_by = "lead"
selector = { auto = "AUTO", hand = "HAND" }
stop_input = "STOP"
hose = { input = "HOSE", left_after = "5 min" }
run_permissives = ["AUTO", "STOP", "HOSE"]
hard_wired_stop = "red button on the post"
pump_permit = { module = "IO-1", coil = 8 }
open_key = "OPEN"
close_key = "CLOSE"
stuck_key_after = "10 s"
panel = { lost_after = "5 s", screen = "15.6 in" }

[[valve]]
tag = "B1"
bay = "B"
from = "T1"
open_limit = "5 min"
output = { module = "IO-1", coil = 0 }
fails = "closed"
stroke = "6 s"
supervise = "8 s"
closed_switch = "ZSC"
open_switch = "ZSO"

[[rule]]
tag = "R-1"
kind = "one-valve-per-bay"

[compatible]
"water" = ["water"]
"""
POINT = """
[[point]]
tag = "{point}"  # of {tag}
line = "north"
device = {device}
table = "{table}"
register = {register}
encoding = "{encoding}"
{scale}unit = "{unit}"
valid = [{valid}]
poll = "1 s"
warn_age = "3 s"
close_age = "5 s"{released}
"""
VESSEL = """
[[vessel]]
tag = "{tag}"
name = "{name}"
product = "water"
density = {{ value = "{density}", source = "typed", on = 2026-01-20 }}
shape = {{ {shape} }}
level = {{ point = "{point}", {level} }}
uncertainty = {{ level = "{u}", volume = "0.5 %" }}
high = "{high}"
low = "{low}"
trip = {{ below = "{trip}", mean = "15 s", delay = "2 s", reset_above = "{reset}" }}
"""
BARREL = 'kind = "horizontal-cylinder", diameter = "3.048 m", length = "12.192 m", heads = "ellipsoidal-2:1"'
KINDS: dict[str, dict[str, str | int]] = {
    "T1": {
        "name": "North Round",
        "point": "LT-1",
        "device": 11,
        "table": "holding-register",
        "register": 100,
        "encoding": "uint16",
        "scale": "",
        "unit": "mm",
        "valid": '"0 mm", "7315 mm"',
        "density": "1325 kg/m3",
        "shape": 'kind = "vertical-cylinder", diameter = "9.144 m", height = "7.315 m", bottom = "flat"',
        "level": 'as = "height"',
        "u": "3 mm",
        "high": "6.90 m",
        "low": "1.00 m",
        "trip": "0.60 m",
        "reset": "0.70 m",
    },
    "T3": {
        "name": "Long Barrow",
        "point": "PT-3",
        "device": 13,
        "table": "input-register",
        "register": 8,
        "encoding": "float32-high-word-first",
        "scale": "",
        "unit": "kPa",
        "valid": '"-1 kPa", "45 kPa"',
        "density": "1396 kg/m3",
        "level": 'as = "pressure", sensor_height = "0.42 m"',
        "u": "10 mm",
        "shape": BARREL,
        "high": "2.75 m",
        "low": "0.95 m",
        "trip": "0.70 m",
        "reset": "0.80 m",
    },
    "T4": {
        "name": "Spindle",
        "point": "LT-4",
        "device": 14,
        "table": "input-register",
        "register": 30,
        "encoding": "uint16",
        "scale": "",
        "unit": "mm",
        "valid": '"0 mm", "5270 mm"',
        "density": "1323 kg/m3",
        "shape": 'kind = "vertical-cylinder", diameter = "3.658 m", height = "5.4 m", bottom = "flat"',
        "level": 'as = "ullage", reference_height = "5.62 m", blocking = "0.30 m"',
        "u": "3 mm",
        "high": "5.20 m",
        "low": "1.20 m",
        "trip": "0.60 m",
        "reset": "0.80 m",
    },
    "T5": {
        "name": "Cistern",
        "point": "LT-5",
        "device": 15,
        "table": "holding-register",
        "register": 4,
        "encoding": "uint16",
        "scale": "scale = 0.01\n",
        "unit": "%",
        "valid": '"0 %", "100 %"',
        "density": "1000 kg/m3",
        "level": 'as = "percent", span = "2.50 m"',
        "u": "2 mm",
        "shape": 'kind = "vertical-cylinder", diameter = "5.5 m", height = "2.5 m", bottom = "flat"',
        "high": "2.30 m",
        "low": "0.60 m",
        "trip": "0.40 m",
        "reset": "0.50 m",
    },
}
INPUTS = ("AUTO", "HAND", "STOP", "HOSE", "OPEN", "CLOSE", "ZSC", "ZSO")


def site_text(released: str = "") -> str:
    """Return the site file, released: of T1's point."""
    points = (
        POINT.format(tag=tag, **kind, released=f"\n{released}" if tag == "T1" and released else "")
        for tag, kind in KINDS.items()
    )
    vessels = (VESSEL.format(tag=tag, **kind) for tag, kind in KINDS.items())
    inputs = (
        f'\n[[input]]\ntag = "{tag}"\nmodule = "IO-1"\nbit = {bit}\nmax_age = "1 s"\n'
        for bit, tag in enumerate(INPUTS)
    )
    return "".join(itertools.chain([HEAD], points, vessels, inputs, [TAIL]))


def write_site(folder: Path, change: Mapping[str, str] | None = None, text: str | None = None) -> Path:
    """Write site and people into a folder; every key of change must stand in the file, and becomes its value."""
    text = site_text() if text is None else text
    for old, new in (change or {}).items():
        assert old in text, old
        text = text.replace(old, new)
    path = folder / "site.toml"
    path.write_bytes(text.encode())
    (folder / "people.toml").write_text('[[person]]\nname = "Ines Varga"\nrole = "lead"\n')
    return path


def loaded(folder: Path, change: Mapping[str, str] | None = None) -> Site:
    return load_or_refuse(write_site(folder, change))


# -- what the line and people say ------------------------------------------------------------------------------------

REQUESTS = {"T1": (11, 3, 100, 1), "T3": (13, 4, 8, 2), "T4": (14, 4, 30, 1), "T5": (15, 3, 4, 1)}
WORDS: dict[str, Callable[[float], bytes]] = {  # of a true level in m, as the vessels are really built
    "T1": lambda level: round(level * 1000).to_bytes(2, "big"),
    "T3": lambda level: struct.pack(">f", 1396 * G * (level - 0.42) / 1000),
    "T4": lambda level: round((5.62 - level) * 1000).to_bytes(2, "big"),
    "T5": lambda level: round(level / 2.5 * 10_000).to_bytes(2, "big"),
}


def framed(data: bytes) -> bytes:
    return data + fastcrc.crc16.modbus(data).to_bytes(2, "little")


def polls(tag: str, t_ns: int, data: bytes) -> list[Chunk]:
    """Return one poll of a vessel, asked at t_ns, answered with these register bytes."""
    device, function, register, count = REQUESTS[tag]
    asked = bytes([device, function, register >> 8, register & 255, 0, count])
    return [
        Chunk(t_ns, framed(asked)),
        Chunk(t_ns + 30_000_000, framed(bytes([device, function, len(data)]) + data)),
    ]


def record(path: Path, levels: Mapping[str, Callable[[int], bytes | None]], seconds: Iterable[int]) -> Path:
    """Write a recording of these seconds: what each vessel's registers hold in each; None is no poll."""
    chunks = []
    for second in seconds:
        for number, (tag, data) in enumerate((t, held(second)) for t, held in levels.items()):
            if data is not None:
                chunks += polls(tag, second * S + number * 60_000_000, data)
    write_csv(path, chunks, None)
    return path


def note(
    path: Path, rows: Iterable[tuple[object, ...]], header: str = "time_s,name,value,unit,tolerance,kind"
) -> Path:
    """Write a readings file."""
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(header.split(","))
        writer.writerows(rows)
    return path


def beside(
    site: Site,
    tag: str,
    read: float,
    reported_m: float,
    *,
    unit: str = "m",
    tolerance: float = 0.005,
    kind: ReadingKind = ReadingKind.DIP,
    row: int = 1,
    standing: Standing = Standing.GOOD,
) -> Comparison:
    """Return a reading and what the line reported beside it."""
    vessel = site.vessel(tag)
    value, allowed = Fraction(repr(read)), Fraction(repr(tolerance))
    reading = PersonReading(row, row * 600 * S, tag, value, unit, allowed, allowed, None, kind)
    is_volume = unit in ("gal", "L")
    noted = Noted(
        reading, vessel, site.point(vessel.level.point), to_si(value, unit), to_si(allowed, unit), is_volume
    )
    return Comparison(noted, standing, "", reported_m)
