"""Writes the demo recording: line.pcapng, readings.csv, edges.csv in OUTDIR. The same seed writes the same bytes."""

import argparse
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from sidetap.rehearse.working_day import HOURS, record_working_day


def main() -> None:
    """Write the files."""
    parser = argparse.ArgumentParser(description="Write the demo recording and the readings that go with it.")
    parser.add_argument("outdir", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--hours", type=float, default=HOURS, help="of the day, from 09:00; at least one minute")
    arguments = parser.parse_args()
    if not 1 / 60 <= arguments.hours <= HOURS:
        parser.error(f"--hours: the day as written has {HOURS:g} hours; give 0.02 to {HOURS:g}")
    try:
        arguments.outdir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        parser.error(f"{arguments.outdir}: {error.strerror}; give a folder")
    console = Console(stderr=True)
    with Progress(console=console, disable=not console.is_terminal, transient=True) as bar:
        task = bar.add_task("recording", total=1.0)
        day = record_working_day(
            arguments.outdir, arguments.seed, arguments.hours, lambda share: bar.update(task, completed=share)
        )
    made = f"{day.line}, {day.readings.name} and {day.edges.name}"
    console.print(f"{made}: {arguments.hours:g} h of the demo line, seed {arguments.seed}")


if __name__ == "__main__":
    main()
