"""Answers of reads -> when each register moved, and when a whole answer stood still.

How it works. Each poll has a block of registers. An answer is held against the one before: which words changed, how
many answers in a row were the same, when they changed. For reversals (up, then down) a word is read alone and as the
high word of a 32-bit number with either neighbour: only one of the three is right, and who knows the encoding picks.
Positive binary floats are ordered as the 32-bit numbers of their bits are (IEEE 754), so their reversals count too.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Columns, Outcome, Settings
from sidetap.line.columns import NO_TIME, NONE, OUTCOMES
from sidetap.survey.health.calendar import Calendar, Table, Tally
from sidetap.survey.health.polls import ByPoll, PollKey
from sidetap.survey.health.spread import Spread, Spreading

_REGISTER_READS = (3, 4, 23)
_MOST_BLOCKS = 200
_MOST_REGISTERS = 1000
_CHANGES_KEPT = 4000
_LONG_RUN = 30  # repeats
_PAUSE = 2.5  # of a run's usual period: after a longer one nobody knows how it ended
_TURNS_LOOKED_AT = 40_000  # answers of a block
_RUNS_COUNTED = 1000  # a longer run of the same answer counts as this long

Numbers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Run:
    """The same answer again and again: how often after its first time, from when to when (None without times)."""

    answers: int
    from_ns: int | None
    to_ns: int | None


@dataclass(frozen=True, slots=True)
class Jump:
    """The greatest step of a number after a long run of the same answer. step: in the number's own whole units."""

    step: int
    run: Run


_NO_JUMP = Jump(0, Run(0, None, None))


@dataclass(frozen=True, slots=True)
class Stillness:
    """One block over the record. answers: whole ones, exceptions and mended ones left out.

    changes: of each register. movements, reversals: [alone, as high word before the next, as high word behind the one
    before][register], in the first looked_at answers; so are steps, the greatest after a short run, and jumps, those
    after a long one that went on until then. longest, second: runs of the same answer. runs: all that
    ended, as (answers, how many). changed_ns: when the answer changed, the first ones. over_time: changes,
    [register, span]. repeated, fresh: turnaround of answers that repeat the one before, and of those that don't.
    """

    poll: PollKey
    answers: int
    looked_at: int
    changes: tuple[int, ...]
    movements: tuple[tuple[int, ...], ...]
    reversals: tuple[tuple[int, ...], ...]
    steps: tuple[tuple[int, ...], ...]
    jumps: tuple[tuple[Jump, ...], ...]
    longest: Run
    second: int
    runs: tuple[tuple[int, int], ...]
    changed_ns: tuple[int, ...]
    over_time: Table
    repeated: Spread
    fresh: Spread


class Comparing:
    """Gathers `Stillness` of every block."""

    def __init__(self, calendar: Calendar, settings: Settings | None) -> None:
        self._calendar = calendar
        self._character_ns = 0 if settings is None else settings.character_ns
        self._blocks: dict[PollKey, _Block] = {}
        self._registers = 0

    def see(self, columns: Columns, polls: ByPoll) -> None:
        """Take the next rows; polls: those with a request."""
        usable = columns.outcome == OUTCOMES.index(Outcome.ANSWERED)
        usable &= (columns.request_bit == NONE) & (columns.response_bit == NONE)
        for key, all_rows in zip(polls.keys, polls.rows, strict=True):
            rows = all_rows[usable[all_rows]]
            if not len(rows) or key[1] not in _REGISTER_READS or key[3] <= 0:
                continue
            block = self._block(key)
            if block is not None:
                block.see(columns, rows, self._character_ns)

    def _block(self, key: PollKey) -> "_Block | None":
        block = self._blocks.get(key)
        if block is None:
            count = key[3]
            if len(self._blocks) == _MOST_BLOCKS or self._registers + count > _MOST_REGISTERS:
                return None
            self._registers += count
            block = self._blocks[key] = _Block(key, Tally(self._calendar))
        return block

    def stillness(self) -> tuple[Stillness, ...]:
        """Return what has been gathered, by poll."""
        return tuple(block.stillness() for _, block in sorted(self._blocks.items()))


