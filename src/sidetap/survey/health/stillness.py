"""Answers of reads -> when each register moved, and when a whole answer stood still.

How it works. Each poll has a block of registers. An answer is held against the one before: which words changed, how
many answers in a row were the same, when they changed. For reversals (up, then down) a word is read alone and as the
high word of a 32-bit number with either neighbour: only one of the three is right, and who knows the encoding picks.
Positive binary floats are ordered as the 32-bit numbers of their bits are (IEEE 754), so their reversals count too.
"""

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Columns, Outcome, Settings
from sidetap.line.columns import NO_TIME, NONE
from sidetap.survey.health.calendar import Calendar, Table, Tally
from sidetap.survey.health.exchanges import PollKey
from sidetap.survey.health.spread import Spread, Spreading

_REGISTER_READS = (3, 4, 23)
_MOST_BLOCKS = 200
_MOST_REGISTERS = 1000
_CHANGES_KEPT = 4000
_RUNS_COUNTED = 1000  # a longer run of the same answer counts as this long

Numbers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Run:
    """The same answer again and again: how often after its first time, from when to when (None without times)."""

    answers: int
    from_ns: int | None
    to_ns: int | None


@dataclass(frozen=True, slots=True)
class Stillness:
    """One block over the record. answers: whole ones, exceptions and mended ones left out.

    changes: of each register. reversals: [alone, with the next as low word, with the one before][register].
    movements: changes of the same three numbers. longest, second: runs of the same answer. runs: lengths of all ended
    runs, in answers. changed_ns: when the answer changed, the first ones. over_time: changes, [register, span].
    repeated, fresh: turnaround of answers that repeat the one before, and of those that don't.
    """

    poll: PollKey
    answers: int
    changes: tuple[int, ...]
    movements: tuple[tuple[int, ...], ...]
    reversals: tuple[tuple[int, ...], ...]
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

    def see(self, columns: Columns) -> None:
        """Take the next rows."""
        rows = columns.select(Outcome.ANSWERED)
        rows = rows[np.isin(columns.function[rows], _REGISTER_READS) & (columns.count[rows] > 0)]
        rows = rows[(columns.request_bit[rows] == NONE) & (columns.response_bit[rows] == NONE)]
        if not len(rows):
            return
        parts = (columns.device, columns.function, columns.register, columns.count)
        keys = np.stack([part[rows] for part in parts], axis=1)
        found, place = np.unique(keys, axis=0, return_inverse=True)
        for n, key in enumerate(found.tolist()):
            block = self._block((key[0], key[1], key[2], key[3]))
            if block is not None:
                block.see(columns, rows[place.ravel() == n], self._character_ns)

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
        self._words = np.zeros((0, count), dtype=np.int64)  # of the answer before
        self._changes = np.zeros(count, dtype=np.int64)
        self._movements = np.zeros((3, count), dtype=np.int64)
        self._reversals = np.zeros((3, count), dtype=np.int64)
        self._direction = np.zeros((3, count), dtype=np.int64)  # of the latest change of each number
        self._run = 0  # answers since the latest change
        self._since_ns: int | None = None
        self._until_ns: int | None = None
        self._longest = Run(0, None, None)
        self._second = 0
        self._runs: Counter[int] = Counter()
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
        self._turn(joined)
        changed = moved.any(axis=1)
        self._count_runs(changed, t_ns)
        timed = t_ns != NO_TIME
        answer, register = np.nonzero(moved & timed[:, None])
        self._over_time.add(register, t_ns[answer])
        usable = timed & (columns.t_ns[rows] != NO_TIME) & ~columns.backlog[rows]
        sizes = columns.response[rows, 1] - columns.response[rows, 0]
        turnaround = t_ns - columns.t_ns[rows] - sizes * character_ns
        self._fresh.add(turnaround[usable & changed])
        self._repeated.add(turnaround[usable & ~changed])

    def _turn(self, words: Numbers) -> None:
        """Count the movements and reversals of each number."""
        after = np.concatenate([words[:, 1:], np.zeros((len(words), 1), dtype=np.int64)], axis=1)
        before = np.concatenate([np.zeros((len(words), 1), dtype=np.int64), words[:, :-1]], axis=1)
        for n, numbers in enumerate((words, words << 16 | after, words << 16 | before)):
            signs = np.sign(np.diff(numbers, axis=0))
            self._movements[n] += (signs != 0).sum(axis=0)
            for register in range(signs.shape[1]):
                own = signs[signs[:, register] != 0, register]
                if len(own):
                    turns = np.concatenate([[self._direction[n, register]], own])
                    self._reversals[n, register] += int((turns[1:] * turns[:-1] < 0).sum())
                    self._direction[n, register] = own[-1]

    def _count_runs(self, changed: NDArray[np.bool_], t_ns: Numbers) -> None:
        start = 0
        for at in np.flatnonzero(changed).tolist():
            if at > start:
                self._until_ns = _time(t_ns[at - 1])
            self._end_run(self._run + at - start)
            self._run, self._since_ns, self._until_ns = 0, _time(t_ns[at]), _time(t_ns[at])
            if self._since_ns is not None and len(self._changed_ns) < _CHANGES_KEPT:
                self._changed_ns.append(self._since_ns)
            start = at + 1
        self._run += len(changed) - start
        if len(changed) > start:
            self._until_ns = _time(t_ns[-1])

    def _end_run(self, repeats: int) -> None:
        self._runs[min(repeats + 1, _RUNS_COUNTED)] += 1
        self._longest, self._second = self._ranked(repeats)

    def _ranked(self, repeats: int) -> tuple[Run, int]:
        if repeats > self._longest.answers:
            return Run(repeats, self._since_ns, self._until_ns), self._longest.answers
        return self._longest, max(self._second, repeats)

    def stillness(self) -> Stillness:
        longest, second = self._ranked(self._run)
        return Stillness(
            poll=self._key,
            answers=self._answers,
            changes=tuple(self._changes.tolist()),
            movements=tuple(tuple(row) for row in self._movements.tolist()),
            reversals=tuple(tuple(row) for row in self._reversals.tolist()),
            longest=longest,
            second=second,
            runs=tuple(sorted(self._runs.items())),
            changed_ns=tuple(self._changed_ns),
            over_time=self._over_time.table(self._key[3]),
            repeated=self._repeated.spread(),
            fresh=self._fresh.spread(),
        )


def _time(t_ns: np.int64) -> int | None:
    return None if t_ns == NO_TIME else int(t_ns)
