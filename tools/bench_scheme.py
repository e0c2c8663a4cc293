"""One scan of a scheme: the generated runners beside the reference runner, lanes of many scenarios beside one.

The yards are made up (tools/yards), all numbers different; what a station needs each scan is every output but the
causes of the valves. *At rest*: everything wired is energised, levels come in, nobody does anything. *Busy*: every
input is drawn anew in every scan, people press keys in one of fifty, so that everything moves at once and all that
can be skipped is needed: no yard is like that. Lanes are always busy; their inputs are there already, since to draw
them anew takes far longer than the scan.
"""

from collections.abc import Callable
from random import Random

import numpy as np
import numpy.typing as npt
from timing import cpu_s, show
from yards import made_yard

from sidetap.scheme import GeneratedRunner, Input, ListRunner, Program, Runner, Type, Value
from sidetap.scheme.arrays import BEST_LANES, ArrayRunner
from sidetap.scheme.lanes import BEST_LANES as BEST_COMPILED_LANES
from sidetap.scheme.lanes import LaneRunner
from sidetap.site.cause_effect import compile_site

SIZES = ((4, 2), (64, 32))
TARGET_US = 100
TARGET_LANES_PER_S = 5e6
ROWS = 20  # prepared inputs, taken in turn
Row = dict[str, Value]


def at_rest(declared: Input, rng: Random, scan: int) -> Value:
    """Return an input of a yard in which nobody does anything: a level each second, ages that grow up to it."""
    if declared.type is Type.INT:
        word = declared.name.split(".")[-1]
        return {"age": scan % 10 * 100, "level": 30_000}.get(word, declared.low)
    if declared.name.endswith(".new"):
        return scan % 10 == 0
    return "." not in declared.name or declared.name.endswith(".live")


def busy(declared: Input, rng: Random, scan: int) -> Value:
    """Return any input; pulses in one scan of fifty, wires and modules off in one of twenty."""
    if declared.type is Type.INT:
        return rng.randint(declared.low, min(declared.high, 40_000))
    held = "." not in declared.name or declared.name.endswith((".live", ".on_ticket"))
    return rng.random() < (0.95 if held else 0.02)


def rows(program: Program, draw: Callable[[Input, Random, int], Value]) -> list[Row]:
    """Return prepared inputs."""
    rng = Random(1)  # noqa: S311  (not for secrets)
    return [{d.name: draw(d, rng, scan) for d in program.inputs.values()} for scan in range(ROWS)]


def named_us(runner: Runner | GeneratedRunner, given: list[Row], scans: int) -> float:
    """Return CPU µs a scan, values by name."""

    def run() -> None:
        states = runner.first_states()
        for scan in range(scans):
            states, _ = runner.step(states, given[scan % ROWS], 100)

    return cpu_s(run) / scans * 1e6


def listed_us(runner: ListRunner, given: list[Row], scans: int) -> float:
    """Return CPU µs a scan, values by place."""
    inputs = [list(row.values()) for row in given]

    def run() -> None:
        states = runner.first_states()
        for scan in range(scans):
            states, _ = runner.step(states, inputs[scan % ROWS], 100)

    return cpu_s(run, 5) / scans * 1e6


Drawn = dict[str, npt.NDArray[np.int64 | np.bool_]]


def drawn(program: Program, given: list[Row], lanes: int) -> Drawn:
    """Return inputs of each lane."""
    which = np.random.default_rng(1).integers(0, ROWS, lanes)
    return {name: np.array([row[name] for row in given])[which] for name in program.inputs}


def lanes_per_s(program: Program, needed: list[str], given: list[Row], elapsed_ms: range) -> float:
    """Return scenario-scans in a CPU second, by NumPy."""
    runner, scans, lanes = ArrayRunner(program, needed), 20, drawn(program, given, BEST_LANES)
    elapsed = np.random.default_rng(2).integers(elapsed_ms.start, elapsed_ms.stop, BEST_LANES)

    def run() -> None:
        states = runner.first_states(BEST_LANES)
        for _ in range(scans):
            states, _ = runner.step(states, lanes, elapsed)

    run()
    return scans * BEST_LANES / cpu_s(run, 5)


def compiled_lanes_per_s(program: Program, needed: list[str], given: list[Row], elapsed_ms: range) -> float:
    """Return scenario-scans in a CPU second, by LLVM; without its compilation."""
    runner, scans, lanes = LaneRunner(program, needed), 100, drawn(program, given, BEST_COMPILED_LANES)
    elapsed = np.random.default_rng(2).integers(elapsed_ms.start, elapsed_ms.stop, BEST_COMPILED_LANES)
    inputs = runner.inputs(BEST_COMPILED_LANES)

    for name, values in lanes.items():
        inputs[name][:] = values

    def run() -> None:
        states = runner.first_states(BEST_COMPILED_LANES)
        for _ in range(scans):
            states, _ = runner.step(states, inputs, elapsed)

    run()
    return scans * BEST_COMPILED_LANES / cpu_s(run, 20)


def main() -> None:
    """Print all of it."""
    for vessels, bays in SIZES:
        program = compile_site(made_yard(vessels, bays, "different")).program
        needed = [name for name in program.outputs if ".block." not in name]
        lists, named, reference = ListRunner(program, needed), GeneratedRunner(program), Runner(program)
        size, scans = f"{vessels} x {bays}", 6400 // vessels
        for how, draw in (("at rest", at_rest), ("busy", busy)):
            given = rows(program, draw)
            ours, by_name = listed_us(lists, given, scans), named_us(named, given, scans)
            peer = named_us(reference, given, max(5, scans // 40))
            wanted = f"wanted: {TARGET_US} µs" if bays == SIZES[-1][1] else ""
            show(
                f"a scan {how}, {size}",
                f"{ours:.0f} µs",
                "the reference runner",
                f"{peer:.0f} µs",
                peer / ours,
                wanted,
            )
            show("  by name, causes too", f"{by_name:.0f} µs", "the same", f"{peer:.0f} µs", peer / by_name)
        if (vessels, bays) == SIZES[0]:
            for what, elapsed in (("any times", range(90, 111)), ("one time for all", range(100, 101))):
                many = compiled_lanes_per_s(program, needed, given, elapsed)
                by_numpy = lanes_per_s(program, needed, given, elapsed)
                show(
                    f"lanes, {what}, {size}",
                    f"{many / 1e6:.1f} M/s",
                    "by NumPy",
                    f"{by_numpy / 1e6:.1f} M/s",
                    many / by_numpy,
                    f"wanted: {TARGET_LANES_PER_S / 1e6:.0f} M/s",
                )


if __name__ == "__main__":
    main()
