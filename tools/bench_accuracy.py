"""How much of a line is heard, and how much of what is heard is true: each figure beside its target.

Made-up lines with their truth (tools/judge), fixed seeds, so that every run prints the same. Traffic: RTU and ASCII,
all public functions, functions outside them, exceptions, broadcasts, retries, second controllers, stray bytes; times
as adapters deliver them, in six manners in turn, or none. Printed, never asserted; the suite has its own limits.
"""

import argparse
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from judge.agreement import incremental, offline, placed
from judge.agreement import shares as agreement
from judge.damage import CLEAN, TIMED, Damage, Delivery, Heard, cut, damaged, delivered
from judge.explain import explain
from judge.scoring import Rows, Score, score
from judge.sender import Sent, send

from sidetap.line import Batch, Mode, Outcome, listen

SLIGHT, HEAVY = 1e-4, 1e-3
NOISES = (
    CLEAN,
    Damage(flips=SLIGHT),
    Damage(flips=HEAVY),
    Damage(inserts=SLIGHT, drops=SLIGHT),
    Damage(inserts=HEAVY, drops=HEAVY),
    Damage(flips=HEAVY, inserts=HEAVY, drops=HEAVY),
    Damage(bursts=HEAVY),
)
LINE = 5000  # tries a line
ASCII_EVERY = 8  # of so many lines one is in ASCII mode
FIRST_SEED = 1000


class Scale(NamedTuple):
    """How much is done: lines for each noise, incremental lines, cut lines, bytes of noise."""

    lines: int
    incremental: int
    cut: int
    random_bytes: int


FULL, QUICK = Scale(60, 12, 20, 100_000_000), Scale(3, 2, 2, 2_000_000)


@dataclass(slots=True)
class Pool:
    """All that was counted."""

    timed: dict[str, Score] = field(default_factory=dict)
    untimed: dict[str, Score] = field(default_factory=dict)
    by_way: dict[str, Score] = field(default_factory=dict)
    by_mode: dict[str, Score] = field(default_factory=dict)
    stories: dict[str, list[str]] = field(default_factory=dict)
    agree: list[tuple[tuple[int, int], tuple[int, int]]] = field(default_factory=list)
    cut_differently: list[int] = field(default_factory=list)
    cuts: int = 0


def lines(scale: Scale, tries: int) -> Iterator[Sent]:
    """Yield the lines as sent."""
    for number in range(scale.lines):
        mode = Mode.ASCII if number % ASCII_EVERY == ASCII_EVERY - 1 else Mode.RTU
        yield send(FIRST_SEED + number, tries, mode)


def judge(pool: Pool, sent: Sent, heard: Heard, noise: Damage, way: Delivery) -> tuple[Batch, Rows]:
    """Listen to one line in one manner and count."""
    batch = delivered(sent, heard, way)
    rows = Rows.of(listen([batch], sent.settings))
    timed = way is not Delivery.UNTIMED
    result = score(sent, heard, batch, rows, timed=timed)
    for table, key in (
        (pool.timed if timed else pool.untimed, str(noise)),
        (pool.by_way, way.value),
        (pool.by_mode, sent.mode.value),
    ):
        table.setdefault(key, Score()).add(result)
    for fault in result.faults:
        told = pool.stories.setdefault(fault.what, [])
        if len(told) < 12:
            told.append(f"[{noise}, {way}] {explain(fault, sent, heard, rows)}")
    return batch, rows


def run(scale: Scale, tries: int) -> Pool:
    """Do all of it."""
    pool = Pool()
    for number, sent in enumerate(lines(scale, tries)):
        for noise in NOISES:
            heard = damaged(sent, noise)
            way = TIMED[(number + NOISES.index(noise)) % len(TIMED)]
            judge(pool, sent, heard, noise, way)
            judge(pool, sent, heard, noise, Delivery.UNTIMED)
        if number < scale.cut:
            look_at_cuts(pool, sent, number)
        if number < scale.incremental:
            look_at_agreement(pool, sent, number)
    return pool


