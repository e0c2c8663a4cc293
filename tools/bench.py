"""Speeds, each beside a peer in the same run, as a ratio: what a machine does in CPU seconds, not what a clock says.

Printed, never asserted: a timed test says more about the neighbours of a machine than about the code.
"""

import time
from collections.abc import Callable
from pathlib import Path

from fluids.geometry import TANK
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU

from sidetap.line import Chunk, Parser, Settings, Transaction
from sidetap.quantity import NS_PER_S
from sidetap.rehearse.folder import EXAMPLE
from sidetap.scheme import GeneratedRunner, Runner, Type
from sidetap.site import load_or_refuse
from sidetap.site.cause_effect import compile_site
from sidetap.yard import WORKING_DAY, Yard

LINE_S = 600
SCANS = 2000
VOLUMES = 2000


def cpu_s(work: Callable[[], object]) -> float:
    """Return the CPU seconds of the best of three runs."""
    best = float("inf")
    for _ in range(3):
        started = time.process_time()
        work()
        best = min(best, time.process_time() - started)
    return best


def line_of(seconds: int) -> list[Chunk]:
    """Return the chunks of the demo line's first seconds."""
    yard = Yard(1, noise=True, plan=WORKING_DAY)
    yard.advance(seconds * NS_PER_S)
    return [Chunk(*chunk) for chunk in yard.tap.take(seconds * NS_PER_S)]


def parse(chunks: list[Chunk]) -> list[Transaction]:
    """Parse a line to transactions, incrementally."""
    parser, found = Parser(Settings.parse("19200 8E1")), []
    for chunk in chunks:
        parser.receive(chunk)
        while (event := parser.next_event()) is not None:
            if isinstance(event, Transaction):
                found.append(event)
    parser.close()
    return found


def bench_parser() -> None:
    """Our parser on the line as it came, pymodbus on the same frames, cut for it."""
    chunks = line_of(LINE_S)
    megabytes = sum(len(c.data) for c in chunks) / 1e6
    ours = megabytes / cpu_s(lambda: parse(chunks))
    frames = [
        (t.raw[: len(t.request) + 2], t.raw[len(t.request) + 2 :]) for t in parse(chunks) if t.request is not None
    ]
    peers = FramerRTU(DecodePDU(True)), FramerRTU(DecodePDU(False))

    def theirs() -> None:
        for request, response in frames:
            peers[0].handleFrame(request, 0, 0)
            peers[1].handleFrame(response, 0, 0)

    peer = megabytes / cpu_s(theirs)
    show(
        "line bytes to transactions",
        f"{ours:.2f} MB/s",
        "pymodbus, frames cut for it",
        f"{peer:.2f} MB/s",
        ours / peer,
    )


def bench_scan() -> None:
    """Step the example's scheme: generated code beside the reference runner."""
    program = compile_site(load_or_refuse(EXAMPLE / "site.toml")).program
    inputs = {i.name: False if i.type is Type.BOOL else i.low for i in program.inputs.values()}

    def steps(runner: Runner) -> None:
        states = runner.first_states()
        for _ in range(SCANS):
            states, _ = runner.step(states, inputs, 100)

    ours = cpu_s(lambda: steps(GeneratedRunner(program))) / SCANS * 1e6
    peer = cpu_s(lambda: steps(Runner(program))) / SCANS * 1e6
    show("a scan of bay B", f"{ours:.0f} µs", "the reference runner", f"{peer:.0f} µs", peer / ours)


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
    took = cpu_s(lambda: line_of(LINE_S // 4))
    show("the demo line, simulated", f"{took:.1f} s", "the time it stands for", f"{LINE_S // 4} s", LINE_S / 4 / took)


def show(what: str, ours: str, peer: str, theirs: str, ratio: float) -> None:
    """Print one comparison."""
    print(f"{what:<28} {ours:>12}   {peer:<28} {theirs:>12}   ratio {ratio:.2f}")


if __name__ == "__main__":
    print(f"CPU seconds, best of 3; example {Path(EXAMPLE).name}")
    bench_parser()
    bench_scan()
    bench_volume()
    bench_yard()
