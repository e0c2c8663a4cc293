"""How fast a line is heard: MB a CPU second from bytes to transactions, each beside a peer on the same line.

The lines are the judge's (tools/judge), fixed seeds. What is timed begins with bytes and their delivery times in
memory and ends with the columnar table: frames, pairing, unknown functions, repair, columns; nothing is read or
written. Peers: pymodbus on frames cut for it, so that it has nothing to find; the incremental parser; and where the
environment variable SIDETAP_PROTOTYPES names a folder with framing/core.py, that. Printed, never asserted.
"""

import argparse
import importlib
import os
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from judge.agreement import incremental
from judge.damage import CLEAN, Damage, Delivery, damaged, delivered
from judge.sender import Kind, Sent, send
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU
from timing import cpu_s, show

from sidetap.line import Batch, Mode, Settings, listen
from sidetap.quantity import NS_PER_S

SEEDS = (1, 2, 3)
NOISES = (CLEAN, Damage(flips=1e-3))
WAYS = (Delivery.LUMPS, Delivery.UNTIMED)
BATCH_CHUNKS = 1 << 17  # as recordings are read
PEER_FRAMES = 10_000
FAST = Settings(115_200, "8E1")
PYMODBUS_KNOWS = (1, 2, 3, 4, 5, 6, 15, 16, 22, 23)


class Scale(NamedTuple):
    """Tries a line: for all runners, for the incremental parser, of ASCII lines."""

    tries: int
    incremental: int
    ascii: int


FULL, QUICK = Scale(300_000, 30_000, 20_000), Scale(100_000, 5_000, 5_000)


def batches(line: Batch) -> list[Batch]:
    """Return a line in batches as recordings come."""
    parts, start = [], 0
    for first in range(0, len(line.ends), BATCH_CHUNKS):
        ends = line.ends[first : first + BATCH_CHUNKS]
        t_ns = None if line.t_ns is None else line.t_ns[first : first + BATCH_CHUNKS]
        parts.append(Batch(line.data[start : ends[-1]], ends - start, t_ns))
        start = int(ends[-1])
    return parts


def megabytes(lines: Iterable[Batch]) -> float:
    """Return the size of lines."""
    return sum(len(line.data) for line in lines) / 1e6


def heard(lines: list[tuple[Settings, list[Batch]]]) -> int:
    """Listen to lines; how many rows there are."""
    return sum(len(part) for settings, parts in lines for part in listen(parts, settings))


def bench_offline(sent: list[Sent], prototype: Any | None) -> dict[Damage, float]:
    """Bytes to columns, timed and bytes only, clean and damaged; return MB a CPU second of timed lines."""
    timed = {}
    for way in WAYS:
        for noise in NOISES:
            lines = [delivered(one, damaged(one, noise), way) for one in sent]
            cut = [(one.settings, batches(line)) for one, line in zip(sent, lines, strict=True)]
            size = megabytes(lines)
            ours = size / cpu_s(lambda cut=cut: heard(cut))  # type: ignore[misc]
            if way is not Delivery.UNTIMED:
                timed[noise] = ours
            what = f"{'bytes only' if way is Delivery.UNTIMED else 'timed'}, {noise}"
            if prototype is None:
                print(f"{what:<34} {ours:>7.1f} MB/s   (no peer at hand: SIDETAP_PROTOTYPES)", flush=True)
                continue
            theirs = size / cpu_s(lambda lines=lines: ask(prototype, lines))  # type: ignore[misc]
            wanted = "wanted >= 1.2" if way is Delivery.LUMPS else ""
            peer = "the prototype, frames and pairs"
            show(what, f"{ours:.1f} MB/s", peer, f"{theirs:.1f} MB/s", ours / theirs, wanted)
    return timed


def ask(prototype: Any, lines: list[Batch]) -> None:
    """Let the prototype find frames and pairs; it takes a time in seconds for every byte."""
    for line in lines:
        t_s = None
        if line.t_ns is not None:
            t_s = np.repeat((line.t_ns - line.t_ns[0]) / NS_PER_S, np.diff(line.ends, prepend=0))
        starts, ends, roles, *_ = prototype.analyse(line.data, t_s)
        prototype.pairs(starts, ends, roles)


