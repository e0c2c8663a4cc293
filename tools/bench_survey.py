"""What a survey of a long record costs: seconds, CPU seconds and peak memory, stage by stage, for growing records.

A made-up saturated line (16 transmitters, values that move) is repeated to the size asked for. Every size runs in a
process of its own, so that its peak memory is its own. Printed, never asserted.
"""

import argparse
import json
import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from sidetap.line import Batch, Columns, Mode, Outcome, Settings
from sidetap.line.columns import NONE, OUTCOMES
from sidetap.line.recording import Recording
from sidetap.survey.findings import About, find
from sidetap.survey.health import Health
from sidetap.survey.history import Gathering
from sidetap.survey.survey import survey_recording
from sidetap.survey.values import read_devices

MEGABYTES = (10, 100, 151, 1000)
REGISTERS = (3, 10, 6, 12, 20, 4, 8, 12) * 2  # that each device is asked for
CYCLES = 16_000  # in the piece of the line that is repeated
CHARACTER_NS = 572_917  # 11 bits at 19200 baud
MISSED = 0.002
LATE_NS = 5_000_000  # what a device takes to answer


def words() -> list[NDArray[np.uint16]]:
    """Return the registers of each device over the piece: [cycles, registers], pairs of floats and plain numbers."""
    random = np.random.default_rng(7)
    devices = []
    for registers in REGISTERS:
        columns: list[NDArray[np.uint16]] = []
        while len(columns) < registers:
            level = 3000 + 1500 * np.sin(np.arange(CYCLES) / random.uniform(300, 4000) + random.uniform(0, 6))
            level += random.normal(0, 0.5, CYCLES)
            if registers - len(columns) > 1 and random.random() < 0.6:
                pair = (level / 1000).astype(">f4").view(">u2").reshape(-1, 2).astype(np.uint16)
                columns += [pair[:, 0], pair[:, 1]]
            else:
                columns.append(np.rint(level).astype(np.uint16))
        devices.append(np.column_stack(columns))
    return devices


