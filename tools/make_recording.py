"""Writes the demo recording: OUTDIR/line.pcapng and OUTDIR/readings.csv. The same seed writes the same bytes.

A working day of the simulated yard from 09:00: deliveries, loads on every bay, transmitters that jitter in their last
digit, and at 10:20 a second master on the line for a minute and a half. Times are those of the yard's own day.
"""

import argparse
from collections.abc import Iterator
from pathlib import Path

from rich.console import Console
from rich.progress import track

from sidetap.line import Chunk, Settings
from sidetap.line.recording import write_pcapng
from sidetap.quantity import NS_PER_S
from sidetap.yard import WORKING_DAY, Yard, readings_for

SECOND_MASTER_AT = "2026-03-11T10:20"
_STEP_S = 10


def chunks(yard: Yard, seconds: int, console: Console) -> Iterator[Chunk]:
    """Let the yard run and yield what its tap hands over, on the clock of the yard's day."""
    steps = range(_STEP_S, seconds + 1, _STEP_S)
    for now_s in track(steps, "recording", console=console, disable=not console.is_terminal):
        yard.advance(now_s * NS_PER_S)
        for t_ns, data, flags in yard.tap.take(now_s * NS_PER_S):
            yield Chunk(yard.clock.start_epoch_ns + t_ns, data, flags)


def main() -> None:
    """Write both files."""
    parser = argparse.ArgumentParser(description="Write the demo recording and the readings that go with it.")
    parser.add_argument("outdir", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--hours", type=float, default=4.0, help="of the day, from 09:00; at least one minute")
    arguments = parser.parse_args()
    if not 1 / 60 <= arguments.hours <= 4:
        parser.error("--hours: the day as written has 4 hours; give 0.02 to 4")
    try:
        arguments.outdir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        parser.error(f"{arguments.outdir}: {error.strerror}; give a folder")
    console = Console(stderr=True)
    yard = Yard(arguments.seed, second_master_at=SECOND_MASTER_AT, noise=True, plan=WORKING_DAY)
    seconds = round(arguments.hours * 3600)
    line, readings = arguments.outdir / "line.pcapng", arguments.outdir / "readings.csv"
    write_pcapng(line, chunks(yard, seconds, console), Settings.parse("19200 8E1"))
    readings.write_text(readings_for(yard.history, yard.clock.start_epoch_ns, arguments.seed), encoding="utf-8")
    console.print(f"{line} and {readings}: {arguments.hours:g} h of the demo line, seed {arguments.seed}")


if __name__ == "__main__":
    main()
