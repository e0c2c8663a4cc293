"""Speeds, each beside a peer in the same run, as a ratio: what a machine does in CPU seconds, not what a clock says.

Printed, never asserted: a timed test says more about the neighbours of a machine than about the code. The parts are
programs of their own (tools/bench_*.py) and run one after the other; what is too small for one is here.
"""

import argparse
import subprocess
import sys
from pathlib import Path

from fluids.geometry import TANK
from timing import cpu_s, show

from sidetap.quantity import NS_PER_S
from sidetap.rehearse.folder import EXAMPLE
from sidetap.site import load_or_refuse
from sidetap.yard import WORKING_DAY, Yard

PARTS = (  # what it is, its program, what makes it short, what makes it whole
    ("Listening: speed", "bench_line.py", (), ("--full",)),
    ("Listening: how much is heard, and is true", "bench_accuracy.py", ("--quick",), ()),
    ("Settings from edges", "bench_edges.py", ("--quick",), ()),
    ("Recordings", "bench_recordings.py", ("--megabytes", "10", "100"), ("--megabytes", "10", "100", "1000")),
    ("What registers mean", "bench_registers.py", ("--quick",), ()),
    ("What readings settle", "bench_readings.py", ("--quick",), ()),
    ("The site file", "bench_site.py", (), ()),
    ("Registers to volumes, reading by reading", "bench_measure.py", (), ()),
    ("Levels to volumes, a million at a time", "bench_vessels.py", (), ()),
    ("A scan of the scheme", "bench_scheme.py", (), ()),
    ("Verification", "bench_verify.py", (), ("--full",)),
    ("Planted faults", "bench_faults.py", ("--every", "8"), ()),
    ("Survey", "bench_survey.py", ("--mb", "10", "151"), ("--mb", "10", "100", "151", "1000")),
)
LINE_S = 150
VOLUMES = 2000


def bench_volume() -> None:
    """Turn levels into volumes in a lying vessel with ellipsoidal heads, beside fluids."""
    site = load_or_refuse(EXAMPLE / "site.toml")
    shape = site.vessel("T3").geometry
    peer = TANK(
        D=3.048, L=12.192, horizontal=True, sideA="ellipsoidal", sideB="ellipsoidal", sideA_a=0.762, sideB_a=0.762
    )
    levels = [3.0 * (n + 1) / (VOLUMES + 1) for n in range(VOLUMES)]
    ours = cpu_s(lambda: [shape.volume_m3(h) for h in levels]) / VOLUMES * 1e6
    theirs = cpu_s(lambda: [peer.V_from_h(h, "full") for h in levels]) / VOLUMES * 1e6
    show("a level to a volume", f"{ours:.2f} µs", "fluids", f"{theirs:.2f} µs", theirs / ours)


def bench_yard() -> None:
    """Simulate the line, beside the time it stands for."""

    def simulate() -> None:
        Yard(1, noise=True, plan=WORKING_DAY).advance(LINE_S * NS_PER_S)

    took = cpu_s(simulate)
    show("the demo line, simulated", f"{took:.1f} s", "the time it stands for", f"{LINE_S} s", LINE_S / took)


def main() -> None:
    """Run all parts."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--full", action="store_true", help="the full tables: the better part of an hour")
    full = options.parse_args().full
    print("CPU seconds, mostly best of 3")
    for title, program, short, whole in PARTS:
        print(f"\n{title}\n{'=' * len(title)}", flush=True)
        command = [sys.executable, str(Path(__file__).with_name(program)), *(whole if full else short)]
        subprocess.run(command, check=True)
    print("\nThe rest\n========")
    bench_volume()
    bench_yard()


if __name__ == "__main__":
    main()