def check_bytes(frames: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the two check bytes of each row (MODBUS over Serial Line V1.02, 6.2.2)."""
    table = np.arange(256, dtype=np.uint16)
    for _ in range(8):
        table = np.where(table & 1, table >> 1 ^ 0xA001, table >> 1).astype(np.uint16)
    check = np.full(len(frames), 0xFFFF, dtype=np.uint16)
    for column in frames.T:
        check = check >> 8 ^ table[(check ^ column) & 0xFF]
    return np.column_stack([check & 0xFF, check >> 8]).astype(np.uint8)


class Line:
    """The piece of line: bytes, and what a listener should make of them."""

    def __init__(self) -> None:
        random = np.random.default_rng(11)
        frames: list[NDArray[np.uint8]] = []  # of one cycle, in order: request, response, request ...
        for device, held in enumerate(words(), 1):
            request = np.array([device, 3, 0, 100, 0, held.shape[1]], dtype=np.uint8)
            asked = np.tile(request, (CYCLES, 1))
            told = np.column_stack(
                [
                    np.tile(np.array([device, 3, 2 * held.shape[1]], dtype=np.uint8), (CYCLES, 1)),
                    held.astype(">u2").view(np.uint8),
                ]
            )
            frames += [np.column_stack([frame, check_bytes(frame)]) for frame in (asked, told)]
        whole = np.column_stack(frames)
        sizes = np.array([frame.shape[1] for frame in frames])
        kept = np.ones((CYCLES, len(frames)), dtype=np.bool_)
        kept[:, 1::2] = random.random((CYCLES, len(REGISTERS))) >= MISSED  # answers that never came
        self.data = whole[np.repeat(kept, sizes, axis=1)]
        self._kept = kept
        lengths = np.where(kept, sizes, 0).ravel()
        self._ends = np.cumsum(lengths).reshape(kept.shape)
        pause = np.where(kept, 0, 100_000_000) + np.tile([0, LATE_NS], (CYCLES, len(REGISTERS)))
        self._t_ns = np.cumsum(lengths * CHARACTER_NS + pause.ravel() + 4 * CHARACTER_NS).reshape(kept.shape)
        self.length_ns = int(self._t_ns[-1, -1])

    def batch(self, offset_ns: int) -> Batch:
        """Return the piece as an adapter delivers it, one chunk a frame."""
        return Batch(self.data, self._ends[self._kept], self._t_ns[self._kept] + offset_ns)

    def columns(self, offset_ns: int) -> Columns:
        """Return the piece as it is to be understood."""
        rows = CYCLES * len(REGISTERS)
        asked_ends, told_ends = self._ends[:, ::2].ravel(), self._ends[:, 1::2].ravel()
        answered = self._kept[:, 1::2].ravel()
        starts = asked_ends - 8
        none = np.full(rows, NONE, dtype=np.int64)
        response = np.column_stack([asked_ends, told_ends])
        response[~answered] = NONE
        t_ns, end_ns = self._t_ns[:, ::2].ravel(), self._t_ns[:, 1::2].ravel()
        outcome = np.where(answered, OUTCOMES.index(Outcome.ANSWERED), OUTCOMES.index(Outcome.UNANSWERED))
        return Columns(
            mode=Mode.RTU,
            data=self.data,
            ends=np.where(answered, told_ends, asked_ends),
            outcome=outcome.astype(np.uint8),
            device=np.tile(np.arange(1, len(REGISTERS) + 1, dtype=np.int32), CYCLES),
            function=np.full(rows, 3, dtype=np.int32),
            register=np.full(rows, 100, dtype=np.int32),
            count=np.tile(np.array(REGISTERS, dtype=np.int32), CYCLES),
            request=np.column_stack([starts, asked_ends]),
            response=response,
            request_bit=none,
            response_bit=none,
            t_ns=t_ns + offset_ns,
            t_end_ns=np.where(answered, end_ns + offset_ns, np.iinfo(np.int64).min),
            retry=np.zeros(rows, dtype=np.bool_),
            backlog=np.zeros(rows, dtype=np.bool_),
        )


def pieces(line: Line, megabytes: float) -> Iterator[int]:
    """Yield the time at which each repetition of the piece starts."""
    for n in range(max(1, round(megabytes * 1e6 / len(line.data)))):
        yield n * line.length_ns


class Stages:
    """Seconds and CPU seconds of each stage, and the most memory held by its end."""

    def __init__(self) -> None:
        self.told: dict[str, tuple[float, float, float]] = {}
        self.start()

    def start(self) -> None:
        """Start a stage."""
        self._from = (time.perf_counter(), time.process_time())

    def end(self, name: str) -> None:
        """End a stage; of the same name they add up."""
        before = self.told.get(name, (0.0, 0.0, 0.0))
        seconds, cpu = (
            now - then for now, then in zip((time.perf_counter(), time.process_time()), self._from, strict=True)
        )
        self.told[name] = (before[0] + seconds, before[1] + cpu, peak_mb())
        self.start()


def fold(line: Line, megabytes: float) -> tuple[dict[str, tuple[float, float, float]], int]:
    """Survey ready-made columns, stage by stage."""
    gathering, health, stages, transactions = Gathering(), Health(Settings.parse("19200 8E1")), Stages(), 0
    for offset_ns in pieces(line, megabytes):
        batch, columns = line.batch(offset_ns), line.columns(offset_ns)
        transactions += len(columns)
        stages.start()
        gathering.see(columns)
        stages.end("fold")
        health.hear(batch)
        health.see(columns)
        stages.end("health")
    stages.start()
    history = gathering.history()
    stages.end("fold")
    devices = read_devices(history.blocks)
    stages.end("values")
    find(history, devices, About())
    stages.end("findings")
    health.result()
    health.findings(history, devices, About())
    stages.end("health")
    return stages.told, transactions


def listened(line: Line, megabytes: float) -> tuple[dict[str, tuple[float, float, float]], int]:
    """Survey bytes, as `sidetap survey` does once a file is read."""
    starts = list(pieces(line, megabytes))
    size, chunks = len(starts) * len(line.data), len(starts) * len(line.batch(0).ends)
    batches = (line.batch(offset_ns) for offset_ns in starts)
    record = Recording(Path("made up"), "bin", Settings.parse("19200 8E1"), False, (), chunks, size, lambda: iter(()))
    stages = Stages()
    found = survey_recording(record, (), batches)
    stages.end("all")
    return stages.told, found.line.requests


def peak_mb() -> float:
    """Return the most memory this process ever held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Print the table, or measure one size."""
    parser = argparse.ArgumentParser(description="Measure what a survey of a long record costs.")
    parser.add_argument("--mb", type=float, nargs="*", default=MEGABYTES)
    parser.add_argument("--fold-only", action="store_true", help="leave out listening")
    parser.add_argument("--one", choices=("fold", "listened"), help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.one:
        line = Line()
        start_mb = peak_mb()
        stages, transactions = (fold if arguments.one == "fold" else listened)(line, arguments.mb[0])
        stages["(made the line)"] = (0.0, 0.0, start_mb)
        sys.stdout.write(json.dumps({"stages": stages, "transactions": transactions}))
        return
    table = Table("MB", "transactions", "stage", "s", "CPU s", "s / 100 MB", "peak MB")
    for way in ("fold",) if arguments.fold_only else ("fold", "listened"):
        for megabytes in arguments.mb:
            command = [sys.executable, __file__, "--one", way, "--mb", str(megabytes)]
            told = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
            for stage, (seconds, cpu, held_mb) in told["stages"].items():
                rate = f"{100 * seconds / megabytes:.2f}"
                row = (f"{megabytes:g}", f"{told['transactions']:,}", stage, f"{seconds:.2f}", f"{cpu:.2f}", rate)
                table.add_row(*row, f"{held_mb:.0f}")
    Console().print(table)


if __name__ == "__main__":
    main()
