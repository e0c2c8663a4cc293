"""How much of a line is heard, and how much of what is heard is true: each figure beside its target.

Made-up lines with their truth (tools/judge), fixed seeds, so that every run prints the same. Traffic: RTU and ASCII,
all public functions, functions outside them, exceptions, broadcasts, retries, second controllers, stray bytes; times
as adapters deliver them, in six manners in turn, or none. Printed, never asserted; the suite has its own limits.
"""

import argparse
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
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
from sidetap.line import offline as listener

RARE, SLIGHT, HEAVY = 1e-5, 1e-4, 1e-3
NOISES = (
    CLEAN,
    Damage(flips=RARE),
    Damage(flips=SLIGHT),
    Damage(flips=HEAVY),
    Damage(inserts=SLIGHT, drops=SLIGHT),
    Damage(inserts=HEAVY, drops=HEAVY),
    Damage(flips=HEAVY, inserts=HEAVY, drops=HEAVY),
    Damage(bursts=HEAVY),
)
ASCII_EVERY = 8  # of so many lines one is in ASCII mode
FIRST_SEED = 1000


class Scale(NamedTuple):
    """How much is done: lines for each noise, tries a line, incremental lines, cut lines, bytes of noise."""

    lines: int
    tries: int
    incremental: int
    cut: int
    random_bytes: int


FULL, QUICK = Scale(24, 5000, 16, 16, 100_000_000), Scale(12, 5000, 8, 8, 10_000_000)
EXAMPLES = 12  # of each kind of fault are told in detail


@dataclass(slots=True)
class Pool:
    """All that was counted."""

    scores: dict[tuple[Mode, Damage, Delivery], Score] = field(default_factory=dict)
    stories: dict[str, list[str]] = field(default_factory=dict)
    faults: Counter[str] = field(default_factory=Counter)
    agree: dict[bool, list[tuple[tuple[int, int], tuple[int, int]]]] = field(default_factory=dict)
    cut_differently: list[int] = field(default_factory=list)
    cuts: int = 0


def lines(scale: Scale) -> Iterator[Sent]:
    """Yield the lines as sent."""
    for number in range(scale.lines):
        mode = Mode.ASCII if number % ASCII_EVERY == ASCII_EVERY - 1 else Mode.RTU
        yield send(FIRST_SEED + number, scale.tries, mode)


def judge(pool: Pool, sent: Sent, heard: Heard, noise: Damage, way: Delivery) -> None:
    """Listen to one line in one manner and count."""
    batch = delivered(sent, heard, way)
    rows = Rows.of(listen([batch], sent.settings))
    result = score(sent, heard, batch, rows, timed=way is not Delivery.UNTIMED)
    pool.scores.setdefault((sent.mode, noise, way), Score()).add(result)
    for fault in result.faults:
        pool.faults[fault.what] += 1
        told = pool.stories.setdefault(fault.what, [])
        if len(told) < EXAMPLES:
            told.append(f"[{noise}, {way}] {explain(fault, sent, heard, rows)}")


