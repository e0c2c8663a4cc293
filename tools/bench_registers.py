"""How well the registers of made-up devices are identified, and how far the confidence can be trusted, in tables.

Two generators of two authors, with and without codes for "no value". Printed with seeds and counts, never asserted;
the suite holds the same numbers on fewer devices.
"""

import argparse

from registers.cases import GENERATORS, cases
from registers.encoding import split
from registers.score import Shares, Verdict, judged, reliability
from rich import box
from rich.console import Console
from rich.table import Table

SEED = 2026
UNITS, FEW_UNITS = 1500, 90
WANTED = "wanted: analog that varies right 97, within 98.5, order 98, sure 60; sure and wrong at most {:g} %"
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


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help=f"{FEW_UNITS} devices a table instead of {UNITS}")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--wrong", action="store_true", help="list what was wrong, or not told")
    arguments = parser.parse_args()
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


if __name__ == "__main__":
    main()
