"""What people's readings settle, and whether it is true: each figure beside its target.

Made-up yards with their truth (tools/registers/trial_yards.py), fixed seeds, so that every run prints the same:
people read levels as displays and tapes round them, a few seconds off, with mistakes in some; vessels that aren't on
the line, twins, idle ones, moving levels and codes for "no value" among them. Printed, never asserted; the suite has
its own limits. `--yard N --trial M` tells one trial in full.
"""

import argparse
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from registers import apart, ours
from registers.trial_yards import Yard, borrowed_yard, yard
from registers.trials import Bench, Judged, Outcome, determined, trials

from sidetap.survey import MatchStatus

MAKERS = ("trial_yards", "ours", "apart")  # who made the devices
SHARES = (3, 1, 1)  # of yards, in turn
FIRST_YARD = 1000
QUICK_YARDS, FULL_YARDS = 40, 80
NEVER_SETTLED = ("one", "idle", "twin", "held")
TWO = "two"
PLAIN = ("direct", "level")  # registers that tell a length: unit and sense are known, no scale is open
ROUNDINGS = ("a mm or so", "a cm or 0.01 ft", "an inch or 0.1 ft")


@dataclass(frozen=True, slots=True)
class Share:
    """A count of so many."""

    count: int
    total: int

    def __str__(self) -> str:
        return "-" if not self.total else f"{self.count}/{self.total}"

    @property
    def percent(self) -> str:
        """As a percentage."""
        return "-" if not self.total else f"{100 * self.count / self.total:.1f}"


def share(outcomes: Iterable[Outcome], holds: Callable[[Outcome], bool]) -> Share:
    """Return of how many outcomes something holds."""
    told = [holds(o) for o in outcomes]
    return Share(sum(told), len(told))


def maker_of(seed: int) -> str:
    """Return who makes the devices of a seed's yard."""
    in_turn = [maker for maker, share_of in zip(MAKERS, SHARES, strict=True) for _ in range(share_of)]
    return in_turn[seed % len(in_turn)]


def made(seed: int, *, small: bool = False) -> Yard:
    """Return the yard of a seed; small: of few devices that are polled seldom, for suites that must be short."""
    maker = maker_of(seed)
    if maker == "trial_yards":
        return yard(seed, 900, 3) if small else yard(seed)
    unit = {"ours": ours.unit, "apart": apart.unit}[maker]
    return borrowed_yard(seed, unit, 900, 5) if small else borrowed_yard(seed, unit)


def run(seeds: Iterable[int], *, small: bool = False, later: bool = True) -> list[Outcome]:
    """Return the outcomes of all trials of some yards; later: also of a second reading two minutes on."""
    return [outcome for seed in seeds for outcome in of_yard(Bench(made(seed, small=small), later))]


def of_yard(bench: Bench) -> list[Outcome]:
    """Return the outcomes of a yard's trials."""
    given = trials(bench.yard)
    return [bench.outcome(trial, np.random.default_rng([trial.yard, trial.number, 5])) for trial in given]


def all_judged(outcome: Outcome) -> list[Judged]:
    """Return every judgement of a trial, after a further reading too."""
    return [j for j in (outcome.judged, outcome.planned, outcome.later) if j is not None]


def planned(outcomes: Iterable[Outcome]) -> Share:
    """Return how often the reading that was asked for settled the matter."""
    return share(
        (o for o in outcomes if o.planned is not None), lambda o: o.planned is not None and o.planned.settled
    )


def later(outcomes: Iterable[Outcome]) -> Share:
    """Return how often a second reading two minutes after the first settled the matter."""
    return share((o for o in outcomes if o.later is not None), lambda o: o.later is not None and o.later.settled)


COLUMNS = (
    ("trials", 7),
    ("right %", 9),
    ("settled %", 11),
    ("of fixed %", 12),
    ("wrong", 7),
    ("open", 6),
    ("o.wrong", 9),
    ("ambig", 7),
    ("w. truth", 10),
    ("none", 6),
    ("planned settles", 17),
    ("2 min later", 13),
)