class _Block:
    def __init__(self, key: PollKey, over_time: Tally) -> None:
        self._key = key
        count = key[3]
        self._over_time = over_time
        self._answers = 0
        self._looked_at = 0
        self._words = np.zeros((0, count), dtype=np.int64)  # of the answer before
        self._changes = np.zeros(count, dtype=np.int64)
        self._movements = np.zeros((3, count), dtype=np.int64)
        self._reversals = np.zeros((3, count), dtype=np.int64)
        self._direction = np.zeros((3, count), dtype=np.int64)  # of the latest change of each number
        self._steps = np.zeros((3, count), dtype=np.int64)
        self._jumps = [[_NO_JUMP] * count for _ in range(3)]
        self._run = 0  # answers since the latest change
        self._since_ns: int | None = None
        self._until_ns: int | None = None
        self._longest = Run(0, None, None)
        self._second = 0
        self._runs = np.zeros(_RUNS_COUNTED + 1, dtype=np.int64)  # by length
        self._changed_ns: list[int] = []
        self._repeated, self._fresh = Spreading(), Spreading()

    def see(self, columns: Columns, rows: Numbers, character_ns: int) -> None:
        words = columns.answer_words(rows, self._key[3]).astype(np.int64)
        t_ns = columns.t_end_ns[rows]
        if not len(self._words):
            self._words = words[:1]
            self._since_ns = _time(t_ns[0])
            self._until_ns = self._since_ns
            self._answers += 1
            words, t_ns, rows = words[1:], t_ns[1:], rows[1:]
            if not len(rows):
                return
        self._answers += len(rows)
        joined = np.concatenate([self._words, words])
        self._words = words[-1:]
        moved = joined[1:] != joined[:-1]
        self._changes += moved.sum(axis=0)
        changed = moved.any(axis=1)
        ends = np.flatnonzero(changed)
        lengths = np.diff(ends, prepend=-1) - 1
        lengths[:1] += self._run
        ended = _Ended(ends, lengths, t_ns, self._since_ns, self._until_ns)
        looked_at = min(len(rows), _TURNS_LOOKED_AT - self._looked_at)
        self._looked_at += looked_at
        self._turn(joined[: looked_at + 1], ended)
        self._count_runs(ended, len(rows))
        timed = t_ns != NO_TIME
        answer, register = np.nonzero(moved & timed[:, None])
        self._over_time.add(register, t_ns[answer])
        usable = timed & (columns.t_ns[rows] != NO_TIME) & ~columns.backlog[rows]
        sizes = columns.response[rows, 1] - columns.response[rows, 0]
        turnaround = t_ns - columns.t_ns[rows] - sizes * character_ns
        self._fresh.add(turnaround[usable & changed])
        self._repeated.add(turnaround[usable & ~changed])

    def _turn(self, words: Numbers, ended: "_Ended") -> None:
        """Count each number's movements and reversals, and note its steps.

        words: those of the answer before, then new ones. ended: the runs that their changes end, and later ones.
        """
        words = words[np.concatenate([[True], (words[1:] != words[:-1]).any(axis=1)])]
        after = np.concatenate([words[:, 1:], np.zeros((len(words), 1), dtype=np.int64)], axis=1)
        before = np.concatenate([np.zeros((len(words), 1), dtype=np.int64), words[:, :-1]], axis=1)
        for n, numbers in enumerate((words, words << 16 | after, words << 16 | before)):
            differences = np.diff(numbers, axis=0)
            self._note_steps(n, np.abs(differences), ended)
            signs = np.sign(differences)
            self._movements[n] += (signs != 0).sum(axis=0)
            for register in range(signs.shape[1]):
                own = signs[signs[:, register] != 0, register]
                if len(own):
                    turns = np.concatenate([[self._direction[n, register]], own])
                    self._reversals[n, register] += int((turns[1:] * turns[:-1] < 0).sum())
                    self._direction[n, register] = own[-1]

    def _note_steps(self, n: int, steps: Numbers, ended: "_Ended") -> None:
        """Note the greatest steps, after long runs and after others."""
        long = ended.lengths[: len(steps)] >= _LONG_RUN
        self._steps[n] = np.maximum(self._steps[n], steps[~long].max(axis=0, initial=0))
        for place in np.flatnonzero(long).tolist():
            run = ended.run(place)
            came_ns = _time(ended.t_ns[ended.ends[place]])
            if run.from_ns is None or run.to_ns is None or came_ns is None:
                continue
            if (came_ns - run.to_ns) * run.answers > _PAUSE * (run.to_ns - run.from_ns):
                continue  # nobody asked for a while: it may have moved as usual
            for register, step in enumerate(steps[place].tolist()):
                if step > self._jumps[n][register].step:
                    self._jumps[n][register] = Jump(step, run)

    def _count_runs(self, ended: "_Ended", answers: int) -> None:
        """Count the runs that changes ended, and go on with the last one."""
        ends, lengths, t_ns = ended.ends, ended.lengths, ended.t_ns
        if len(ends):
            self._runs += np.bincount(np.minimum(lengths + 1, _RUNS_COUNTED), minlength=_RUNS_COUNTED + 1)
            n = int(lengths.argmax())
            runner_up = int(np.delete(lengths, n).max(initial=0))
            self._longest, self._second = self._ranked(ended.run(n), runner_up)
            room = _CHANGES_KEPT - len(self._changed_ns)
            self._changed_ns += [t for t in t_ns[ends[:room]].tolist() if t != NO_TIME]
            self._run = 0
            self._since_ns = self._until_ns = _time(t_ns[ends[-1]])
        still = answers - (int(ends[-1]) + 1 if len(ends) else 0)
        if still:
            self._run += still
            self._until_ns = _time(t_ns[-1])

    def _ranked(self, run: Run, runner_up: int) -> tuple[Run, int]:
        """Return the longest run and the second length, with a new run and the next one taken in."""
        if run.answers > self._longest.answers:
            return run, max(self._longest.answers, runner_up)
        return self._longest, max(self._second, run.answers)

    def stillness(self) -> Stillness:
        longest, second = self._ranked(Run(self._run, self._since_ns, self._until_ns), 0)
        return Stillness(
            poll=self._key,
            answers=self._answers,
            looked_at=self._looked_at,
            changes=tuple(self._changes.tolist()),
            movements=tuple(tuple(row) for row in self._movements.tolist()),
            reversals=tuple(tuple(row) for row in self._reversals.tolist()),
            steps=tuple(tuple(row) for row in self._steps.tolist()),
            jumps=tuple(tuple(row) for row in self._jumps),
            longest=longest,
            second=second,
            runs=tuple((int(n), int(self._runs[n])) for n in np.flatnonzero(self._runs)),
            changed_ns=tuple(self._changed_ns),
            over_time=self._over_time.table(self._key[3]),
            repeated=self._repeated.spread(),
            fresh=self._fresh.spread(),
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Ended:
    """Runs that changes ended. ends: which of the new answers changed. lengths: repeats before each.

    t_ns: of all new answers. since_ns, until_ns: of the run that was going on before them.
    """

    ends: Numbers
    lengths: Numbers
    t_ns: Numbers
    since_ns: int | None
    until_ns: int | None

    def run(self, n: int) -> Run:
        """Return the run that a change ended."""
        since = self.since_ns if n == 0 else _time(self.t_ns[self.ends[n - 1]])
        until = self.until_ns if self.ends[n] == 0 else _time(self.t_ns[self.ends[n] - 1])
        return Run(int(self.lengths[n]), since, until)


def _time(t_ns: np.int64) -> int | None:
    return None if t_ns == NO_TIME else int(t_ns)
