"""How much is heard and how true it is, on made-up lines of fixed seeds: limits that a change must not break.

The big figures are those of tools/bench_accuracy.py; here are few lines, so the limits are whole numbers of faults.
"""

from functools import cache

import numpy as np
import pytest
from judge.agreement import incremental, offline, placed, shares
from judge.damage import CLEAN, TIMED, Damage, Delivery, cut, damaged, delivered
from judge.explain import explain
from judge.scoring import Rows, Score, score
from judge.sender import Sent, send

from sidetap.line import Batch, Mode, Outcome, Parser, Transaction, listen
from sidetap.line import Noise as Quiet

TRIES = 200
# of the RTU lines 52 and 58 have unknown functions, 57 a dead device and many retries
SEEDS = {Mode.RTU: (52, 53, 54, 57, 58), Mode.ASCII: (50, 51)}
# on line 52 a stray 00 follows an answer of a function nobody knows: with it the answer is whole too, one byte longer
ONLY_TIME_TELLS = 52
FLIPS, SLIPS, BURSTS = Damage(flips=1e-3), Damage(inserts=1e-3, drops=1e-3), Damage(bursts=1e-3)
ALL = Damage(flips=1e-3, inserts=1e-3, drops=1e-3)
NOISES = (CLEAN, FLIPS, SLIPS, BURSTS, ALL)


@cache
def line(seed: int, mode: Mode) -> Sent:
    return send(seed, TRIES, mode)


@cache
def judged(noise: Damage, timed: bool, mode: Mode) -> tuple[Score, str]:
    """Return the counts over some lines, and what went wrong in words."""
    whole, told = Score(), []
    for number, seed in enumerate(SEEDS[mode]):
        if seed == ONLY_TIME_TELLS and not timed:
            continue
        sent = line(seed, mode)
        heard = damaged(sent, noise)
        way = TIMED[(number + NOISES.index(noise)) % len(TIMED)] if timed else Delivery.UNTIMED
        batch = delivered(sent, heard, way)
        rows = Rows.of(listen([batch], sent.settings))
        result = score(sent, heard, batch, rows, timed=timed)
        whole.add(result)
        grave = [fault for fault in result.faults if " told as " not in fault.what]
        told += [explain(fault, sent, heard, rows) for fault in grave[:3]]
    return whole, "\n".join(told)


@pytest.mark.parametrize("mode", Mode)
@pytest.mark.parametrize("timed", [True, False], ids=["timed", "bytes"])
@pytest.mark.parametrize("noise", NOISES, ids=str)
class TestEachLine:
    def test_every_intact_answer_is_found(self, noise: Damage, timed: bool, mode: Mode) -> None:
        got, told = judged(noise, timed, mode)
        assert got.broken == 0, told
        assert got.intact > 100
        assert got.found_intact == got.intact, told

    def test_no_answer_is_invented(self, noise: Damage, timed: bool, mode: Mode) -> None:
        got, told = judged(noise, timed, mode)
        assert got.rows > 100
        alike = 0 if timed else got.other_try  # the answer is true, and only time tells to which of two like requests
        # line 58: of two exchanges of an unknown function the first request and the second answer are damaged, and
        # what is left stands there as a pair; a fault that is known, and the only one of these lines
        known = 1 if mode is Mode.RTU and noise == SLIPS else 0
        assert got.wrong_rows == got.undetectable + alike + known, told
        # two turned bits in one column leave an LRC as it was; a CRC-16 lets one damaged frame in 65536 through
        assert got.undetectable <= (0 if mode is Mode.RTU else 0.02 * got.rows), told

    def test_every_repair_is_right(self, noise: Damage, timed: bool, mode: Mode) -> None:
        got, told = judged(noise, timed, mode)
        assert got.repaired_wrong == 0, told
        if noise in (CLEAN, SLIPS):
            assert got.repaired == 0, told

    def test_fields_times_and_retries_are_right(self, noise: Damage, timed: bool, mode: Mode) -> None:
        got, told = judged(noise, timed, mode)
        assert (got.wrong_fields, got.wrong_times, got.wrong_retries) == (0, 0, 0), told


def test_repair_mends_most_of_what_one_bit_broke() -> None:
    got, _ = judged(FLIPS, True, Mode.RTU)
    assert got.found_of_all >= 0.85
    assert got.repaired > 50


