"""Registers that are easily taken for others: each was, once, by this code or a simpler one.

Words are made by the struct module (two's complement, IEEE 754); what devices send, and how often, is common
practice, no source.
"""

import struct
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from sidetap.survey.answers import block_of
from sidetap.survey.values import Kind, Status, Value, read_devices

Words = NDArray[np.uint16]
Floats = NDArray[np.float64]

S = 10**9


def sent(
    values: Sequence[float] | Floats | NDArray[np.int64], code: str, *, low_first: bool = False, swapped: bool = False
) -> Words:
    """Return values as registers [answers, width]; code: of the struct module, high word first, then turned round."""
    whole = (code.islower() and code in "hilq") or code in "HILQ"
    packed = b"".join(struct.pack(f">{code}", int(v) if whole else float(v)) for v in values)
    words = np.frombuffer(packed, dtype=">u2").reshape(len(values), -1).astype(np.uint16)
    words = words.byteswap() if swapped else words
    return words[:, ::-1] if low_first else words


def told(*columns: Words) -> tuple[Value, ...]:
    """Return what is told of registers side by side, answered every second."""
    words = np.column_stack(columns)
    t_ns = np.arange(len(words), dtype=np.int64) * S
    (device,) = read_devices([block_of(7, "holding-register", 0, t_ns, words)])
    return device.values


