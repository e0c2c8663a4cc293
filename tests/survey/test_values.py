"""Values out of words: worked frames, orders, what can't be told apart, and how often `settled` is wrong."""

from collections import Counter

import fastcrc
import numpy as np
import pytest
from survey_lines import (
    ORDERS,
    S,
    device_block,
    encode,
    level_mm,
    parsed,
    reads,
    surveyed,
)

from sidetap.line import decode_array
from sidetap.survey import Kind, Status, Survey, Value


def value_at(found: Survey, device: int, register: int) -> Value:
    return next(v for v in found.values(device) if v.register == register)


# The answers with their check bytes are the demo yard's frames to check by hand; fastcrc makes those of the requests.
GOLDEN = (
    ("0B0300640003", "0B03060D98000100B76EA2"),
    ("0C0300000003", "0C0306A8CA0000000139DD"),
    ("0D0400080004", "0D040841D8CCCD419333330A44"),
    ("100300140002", "100304CCCD404C65A8"),
    ("100300280002", "10830290F4"),
)


def golden_bytes() -> bytes:
    line = b""
    for request, answer in GOLDEN:
        body = bytes.fromhex(request)
        line += body + fastcrc.crc16.modbus(body).to_bytes(2, "little") + bytes.fromhex(answer)
    return line


@pytest.fixture(scope="module")
def golden() -> Survey:
    return surveyed(parsed(golden_bytes()))


def test_the_golden_frames_are_all_explained(golden: Survey) -> None:
    assert golden.line.byte_count == golden.line.explained_bytes == len(golden_bytes())
    assert (golden.line.requests, golden.line.answered, golden.line.exceptions) == (5, 4, 1)


def test_acceptance_9_a_float_low_word_first(golden: Survey) -> None:
    assert decode_array("float32-low-word-first", np.array([[0xCCCD, 0x404C]]))[0] == pytest.approx(3.2, abs=1e-6)
    value = value_at(golden, 16, 20)
    assert (value.encoding, value.last) == ("float32-low-word-first", 3.2)
    assert value.last_words == (0xCCCD, 0x404C)


def test_acceptance_9_a_still_high_word_can_not_be_told_from_sixteen_bits() -> None:
    random = np.random.default_rng(9)
    level = 43_210 + np.cumsum(random.choice([-3, -2, -1], 3000))
    words = np.column_stack([encode(level, "uint32", "low-word-first"), np.ones(3000, dtype=np.uint16)])
    value = value_at(surveyed(reads(12, 0, words)), 12, 0)
    assert value.valid_below == 65_536
    assert value.status is Status.SETTLED
    named = {value.encoding, *(a.encoding for a in value.alternatives)}
    assert {"uint16", "uint32-low-word-first"} <= named


@pytest.mark.parametrize("order", ORDERS)
def test_acceptance_9_with_a_moving_high_word_it_is_32_bits(order: str) -> None:
    random = np.random.default_rng(5)
    level = 64_000 + np.cumsum(random.choice([-1, 0, 1, 2], 4000)) + 1500 * np.sin(np.arange(4000) / 150)
    assert (level.min() < 65_536 < level.max()) == 1
    found = surveyed(reads(12, 0, encode(level, "uint32", order)))
    value = value_at(found, 12, 0)
    assert value.encoding == f"uint32-{order}"
    assert value.confidence >= 0.7
    assert value.valid_below is None
    assert (value.min, value.max) == (round(level.min()), round(level.max()))


def test_acceptance_10_a_level_and_its_neighbours(golden: Survey) -> None:
    value = value_at(golden, 11, 100)
    assert value.last == 3480
    assert value_at(golden, 11, 101).last == 1


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("sent", ["mm", "m"])
def test_a_moving_float_shows_its_word_order(order: str, sent: str) -> None:
    level = level_mm(np.random.default_rng(3), 1500) * (1.0 if sent == "mm" else 0.001)
    value = value_at(surveyed(reads(7, 30, encode(level, "float32", order))), 7, 30)
    assert value.encoding == f"float32-{order}"
    assert value.status is Status.SETTLED
    assert value.kind is Kind.MEASUREMENT


def test_words_that_two_orders_read_the_same_are_open() -> None:
    # [0, 16448] is 3.0 low word first, and low word first with exchanged bytes
    assert decode_array("float32-low-word-first", np.array([[0, 16448]]))[0] == 3.0
    assert decode_array("float32-low-word-first-swapped", np.array([[0, 16448]]))[0] == 3.0
    found = surveyed(reads(7, 30, np.tile([0, 16448], (500, 1))))
    for value in found.values(7):
        assert value.status is Status.OPEN
        assert "float32-low-word-first-swapped" in {a.encoding for a in value.alternatives}