def look_at_cuts(pool: Pool, sent: Sent, number: int) -> None:
    """Cut one line into batches by chance: the same rows must come."""
    noise = NOISES[number % len(NOISES)]
    heard = damaged(sent, noise)
    for way in (TIMED[number % len(TIMED)], Delivery.UNTIMED):
        batch = delivered(sent, heard, way)
        whole = Rows.of(listen([batch], sent.settings))
        for pieces in (2, 9, 60):
            pool.cuts += 1
            if not whole.same(Rows.of(listen(cut(batch, sent.seed, pieces), sent.settings))):
                pool.cut_differently.append(sent.seed)


def look_at_agreement(pool: Pool, sent: Sent, number: int) -> None:
    """Hold the incremental parser, which mends nothing on its own, against the offline runner on one line."""
    noise = NOISES[number % len(NOISES)]
    batch = delivered(sent, damaged(sent, noise), TIMED[number % len(TIMED)])
    pool.agree.append(
        agreement(
            placed(incremental(batch, sent.settings)),
            placed(offline(listen([batch], sent.settings, repair=False))),
        )
    )


def random_answers(size: int) -> int:
    """Return how many answered transactions come of random bytes."""
    rng, found, step = np.random.default_rng(77), 0, 1_000_000

    def batches(timed: bool) -> Iterator[Batch]:
        for at in range(0, size, step):
            data = rng.integers(0, 256, step).astype(np.uint8)
            ends = np.arange(30, step + 1, 30)
            ends[-1] = step
            times = (np.arange(len(ends)) + at // 30) * 16_000_000
            yield Batch(data, ends, times if timed else None)

    for timed in (True, False):
        for part in listen(batches(timed)):
            found += len(part.select(Outcome.ANSWERED)) + len(part.select(Outcome.EXCEPTION))
    return found


def row(what: str, target: str, value: float, met: bool, note: str) -> None:
    """Print one figure."""
    shown = f"{value:.6f}" if isinstance(value, float) else str(value)
    print(f"{what:<58} {target:>12} {shown:>12}  {'met' if met else 'NOT MET':<8} {note}")


def pooled(scores: list[Score]) -> Score:
    """Return scores as one."""
    whole = Score()
    for each in scores:
        whole.add(each)
    return whole


def table(pool: Pool, random_bytes: int) -> None:
    """Print everything."""
    print(f"{'':<58} {'target':>12} {'measured':>12}")
    for name, got in pool.timed.items():
        row(f"recall of intact, timed, {name}", ">= 0.9999", got.recall, got.recall >= 0.9999, f"of {got.intact}")
    for name, got in pool.timed.items():
        least = 0.9999 if name == "clean" else 0.9998
        note = f"{got.wrong_rows} of {got.rows}; {got.undetectable} whose codes hold, {got.other_try} of an alike try"
        row(f"precision of answered rows, timed, {name}", f">= {least}", got.precision, got.precision >= least, note)
    for name, got in pool.untimed.items():
        note = f"of {got.intact}"
        row(f"recall of intact, bytes only, {name}", ">= 0.9998", got.recall, got.recall >= 0.9998, note)
    for name, got in pool.untimed.items():
        note = f"{got.wrong_rows} of {got.rows}; {got.echoes} more are identical frames that only time tells apart"
        row(f"precision of answered rows, bytes only, {name}", "-", got.precision, True, note)
    for rate, least in ((SLIGHT, 0.985), (HEAVY, 0.85)):
        got = pool.timed[str(Damage(flips=rate))]
        note = (
            f"of {got.answered}; intact {got.intact / got.answered:.4f}, mendable {got.mendable / got.answered:.4f}"
        )
        value = got.found_of_all
        row(f"found of all answered, with repair, flips {rate:.0e}", f">= {least}", value, value >= least, note)
    both = [pool.timed, pool.untimed]
    mended = pooled([got for side in both for got in side.values()])
    wrong = mended.repaired_wrong / max(1, mended.repaired)
    note = f"{mended.repaired_wrong} of {mended.repaired}"
    row("wrong among repaired, pooled", "<= 0.001", wrong, wrong <= 0.001 and mended.repaired > 0, note)
    slipped = pooled([got for side in both for name, got in side.items() if name.startswith("inserts")])
    rate = 100_000 * slipped.repaired / max(1, slipped.tries)
    note = f"{slipped.repaired} ({slipped.repaired_wrong} wrong) in {slipped.tries} tries"
    row("repairs per 100,000 tries where only slips are", "<= 1", rate, rate <= 1, note)
    timed = pooled(list(pool.timed.values()))
    value = timed.unknown_recall
    row(
        "recall of functions outside the public ones, timed", ">= 0.998", value, value >= 0.998, f"of {timed.unknown}"
    )
    bare = pooled(list(pool.untimed.values()))
    value = bare.unknown_recall
    row(
        "recall of functions outside the public ones, bytes only",
        ">= 0.998",
        value,
        value >= 0.998,
        f"of {bare.unknown}",
    )
    answers = random_answers(random_bytes)
    row("answered transactions from random bytes", "0", answers, answers == 0, f"2 x {random_bytes / 1e6:.0f} MB")
    for place, what in enumerate(("answered rows", "all rows")):
        agreeing, total = (sum(share[place][part] for share in pool.agree) for part in (0, 1))
        value = agreeing / max(1, total)
        note = f"{total - agreeing} of {total} differ"
        row(f"incremental agrees with offline, {what}", ">= 0.9995", value, value >= 0.9995, note)
    differ = len(pool.cut_differently)
    row("lines that give other rows when cut otherwise", "0", differ, differ == 0, f"of {pool.cuts} cuts")
    everything = pooled([timed, bare])
    for what in ("broken", "wrong_fields", "wrong_times", "wrong_retries"):
        number = getattr(everything, what)
        row(what.replace("_", " "), "0", number, number == 0, f"in {everything.tries} tries")
    late = sum(pool.by_way[way].false_backlog for way in (Delivery.LUMPS, Delivery.GLUED, Delivery.JITTERED))
    row("rows told as backlog, of deliveries every 16 ms", "0", late, late == 0, f"in {everything.tries} tries")
    print()
    for name, by in (("delivery", pool.by_way), ("mode", pool.by_mode)):
        for key, got in by.items():
            shares = f"recall {got.recall:.6f} precision {got.precision:.6f} of {got.intact} intact"
            print(f"{name} {key:<10} {shares}; told as backlog: {got.false_backlog}")
    print("\nwhat became of a try -> what was said of it (timed)")
    for (true, said), number in sorted(timed.outcomes.items()):
        print(f"  {true:<20} -> {said:<20} {number}")
    print(f"\n{everything.tries} tries, {everything.bytes / 1e6:.0f} MB, seeds from {FIRST_SEED}")
    print("faults by kind:", dict(Counter({what: len(told) for what, told in pool.stories.items()})))


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--quick", action="store_true", help="about half a minute, fewer lines")
    options.add_argument("--lines", type=int, help="lines for each noise")
    options.add_argument("--tries", type=int, default=LINE, help="tries a line")
    options.add_argument("--faults", help="write what went wrong, in detail, to this file")
    given = options.parse_args()
    scale = QUICK if given.quick else FULL
    if given.lines is not None:
        scale = scale._replace(lines=given.lines)
    started = time.process_time()
    pool = run(scale, given.tries)
    table(pool, scale.random_bytes)
    print(f"{time.process_time() - started:.0f} CPU seconds")
    if given.faults is not None:
        with open(given.faults, "w", encoding="utf-8") as out:
            for what, told in pool.stories.items():
                print(f"\n## {what}\n", *told, sep="\n\n", file=out)


if __name__ == "__main__":
    main()