def level(seed: int, answers: int, step: float = 0.0, around: float = 3.0) -> Floats:
    """Return a level in m that falls and rises, with noise, to steps of a converter."""
    random = np.random.default_rng(seed)
    rate = np.repeat(random.choice([-0.002, 0.0, 0.001, 0.003], answers // 50 + 1), 50)[:answers]
    moved = around + np.cumsum(rate) + random.normal(0, 0.003, answers)
    return np.rint(moved / step) * step if step else moved


def encodings(values: Sequence[Value]) -> list[tuple[int, str]]:
    return [(v.register, v.encoding) for v in values]


def test_a_float_in_steps_of_a_converter_is_one() -> None:
    """Steps of 1/256: the low word never moves, and the high one alone would look like a whole number."""
    steps = level(1, 2000, 1 / 256)
    values = told(sent(steps, "f", low_first=True), sent(level(2, 2000), "f", low_first=True))
    assert encodings(values) == [(0, "float32-low-word-first"), (2, "float32-low-word-first")]


def test_a_float_that_passes_zero_in_even_steps_is_one() -> None:
    """Near zero the distance to the next float shrinks a thousandfold; the value's own steps stay."""
    warmth = level(3, 1500, 0.0076, around=0.0) * 8
    assert warmth.min() < 0 < warmth.max()
    (value,) = told(sent(warmth, "f"))
    assert (value.encoding, value.status) == ("float32-high-word-first", Status.SETTLED)


@pytest.mark.parametrize("low_first", [False, True])
def test_a_double_in_steps_of_a_converter_is_no_two_values(low_first: bool) -> None:
    values = told(sent(level(4, 3000, 0.0021), "d", low_first=low_first))
    assert encodings(values) == [(0, f"float64-{'low' if low_first else 'high'}-word-first")]


def test_a_double_is_not_made_of_two_floats_or_four_words() -> None:
    one, other = level(5, 3000), level(6, 3000, around=40.0)
    values = told(sent(one, "f"), sent(other, "f"))
    assert encodings(values) == [(0, "float32-high-word-first"), (2, "float32-high-word-first")]
    idle = told(sent(np.full(3000, 20.5), "f"), sent(one, "f"))
    assert encodings(idle) == [(0, "float32-high-word-first"), (2, "float32-high-word-first")]


def test_codes_that_come_in_neighbours_at_once_do_not_tie_them() -> None:
    """A sensor lost: four 16-bit values jump to one code together, again and again."""
    columns = [sent(np.rint(level(s, 4000) * 1000), "H") for s in (7, 8, 9, 10)]
    for start in range(100, 4000, 130):
        for column in columns:
            column[start : start + 7] = 0x8000
    values = told(*columns)
    assert [v.register for v in values] == [0, 1, 2, 3]
    assert {v.encoding for v in values} == {"uint16"}
    assert [v.faults for v in values] == [210] * 4
    assert all(v.max is not None and v.max < 10_000 for v in values)
    assert all(v.fault_words == ((0x8000,),) for v in values)


def test_codes_before_the_first_value_count() -> None:
    words = sent(np.rint(level(11, 600) * 1000), "H")
    words[:40] = 0xFFFF
    (value,) = told(words)
    assert (value.faults, value.first, value.encoding) == (40, None, "uint16")


def test_signed_numbers_about_zero_are_no_floats() -> None:
    """The upper words are 0000 or FFFF: as halves of floats most answers would be not-a-number."""
    random = np.random.default_rng(12)
    up, down = np.cumsum(random.integers(-1, 2, 3000)) + 78, np.cumsum(random.integers(-1, 2, 3000)) - 40
    up, down = 60 + np.abs(up) % 25, -20 - np.abs(down) % 25
    values = told(sent(up, "i"), sent(down, "i"))
    decoded = {v.register + v.width - 1: v for v in values if v.kind is Kind.MEASUREMENT}
    assert (decoded[1].min, decoded[1].max) == (up.min(), up.max())
    assert (decoded[3].min, decoded[3].max) == (down.min(), down.max())


def test_two_values_that_move_together_are_two() -> None:
    """One level in two scales, renewed at the same moments, both below 10,000: no eight decimal digits."""
    seldom = np.repeat(level(13, 600), 20)
    values = told(sent(np.rint(seldom * 700), "H"), sent(np.rint(seldom * 1700), "H"), sent(np.zeros(12_000), "H"))
    assert encodings(values) == [(0, "uint16"), (1, "uint16")]


def test_a_small_number_with_exchanged_bytes_is_not_its_word() -> None:
    values = told(*(sent(np.rint(level(s, 900) * 40), "I", low_first=True, swapped=True) for s in (14, 15)))
    assert encodings(values) == [(0, "uint32-low-word-first-swapped"), (2, "uint32-low-word-first-swapped")]


def test_an_alarm_in_the_highest_bit_is_shown() -> None:
    """0x8000 is a code for "no value" in a measurement, and a state among flags: hiding it would hide an alarm."""
    alarm = np.zeros(2000)
    alarm[700:760] = 0x8000
    values = told(sent(alarm, "H"), sent(np.rint(level(16, 2000) * 1000), "H"))
    assert (values[0].kind, values[0].min, values[0].max, values[0].faults) == (Kind.STATUS, 0, 32768, 0)
    assert values[0].encoding in ("bits16", "uint16")


def test_an_alarm_that_comes_and_goes_is_shown_too() -> None:
    values = told(sent(np.where(np.arange(2000) % 7 < 3, 0x8000, 0), "H"), sent(np.rint(level(22, 2000) * 1000), "H"))
    assert (values[0].min, values[0].max, values[0].faults) == (0, 32768, 0)
    flicker = 228 + np.arange(2000) % 5
    flicker[900:940] = 0x8000
    (value,) = told(sent(flicker, "H"))
    assert (value.min, value.max, value.faults) == (228, 232, 40)


def test_an_alarm_beside_nothing_is_no_float() -> None:
    """8000 0000 would be minus zero."""
    alarm = np.zeros(2000)
    alarm[700:760] = 0x8000
    values = told(sent(alarm, "H"), sent(np.zeros(2000), "H"), sent(level(17, 2000), "f"))
    assert [v.encoding for v in values if v.register == 0] in (["bits16"], ["uint16"])


def test_a_level_beside_its_status_is_settled() -> None:
    level_mm = np.rint(level(18, 4000) * 1000)
    values = told(sent(level_mm, "H"), sent(np.ones(4000), "H"), sent(np.rint(level(19, 4000) * 60), "h"))
    assert (values[0].encoding, values[0].status, values[0].valid_below) == ("uint16", Status.SETTLED, 32768)
    assert [a.encoding for a in values[0].alternatives] == ["int16"]


def test_how_far_encodings_go_on_to_agree_is_told() -> None:
    level_mm = np.rint(level(20, 2000) * 1000)
    lost = sent(level_mm, "H")
    lost[500:520] = 0x8000  # a code in either reading
    (value,) = told(lost)
    assert (value.valid_below, value.status) == (32768, Status.SETTLED)
    (value,) = told(sent(level_mm + 31_000, "H"), sent(np.zeros(2000), "H"))
    assert value.valid_below == 65536
    (value,) = told(sent(level_mm * 40, "I"))
    assert (value.encoding, value.valid_below) == ("uint32-high-word-first", None)


def test_a_counter_of_energy_stays_a_float() -> None:
    """Its last digits rise evenly, as a clock's do that is read in the wrong order."""
    random = np.random.default_rng(21)
    energy = 48_213.5 + np.cumsum(random.normal(0.0086, 0.0004, 6000))
    (value,) = told(sent(energy, "f"))
    assert (value.encoding, value.kind, value.status) == ("float32-high-word-first", Kind.COUNTER, Status.SETTLED)


def test_a_counter_beside_a_word_that_stands_still_is_not_sure() -> None:
    """The time of day in s since 1970: until its upper half moves, nothing tells it from two values."""
    values = told(sent(1_790_000_000 + np.arange(3000), "I"))
    assert all(v.status is not Status.SETTLED or v.encoding == "uint32-high-word-first" for v in values)


def test_the_trend_is_that_of_the_last_ten_minutes() -> None:
    falling = 5000 - np.maximum(np.arange(3000) - 1500, 0) * 0.5
    (value,) = told(sent(np.rint(falling), "H"))
    assert value.trend_per_h == pytest.approx(-1800, rel=0.01)
    (value,) = told(sent(np.rint(4000 + 3 * np.sin(np.arange(3000))), "H"))
    assert value.trend_per_h == 0.0
