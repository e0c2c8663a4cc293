"""The generator of made-up devices that was written apart from the identifier: its encoders, its truth, its frames.

Outside checks: the layouts of 123.456 and the like as listed below, minimalmodbus' byte orders (the names of its
orders mapped in words), a request and an answer of the MODBUS Application Protocol V1.1b3 with their codes.
"""

import json
from itertools import pairwise
from pathlib import Path

import minimalmodbus
import numpy as np
import pytest
from registers.apart import unit
from registers.apart_words import ORDERS, encoded, raw, spelled, text_words
from registers.form import Unit
from registers.record import record, with_check

from sidetap.cli.main import run
from sidetap.line import decode

HALF_HOUR_S = 1800.0
SEEDS = range(30)

# IEEE 754 binary32 of 123.456 is 42F6E979; arrangement of words and bytes: common practice, no source.
FLOATS = [
    ("high-word-first", [0x42F6, 0xE979]),
    ("low-word-first", [0xE979, 0x42F6]),
    ("high-word-first-swapped", [0xF642, 0x79E9]),
    ("low-word-first-swapped", [0x79E9, 0xF642]),
]
BYTE_ORDERS = {
    "high-word-first": minimalmodbus.BYTEORDER_BIG,
    "low-word-first": minimalmodbus.BYTEORDER_LITTLE_SWAP,
    "high-word-first-swapped": minimalmodbus.BYTEORDER_BIG_SWAP,
    "low-word-first-swapped": minimalmodbus.BYTEORDER_LITTLE,
}


def made(seed: int, *, faults: bool = False, duration_s: float = HALF_HOUR_S) -> Unit:
    return unit(np.random.default_rng(seed), duration_s=duration_s, period_s=1.0, faults=faults)


@pytest.fixture(scope="module")
def short() -> list[Unit]:
    return [made(seed, duration_s=60.0) for seed in range(600)]


@pytest.mark.parametrize(("order", "words"), FLOATS)
def test_123_456_in_four_orders(order: str, words: list[int]) -> None:
    assert encoded(f"float32-{order}", [123.456])[0].tolist() == [words]


@pytest.mark.parametrize("order", ORDERS)
def test_floats_are_laid_out_as_minimalmodbus_lays_them_out(order: str) -> None:
    for value in (1.5, -77.514603, 3.2e-9, -1e30):
        theirs = minimalmodbus._float_to_bytes(value, 2, BYTE_ORDERS[order])
        mine = encoded(f"float32-{order}", [value])[0].astype(">u2").tobytes()
        assert mine == theirs


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("value", [0, 1, -1, 123_456_789, -2_000_000_000])
def test_whole_numbers_are_laid_out_as_minimalmodbus_lays_them_out(order: str, value: int) -> None:
    theirs = minimalmodbus._long_to_bytes(value, True, 2, BYTE_ORDERS[order])
    assert encoded(f"int32-{order}", [value])[0].astype(">u2").tobytes() == theirs


@pytest.mark.parametrize(
    ("encoding", "value", "words"),
    [
        ("mod10k32-low-word-first", 1_234_567, [4567, 123]),
        ("mod10k32-high-word-first", 1_234_567, [123, 4567]),
        ("bcd16", 1234, [0x1234]),
        ("int16", -1, [0xFFFF]),
        ("uint32-low-word-first", 43_210, [0xA8CA, 0]),
        ("float64-high-word-first", 1.5, [0x3FF8, 0, 0, 0]),
        ("float64-low-word-first", 1.5, [0, 0, 0, 0x3FF8]),
        ("float32-low-word-first", 1.5, [0, 16_320]),
    ],
)
def test_other_layouts(encoding: str, value: float, words: list[int]) -> None:
    """Modulo 10,000, BCD and word order: common practice, no source; 1.5 is 3FF8 0000 0000 0000 by IEEE 754."""
    assert encoded(encoding, [value])[0].tolist() == [words]


def test_whole_numbers_are_the_nearest() -> None:
    words, truth = encoded("int16", [2.6, -2.6, 40_000.0])
    assert words[:, 0].tolist() == [3, 0xFFFD, 0x7FFF]
    assert truth.tolist() == [3.0, -3.0, 32_767.0]


def test_patterns_follow_the_order_of_their_encoding() -> None:
    assert raw("float32-low-word-first-swapped", 0x7FC00001).tolist() == [0x0100, 0xC07F]


def test_text_has_its_first_letter_in_the_high_byte() -> None:
    assert text_words("AB1", 3, " ").tolist() == [0x4142, 0x3120, 0x2020]


def test_a_double_keeps_its_bytes() -> None:
    assert spelled("float64", "low-word-first-swapped") == "float64-low-word-first"


def test_the_same_seed_makes_the_same_device() -> None:
    for faults in (False, True):
        one, other = made(7, faults=faults), made(7, faults=faults)
        assert one.words.tobytes() == other.words.tobytes()
        assert one.t_ns.tobytes() == other.t_ns.tobytes()
        assert [f.encoding for f in one.fields] == [f.encoding for f in other.fields]
    assert made(7).words.tobytes() != made(8).words.tobytes()


