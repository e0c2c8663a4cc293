"""How long `check` takes for a large site file, beside the TOML parser alone; and such a file, made up.

`python tools/bench_site.py [VESSELS BAYS]`. The target is a second for 64 vessels and 32 bays, on one core.
"""

from __future__ import annotations

import sys
import tempfile
import tomllib
from pathlib import Path

from timing import cpu_s, show

from sidetap.site import load, site_hash
from sidetap.site.cause_effect import compile_site

VESSELS, BAYS = 64, 32
TARGET_S = 1.0
PEOPLE = '[[person]]\nname = "Somebody"\nrole = "lead"\n'
TOP = """\
format = 1
people = "people.toml"
site.name = "A large yard"
site.time_zone = "UTC"
site.show = { level = "m", volume = "L", flow = "L/min", mass = "kg" }
site.scan = "100 ms"
watchdog = { module = "IO", coil = 0, kind = "transistor", relay_time = "2 s" }
horn = { module = "IO", coil = 1 }

[[line]]
tag = "north"
port = "tcp:10.0.0.1:4001"
baud = 19200
framing = "8E1"
transmitter = { state = "disabled in hardware", checked_by = "Somebody", on = 2026-01-20 }

[[module]]
tag = "IO"
kind = "modbus-rtu"
port = "tcp:10.0.0.2:4001"
baud = 19200
framing = "8E1"
device = 1
drops_out_after = "2 s"
"""
VESSEL = """
[[point]]
tag = "LT-{n}"
line = "north"
device = {device}
table = "holding-register"
register = {register}
encoding = "uint16"
unit = "mm"
valid = ["0 mm", "7315 mm"]
good_when = [{{ register = {status}, encoding = "uint16", equals = 1 }}]
max_step = "50 mm/s"
poll = "1 s"
warn_age = "3 s"
close_age = "5 s"
released = {{ dips = 2, by = "Somebody", on = 2026-02-12 }}

[[vessel]]
tag = "T{n}"
name = "Vessel {n}"
product = "water"
density = {{ value = "1000 kg/m3", source = "invented", on = 2026-01-20 }}
shape.kind = "vertical-cylinder"
shape.diameter = "9 m"
shape.height = "7.4 m"
shape.bottom = {{ form = "torispherical", crown_radius = "9 m", knuckle_radius = "0.54 m" }}
level = {{ point = "LT-{n}", as = "height" }}
uncertainty = {{ level = "3 mm", volume = "0.3 %" }}
high = "6.90 m"
low = "1.00 m"
trip = {{ below = "0.60 m", mean = "15 s", delay = "2 s", reset_above = "0.70 m" }}
frozen = {{ expected = "20 mm", seen = "5 mm" }}

[[alarm]]
tag = "T{n}-high"
on = "T{n} above high"
delay = "5 s"
dead_band = "50 mm"
priority = "high"
"""
INPUT = """
[[input]]
tag = "{tag}"
module = "IO"
bit = {bit}
max_age = "1 s"
"""
BAY = """
[[bay]]
tag = "B{n}"
name = "Bay {n}"
flow = {{ value = "1500 L/min", tolerance = "10 %", source = "invented" }}
vehicle = {{ capacity = "20000 L", payload = "21 t" }}
restarts = 1
restart_wait = "60 s"
resume_by = "lead"
selector = {{ auto = "AUTO-{n}", hand = "HAND-{n}" }}
stop_input = "STOP-{n}"
hose = {{ input = "HOSE-{n}", left_after = "5 min" }}
run_permissives = ["AUTO-{n}", "STOP-{n}", "HOSE-{n}"]
hard_wired_stop = "red button on the post"
pump_permit = {{ module = "IO", coil = {coil} }}
open_key = "OPEN-{n}"
close_key = "CLOSE-{n}"
stuck_key_after = "10 s"
panel = {{ lost_after = "5 s", screen = "15.6 in" }}
"""
VALVE = """
[[valve]]
tag = "V{n}"
bay = "B{bay}"
from = "T{n}"
open_limit = "11 min"
output = {{ module = "IO", coil = {coil} }}
fails = "closed"
stroke = "6 s"
supervise = "8 s"
closed_switch = "ZSC-{n}"
open_switch = "ZSO-{n}"
"""


def large_site(vessels: int = VESSELS, bays: int = BAYS) -> str:
    """Return a site file in which the vessels are dealt out to the bays."""
    parts = [TOP]
    for n in range(vessels):
        device, register = 1 + n // 8, 10 * (n % 8)
        parts.append(VESSEL.format(n=n, device=device, register=register, status=register + 1))
        parts.append(VALVE.format(n=n, bay=n % bays, coil=2 + n))
    tags = [f"{word}-{n}" for n in range(bays) for word in ("AUTO", "HAND", "STOP", "HOSE", "OPEN", "CLOSE")]
    tags += [f"{word}-{n}" for n in range(vessels) for word in ("ZSC", "ZSO")]
    parts += [INPUT.format(tag=tag, bit=wired) for wired, tag in enumerate(tags)]
    parts += [BAY.format(n=n, coil=2 + vessels + n) for n in range(bays)]
    return "".join(parts) + '\n[compatible]\n"water" = ["water"]\n'


def main() -> None:
    """Print what checking, hashing and compiling take."""
    vessels, bays = (int(a) for a in sys.argv[1:3]) if len(sys.argv) > 2 else (VESSELS, BAYS)
    text = large_site(vessels, bays)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "site.toml")
        path.write_text(text, encoding="utf-8")
        path.with_name("people.toml").write_text(PEOPLE, encoding="utf-8")
        loaded = load(path)
        assert loaded.site is not None, [str(p) for p in loaded.problems[:3]]  # noqa: S101  # a bench of nothing
        site = loaded.site
        peer_s = cpu_s(lambda: tomllib.loads(text))
        check_s = cpu_s(lambda: load(path))
        hash_s = cpu_s(lambda: (site_hash(site), compile_site(site).digest))
    what, lines = f"{vessels} vessels, {bays} bays", f"tomllib, {text.count(chr(10))} lines"
    show(f"check of {what}", f"{check_s:.2f} s", lines, f"{peer_s:.2f} s", peer_s / check_s)
    show("its two hashes", f"{hash_s:.2f} s", lines, f"{peer_s:.2f} s", peer_s / hash_s)
    print(f"together {check_s + hash_s:.2f} s; wanted: under {TARGET_S:.0f} s")


if __name__ == "__main__":
    main()
