"""A recording of the yard's working day, and the readings people took on it.

Seed and hours in, three files out: `line.pcapng`, what a tap on the line heard, `readings.csv`, and `edges.csv`, what
a probe saw of the line's level in the first ten seconds. From 09:00:
deliveries, loads on every bay, transmitters that jitter in their last digit, and at 10:20 a second master on the line
for a minute and a half. Times are those of the yard's own day; the same seed writes the same bytes.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from sidetap.line import Chunk, Settings
from sidetap.line.recording import write_pcapng
from sidetap.quantity import NS_PER_S
from sidetap.yard import WORKING_DAY, Yard, readings_for

HOURS = 4.0
SECOND_MASTER_AT = "2026-03-11T10:20"
_STEP_S = 10


@dataclass(frozen=True, slots=True)
class WorkingDay:
    """The files, and how many bytes the tap's far side got from us."""

    line: Path
    readings: Path
    edges: Path
    bytes_written_to_line: int


def record_working_day(
    folder: Path, seed: int, hours: float = HOURS, progress: Callable[[float], None] = lambda share: None
) -> WorkingDay:
    """Write the files into folder, which must be there; progress is told the share done."""
    yard = Yard(seed, second_master_at=SECOND_MASTER_AT, noise=True, plan=WORKING_DAY)
    day = WorkingDay(folder / "line.pcapng", folder / "readings.csv", folder / "edges.csv", 0)
    probe = yard.add_probe()
    yard.advance(_STEP_S * NS_PER_S)
    yard.wire.taps.remove(probe)
    rows = (f"{t_ns // NS_PER_S}.{t_ns % NS_PER_S:09d},{level}\n" for t_ns, level in probe.edges)
    day.edges.write_text("time_s,level\n" + "".join(rows), encoding="utf-8")
    chunks = _chunks(yard, round(hours * 3600), progress)
    write_pcapng(day.line, chunks, Settings.parse("19200 8E1"))
    day.readings.write_text(readings_for(yard.history, yard.clock.start_epoch_ns, seed), encoding="utf-8")
    return WorkingDay(day.line, day.readings, day.edges, yard.tap.bytes_written_to_line)


def _chunks(yard: Yard, seconds: int, progress: Callable[[float], None]) -> Iterator[Chunk]:
    for now_s in range(_STEP_S, seconds + 1, _STEP_S):
        yard.advance(now_s * NS_PER_S)
        for t_ns, data, flags in yard.tap.take(now_s * NS_PER_S):
            yield Chunk(yard.clock.start_epoch_ns + t_ns, data, flags)
        progress(now_s / seconds)