@pytest.mark.parametrize("faults", [False, True])
def test_the_truth_is_what_the_words_say(faults: bool) -> None:
    """Every register of every field, by the decoder of the line room, at some answers and at all fault codes."""
    unlike: list[tuple[int, str, str]] = []
    for seed in SEEDS:
        device = made(seed, faults=faults)
        for field in device.fields:
            words = device.words[:, field.start : field.start + field.width]
            rows = np.linspace(0, len(words) - 1, 12).astype(int)
            for row in rows:
                value = decode(field.encoding, words[row].tolist())
                if field.encoding == "text":
                    right = isinstance(value, str) and value.isprintable()
                else:
                    right = bool(np.isnan(field.truth[row])) or value == field.truth[row]
                if not right:
                    unlike.append((seed, field.name, field.encoding))
    assert unlike == []


def test_a_field_in_another_order_than_the_rest_says_so(short: list[Unit]) -> None:
    odd = 0
    for device in short:
        for field in device.fields:
            if field.width != 2 or field.encoding == "text" or field.encoding.endswith(f"-{device.order}"):
                continue
            odd += 1
            words = device.words[:, field.start : field.start + 2]
            assert [decode(field.encoding, row.tolist()) for row in words] == field.truth.tolist()
    assert 0 < odd < 40


def test_only_with_faults_there_are_answers_without_a_value() -> None:
    without = [np.isnan(field.truth).any() for seed in SEEDS for field in made(seed).fields]
    assert not any(without)
    bursts = [seed for seed in SEEDS if any(np.isnan(f.truth).any() for f in made(seed, faults=True).fields)]
    assert len(bursts) > 0.9 * len(SEEDS)


def test_fault_codes_are_never_values_of_the_record() -> None:
    for seed in SEEDS:
        device = made(seed, faults=True)
        for field in device.fields:
            bad = np.isnan(field.truth)
            if not bad.any():
                continue
            value = decode(field.encoding, device.words[bad][0, field.start : field.start + field.width].tolist())
            good = field.truth[~bad]
            assert value is None or not good.min() <= float(value) <= good.max()


def test_fields_lie_side_by_side() -> None:
    for seed in SEEDS:
        device = made(seed)
        ends = [0, *(field.start + field.width for field in device.fields)]
        assert all(end <= field.start for end, field in zip(ends, device.fields, strict=False))
        assert ends[-1] == device.words.shape[1] <= 64
        assert (np.diff(device.t_ns) > 0).all()


def test_a_drive_at_rest_says_nothing_but_zero() -> None:
    """A smoothing by Fourier transforms leaves some 1e-15 of what came before, which no device sends."""
    seen = 0
    for seed in range(60):
        for field in made(seed, duration_s=600.0).fields:
            if field.name == "speed" and field.truth.max() > 0:
                moving = field.truth[field.truth > 0]
                assert moving.min() > 1e-3 * moving.max()
                seen += 1
    assert seen >= 3


def test_where_a_value_tells_the_level_it_is_the_level() -> None:
    """But for lag, waves, noise, rounding and instruments that stand still for up to half the record."""
    told = 0
    for seed in SEEDS:
        device = made(seed)
        for field in device.fields:
            if field.level_scale is None or field.level_offset is None:
                continue
            off_m = np.abs(field.truth * field.level_scale + field.level_offset - device.level_m)
            assert np.quantile(off_m, 0.3) < 0.05 * device.height_m, (seed, field.name)
            told += 1
    assert told > len(SEEDS) // 2


def test_all_encodings_of_the_contract_come_up(short: list[Unit]) -> None:
    kinds = {field.encoding for device in short for field in device.fields}
    pairs = {f"{kind}-{order}" for kind in ("uint32", "int32", "float32", "mod10k32") for order in ORDERS}
    doubles = {"float64-high-word-first", "float64-low-word-first"}
    assert kinds == {"uint16", "int16", "bcd16", "bits16", "text"} | pairs | doubles


def test_check_codes() -> None:
    """A request and its answer (MODBUS Application Protocol V1.1b3, p. 15) at device 17, with their check codes."""
    for frame in ("1103006b00037687", "110306022b00000064c8ba"):
        body = np.frombuffer(bytes.fromhex(frame)[:-2], dtype=np.uint8)[None]
        assert with_check(body).tobytes().hex() == frame


@pytest.mark.parametrize("suffix", [".csv", ".pcapng"])
def test_a_line_of_devices_is_read_back(tmp_path: Path, suffix: str, capsys: pytest.CaptureFixture[str]) -> None:
    devices = {unit.device: unit for unit in (made(seed, duration_s=120.0) for seed in (1, 2, 3))}
    path = tmp_path / f"line{suffix}"
    record(list(devices.values()), path, shift_s=-60)
    assert run(["transactions", str(path)]) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {row["outcome"] for row in rows} == {"answered"}
    for device, one in devices.items():
        answers = [row["response"] for row in rows if row["device"] == device]
        assert [a[6:] for a in answers] == [w.astype(">u2").tobytes().hex() for w in one.words]


def test_an_adapter_delivers_every_16_ms_what_has_come_since(tmp_path: Path) -> None:
    """At 19200 8E1, 27.9 characters of 11 bits fit into 16 ms."""
    path = tmp_path / "line.csv"
    record([made(seed, duration_s=120.0) for seed in (1, 2, 3)], path)
    rows = [line.split(",") for line in path.read_text().splitlines()[2:]]
    times_us = [round(float(time_s) * 1e6) for time_s, _ in rows]
    assert all(time_us % 16_000 == 0 for time_us in times_us)
    assert all(one < other for one, other in pairwise(times_us))
    assert max(len(text) // 2 for _, text in rows) <= 28
