"""The registers that answers brought and writes wrote, poll by poll: tables of events in, `Block`s of words out.

However long the record, a block keeps a bounded number of answers. Which ones depends on nothing but the answers and
how many there are, never on how the line was cut into tables:
  in time    every 2nd, 4th, 8th ... answer, and the last one
  extremes   the first answer with the least and with the greatest value of every register and every two neighbouring
             ones in every encoding of at most two, not-a-numbers left out: so the least, the greatest, the first and
             the last value are exact for each
A block short enough keeps all. What is told by the change from one answer to the next is counted as they come
(`sidetap.survey.evidence`), over all of them. Repaired answers are left out: their bytes are a guess.
"""

from collections import defaultdict
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Columns, Outcome
from sidetap.line.columns import NO_TIME, OUTCOMES
from sidetap.survey.evidence import Evidence
from sidetap.survey.grouping import by_number
from sidetap.survey.octets import Octets
from sidetap.survey.polls import Numbers, Polls

Words = NDArray[np.uint16]
Times = NDArray[np.int64]
Rows = NDArray[np.int64]
Flags = NDArray[np.bool_]

_MOST_BLOCKS = 500
_MOST_PLACES = 4096  # first come, first kept; more than any line carries
_WORDS_A_BLOCK = 1 << 19
_ALL_WORDS = 1 << 26
_MOST_ROWS, _FEWEST_ROWS = 1 << 15, 1 << 10
_PORTION = 512  # answers counted at once

_ANSWERED = OUTCOMES.index(Outcome.ANSWERED)
_READS, _WRITES = (3, 4, 23), (6, 16, 23)
_HEAD = {6: 4, 16: 7, 23: 11}  # octets of a request before the words it writes
_ALL_ONES = 0xFFFF
_EXPONENT, _SWAPPED_EXPONENT = 0x7F80, 0x807F  # of a float32, in its high word; all ones: no number

_Place = tuple[int, str, int, int]  # device, table, first register, how many


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """The registers that one poll read (or one write wrote), answer by answer, as far as they are kept.

    t_ns: when each answer was delivered, or None where the recording has no times. words: [answers, registers].
    evidence: what all answers tell about the meaning of the registers, kept or not.
    """

    device: int
    table: str
    register: int
    t_ns: Times | None
    words: Words
    evidence: Evidence

    @property
    def count(self) -> int:
        """How many registers."""
        return int(self.words.shape[1])

    @property
    def answers(self) -> int:
        """How many answers there were."""
        return self.evidence.answers


class Answers:
    """Words of all blocks, growing."""

    def __init__(self) -> None:
        self._reads: dict[_Place, GrowingBlock] = {}
        self._writes: dict[_Place, GrowingBlock] = {}

    def add(self, columns: Columns, rows: Rows, poll: Numbers, polls: Polls, octets: Octets) -> None:
        """Take in the answered requests among rows of a table."""
        good = (columns.outcome[rows] == _ANSWERED) & ~columns.repaired[rows]
        rows, poll = rows[good], poll[good]
        order = by_number(poll)
        groups = np.split(order, np.flatnonzero(np.diff(poll[order])) + 1) if len(rows) else []
        for group in sorted(groups, key=lambda g: int(g[0])):  # as they came, so that no cut of the line shows
            asked = polls[int(poll[group[0]])]
            if asked.table is None or asked.register is None or asked.count is None:
                continue
            own = rows[group]
            if asked.function in _READS:
                place = (asked.device, asked.table, asked.register, asked.count)
                own = own[_size(columns.response[own]) == octets.size(3 + 2 * asked.count)]
                self._grow(self._reads, place, columns.t_end_ns[own], columns.answer_words(own, asked.count))
            if asked.function in _WRITES:
                self._write(columns, rows[group], octets, asked.function)

    def _write(self, columns: Columns, rows: Rows, octets: Octets, function: int) -> None:
        starts = columns.request[rows, 0]
        device = int(columns.device[rows[0]])
        at = 6 if function == 23 else 2
        register = octets.word(starts, at)
        count = np.ones(len(rows), dtype=np.int32) if function == 6 else octets.word(starts, at + 2)
        whole = _size(columns.request[rows]) == octets.size(0) + (octets.size(1) - octets.size(0)) * (
            _HEAD[function] + 2 * count
        )
        _, first, kind = np.unique(register << 16 | count, return_index=True, return_inverse=True)
        for n in np.argsort(first).tolist():
            own = np.flatnonzero((kind == n) & whole)
            if len(own):
                place = (device, "holding-register", int(register[own[0]]), int(count[own[0]]))
                words = columns.written_words(rows[own], place[3])
                self._grow(self._writes, place, columns.t_end_ns[rows[own]], words)

    def _grow(self, source: dict[_Place, "GrowingBlock"], place: _Place, t_ns: Times, words: Words) -> None:
        if not words.size:
            return
        growing = source.get(place)
        if growing is None:
            if len(self._reads) + len(self._writes) >= _MOST_PLACES:
                return
            growing = source[place] = GrowingBlock(words.shape[1])
        growing.add(t_ns, words, len(self._reads) + len(self._writes))

    def blocks(self) -> tuple[Block, ...]:
        """Return the blocks that together show every register once: of two that overlap whole, the one read oftenest.

        What is written counts only where nobody reads it. Of more than 500 blocks, more than any line carries, the
        rest is left out.
        """
        kept: list[Block] = []
        taken: defaultdict[tuple[int, str], set[int]] = defaultdict(set)
        places = len(self._reads) + len(self._writes)
        for source in (self._reads, self._writes):
            for (device, table, register, count), growing in sorted(source.items(), key=lambda i: -i[1].answers):
                own = range(register, register + count)
                if taken[device, table].issuperset(own) or len(kept) == _MOST_BLOCKS:
                    continue
                taken[device, table].update(own)
                kept.append(growing.block(device, table, register, places))
        return tuple(sorted(kept, key=lambda b: (b.device, b.table, b.register)))