def test_a_sign_shows_when_a_value_passes_zero() -> None:
    warmth = 50 * np.sin(np.arange(2000) / 200)
    value = value_at(surveyed(reads(3, 0, encode(warmth, "int16"))), 3, 0)
    assert (value.encoding, value.status) == ("int16", Status.SETTLED)
    assert (value.min, value.max) == (-50, 50)


def test_fault_codes_break_no_encoding() -> None:
    random = np.random.default_rng(8)
    level = level_mm(random, 3000)
    gone = random.random(3000) < 0.02
    plain = encode(level, "uint16")
    plain[gone] = 0xFFFF
    value = value_at(surveyed(reads(5, 0, plain)), 5, 0)
    assert (value.encoding, value.status) == ("uint16", Status.SETTLED)
    assert value.faults == gone.sum()
    floats = encode(level / 1000, "float32", "low-word-first")
    floats[gone] = [0x0000, 0x7FC0]
    found = surveyed(reads(5, 0, floats))
    value = value_at(found, 5, 0)
    assert (value.encoding, value.status) == ("float32-low-word-first", Status.SETTLED)
    assert value.faults == gone.sum()
    assert value.max is not None
    assert value.max < 10
    assert [f.finding for f in found.findings] == ["fault-values"]


def test_kinds() -> None:
    seconds = np.arange(4000)
    status = np.where(seconds % 1500 < 30, 3, 1)
    columns = [level_mm(np.random.default_rng(2), 4000).astype(np.int64), seconds, status, np.full(4000, 7)]
    found = surveyed(reads(2, 0, np.column_stack(columns)))
    kinds = [v.kind for v in found.values(2)]
    assert kinds == [Kind.MEASUREMENT, Kind.COUNTER, Kind.STATUS, Kind.CONSTANT]


def test_text_and_registers_that_carry_nothing() -> None:
    words = [int.from_bytes(b"TX", "big"), int.from_bytes(b"-2", "big"), int.from_bytes(b"04", "big"), 0, 0]
    found = surveyed(reads(2, 0, np.tile(words, (300, 1))))
    assert [(v.register, v.encoding, v.last) for v in found.values(2)] == [(0, "text", "TX-204")]
    assert found.document()["devices"][0]["values"][0]["registers"] == 3


def test_a_poll_with_overlapping_registers_tells_them_once() -> None:
    words = encode(level_mm(np.random.default_rng(2), 500), "uint16")
    wide = np.column_stack([words, np.full(500, 3)])
    found = surveyed([*reads(2, 0, wide), *reads(2, 0, words[:50], start_ns=S // 2)])
    assert [v.register for v in found.values(2)] == [0, 1]


def settled_and_wrong(seeds: range, answers: int) -> tuple[int, list[str]]:
    """Return how many values of made-up devices are called settled, and which of them decode otherwise."""
    settled, wrong = 0, []
    for seed in seeds:
        words, truths = device_block(np.random.default_rng(seed), answers)
        for value in surveyed(reads(1, 0, words)).values(1):
            if value.status is not Status.SETTLED:
                continue
            settled += 1
            own = words[:, value.register : value.register + value.width]
            decoded = decode_array(value.encoding, own)
            here = [t for t in truths if t.register in range(value.register - 1, value.register + value.width)]
            if not any(np.array_equal(decoded, t.decoded) for t in here):
                wrong.append(f"seed {seed} register {value.register}: {value.encoding} at {value.confidence:.4f}")
    return settled, wrong


@pytest.mark.parametrize(("answers", "seeds"), [(300, range(9000, 9030)), (2000, range(9100, 9112))])
def test_nothing_settled_is_wrong(answers: int, seeds: range) -> None:
    settled, wrong = settled_and_wrong(seeds, answers)
    assert settled >= 2 * len(seeds)
    assert wrong == []


def test_moving_floats_are_found() -> None:
    count: Counter[bool] = Counter()
    for seed in range(9200, 9220):
        words, truths = device_block(np.random.default_rng(seed), 1200)
        found = {v.register: v for v in surveyed(reads(1, 0, words)).values(1)}
        for truth in truths:
            if truth.kind == "float32" and np.ptp(truth.decoded) > 0:
                value = found.get(truth.register)
                count[value is not None and value.encoding == truth.encoding] += 1
    assert count[True] >= 8
    assert count[True] / count.total() >= 0.95
