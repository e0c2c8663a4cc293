"""How often a line's settings are found from its edges: seeded trials in a table, beside a peer where one is at hand.

Each trial is a row of characters with 5 % jitter: one of the framings, both polarities, a customary baud or any
between 1200 and 115200, characters back to back, spaced or in Modbus frames, with up to five edges cut off at the
start. The lines are drawn by the tests' own generator. SIDETAP_PROTOTYPES names a folder with a peer,
framing/edges3.py, that knows eight data bits and customary bauds only; it is asked where it can answer.
"""

import argparse
import importlib
import os
import sys
import time
from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from sidetap.line.edges import Verdict, identify

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "line"))
from edge_line import BAUDS, KINDS, Trial, captured, draw, right

ROWS = ((128, 5000), (32, 500), (16, 500))  # characters, trials
QUICK = ((128, 500), (32, 100), (16, 100))
SEED = 20260311
PEER_FRAMINGS = ("8N1", "8N2", "8E1", "8O1")
COLUMNS = ("trials", "right", "in the peer's reach", "right there", "peer right")
SURE = (0.0, 0.5, 0.7, 0.9, 0.99, 1.0)


def main() -> None:
    """Run the trials and print what came of them."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--quick", action="store_true", help="about a minute, fewer trials")
    rows = QUICK if options.parse_args().quick else ROWS
    peer = load_peer()
    print(
        f"line settings from edges, 5 % jitter, seed {SEED}{'' if peer else '; no peer at hand (SIDETAP_PROTOTYPES)'}"
    )
    for characters, trials in rows:
        run(characters, trials, peer)


def run(characters: int, trials: int, peer: Callable[[Any], Any] | None) -> None:
    """Run trials of so many characters and print their table."""
    rng = np.random.default_rng([SEED, characters])
    tally: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    wrong: Counter[str] = Counter()
    sure: list[tuple[float, bool]] = []
    spent_s = 0.0
    for _ in range(trials):
        trial = draw(rng, characters)
        capture = captured(trial)
        began = time.process_time()
        verdict = identify(capture)
        spent_s += time.process_time() - began
        good = right(trial, verdict)
        counts = tally[trial.kind]
        counts["trials"] += 1
        counts["right"] += good
        sure.append((verdict.confidence, good))
        if not good:
            wrong[told(trial, verdict)] += 1
        if peer is not None and trial.framing in PEER_FRAMINGS and trial.baud in BAUDS:
            counts["in the peer's reach"] += 1
            counts["right there"] += good
            counts["peer right"] += asked(peer, trial)
    total: Counter[str] = sum(tally.values(), Counter())
    print(
        f"\n{characters} characters: {total['right'] / trials:.3%} right, {1000 * spent_s / trials:.1f} CPU ms each"
    )
    print(f"{'':<10}" + "".join(f"{column:>20}" for column in COLUMNS))
    for kind, counts in (*tally.items(), ("all", total)):
        print(f"{kind:<10}" + "".join(f"{counts[column]:>20}" for column in COLUMNS))
    for low, high in pairwise(SURE):
        there = [good for confidence, good in sure if low <= confidence < high]
        if there:
            print(f"confidence {low} to {high}: {len(there)} trials, {sum(there) / len(there):.3f} right")
    for text, count in wrong.most_common():
        print(f"  {count} × {text}")


def told(trial: Trial, verdict: Verdict) -> str:
    """Return what is wrong with a verdict, in words."""
    if verdict.confidence < 0.5:
        return f"{trial.framing} {trial.kind}: left open"
    if verdict.baud is not None and abs(verdict.baud / trial.baud - 1) >= 0.01:
        return f"{trial.framing} {trial.kind}: another baud"
    if verdict.inverted is not trial.inverted:
        return f"{trial.framing} {trial.kind}: the other polarity"
    return f"{trial.framing} {trial.kind}: taken for {verdict.framing}"


def load_peer() -> Callable[[Any], Any] | None:
    """Return the peer's function, None where there is no peer."""
    folder = Path(os.environ.get("SIDETAP_PROTOTYPES", ".")) / "framing"
    if not (folder / "edges3.py").is_file():
        return None
    sys.path.append(str(folder))
    found: Callable[[Any], Any] = importlib.import_module("edges3").identify
    return found


def asked(peer: Callable[[Any], Any], trial: Trial) -> bool:
    """Return whether the peer finds baud, framing and polarity; it says whether the first edge begins a character."""
    (_, baud, framing, first_is_no_start, *_), _ = peer(trial.sent.t_s)
    falls_first = (int(trial.sent.levels[0]) == 0) != trial.inverted
    same = framing[1] == trial.framing[1]  # 8N1 = 8N2
    return bool(baud == trial.baud and same and (first_is_no_start == 0) == falls_first)


if __name__ == "__main__":
    main()
