"""Long records: the same however they are cut, exact where it is promised, and bounded."""

import threading
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from survey_lines import S, Words, encode, level_mm, merged, reads, surveyed, tables

from sidetap.line import ARRAY_ENCODINGS, Columns, Mode, Noise, Outcome, Transaction, decode_array, width
from sidetap.line.columns import NONE
from sidetap.survey import answers, asked, grouping, survey
from sidetap.survey.ahead import ahead
from sidetap.survey.answers import extremes
from sidetap.survey.findings import About, find
from sidetap.survey.history import gather

ANSWERED, UNANSWERED, DAMAGED = Outcome.ANSWERED, Outcome.UNANSWERED, Outcome.DAMAGED


def writes(function: int, device: int, register: int, words: Words, start_ns: int) -> list[Transaction]:
    """Return writes by FC 16, or by FC 23 that read one register beside, one every 5 s."""
    rows = []
    count = int(words.shape[1])
    for n, row in enumerate(words):
        data = b"".join(int(w).to_bytes(2, "big") for w in row)
        place = register.to_bytes(2, "big") + count.to_bytes(2, "big")
        read = (900).to_bytes(2, "big") + b"\0\1"
        head = bytes([device, function]) + (read if function == 23 else b"")
        request = head + place + bytes([2 * count]) + data
        response = bytes([device, function]) + (b"\2\0\7" if function == 23 else place)
        t_ns = start_ns + 5 * n * S
        asked_for = (900, 1) if function == 23 else (register, count)
        rows.append(
            Transaction(
                t_ns, t_ns + S // 50, device, function, "holding-register", *asked_for, request, response, ANSWERED
            )
        )
    return rows