def run(scale: Scale) -> Pool:
    """Do all of it."""
    pool = Pool()
    for number, sent in enumerate(lines(scale)):
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
    """Hold the incremental parser against the offline runner on one line, both mending or both not."""
    noise = NOISES[(number + number // len(NOISES)) % len(NOISES)]
    batch = delivered(sent, damaged(sent, noise), TIMED[number % len(TIMED)])
    for repair in (False, True):  # as a station has it, and as a record has it
        ours = placed(incremental(batch, sent.settings, repair=repair))
        theirs = placed(offline(listen([batch], sent.settings, repair=repair)))
        pool.agree.setdefault(repair, []).append(agreement(ours, theirs))


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


def row(what: str, target: str, value: float, met: bool | None, note: str) -> None:
    """Print one figure; met is None where no target is set."""
    shown = f"{value:.6f}" if isinstance(value, float) else str(value)
    said = {True: "met", False: "NOT MET", None: ""}[met]
    print(f"{what:<64} {target:>9} {shown:>9} {said:<7} {note}")


def pooled(scores: Iterable[Score]) -> Score:
    """Return scores as one."""
    whole = Score()
    for each in scores:
        whole.add(each)
    return whole


@dataclass(frozen=True, slots=True)
class Part:
    """Some of the scores: both modes together, and each."""

    both: Score
    rtu: Score
    ascii: Score

    @classmethod
    def of(
        cls, pool: Pool, *, timed: bool | None = None, noises: Iterable[Damage] = NOISES, way: Delivery | None = None
    ) -> "Part":
        """Choose: timed or bytes only (None: both), some noises, one delivery."""
        chosen = set(noises)

        def of_mode(mode: Mode) -> Score:
            return pooled(
                got
                for (its_mode, noise, its_way), got in pool.scores.items()
                if its_mode is mode
                and noise in chosen
                and timed in (None, its_way is not Delivery.UNTIMED)
                and way in (None, its_way)
            )

        rtu, colons = of_mode(Mode.RTU), of_mode(Mode.ASCII)
        return cls(pooled((rtu, colons)), rtu, colons)

    def at_least(self, what: str, of: Callable[[Score], float], least: float | None, note: str) -> None:
        """Print a share beside the least it should be, and what it is in each mode."""
        value = of(self.both)
        modes = f"RTU {of(self.rtu):.6f}, ASCII {of(self.ascii):.6f}; {note}"
        met = None if least is None else value >= least
        row(what, "-" if least is None else f">= {least}", value, met, modes)


def table(pool: Pool, scale: Scale) -> None:
    """Print everything."""
    print(f"{'':<64} {'target':>9} {'measured':>9}")
    for timed, how, least in ((True, "timed", 0.9999), (False, "bytes only", 0.9998)):
        for noise in NOISES:
            part = Part.of(pool, timed=timed, noises=[noise])
            part.at_least(
                f"recall of intact, {how}, {noise}", lambda s: s.recall, least, f"{part.both.intact:,} intact"
            )
    for timed, how in ((True, "timed"), (False, "bytes only")):
        for noise in NOISES:
            part = Part.of(pool, timed=timed, noises=[noise])
            got = part.both
            note = f"{got.wrong_rows} of {got.rows:,} wrong, of them {got.undetectable} whose check codes hold"
            if not timed:
                note += f"; {got.echoes} more are alike, and only time tells them apart"
            wanted = None if not timed else 0.9999 if noise is CLEAN else 0.9998
            part.at_least(f"precision, {how}, {noise}", lambda s: s.precision, wanted, note)
    for rate, least in ((SLIGHT, 0.985), (HEAVY, 0.85)):
        part = Part.of(pool, timed=True, noises=[Damage(flips=rate)])
        got = part.both
        note = (
            f"of {got.answered:,}; intact {got.intact / got.answered:.4f}, mendable {got.mendable / got.answered:.4f}"
        )
        part.at_least(f"found of all answered, with repair, flips {rate:.0e}", lambda s: s.found_of_all, least, note)
    table_of_repair(pool)
    for timed, how in ((True, "timed"), (False, "bytes only")):
        part = Part.of(pool, timed=timed)
        part.at_least(
            f"recall of unknown functions, {how}", lambda s: s.unknown_recall, 0.998, f"{part.both.unknown:,}"
        )
    answers = random_answers(scale.random_bytes)
    size = f"{scale.random_bytes // 1_000_000} MB timed, {scale.random_bytes // 1_000_000} MB bytes only"
    row("answered transactions of random bytes", "0", answers, answers == 0, size)
    for repair, all_shares in pool.agree.items():
        for place, what in enumerate(("answered rows", "all rows")):
            agreeing, total = (sum(share[place][part] for share in all_shares) for part in (0, 1))
            value = agreeing / max(1, total)
            name = f"incremental = offline, {what}, {'mending' if repair else 'not mending'}"
            row(name, ">= 0.9995", value, value >= 0.9995, f"{total - agreeing} of {total:,} differ")
    table_of_promises(pool)


def table_of_repair(pool: Pool) -> None:
    """Print what was mended, and how much of it wrongly."""
    got = Part.of(pool).both
    wrong = got.repaired_wrong / max(1, got.repaired)
    bursts = Part.of(pool, noises=[noise for noise in NOISES if noise.bursts]).both
    note = f"{got.repaired_wrong} of {got.repaired:,}, {bursts.repaired_wrong} of them where only bursts are"
    row("wrong among repaired, pooled", "<= 0.001", wrong, wrong <= 0.001 and got.repaired > 0, note)
    slips = Part.of(pool, noises=[n for n in NOISES if n.drops and not n.flips]).both
    rate = 100_000 * slips.repaired / max(1, slips.tries)
    note = f"{slips.repaired} ({slips.repaired_wrong} wrong) of {slips.tries:,} tries"
    row("repairs per 100,000 tries, slips only", "<= 1", rate, rate <= 1, note)


def table_of_promises(pool: Pool) -> None:
    """Print what must never happen, then shares by delivery, and what was said of what."""
    differ = len(pool.cut_differently)
    row("lines told otherwise when cut otherwise", "0", differ, differ == 0, f"of {pool.cuts} cuts")
    everything = Part.of(pool).both
    for what in ("broken", "wrong_fields", "wrong_times", "wrong_retries", "false_backlog"):
        number = getattr(everything, what)
        row(what.replace("_", " "), "0", number, number == 0, f"of {everything.tries:,} tries")
    print()
    for way in Delivery:
        part = Part.of(pool, way=way)
        got, modes = part.both, f"RTU {part.rtu.false_backlog}, ASCII {part.ascii.false_backlog}"
        shares = f"recall {got.recall:.6f} precision {got.precision:.6f} of {got.intact:,} intact"
        print(f"delivery {way:<10} {shares}; told as backlog, and is none: {modes}")
    print("\nwhat became of a try -> what was said of it (timed)")
    for (true, said), number in sorted(Part.of(pool, timed=True).both.outcomes.items()):
        print(f"  {true:<20} -> {said:<20} {number}")
    print(f"\n{everything.tries:,} tries, {everything.bytes / 1e6:.0f} MB, seeds from {FIRST_SEED}")
    print("faults by kind:", dict(pool.faults.most_common()))


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--quick", action="store_true", help="about a minute, fewer and shorter lines")
    options.add_argument("--lines", type=int, help="lines for each noise")
    options.add_argument("--tries", type=int, help="tries a line")
    options.add_argument("--faults", help="write what went wrong, in detail, to this file")
    given = options.parse_args()
    scale = QUICK if given.quick else FULL
    scale = scale._replace(lines=given.lines or scale.lines, tries=given.tries or scale.tries)
    subprocess.run([sys.executable, "-m", "sidetap.line.kernel"], check=True)  # compiles, where that was not done yet
    listener.LARGE = 0  # compiled code for every line: the same rows, sooner
    started = time.process_time()
    pool = run(scale)
    table(pool, scale)
    print(f"{time.process_time() - started:.0f} CPU seconds")
    if given.faults is not None:
        with open(given.faults, "w", encoding="utf-8") as out:
            for what, told in pool.stories.items():
                print(f"\n## {what}: {pool.faults[what]}\n", *told, sep="\n\n", file=out)


if __name__ == "__main__":
    main()