def block_of(device: int, table: str, register: int, t_ns: Times, words: Words) -> Block:
    """Return the block that answers with these words [answers, registers] at these times make; times in order."""
    growing = GrowingBlock(words.shape[1])
    growing.add(t_ns, words, 1)
    return growing.block(device, table, register, 1)


def _size(spans: Rows) -> Rows:
    return np.asarray(spans[:, 1] - spans[:, 0])


@dataclass(frozen=True, slots=True, eq=False)
class _Kept:
    """Answers of a block in order. place: among all of its answers. extreme: one so far (`extremes`)."""

    place: Rows
    t_ns: Times
    words: Words
    extreme: Flags

    def taken(self, which: Flags) -> "_Kept":
        return _Kept(self.place[which], self.t_ns[which], self.words[which], self.extreme[which])


class GrowingBlock:
    """Answers of one block, as they come: those kept, and those that came since.

    A live survey adds answers poll by poll, and takes the block whenever it wants to know.
    """

    def __init__(self, registers: int) -> None:
        self.answers = 0
        self._registers = registers
        none = np.empty(0, dtype=np.int64)
        no_words = np.empty((0, registers), dtype=np.uint16)
        self._kept = _Kept(none, none, no_words, none.astype(np.bool_))
        self._fresh: list[tuple[Times, Words]] = []
        self._fresh_rows = 0
        self._evidence = Evidence(registers)
        self._uncounted: list[Words] = []
        self._uncounted_rows = 0

    def add(self, t_ns: Times, words: Words, blocks: int) -> None:
        """Take in answers; blocks: how many there are on the line so far."""
        self.answers += len(words)
        self._fresh.append((t_ns, words))
        self._fresh_rows += len(words)
        self._uncounted.append(words)
        self._uncounted_rows += len(words)
        if self._uncounted_rows >= _PORTION:
            self._count()
        most = self._most_rows(blocks)
        if self.answers > most and self._fresh_rows > most:
            self._thin(blocks)

    def _most_rows(self, blocks: int) -> int:
        words = min(_WORDS_A_BLOCK, _ALL_WORDS // max(blocks, 1))
        return int(np.clip(words // self._registers, _FEWEST_ROWS, _MOST_ROWS))

    def _count(self) -> None:
        if self._uncounted:
            self._evidence.add(np.concatenate(self._uncounted))
            self._uncounted, self._uncounted_rows = [], 0

    def _thin(self, blocks: int) -> None:
        """Keep what is to be kept of so many answers."""
        if self._fresh:
            t_ns, words = (np.concatenate(parts) for parts in zip(*self._fresh, strict=True))
            self._fresh, self._fresh_rows = [], 0
            before = self._kept
            fresh = _Kept(
                np.arange(self.answers - len(words), self.answers), t_ns, words, np.ones(len(words), dtype=np.bool_)
            )
            self._kept = _Kept(*(np.concatenate([getattr(p, n) for p in (before, fresh)]) for n in _Kept.__slots__))
        kept = self._kept
        extreme = np.flatnonzero(kept.extreme)
        kept.extreme[:] = False
        kept.extreme[extreme[extremes(kept.words[extreme])]] = True
        stays = kept.extreme | (kept.place % _every(self.answers, self._most_rows(blocks)) == 0)
        stays[-1] = True
        self._kept = kept.taken(stays)

    def block(self, device: int, table: str, register: int, blocks: int) -> Block:
        """Return the block, given where it lies and how many there are. More answers may come afterwards."""
        self._count()
        self._thin(blocks)
        t_ns = self._kept.t_ns
        known = None if (t_ns == NO_TIME).any() else t_ns
        return Block(device, table, register, known, self._kept.words, self._evidence)


def _every(count: int, most: int) -> int:
    """Return the least power of two that leaves at most so many of a count when only every so-many-th is kept."""
    step = 1
    while -(-count // step) > most:
        step *= 2
    return step


def extremes(words: Words) -> Rows:
    """Return the rows [some] that hold the first least or greatest value of any register, or two, in any encoding.

    Of numbers whose sign is told by their highest bit, the least and greatest of both halves are those of the
    unsigned, the two's complement and the floating reading at once: a float's order is its bits' order, turned round
    below zero.
    """
    columns = np.ascontiguousarray(words.T)  # one column at a time stays in the cache
    found: set[int] = set()
    for column in columns:
        found.update(_ends(column))
        found.update(_ends_of(column, column != _ALL_ONES))
    for source in (columns, columns.byteswap()):
        number = (source & _EXPONENT) != _EXPONENT
        for first, second in pairwise(range(len(columns))):
            for high, low in ((first, second), (second, first)):
                pair = source[high].astype(np.uint32)
                pair <<= np.uint32(16)
                pair |= source[low]
                found.update(_ends(pair))
                found.update(_ends_of(pair, number[high]))
    return np.array(sorted(found), dtype=np.int64)


def _ends(series: NDArray[np.unsignedinteger]) -> tuple[int, ...]:
    signed = series.view(series.dtype.str.replace("u", "i"))
    return tuple(int(end) for end in (signed.argmin(), signed.argmax(), series.argmin(), series.argmax()))


def _ends_of(series: NDArray[np.unsignedinteger], which: Flags) -> tuple[int, ...]:
    """Return the same of some of the values; nothing when they are all or none of them."""
    if which.all() or not which.any():
        return ()
    places = np.flatnonzero(which)
    return tuple(int(places[end]) for end in _ends(series[places]))
