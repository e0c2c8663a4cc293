"""How well the registers of made-up devices are identified, and how far the confidence can be trusted, in tables.

Two generators of two authors, with and without codes for "no value". Then what a day of a full line costs, counted as
it comes, in a process of its own. Printed with seeds and counts, never asserted; the suite holds the same numbers on
fewer devices.
"""

import argparse
import json
import resource
import subprocess
import sys
import time

import numpy as np
from registers.cases import GENERATORS, cases
from registers.day import DEVICES, REGISTERS, Day
from registers.encoding import Words, split
from registers.score import Shares, Verdict, judged, reliability
from rich import box
from rich.console import Console
from rich.table import Table
from timing import show

from sidetap.survey.answers import GrowingBlock
from sidetap.survey.values import read_devices

SEED = 2026
UNITS, FEW_UNITS = 1500, 90
WANTED = "wanted: analog that varies right 97, within 98.5, order 98, sure 60; sure and wrong at most {:g} %"
DAYS = ((19_200, 256), (19_200, 1), (115_200, 256))  # line speed, and how many answers of a device come at once
MOST_WRONG = {False: 0.3, True: 1.0}  # % of what is sure, by whether codes for "no value" come

Classes = dict[str, list[Verdict]]


def classes(found: list[Verdict]) -> Classes:
    """Return the verdicts by class; those by encoding, length and scenario are of analog values that vary."""
    analog = [v for v in found if v.analog and v.varies]
    parts: Classes = {
        "analog, varying": analog,
        "all varying": [v for v in found if v.varies],
        "constant, text": [v for v in found if not v.varies],
    }
    for verdict in sorted(analog, key=lambda v: split(v.encoding)[0]):
        parts.setdefault(f"  {split(verdict.encoding)[0]}", []).append(verdict)
    for verdict in sorted(analog, key=lambda v: v.case.duration_s):
        parts.setdefault(f"  {verdict.case.duration_s // 60} min", []).append(verdict)
    for verdict in analog:
        if verdict.case.generator == "ours":
            parts.setdefault(f"  {verdict.case.scenario}", []).append(verdict)
    return parts


def shares_table(title: str, caption: str, parts: Classes) -> Table:
    """Return the table of what is right, by class."""
    table = Table(title=title, caption=caption, title_justify="left", caption_justify="left", box=box.SIMPLE_HEAD)
    for n, name in enumerate(("class", "values", "right", "within", "order", "kind", "sure", "and wrong")):
        table.add_column(name, justify="right" if n else "left")
    for name, verdicts in parts.items():
        s = Shares.of(verdicts)
        table.add_row(
            name,
            str(s.count),
            percent(s.right, s.count),
            percent(s.within, s.count),
            percent(s.order_right, s.ordered),
            percent(s.kind_right, s.kinds),
            percent(s.sure, s.count),
            f"{s.sure_wrong} = {percent(s.sure_wrong, s.sure)}",
        )
    return table


def reliability_table(title: str, parts: Classes) -> Table:
    """Return the table of how often what was told with some confidence is right."""
    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD)
    for n, name in enumerate(("class", "confidence", "values", "claimed", "right", "chance")):
        table.add_column(name, justify="right" if n else "left")
    for name, verdicts in parts.items():
        for b in reliability(verdicts):
            chance = f"{b.chance:.2g}{' TOO SURE' if b.over_confident else ''}"
            right = f"{100 * b.right / b.count:.2f}"
            table.add_row(name, f"{b.low:g}-{b.high:g}", str(b.count), f"{100 * b.claimed:.2f}", right, chance)
            name = ""
    return table


def percent(part: int, whole: int) -> str:
    """Return a share in percent; a dash where there is nothing."""
    return f"{100 * part / whole:.2f}" if whole else "-"


