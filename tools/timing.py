"""CPU seconds of a piece of work, and one line of a table that shows it beside a peer. For the benches."""

import time
from collections.abc import Callable


def cpu_s(work: Callable[[], object], runs: int = 3) -> float:
    """Return the CPU seconds of the best of some runs."""
    best = float("inf")
    for _ in range(runs):
        started = time.process_time()
        work()
        best = min(best, time.process_time() - started)
    return best


def show(what: str, ours: str, peer: str, theirs: str, ratio: float, wanted: str = "") -> None:
    """Print one comparison; ratio: how many times as fast as the peer. wanted: what the ratio should be."""
    print(f"{what:<34} {ours:>12}   {peer:<34} {theirs:>12}   ratio {ratio:<8.2f} {wanted}".rstrip(), flush=True)