def test_outcomes_of_a_clean_line_are_all_right() -> None:
    for mode in Mode:
        got, told = judged(CLEAN, True, mode)
        mistaken = {
            pair: number
            for pair, number in got.outcomes.items()
            if pair[0] != pair[1] and not pair[0].startswith("unanswered, ")
        }
        # line 58: a request of an unknown function that nobody answers, each time another: a frame alone is no row
        alone = {("unanswered", "nothing"): 7} if mode is Mode.RTU else {}
        assert mistaken == alone, told
    assert judged(CLEAN, True, Mode.RTU)[0].retries > 100
    assert judged(CLEAN, True, Mode.RTU)[0].unknown >= 20


@pytest.mark.parametrize("noise", [CLEAN, ALL], ids=str)
@pytest.mark.parametrize("way", [Delivery.LUMPS, Delivery.JITTERED, Delivery.UNTIMED], ids=str)
def test_the_same_rows_however_the_line_is_cut(noise: Damage, way: Delivery) -> None:
    sent = line(58, Mode.RTU)
    batch = delivered(sent, damaged(sent, noise), way)
    whole = Rows.of(listen([batch], sent.settings))
    one_by_one = cut(batch, 1, len(batch.ends) * 20) if len(batch.ends) < 500 else cut(batch, 1, 100)
    for parts in (cut(batch, 2, 2), cut(batch, 3, 12), one_by_one):
        assert whole.same(Rows.of(listen(parts, sent.settings)))


@pytest.mark.parametrize("seed", range(3))
def test_bytes_alone_may_be_cut_anywhere(seed: int) -> None:
    sent = line(57, Mode.RTU)
    heard = damaged(sent, ALL)
    size = len(heard.data)
    whole = Rows.of(listen([Batch(heard.data, np.array([size]))], sent.settings))
    ends = np.unique(np.append(np.random.default_rng(seed).integers(1, size, 400), size))
    assert whole.same(Rows.of(listen(cut(Batch(heard.data, ends), seed, 9), sent.settings)))


@pytest.mark.parametrize("repair", [False, True], ids=["as it is", "mended"])
@pytest.mark.parametrize("noise", NOISES, ids=str)
def test_the_incremental_parser_says_the_same(noise: Damage, repair: bool) -> None:
    answered, every = (0, 0), (0, 0)
    for number, sent in enumerate((line(57, Mode.RTU), line(58, Mode.RTU), send(50, 40, Mode.ASCII))):
        batch = delivered(sent, damaged(sent, noise), TIMED[number])
        got = shares(
            placed(incremental(batch, sent.settings, repair=repair)),
            placed(offline(listen([batch], sent.settings, repair=repair))),
        )
        answered = answered[0] + got[0][0], answered[1] + got[0][1]
        every = every[0] + got[1][0], every[1] + got[1][1]
    assert answered[1] > 200
    assert answered[1] - answered[0] <= 1
    assert every[1] - every[0] <= 3


@pytest.mark.parametrize("timed", [True, False])
def test_random_bytes_answer_nothing(timed: bool) -> None:
    data = np.random.default_rng(9).integers(0, 256, 20_000).astype(np.uint8)
    ends = np.append(np.arange(25, 20_000, 25), 20_000)
    times = np.arange(len(ends)) * 16_000_000
    rows = Rows.of(listen([Batch(data, ends, times if timed else None)]))
    assert (rows.outcome > 1).all()
    assert list(Outcome)[:2] == [Outcome.ANSWERED, Outcome.EXCEPTION]


def with_idle(batch: Batch, sent: Sent) -> list[Transaction | Quiet]:
    """Return what the incremental parser says when it is also told that time passes without a byte."""
    parser, events = Parser(sent.settings), []

    def drain() -> None:
        while (event := parser.next_event()) is not None:
            events.append(event)

    for chunk in batch.chunks():
        assert chunk.t_ns is not None
        parser.idle(chunk.t_ns)
        drain()
        parser.receive(chunk)
        drain()
    parser.close()
    drain()
    return events


@pytest.mark.parametrize("noise", [CLEAN, FLIPS, SLIPS], ids=str)
def test_being_told_of_silence_settles_rows_and_changes_no_answer(noise: Damage) -> None:
    for number, seed in enumerate((53, 57, 58)):
        sent = line(seed, Mode.RTU)
        batch = delivered(sent, damaged(sent, noise), TIMED[number])
        plain, told = incremental(batch, sent.settings), with_idle(batch, sent)
        assert b"".join(event.raw for event in told) == batch.data.tobytes()
        answered, _ = shares(placed(plain), placed(told))
        assert answered[1] - answered[0] <= 1
