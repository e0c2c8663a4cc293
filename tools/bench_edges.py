"""How often a line's settings are found from its edges: seeded trials in a table, beside a peer where one is at hand.

Each trial is 128 characters with 5 % jitter: one of the framings, both polarities, a customary baud or any between
1200 and 115200, characters back to back, spaced or in Modbus frames, with up to five edges cut off at the start. The
lines are drawn by the tests' own generator. SIDETAP_PROTOTYPES names a folder with a peer, framing/edges3.py, that
knows eight data bits and customary bauds only; it is asked where it can answer.
"""

import importlib
import os
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from sidetap.line.edges import identify

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "line"))
from edge_line import BAUDS, KINDS, Trial, captured, draw, right

TRIALS = 5000
CHARACTERS = 128
SEED = 20260311
PEER_BAUDS = (*BAUDS,)
PEER_FRAMINGS = ("8N1", "8N2", "8E1", "8O1")
SHOWN = 12


def main() -> None:
    """Run the trials and print what came of them."""
    peer = load_peer()
    rng = np.random.default_rng(SEED)
    tally: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    wrong: list[str] = []
    sure: list[tuple[float, bool]] = []
    spent_s = 0.0
    for _ in range(TRIALS):
        trial = draw(rng, CHARACTERS)
        capture = captured(trial)
        began = time.process_time()
        verdict = identify(capture)
        spent_s += time.process_time() - began
        good = right(trial, verdict)
        tally[trial.kind]["trials"] += 1
        tally[trial.kind]["right"] += good
        sure.append((verdict.confidence, good))
        if not good:
            wrong.append(
                f"{told(trial)} -> {verdict.baud} {verdict.framing} {verdict.inverted} {verdict.confidence:.3f}"
            )
        if peer is not None and trial.framing in PEER_FRAMINGS and trial.baud in PEER_BAUDS:
            tally[trial.kind]["in the peer's reach"] += 1
            tally[trial.kind]["right there"] += good
            tally[trial.kind]["peer right"] += asked(peer, trial)
    show(tally, wrong, sure, spent_s)


def show(tally: dict[str, Counter[str]], wrong: list[str], sure: list[tuple[float, bool]], spent_s: float) -> None:
    """Print the table."""
    print(f"line settings from edges: {TRIALS} trials of {CHARACTERS} characters, 5 % jitter, seed {SEED}")
    columns = ("trials", "right", "in the peer's reach", "right there", "peer right")
    print(f"{'':<10}" + "".join(f"{column:>20}" for column in columns))
    total: Counter[str] = Counter()
    for kind, counts in tally.items():
        total.update(counts)
        print(f"{kind:<10}" + "".join(f"{counts[column]:>20}" for column in columns))
    print(f"{'all':<10}" + "".join(f"{total[column]:>20}" for column in columns))
    print(f"right: {total['right'] / TRIALS:.4%}; {1000 * spent_s / TRIALS:.1f} CPU ms a trial")
    if total["in the peer's reach"]:
        reach = total["in the peer's reach"]
        print(
            f"where the peer can answer: {total['right there'] / reach:.4%} beside {total['peer right'] / reach:.4%}"
        )
    else:
        print("no peer at hand (SIDETAP_PROTOTYPES)")
    for low, high in ((0.0, 0.5), (0.5, 0.9), (0.9, 0.99), (0.99, 1.0)):
        there = [good for confidence, good in sure if low <= confidence < high]
        if there:
            print(f"confidence {low} to {high}: {len(there)} trials, {sum(there) / len(there):.4f} right")
    print(f"wrong or open: {len(wrong)}")
    for text in wrong[:SHOWN]:
        print(f"  {text}")


def told(trial: Trial) -> str:
    """Return a trial in words."""
    return f"{trial.baud:.0f} {trial.framing} {'inverted' if trial.inverted else 'normal'} {trial.kind}"


def load_peer() -> Callable[[Any], Any] | None:
    """Return the peer's function, None where there is no peer."""
    folder = Path(os.environ.get("SIDETAP_PROTOTYPES", ".")) / "framing"
    if not (folder / "edges3.py").is_file():
        return None
    sys.path.append(str(folder))
    module = importlib.import_module("edges3")
    found: Callable[[Any], Any] = module.identify
    return found


def asked(peer: Callable[[Any], Any], trial: Trial) -> bool:
    """Return whether the peer finds baud, framing and polarity; it says whether the first edge begins a character."""
    (_, baud, framing, first_is_no_start, *_), _ = peer(trial.sent.t_s)
    falls_first = (int(trial.sent.levels[0]) == 0) != trial.inverted
    same = framing[1] == trial.framing[1]  # 8N1 = 8N2
    return bool(baud == trial.baud and same and (first_is_no_start == 0) == falls_first)


if __name__ == "__main__":
    main()