def day(baud: int, portion: int) -> dict[str, float]:
    """Count what a day brings and identify all registers; return CPU seconds, the peer's, and memory."""
    made = Day(baud, SEED)
    growing = [GrowingBlock(REGISTERS) for _ in range(DEVICES)]
    plain = [Plain() for _ in range(DEVICES)]
    counting = peer = 0.0
    answers = 0
    held_mb = peak_mb()
    for hour in made.hours():
        portions = [
            (own.device - 1, own.t_ns[n : n + portion], own.words[n : n + portion])
            for n in range(0, len(hour[0].t_ns), portion)
            for own in hour
        ]
        answers += sum(len(t_ns) for _, t_ns, _ in portions)
        started = time.process_time()
        for n, t_ns, words in portions:
            growing[n].add(t_ns, words, DEVICES)
        ended = time.process_time()
        counting += ended - started
        for n, _, words in portions:
            plain[n].add(words)
        peer += time.process_time() - ended
    started = time.process_time()
    blocks = [block.block(n + 1, "holding-register", 0, DEVICES) for n, block in enumerate(growing)]
    devices = read_devices(blocks)
    return {
        "cycle_s": made.cycle_s,
        "answers": answers,
        "counting": counting,
        "identifying": time.process_time() - started,
        "peer": peer,
        "values": sum(len(d.values) for d in devices),
        "mb": peak_mb() - held_mb,
    }


class Plain:
    """The peer: least, greatest and number of changes of each register, in numpy alone."""

    def __init__(self) -> None:
        self.low = np.full(REGISTERS, 0xFFFF, dtype=np.uint16)
        self.high = np.zeros(REGISTERS, dtype=np.uint16)
        self.changes = np.zeros(REGISTERS, dtype=np.int64)
        self._last = np.zeros((1, REGISTERS), dtype=np.uint16)

    def add(self, words: Words) -> None:
        """Take in the next answers."""
        self.low = np.minimum(self.low, words.min(axis=0))
        self.high = np.maximum(self.high, words.max(axis=0))
        self.changes += (np.concatenate([self._last, words[:-1]]) != words).sum(axis=0)
        self._last = words[-1:]


def peak_mb() -> float:
    """Return the most memory this process ever held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def show_day(baud: int, portion: int) -> None:
    """Measure one line speed in a process of its own, and print what it cost beside the peer."""
    command = [sys.executable, __file__, "--day", str(baud), str(portion)]
    told = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    print(
        f"\na day at {baud} baud: {DEVICES} devices x {REGISTERS} registers, a round in {told['cycle_s']:.2f} s,"
        f" {told['answers']:,} answers, {portion} at once; {told['values']} values told"
    )
    ours = told["counting"] + told["identifying"]
    parts = f"counting {told['counting']:.1f}, identifying {told['identifying']:.1f}"
    show(
        "a day identified",
        f"{ours:.1f} s",
        "least, greatest, changes in numpy",
        f"{told['peer']:.1f} s",
        told["peer"] / ours,
    )
    print(f"  CPU seconds of one core: {parts}; {told['mb']:.0f} MB more at the peak. wanted: under 60 s on 2 cores")


def main() -> None:
    """Print the tables, or measure one day."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help=f"{FEW_UNITS} devices a table instead of {UNITS}")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--wrong", action="store_true", help="list what was wrong, or not told")
    parser.add_argument("--day", type=int, nargs=2, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.day:
        sys.stdout.write(json.dumps(day(*arguments.day)))
        return
    units = FEW_UNITS if arguments.quick else UNITS
    console = Console()
    for generator in GENERATORS:
        for faults in (False, True):
            found = list(judged(cases(generator, arguments.seed, units, faults=faults)))
            about = (
                f"{generator}, {'with' if faults else 'without'} fault codes: {units} devices, seed {arguments.seed}"
            )
            parts = classes(found)
            console.print(shares_table(f"{about} (%)", WANTED.format(MOST_WRONG[faults]), parts))
            told = {name: parts[name] for name in ("analog, varying", "all varying", "constant, text")}
            console.print(reliability_table(f"{about}: reliability (%)", told))
            if arguments.wrong:
                for v in sorted((v for v in found if not v.right), key=lambda v: -v.confidence):
                    print(
                        f"{v.confidence:.4f} {v.case.name} {v.case.duration_s} s: {v.field} at {v.start},"
                        f" {v.encoding}, told {' '.join(v.told) or 'nothing'}{' (within)' if v.within else ''}"
                    )
    for baud, portion in DAYS[:1] if arguments.quick else DAYS:
        show_day(baud, portion)


if __name__ == "__main__":
    main()