def bench_pymodbus(sent: list[Sent], ours: float) -> None:
    """Decode the frames of answered tries, each alone and whole, by pymodbus."""
    frames = []
    for one in sent:
        answered = np.isin(one.kind, (Kind.ANSWERED, Kind.EXCEPTION)) & np.isin(one.function, PYMODBUS_KNOWS)
        for request, answer in zip(one.request[answered], one.answer[answered], strict=True):
            frames.append([one.data[one.frame_start[f] : one.frame_end[f]].tobytes() for f in (request, answer)])
            if len(frames) % (PEER_FRAMES // len(sent)) == 0:
                break
    size = sum(len(frame) for pair in frames for frame in pair) / 1e6
    server, client = FramerRTU(DecodePDU(True)), FramerRTU(DecodePDU(False))

    def decode() -> None:
        for request, answer in frames:
            server.handleFrame(request, 0, 0)
            client.handleFrame(answer, 0, 0)

    theirs = size / cpu_s(decode)
    peer = "pymodbus, frames cut for it"
    show("timed, clean", f"{ours:.1f} MB/s", peer, f"{theirs:.2f} MB/s", ours / theirs, "wanted >= 40")


def saturated(sent: Sent) -> Sent:
    """Return the same frames on a 115200 8E1 line that never rests: 3.5 characters between frames, and no more."""
    pauses = np.zeros(len(sent.data), dtype=np.int64)
    pauses[sent.frame_start] = 7 * FAST.character_ns // 2
    byte_ns = np.cumsum(pauses + FAST.character_ns) + NS_PER_S
    return replace(sent, settings=FAST, byte_ns=byte_ns)


def bench_incremental(tries: int, timed: dict[Damage, float]) -> None:
    """Give a saturated line to the incremental parser, a delivery at a time."""
    for noise in NOISES:
        lines = [saturated(send(seed, tries)) for seed in SEEDS]
        delivery = [delivered(one, damaged(one, noise), Delivery.LUMPS) for one in lines]
        spent_s = cpu_s(lambda delivery=delivery: [incremental(line, FAST) for line in delivery])  # type: ignore[misc]
        line_s = sum(int(one.byte_ns[-1] - one.byte_ns[0]) for one in lines) / NS_PER_S
        theirs = megabytes(delivery) / spent_s
        ours = timed[noise]
        show(f"timed, {noise}", f"{ours:.1f} MB/s", "the incremental parser", f"{theirs:.2f} MB/s", ours / theirs)
        print(f"{'':<50}saturated 115200 8E1 lines a core: {line_s / spent_s:.0f} (wanted >= 100)", flush=True)


def bench_ascii(tries: int) -> None:
    """Listen to ASCII lines, beside the incremental parser's speed on the same messages in RTU."""
    sent = [send(seed, tries, Mode.ASCII) for seed in SEEDS]
    lines = [delivered(one, damaged(one, CLEAN), Delivery.LUMPS) for one in sent]
    cut = [(one.settings, batches(line)) for one, line in zip(sent, lines, strict=True)]
    ours = megabytes(lines) / cpu_s(lambda: heard(cut))
    rtu = [send(seed, tries) for seed in SEEDS]
    plain = [delivered(one, damaged(one, CLEAN), Delivery.LUMPS) for one in rtu]
    theirs = megabytes(plain) / cpu_s(
        lambda: [incremental(line, one.settings) for one, line in zip(rtu, plain, strict=True)]
    )
    show("ASCII, timed, clean", f"{ours:.2f} MB/s", "RTU, incremental", f"{theirs:.2f} MB/s", ours / theirs)


def fresh_s(code: str) -> float:
    """Return the CPU seconds of a process of its own, from its beginning; the best of three."""
    command = [sys.executable, "-c", f"{code}; import time; print(time.process_time())"]
    return min(float(subprocess.run(command, check=True, capture_output=True).stdout) for _ in range(3))


def bench_start() -> None:
    """Start a process up to its first compiled call, with the compiled code in its cache."""
    ours = fresh_s("from sidetap.line.kernel import compile_now; compile_now()")
    theirs = fresh_s("import numba")
    peer = "import numba, and nothing else"
    show(
        "start, first call, from the cache", f"{ours:.2f} s", peer, f"{theirs:.2f} s", theirs / ours, "wanted < 0.5 s"
    )


def load_prototype() -> Any | None:
    """Return the prototype with its own code compiled, None where there is none."""
    folder = Path(os.environ.get("SIDETAP_PROTOTYPES", ".")) / "framing"
    if not (folder / "core.py").is_file():
        return None
    sys.path.append(str(folder))
    found = importlib.import_module("core")
    ask(
        found,
        [delivered(one, damaged(one, noise), way) for one in (send(1, 500),) for noise in NOISES for way in WAYS],
    )
    return found


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--full", action="store_true", help="longer lines")
    scale = FULL if options.parse_args().full else QUICK
    subprocess.run([sys.executable, "-m", "sidetap.line.kernel"], check=True)  # compiles, where that was not done yet
    sent = [send(seed, scale.tries) for seed in SEEDS]
    tries, size = sum(len(one.kind) for one in sent), sum(len(one.data) for one in sent) / 1e6
    print(
        f"line bytes to a columnar table of transactions, RTU; {tries:,} tries on {len(sent)} lines, {size:.1f} MB\n"
        "traffic: all public functions and others, exceptions, broadcasts, retries, second controllers, stray\n"
        "bytes; delivered every 16 ms; stages: frames, pairing, unknown functions, repair, columns"
    )
    timed = bench_offline(sent, load_prototype())
    bench_pymodbus(sent, timed[CLEAN])
    bench_incremental(scale.incremental, timed)
    bench_ascii(scale.ascii)
    bench_start()


if __name__ == "__main__":
    main()