def troubled_line() -> list[Transaction | Noise]:
    """Return 900 s of a line with all there is: retries, an outage, a second master, garbled requests, writes."""
    random = np.random.default_rng(5)

    def level(seed: int, answers_: int) -> Words:
        return encode(level_mm(np.random.default_rng(seed), answers_), "uint16")

    polls: list[list[Transaction]] = []
    for device in range(1, 6):
        outcomes = [
            random.choice([UNANSWERED, DAMAGED]) if 400 <= n < 490 and random.random() < 0.2 else ANSWERED
            for n in range(900)
        ]
        if device == 5:
            outcomes[200:203] = [UNANSWERED] * 3
        if device == 4:
            outcomes[100:104] = [UNANSWERED] * 4
            outcomes[700::50] = [Outcome.EXCEPTION] * 4
        polls.append(reads(device, 10 * device, level(device, 900), start_ns=device * S // 50, outcomes=outcomes))
    missed = [t for t in polls[3] if t.outcome is UNANSWERED]
    polls.append([replace(t, t_ns=(t.t_ns or 0) + S // 10) for t in missed])
    polls.append([replace(t, t_ns=(t.t_ns or 0) + S // 8 + 1, retry=True) for t in missed])
    for n in range(200, 203):  # answered at the second try, told by rhythm, or at the third, told by the line
        first = polls[4][n]
        second = replace(first, t_ns=(first.t_ns or 0) + S // 10)
        third = replace(polls[4][n + 10], t_ns=(first.t_ns or 0) + S // 8, retry=True)
        more = [replace(second, t_ns=(second.t_ns or 0) + 1, retry=True), third]
        polls.append([replace(third, retry=False)] if n == 200 else [second, *more])
    for device in (1, 3):
        words = level(device, 180)
        outcomes = [UNANSWERED if random.random() < 0.2 else ANSWERED for _ in words]
        wide = np.column_stack([words, words])
        at = 400 * S + device * 37_000_000
        polls.append(reads(device, 10 * device, wide, start_ns=at, period_ns=S // 2, outcomes=outcomes))
    polls.append(writes(16, 2, 300, level(7, 180).repeat(3, axis=1), S // 3))
    polls.append(writes(23, 2, 400, level(8, 180).repeat(2, axis=1), S // 4))
    whole = polls[3].pop(104).request or b""
    garbled = [Noise(104 * S + 4 * S // 50, whole + b"\x5a\x5a\x17"), Noise(850 * S + 1, b"\x01\x02")]
    return merged(*polls, garbled)


@pytest.fixture(scope="module")
def line() -> list[Transaction | Noise]:
    return troubled_line()


@pytest.mark.parametrize("rows", [1, 7])
def test_the_same_survey_however_the_line_is_cut(line: list[Transaction | Noise], rows: int) -> None:
    whole, cut = surveyed(line), survey(tables(line, rows))
    assert cut.document() == whole.document()
    assert {f.finding for f in whole.findings} >= {"second-master", "device-outage", "exceptions"}
    assert sum(p.retries for p in whole.polls if p.poll.device == 4) >= 8
    assert [(p.requests, p.retries) for p in whole.polls if p.poll.device == 5] == [(900, 7)]
    answered = whole.history.requests.t_ns[(whole.history.requests.tries > 1) & whole.history.requests.whole]
    assert answered.tolist() == [n * S + S // 10 for n in (200, 201, 202)]
    assert {(v.register, v.width) for v in whole.values(2)} >= {(300, 1), (302, 1), (400, 1), (900, 1)}
    for mine, theirs in zip(whole.history.blocks, cut.history.blocks, strict=True):
        assert np.array_equal(mine.words, theirs.words)
        assert np.array_equal(mine.evidence.turned, theirs.evidence.turned)


def test_a_retry_belongs_to_the_request_right_before_it_only() -> None:
    mine, other = reads(1, 0, np.ones((3, 1), dtype=np.int64)), reads(2, 0, np.ones((3, 1), dtype=np.int64))
    events = [mine[0], other[0], replace(mine[1], retry=True), replace(mine[2], retry=True)]
    for rows in (1, 2, 3, 4):
        history = gather(tables(events, rows))
        assert history.requests.tries.tolist() == [1, 1, 2]
        assert history.again_ns.tolist() == [mine[2].t_ns]


@pytest.mark.parametrize("rows", [1, 2])
def test_who_asks_before_anybody_could_answer_talks_over(rows: int) -> None:
    (one,) = reads(1, 0, np.ones((1, 1), dtype=np.int64), outcomes=[UNANSWERED])
    (two,) = reads(2, 0, np.ones((1, 1), dtype=np.int64), start_ns=30_000_000 - 1)

    def over(first: Transaction, second: Transaction) -> list[bool]:
        return [bool(talked) for talked in gather(tables([first, second], rows)).troubles.talked_over]

    assert over(one, two) == [True]
    assert over(one, replace(two, t_ns=30_000_000)) == [False]
    assert over(one, replace(two, t_ns=-1)) == [False]
    assert over(replace(one, outcome=DAMAGED), two) == [False]
    assert over(replace(one, backlog=True), two) == [False]
    assert over(one, replace(two, backlog=True)) == [False]
    assert over(one, replace(one, t_ns=1)) == [False, False]


def test_a_record_told_shorter_keeps_its_counts_and_findings(
    line: list[Transaction | Noise], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = gather(tables(line))
    monkeypatch.setattr(asked, "MOST_REQUESTS", 1000)
    monkeypatch.setattr(asked, "_OFTEN", 40)
    monkeypatch.setattr(grouping, "_SLAB", 300)
    short, cut = gather(tables(line)), gather(tables(line, 97))
    assert len(short.requests) < 0.6 * len(whole.requests)
    assert int(short.requests.asked.max()) > 8
    for name in ("t_ns", "poll", "outcome", "tries", "asked"):
        assert np.array_equal(getattr(short.requests, name), getattr(cut.requests, name))
    for name in ("tries", "asked"):
        assert getattr(short.requests, name).sum() == getattr(whole.requests, name).sum()
    told = [[(f.finding, f.device, f.span, f.text) for f in find(h, [], About())] for h in (whole, short)]
    assert told[0] == told[1]
    # every request that came to nothing is still a row, unless its neighbours did too
    missed = [h.requests.t_ns[~h.requests.whole].min() for h in (whole, short)]
    assert missed[0] == missed[1]


def test_told_shorter_a_pause_and_a_change_stay_where_they_were(monkeypatch: pytest.MonkeyPatch) -> None:
    outcomes = [UNANSWERED if 2000 <= n < 2004 else ANSWERED for n in range(4000)]
    kept = [
        t
        for t in reads(1, 0, np.ones((4000, 1), dtype=np.int64), outcomes=outcomes)
        if not 1000 * S < (t.t_ns or 0) < 1400 * S
    ]
    other = reads(2, 0, np.ones((4000, 1), dtype=np.int64), start_ns=S // 3)
    events = merged(kept, other)
    whole = find(gather(tables(events)), [], About())
    monkeypatch.setattr(asked, "MOST_REQUESTS", 2000)
    monkeypatch.setattr(asked, "_OFTEN", 100)
    short = gather(tables(events))
    assert len(short.requests) < 3000
    assert find(short, [], About()) == whole
    assert [(f.finding, f.device) for f in whole] == [("silent-window", 1)]


def test_told_shorter_misses_are_in_a_row_only_if_they_were(monkeypatch: pytest.MonkeyPatch) -> None:
    ones = np.ones((3000, 1), dtype=np.int64)
    outcomes = [UNANSWERED if 1000 <= n < 1020 else ANSWERED for n in range(3000)]
    events = merged(reads(1, 0, ones), reads(1, 10, ones, start_ns=S // 2, outcomes=outcomes))
    monkeypatch.setattr(asked, "MOST_REQUESTS", 3500)
    monkeypatch.setattr(asked, "_OFTEN", 100)
    short = gather(tables(events))
    assert len(short.requests) < 4000
    assert find(short, [], About()) == []


def noisy_words(seed: int, rows: int, registers: int) -> Words:
    """Return registers in which every kind of extreme comes: signs, not-a-numbers, infinities, all ones."""
    random = np.random.default_rng(seed)
    words = random.integers(0, 65536, (rows, registers)).astype(np.uint16)
    words[:, 0] = random.integers(100, 200, rows)
    words[random.random((rows, registers)) < 0.02] = 0xFFFF
    words[random.random((rows, registers)) < 0.02] = 0x7F80
    words[random.random((rows, registers)) < 0.02] = 0x7FC0
    words[random.random((rows, registers)) < 0.02] = 0xC07F
    return words


# whose extremes are kept; those of decimal digits are those of the whole number, as long as all words hold digits
SHORT = [n for n in ARRAY_ENCODINGS if width(n) <= 2 and not n.startswith(("bcd", "mod10k"))]


def ends(encoding: str, words: Words) -> list[float]:
    """Return first, last, least and greatest of every place of an encoding, not-a-numbers left out."""
    wide = width(encoding)
    told: list[float] = []
    for j in range(words.shape[1] - wide + 1):
        series = decode_array(encoding, words[:, j : j + wide])
        finite = series[np.isfinite(series)]
        told += [series[0], series[-1], *((finite.min(), finite.max()) if len(finite) else ())]
    return told


@pytest.mark.parametrize("seed", range(5))
def test_the_rows_kept_hold_the_extremes_of_every_encoding(seed: int) -> None:
    words = noisy_words(seed, 3000, 4)
    rows = np.union1d(extremes(words), [0, 2999])
    for encoding in SHORT:
        assert np.array_equal(ends(encoding, words[rows]), ends(encoding, words), equal_nan=True)
    below_ones = np.where(words == 0xFFFF, 0, words)
    assert np.array_equal(below_ones[rows].max(axis=0), below_ones.max(axis=0))
    assert len(rows) < 250


@pytest.mark.parametrize("rows", [17, 999, 10_000])
def test_a_long_block_is_thinned_the_same_however_it_comes(rows: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(answers, "_MOST_ROWS", 1024)
    words = noisy_words(9, 10_000, 3)
    events = reads(1, 0, words)
    (block,) = gather(tables(events, rows)).blocks
    assert (block.answers, block.count) == (10_000, 3)
    assert block.t_ns is not None
    places = (block.t_ns - 20_000_000) // S
    assert np.array_equal(block.words, words[places])
    assert set(range(0, 10_000, 16)) | {9999} <= set(places.tolist())
    assert len(places) < 1024
    for encoding in SHORT:
        assert np.array_equal(ends(encoding, block.words), ends(encoding, words), equal_nan=True)
    assert np.array_equal(block.evidence.turned, (words[1:] != words[:-1]).sum(axis=0))


def test_up_to_the_limit_a_block_keeps_every_answer() -> None:
    words = noisy_words(3, 4000, 2)
    (block,) = gather(tables(reads(1, 0, words))).blocks
    assert np.array_equal(block.words, words)


def test_a_line_of_very_many_registers_stays_within_bounds() -> None:
    growing = answers.GrowingBlock(125)
    words = noisy_words(1, 1000, 125)
    for _ in range(30):
        growing.add(np.zeros(1000, dtype=np.int64), words, 60)
    block = growing.block(1, "holding-register", 0, 60)
    assert block.answers == 30_000
    assert len(block.words) <= 10_000
    few = answers.GrowingBlock(125)
    few.add(np.zeros(30_000, dtype=np.int64), np.zeros((30_000, 125), dtype=np.uint16), 500)
    block = few.block(1, "holding-register", 0, 500)
    assert len(block.words) <= 2000


def test_repaired_answers_are_no_values() -> None:
    (table,) = tables(reads(1, 0, np.arange(100)[:, None] + 7))
    table.response_bit[50:] = 8 * table.response[50:, 0] + 8 * 4
    found = survey([table])
    assert found.line.answered == 100
    (value,) = found.values(1)
    assert (value.first, value.last) == (7, 56)
    table.request_bit[:50] = 8 * table.request[:50, 0]
    assert survey([table]).values(1) == ()


def in_ascii(events: list[Transaction]) -> Columns:
    """Return transactions as they are on an ASCII line (MODBUS over Serial Line V1.02, 2.5.2; LRC of zeros)."""
    (table,) = tables(events)
    data, spans = b"", []
    for event in events:
        for frame in (event.request, event.response):
            start = len(data)
            data += b"" if frame is None else b":" + frame.hex().upper().encode() + b"00\r\n"
            spans.append((NONE, NONE) if frame is None else (start, len(data)))
    both = np.array(spans, dtype=np.int64).reshape(-1, 2, 2)
    octets = np.frombuffer(data, dtype=np.uint8)
    return replace(
        table, mode=Mode.ASCII, data=octets, ends=both.max(axis=(1, 2)), request=both[:, 0], response=both[:, 1]
    )


def test_a_line_in_ascii_is_surveyed_alike() -> None:
    level = encode(level_mm(np.random.default_rng(3), 300), "uint16")
    outcomes = [Outcome.EXCEPTION if n % 40 == 0 else ANSWERED for n in range(300)]
    events = [
        *reads(1, 5, level.repeat(2, axis=1), outcomes=outcomes),
        *writes(16, 2, 300, level[:50], 400 * S),
        *writes(23, 2, 0xABCD, level[:50], 700 * S),
    ]
    rtu, ascii_line = surveyed(events).document(), survey([in_ascii(events)]).document()
    assert (rtu["line"].pop("mode"), ascii_line["line"].pop("mode")) == ("rtu", "ascii")
    for document in (rtu, ascii_line):
        for key in ("bytes", "explained_bytes"):
            assert document["line"].pop(key) > 0
    assert ascii_line == rtu
    (refused,) = (f for f in rtu["findings"] if f["finding"] == "exceptions")
    assert refused["text"].endswith("with exception 06 (busy).")
    assert {v["register"] for d in rtu["devices"] for v in d["values"]} == {5, 6, 300, 0xABCD, 900}


def test_one_item_ahead_in_one_thread() -> None:
    made: list[int] = []
    threads = set()

    def items() -> Iterator[int]:
        for n in range(5):
            threads.add(threading.get_ident())
            made.append(n)
            yield n

    seen = []
    for item in ahead(items()):
        assert len(made) <= item + 2
        seen.append(item)
    assert seen == [0, 1, 2, 3, 4]
    assert len(threads) == 1
    assert threading.get_ident() not in threads


def test_what_goes_wrong_ahead_is_told() -> None:
    def items() -> Iterator[int]:
        yield 1
        raise ValueError("torn")

    taken = ahead(items())
    assert next(taken) == 1
    with pytest.raises(ValueError, match="torn"):
        next(taken)