def row(of: Sequence[Outcome]) -> tuple[object, ...]:
    """Return what stands in a row of the table, column by column."""
    counts = {status: [o for o in of if o.judged.status is status] for status in MatchStatus}
    ambiguous, opened = counts[MatchStatus.AMBIGUOUS], counts[MatchStatus.SCALE_OPEN]
    return (
        len(of),
        share(of, lambda o: o.judged.right).percent,
        share(of, lambda o: o.judged.settled).percent,
        share((o for o in of if determined(o.trial)), lambda o: o.judged.settled).percent,
        sum(j.settled_wrong for o in of for j in all_judged(o)),
        len(opened),
        sum(o.judged.open_wrong for o in opened),
        len(ambiguous),
        sum(o.judged.truth_among for o in ambiguous),
        len(counts[MatchStatus.NONE]),
        planned(of),
        later(of),
    )


def table(title: str, groups: Iterable[tuple[str, Sequence[Outcome]]]) -> None:
    """Print a row for each group."""
    print(f"{title:<18}" + "".join(f"{name:>{width}}" for name, width in COLUMNS))
    for name, of in groups:
        if of:
            cells = zip(row(of), COLUMNS, strict=True)
            print(f"{name:<18}" + "".join(f"{cell!s:>{width}}" for cell, (_, width) in cells))
    print()


def is_plain(outcome: Outcome) -> bool:
    """Return whether the register behind a trial tells a length."""
    return outcome.trial.vessel.law.family in PLAIN


def rounding_of(outcome: Outcome) -> str:
    """Return how coarsely the readings of a trial were written down."""
    rounding_mm = max(how.rounding_m for how in outcome.trial.hows) * 1000
    return next(name for name, most in zip(ROUNDINGS, (1.0, 6.0, np.inf), strict=True) if rounding_mm < most)


def suspects(outcomes: Iterable[Outcome]) -> None:
    """Print how often a mistaken row is named, and how often another."""
    told = list(outcomes)
    of = [o for o in told if o.trial.kind == "typo"]
    named = share(of, lambda o: o.trial.mistakes <= set(o.answer.suspect_readings))
    other = share(of, lambda o: bool(set(o.answer.suspect_readings) - o.trial.mistakes))
    clean = [o for o in told if not o.trial.mistakes and o.trial.vessel.unit is not None]
    false = share(clean, lambda o: bool(o.answer.suspect_readings))
    print(f"suspects: the mistaken row named {named}, another row named {other}; named without any mistake {false}")


def targets(outcomes: Sequence[Outcome]) -> None:
    """Print the figures that have a target."""
    two = [o for o in outcomes if o.trial.kind == TWO]
    plain = [o for o in two if is_plain(o)]
    judged = [j for o in outcomes for j in all_judged(o)]
    never = [o for o in outcomes if o.trial.kind in NEVER_SETTLED]
    lines: tuple[tuple[str, object, str], ...] = (
        ("two readings a foot apart: right, %", share(two, lambda o: o.judged.right).percent, ">= 99"),
        ("... of a register that tells a length: right, %", share(plain, lambda o: o.judged.right).percent, ">= 99"),
        ("... settled, %", share(plain, lambda o: o.judged.settled).percent, ">= 88"),
        ("... of any register: settled, %", share(two, lambda o: o.judged.settled).percent, ""),
        ("settled and wrong, of all answers", Share(sum(j.settled_wrong for j in judged), len(judged)), "0"),
        ("one, idle, twins while they agree: settled", share(never, lambda o: o.judged.settled), "0"),
        ("the reading asked for settles, %", planned(outcomes).percent, ">= 95"),
        ("a second reading two minutes later settles, %", later(outcomes).percent, ""),
    )
    for what, figure, wanted in lines:
        print(f"{what:<50}{figure!s:>12}   {'wanted ' + wanted if wanted else ''}".rstrip())


