"""Planted faults, and whether each is caught by a promise with a replayed story, or shown to change nothing.

`python tools/bench_faults.py [--every N] [WORD]`. Every fault is planted in a made yard of 4 vessels and 2 bays and
judged by all promises; wanted: 100 % decided, at most 3 CPU seconds each.
"""

import argparse
from statistics import median

from yards.deciding import CAUGHT, UNDECIDED, Decision, decide
from yards.fault import Fault
from yards.program_faults import PROGRAM_FAULTS
from yards.site_faults import SITE_FAULTS
from yards.telling_faults import TELLING_FAULTS

TARGET_S = 3.0


def row(decision: Decision) -> str:
    """Return one line of the table."""
    fault = decision.fault
    words = [f"{decision.broken}, {decision.steps} steps"] if decision.broken else []
    if decision.broken.split(" ")[0] != (fault.promise or ""):
        words.append(f"a person expects: {fault.promise or 'nothing'}")
    if decision.how != CAUGHT and decision.unproved:
        words.append(f"unproved: {', '.join(decision.unproved)}")
    yard = fault.yard.kind + (", quick" if fault.yard.quick else "")
    told = "; ".join(words)
    return f"{fault.level:<8}{fault.name:<64.64} {yard:<18}{decision.how:<17}{decision.seconds:6.2f} s  {told}"


def told(fault: Fault) -> Decision:
    """Decide a fault and print its line."""
    decision = decide(fault)
    print(row(decision), flush=True)
    return decision


def main() -> None:
    """Print the table and what it adds up to."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--every", type=int, default=1, metavar="N", help="only each Nth fault")
    options.add_argument("word", nargs="?", default="", help="only faults with this in their name")
    chosen = options.parse_args()
    faults = [f for f in (*SITE_FAULTS, *PROGRAM_FAULTS, *TELLING_FAULTS) if chosen.word in f.name][:: chosen.every]
    if not faults:
        options.error(f"no fault has {chosen.word!r} in its name")
    decisions = [told(fault) for fault in faults]
    seconds = [d.seconds for d in decisions]
    decided = sum(d.how != UNDECIDED for d in decisions)
    slow = sum(s > TARGET_S for s in seconds)
    share = 100 * decided / len(faults)
    print(f"{decided} of {len(faults)} decided: {share:.1f} % (wanted: all)")
    print(f"CPU s: median {median(seconds):.2f}, worst {max(seconds):.2f}; {slow} over {TARGET_S:.0f} (wanted: 0)")


if __name__ == "__main__":
    main()