def tell(seed: int, number: int, *, small: bool) -> None:
    """Print one trial in full."""
    given = made(seed, small=small)
    bench = Bench(given)
    trial = next((t for t in trials(given) if t.number == number), None)
    if trial is None:
        sys.exit(f"yard {seed} has no trial {number}")
    outcome = bench.outcome(trial, np.random.default_rng([seed, number, 5]))
    vessel = trial.vessel
    print(f"yard {seed}, trial {number}: {trial.kind}; {vessel.name} of {vessel.height_m} m, {vessel.law}")
    unit = vessel.unit
    if unit is None:
        print("  not on the line")
    else:
        low, high = vessel.level_m.min(), vessel.level_m.max()
        print(f"  device {unit.device}, {unit.table}s, level from {low:.3f} to {high:.3f} m")
        for f in unit.fields:
            law = "" if f.level_scale is None else f"level = {f.level_scale:.6g} × it + {f.level_offset:.6g}"
            print(
                f"{unit.register + f.start:>8} {f.name:<14}{f.encoding:<36}{np.isnan(f.truth).sum():>5} gone  {law}"
            )
    for n, read in enumerate(outcome.planned_trial.rows if outcome.planned_trial else trial.rows, 1):
        dip, hint = "dip" if read.dip else "", "" if read.device is None else f"device {read.device}"
        print(f"  row {n}: {read.t_s:>9.1f} s  {read.value} {read.unit} {dip} {hint} {read.mistake}".rstrip())
    told = (("answered", outcome.judged), ("as planned", outcome.planned), ("two minutes later", outcome.later))
    for when, judged in told:
        if judged is not None:
            print(f"  {when}: {judged}")
    print(f"  {outcome.answer.document()}")


def main() -> None:
    """Print the tables."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--quick", action="store_true", help=f"{QUICK_YARDS} small yards instead of {FULL_YARDS}")
    options.add_argument("--first", type=int, default=FIRST_YARD, help="the first yard's seed")
    options.add_argument("--yards", type=int, help="how many yards")
    options.add_argument("--yard", type=int, help="tell one trial of this yard in full")
    options.add_argument("--trial", type=int, default=0)
    options.add_argument("--small", action="store_true", help="yards of few devices that are polled seldom")
    chosen = options.parse_args()
    if chosen.yard is not None:
        tell(chosen.yard, chosen.trial, small=chosen.small)
        return
    count = chosen.yards or (QUICK_YARDS if chosen.quick else FULL_YARDS)
    small = chosen.small or chosen.quick
    outcomes = run(range(chosen.first, chosen.first + count), small=small)
    print(f"{'small ' * small}yards {chosen.first} to {chosen.first + count - 1}: {len(outcomes)} trials\n")
    kinds = sorted({o.trial.kind for o in outcomes})
    families = sorted({o.trial.vessel.law.family for o in outcomes})
    two = [o for o in outcomes if o.trial.kind == TWO]
    table("kind", ((kind, [o for o in outcomes if o.trial.kind == kind]) for kind in kinds))
    table("two, by maker", ((m, [o for o in two if maker_of(o.trial.yard) == m]) for m in MAKERS))
    table("two, by register", ((f, [o for o in two if o.trial.vessel.law.family == f]) for f in families))
    table("two, by rounding", ((name, [o for o in two if rounding_of(o) == name]) for name in ROUNDINGS))
    suspects(outcomes)
    targets(outcomes)
    wrong = [o for o in outcomes if any(j.settled_wrong for j in all_judged(o))]
    wrong += [o for o in outcomes if o.trial.kind in NEVER_SETTLED and o.judged.settled]
    for o in wrong:
        print(
            f"settled and wrong, or without ground: --yard {o.trial.yard} --trial {o.trial.number} ({o.trial.kind})"
        )


if __name__ == "__main__":
    main()
