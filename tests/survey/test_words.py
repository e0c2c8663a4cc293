"""What is said of values and answers: verdicts, instructions, numbers with the digits they deserve, all escaped."""

import re
import struct
from dataclasses import replace
from datetime import UTC
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from survey_lines import S, encode, level_mm, merged, reads, surveyed

from sidetap.line import decode
from sidetap.line.encodings import ENCODINGS, width
from sidetap.survey import Answer, MatchStatus, PersonReading, ReadingKind, Rival, Survey
from sidetap.survey.relations import Relation, RelationKind
from sidetap.survey.values import Alternative, Device, Kind, Value
from sidetap.survey.words import Sure, ValueWords, answer_words, device_words, relation_words
from sidetap.survey.words.rivals import agree_below
from sidetap.survey.words.times import clock, elapsed, lasting, span
from sidetap.survey.words.vocabulary import (
    bytes_as_taken,
    decimals,
    encoding_words,
    number,
    quoted,
    sureness,
    trend_words,
    wire_bytes,
)
from sidetap.survey.words.ways import law_words

T_S = 1_773_237_600  # 2026-03-11 14:00:00 UTC


def test_every_encoding_has_words_of_its_own_and_no_letters_for_byte_order() -> None:
    words = [encoding_words(encoding) for encoding in ENCODINGS]
    assert len(set(words)) == len(ENCODINGS)
    for encoding, told in zip(ENCODINGS, words, strict=True):
        assert not re.search(r"\b[ABCD]{2,}\b|\b[abcd]{2,}\b|endian", told.replace("(BCD)", ""))
        assert ("swapped" in told) == encoding.endswith("swapped")
        assert ("low word first" in told) == ("low-word-first" in encoding)


FORMATS = {"uint32": ">I", "int32": ">i", "float32": ">f", "float64": ">d"}


@pytest.mark.parametrize("encoding", [e for e in ENCODINGS if e.partition("-")[0] in FORMATS])
def test_the_bytes_as_taken_make_the_number(encoding: str) -> None:
    """Python's struct reads them, most significant byte first (IEEE 754, two's complement)."""
    words = [0x404C, 0xCCCD, 0x1234, 0x5678][: width(encoding)]
    shown = bytes_as_taken(encoding, words) or wire_bytes(words)
    (expected,) = struct.unpack(FORMATS[encoding.partition("-")[0]], bytes.fromhex(shown))
    assert decode(encoding, words) == expected
    assert (bytes_as_taken(encoding, words) is None) == encoding.endswith("-high-word-first")


def test_numbers_have_the_digits_they_deserve() -> None:
    assert number(3.200000047683716, decimals([3.200000047683716])) == "3.2"
    places = decimals([276.93686, 274.87634, 279.05157])
    assert [number(x, places) for x in (276.93686, 274.87634, 279.05157)] == ["276.937", "274.876", "279.052"]
    assert number(4294967295, decimals([4294967295, 0])) == "4294967295"
    assert number(1.17e-38, decimals([1.17e-38])) == "1.17e-38"
    assert number(3.4e38, decimals([3.4e38])) == "3.4e+38"
    assert number(-0.0004, 3) == "0.000"
    assert number(None, 2) == number(float("nan"), 2) == "none"


@given(st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=4))
def test_rounding_hides_less_than_a_thousandth_of_the_range(numbers: list[float]) -> None:
    places = decimals(numbers)
    spread = max(numbers) - min(numbers)
    for x in numbers:
        told = float(number(x, places))
        digits = 1e-6 if abs(x) >= 1e-4 else 1e-3  # what is told by its power of ten has four
        assert abs(told - x) <= max(spread / 1000, abs(x) * digits, 1e-9)


def test_certainty_is_never_claimed() -> None:
    assert [sureness(p) for p in (1.0, 0.9999, 0.999, 0.9989, 0.99, 0.9899, 0.5, 0.0)] == [
        "over 99.9 %",
        "over 99.9 %",
        "over 99.9 %",
        "99.8 %",
        "99.0 %",
        "98 %",
        "50 %",
        "under 1 %",
    ]


def test_trends() -> None:
    assert trend_words(0.0, 0) == trend_words(5.0, 0) == "steady"
    assert trend_words(7.0, 0) == "rising 7.0/h"
    assert trend_words(-599.0, 0) == "falling 600/h"
    assert trend_words(-600.0, 0) == "falling 10/min"
    assert trend_words(-0.12, 3, "m") == "falling 0.12 m/h"
    assert trend_words(6.0, 0) == "rising 6.0/h"
    assert trend_words(None, 3) == trend_words(float("nan"), 3) == ""


def test_times() -> None:
    chicago = ZoneInfo("America/Chicago")
    assert clock(T_S * S) == "2026-03-11 14:00:00 UTC"
    assert clock(T_S * S, chicago) == "2026-03-11 09:00:00 CDT"
    assert clock(-5 * S // 2, UTC) == "-2.500 s on the recording's clock"
    assert span(T_S * S, (T_S + 86_400) * S) == "2026-03-11 14:00:00 UTC to 2026-03-12 14:00:00 UTC"
    assert span(0, 3 * S // 2) == "0.000 to 1.500 s on the recording's clock"
    # clocks are set back at 2 o'clock of 1 November 2026 (IANA time zone database)
    back = 1_793_516_400 * S
    assert span(back - S, back, chicago) == "2026-11-01 01:59:59 CDT to 2026-11-01 01:00:00 CST"
    assert elapsed(90_061) == "1 d 1:01:01"
    assert lasting(1.49) == "89 min"


def one_device(values: np.ndarray, kind: str, order: str = "", device: int = 7) -> Device:
    """Return a device of one value, as surveyed."""
    found = surveyed(reads(device, 40, encode(values, kind, order)))
    return found.devices[0]


def told(device: Device, **changes: object) -> ValueWords:
    """Return what is said of a device's first value with some of it changed."""
    value = replace(device.values[0], **changes)  # type: ignore[arg-type]
    return device_words(replace(device, values=(value,)))[0]


LEVEL = level_mm(np.random.default_rng(12), 900)


@pytest.fixture(scope="module")
def level() -> Device:
    return one_device(LEVEL, "uint16")


@pytest.fixture(scope="module")
def floating() -> Device:
    return one_device(LEVEL / 304.8, "float32", "low-word-first")


def test_a_settled_value(floating: Device) -> None:
    words = told(floating, confidence=0.995, valid_below=None)
    assert (words.verdict.sure, words.verdict.words) == (Sure.SETTLED, "settled")
    assert words.encoding == "float 32 bit, low word first"
    assert bytes.fromhex(words.taken) == struct.pack(">f", LEVEL[-1] / 304.8)
    assert float(words.now) == pytest.approx(LEVEL[-1] / 304.8, abs=0.001)
    assert (words.instruction, words.aside) == ("", "")


@pytest.mark.parametrize("limit", [10, 10_000, 32_768, 65_536])
def test_a_limit_is_the_verdict_within_eight_times_what_was_seen_and_told_aside_beyond(
    level: Device, limit: int
) -> None:
    near = told(level, confidence=0.995, valid_below=limit, max=-(-limit // 8))
    assert near.verdict.words == f"sure only below {limit}"
    assert f"from {limit} up" in near.instruction
    assert near.aside == ""
    far = told(level, confidence=0.995, valid_below=limit, max=-(-limit // 8) - 1)
    assert far.verdict.words == "settled"
    assert far.instruction == ""
    assert f"from {limit} up" in far.aside
    for kind in (Kind.CONSTANT, Kind.STATUS):  # neither grows
        assert told(level, kind=kind, confidence=0.995, valid_below=limit, max=limit - 1).verdict.words == "settled"
    never = told(level, confidence=0.995, valid_below=None)
    assert (never.verdict.words, never.aside) == ("settled", "")


def test_below_zero_is_named_where_the_sign_is_open(level: Device) -> None:
    assert "below 0" in told(level, confidence=0.995, valid_below=32_768, max=100).aside
    assert "below 0" not in told(level, confidence=0.995, valid_below=65_536, max=100).aside


def test_an_ambiguous_value_names_what_it_may_be_and_what_a_display_would_show(floating: Device) -> None:
    words = told(floating, confidence=0.6, alternatives=(Alternative("uint32-low-word-first", 0.4),))
    assert words.verdict.words == "ambiguous: float 32 bit, low word first or unsigned 32 bit, low word first"
    low, high = floating.values[0].last_words
    assert words.instruction.startswith("Read the display of device 7 ")
    assert f"{words.now} speaks for float 32 bit, low word first" in words.instruction
    assert f"{high << 16 | low} speaks for unsigned 32 bit, low word first" in words.instruction
    assert [way.hypothesis.encoding for way in words.others] == ["uint32-low-word-first"]


def test_ways_that_show_the_same_number_are_told_together() -> None:
    device = one_device(np.where(np.arange(400) % 50 < 25, 0x1234, 0x1235).astype(float), "uint16")
    some = (Alternative("int16", 0.3), Alternative("bcd16", 0.1))
    words = told(device, confidence=0.6, alternatives=some)
    assert "4661 speaks for unsigned 16 bit or signed 16 bit; 1235 speaks for four decimal" in words.instruction
    alike = told(device, confidence=0.6, alternatives=some[:1])
    assert "alike, and part only from 32768 up and below 0: survey again" in alike.instruction


def test_a_constant_is_looked_up_and_not_read_off_a_display(floating: Device) -> None:
    other = Alternative("uint32-low-word-first", 0.4)
    words = told(floating, kind=Kind.CONSTANT, confidence=0.6, alternatives=(other,))
    assert "display" not in words.instruction
    assert "register list" in words.instruction


@pytest.mark.parametrize(
    ("per_h", "when"),
    [(1000.0, " (at this rate in about 23 h)"), (100.0, ""), (-1000.0, ""), (None, "")],
)
def test_a_limit_that_comes_near_soon_is_told_with_its_time(level: Device, per_h: float | None, when: str) -> None:
    """(32768 - 9768) / 1000 an hour is 23 h; at a tenth of that it is no forecast."""
    words = told(level, confidence=0.995, valid_below=32_768, max=9768, last=9768, trend_per_h=per_h)
    assert f"has passed 32768{when}, or take" in words.instruction


def test_trend_and_codes_come_from_the_record() -> None:
    falling = 4000 - np.arange(900) * 0.5
    device = one_device(np.where(np.arange(900) % 100 < 3, 65_535, falling), "uint16")
    (words,) = device_words(device)
    assert words.value.faults == 27
    assert words.faults == '27 answers hold a code for "no value": FF FF'
    assert words.trend == "falling 30/min"  # 0.5 a second
    assert words.span == f"{np.rint(falling[-1]):.0f} .. {np.rint(falling[3]):.0f}"


def test_a_value_of_which_nothing_else_is_known_is_open(level: Device) -> None:
    words = told(level, confidence=0.6, alternatives=())
    assert words.verdict.words == "open"
    assert "survey again" in words.instruction.lower()
    # what reads every answer the same is no other way
    same = told(level, confidence=0.8, alternatives=(Alternative("int16", 0.8),))
    assert same.verdict.words == "open"


def test_neighbours_tell_what_else_a_register_may_be_part_of() -> None:
    """Three registers; the first may be a number of 32 bits, which takes in the second but not the third."""
    random = np.random.default_rng(4)
    words = (np.cumsum(random.integers(-2, 3, (400, 3)), axis=0) + 20_000).astype(np.uint16)
    device = surveyed(reads(7, 40, words)).devices[0]
    first, second, third = (replace(v, confidence=0.6, alternatives=()) for v in device.values)
    wide = Alternative("uint32-low-word-first", 0.4)

    def verdicts(*values: Value) -> list[str]:
        return [words_.verdict.words for words_ in device_words(replace(device, values=values))]

    assert verdicts(replace(first, alternatives=(wide,)), second, third) == [
        "ambiguous: unsigned 16 bit or unsigned 32 bit, low word first",
        "ambiguous: unsigned 16 bit or part of unsigned 32 bit, low word first from 400041 on",
        "open",
    ]
    signed = Alternative("int16", 0.3)
    own = verdicts(replace(first, alternatives=(wide,)), replace(second, alternatives=(signed,)), third)
    assert own[1] == "ambiguous: unsigned 16 bit or signed 16 bit"  # its own come first
    sure = replace(first, confidence=0.995, alternatives=(wide,))
    (settled_,) = device_words(replace(device, values=(sure,)))
    assert settled_.others == ()


def test_two_word_orders_that_agree_are_two_ways() -> None:
    """A float32 whose two words are alike, all along, is the same in either order: until it changes."""
    words = np.full((300, 2), 0x4242, dtype=np.uint16)
    device = surveyed(reads(7, 40, words)).devices[0]
    value = device.values[0]
    (number_,) = struct.unpack(">f", bytes.fromhex("42424242"))
    changed = replace(
        value,
        encoding="float32-high-word-first",
        width=2,
        kind=Kind.CONSTANT,
        confidence=0.5,
        alternatives=(Alternative("float32-low-word-first", 0.5),),
        **dict.fromkeys(("first", "last", "min", "max"), number_),
        last_words=(0x4242, 0x4242),
    )
    (words_told,) = device_words(replace(device, values=(changed,)))
    assert words_told.verdict.words == "ambiguous: float 32 bit, high word first or float 32 bit, low word first"
    assert "alike" in words_told.instruction


def test_single_bits_are_told_by_number(level: Device) -> None:
    words = told(level, encoding="bits16", kind=Kind.STATUS, last=0x8005)
    assert words.encoding == "16 single bits, set: 0 2 15 (0 is the lowest)"
    assert "set: none" in told(level, encoding="bits16", kind=Kind.STATUS, last=0).encoding


@pytest.mark.parametrize(
    ("one", "other", "limit"),
    [
        ("uint16", "int16", 32_768),
        ("bits16", "bcd16", 10),
        ("uint16", "mod10k32-low-word-first", 10_000),
        ("uint16", "uint32-low-word-first", 65_536),
        ("float32-low-word-first", "float32-high-word-first", None),
        ("uint16", "float32-high-word-first", None),
    ],
)
def test_up_to_where_encodings_agree(one: str, other: str, limit: int | None) -> None:
    """By decoding: just below the limit both read alike, at it they part (high word 0 where there are two)."""
    assert agree_below(one, other) == agree_below(other, one) == limit
    if limit is not None:
        pairs = [
            [decode(e, [n & 0xFFFF, n >> 16] if width(e) == 2 else [n & 0xFFFF]) for e in (one, other)]
            for n in (limit - 1, limit)
        ]
        assert pairs[0][0] == pairs[0][1]
        assert pairs[1][0] != pairs[1][1]


def test_texts_off_the_line_are_quoted_and_escaped() -> None:
    assert quoted('Tank\x1b[2J\u202e"4') == '"Tank\\x1b[2J\\u202e"4"'
    assert len(quoted("x" * 500)) < 70


@pytest.mark.parametrize("sure", Sure)
def test_every_verdict_is_explained(sure: Sure) -> None:
    page = (Path(__file__).parents[2] / "docs" / "registers.md").read_text()
    assert re.search(rf"^\| `[^`]*{sure}[^`]*` \|", page, re.MULTILINE), sure


# answers


def line_of(*series: tuple[int, int, np.ndarray, str, str]) -> Survey:
    """Return the survey of devices: (device, register, decoded, kind, order) each."""
    polls = [
        reads(device, register, encode(values, kind, order), start_ns=T_S * S + n * 100_000_000)
        for n, (device, register, values, kind, order) in enumerate(series)
    ]
    return surveyed(merged(*polls))


@pytest.fixture(scope="module")
def yard() -> Survey:
    other = level_mm(np.random.default_rng(5), 900)
    return line_of((7, 40, LEVEL, "uint16", ""), (9, 10, other / 304.8, "float32", "low-word-first"))


BEST = Rival(7, "holding-register", 40, "uint16", 0.001, 0.0, 0.997)
FAR = Rival(9, "holding-register", 10, "float32-low-word-first", 0.3048, 0.0, 0.002)


def read_at(row: int, second: int, value: str, kind: ReadingKind = ReadingKind.DISPLAY) -> PersonReading:
    half = Fraction(1, 2000)
    return PersonReading(row, (T_S + second) * S, "T\x1b1", Fraction(value), "m", half, half, None, kind)


READINGS = [read_at(1, 100, f"{LEVEL[100] / 1000:.3f}"), read_at(2, 700, f"{LEVEL[700] / 1000:.3f}", ReadingKind.DIP)]


def answer(status: MatchStatus = MatchStatus.SETTLED, **changes: object) -> Answer:
    given_ = Answer("T\x1b1", status, BEST, "m", None, (), (), None, None, ())
    return replace(given_, **changes)  # type: ignore[arg-type]


def test_a_settled_answer_says_where_what_and_how_well(yard: Survey) -> None:
    words = answer_words(yard, answer(), READINGS)
    assert words.name == "T\\x1b1"
    assert words.verdict.words == "settled"
    assert words.best is not None
    assert words.best.place == "device 7, holding register 40 (400041)"
    assert words.best.law == "m = decoded × 0.001"
    assert words.best.level_now == f"{round(LEVEL[-1]) / 1000:.3f} m"
    assert bytes.fromhex(words.best.wire) == round(LEVEL[-1]).to_bytes(2, "big")
    assert words.fit.startswith("2 of 2 readings")
    assert (words.suspects, words.next, words.when, words.aside) == ((), (), "", "")


def test_the_trend_of_a_level_is_that_of_its_register_in_the_readers_unit() -> None:
    falling = 4000 - np.arange(900) * 0.5  # mm: 1.8 m an hour
    found = line_of((7, 40, falling, "uint16", ""))
    words = answer_words(found, answer(), READINGS)
    assert words.best is not None
    assert words.best.trend == "falling 0.030 m/min"
    upside_down = answer(best=replace(BEST, scale=-0.001, offset=5.0))
    words = answer_words(found, upside_down, READINGS)
    assert words.best is not None
    assert words.best.trend == "rising 0.030 m/min"


def test_a_suspect_is_told_with_what_was_expected(yard: Survey) -> None:
    typo = read_at(3, 300, f"{LEVEL[300] / 1000 + 1:.3f}")
    words = answer_words(yard, answer(suspect_readings=(3,)), [*READINGS, typo])
    assert [mark.fits for mark in words.marks] == [True, True, False]
    (told_,) = words.suspects
    assert told_.startswith(f"row 3 says {LEVEL[300] / 1000 + 1:.3f} m, expected ")
    expected = float(told_.partition("expected ")[2].split()[0])
    assert expected == pytest.approx(LEVEL[300] / 1000, abs=0.01)
    assert words.fit.startswith("2 of 3 readings")


def test_no_level_is_told_from_outside_of_the_record(yard: Survey) -> None:
    best = answer_words(yard, answer(), READINGS).best
    assert best is not None
    for second in (-3600, 5000):
        assert best.level_at((T_S + second) * S) is None
        assert best.told(best.level_at((T_S + second) * S)) == "none"
    between = best.level_at((T_S + 100) * S)
    assert between == pytest.approx(LEVEL[100] / 1000, abs=0.01)


def test_what_people_noted_is_escaped_in_relations_too() -> None:
    noted = "falls whenever \x1b[2J runs."
    relation = Relation(RelationKind.FALLS_DURING, (), noted, noted, noted, 0.001)
    assert not any("\x1b" in words for words in relation_words(relation))
    assert all("\\x1b[2J" in words for words in relation_words(relation))


def test_readings_left_out_are_told(yard: Survey) -> None:
    words = answer_words(yard, answer(outside_readings=(3,)), [*READINGS, read_at(3, 5000, "1.0")])
    assert "row 3 " in words.outside
    assert len(words.marks) == 2


def test_a_limit_is_the_verdict_where_a_level_may_come(yard: Survey) -> None:
    top = float(LEVEL.max())
    near = answer_words(yard, answer(valid_below=1.5 * top / 1000), READINGS)
    assert near.verdict.sure is Sure.BELOW
    assert near.verdict.words.startswith("sure only below ")
    assert any("valid range" in words for words in near.next)
    beyond_any_tank = answer_words(yard, answer(valid_below=32.768), READINGS)
    assert beyond_any_tank.verdict.words == "settled"
    assert "from 32.768 m up" in beyond_any_tank.aside
    small = answer(best=replace(BEST, scale=0.0001), valid_below=0.0001 * 9 * top)
    assert answer_words(yard, small, READINGS).verdict.words == "settled"


def test_the_limit_of_a_distance_lies_above_the_level(yard: Survey) -> None:
    """5.62 - 0.0005 × 9000 counts = 1.12 m: deeper, the distance is beyond what was seen."""
    distance = replace(BEST, scale=-0.0005, offset=5.62)
    words = answer_words(yard, answer(best=distance, valid_below=1.12), READINGS)
    assert words.verdict.words == "sure only above 1.120 m"
    assert "from 1.120 m down" in words.next[0]
    assert "been lower" in words.next[0]


def test_scale_open_and_none(yard: Survey) -> None:
    assert (
        answer_words(yard, answer(MatchStatus.SCALE_OPEN), READINGS).verdict.words == "register settled, scale open"
    )
    nothing = answer(MatchStatus.NONE, best=None, unit=None)
    words = answer_words(yard, nothing, READINGS)
    assert (words.verdict.words, words.best) == ("none", None)
    assert "unit" in words.next[0]
    assert "another" in answer_words(yard, nothing, READINGS[:1]).next[0]


@pytest.mark.parametrize(
    ("rivals", "told_"),
    [
        ((), "device 7 register 40 or something else"),
        ((FAR,), "device 7 register 40 or device 9 register 10"),
        ((FAR, FAR, FAR), "device 7 register 40 or device 9 register 10 or 2 others"),
        ((replace(BEST, encoding="int16"),), "device 7 register 40 as unsigned 16 bit or signed 16 bit"),
        (
            (replace(BEST, scale=-0.001, offset=5.0),),
            "device 7 register 40 as m = decoded × 0.001 or m = 5 - decoded × 0.001",
        ),
    ],
)
def test_an_ambiguous_answer_names_what_differs(yard: Survey, rivals: tuple[Rival, ...], told_: str) -> None:
    words = answer_words(yard, answer(MatchStatus.AMBIGUOUS, rivals=rivals), READINGS)
    assert words.verdict.words == f"ambiguous: {told_}"


def test_rivals_come_with_bytes_number_and_level(yard: Survey) -> None:
    words = answer_words(yard, answer(MatchStatus.AMBIGUOUS, rivals=(FAR,)), READINGS)
    (rival,) = words.rivals
    assert rival.encoding == "float 32 bit, low word first"
    (decoded,) = struct.unpack(">f", bytes.fromhex(rival.taken))
    assert float(rival.now) == pytest.approx(decoded, abs=0.01)
    assert float(rival.level_now.split()[0]) == pytest.approx(decoded * 0.3048, abs=0.0006)


def test_the_moment_to_read_is_told_on_every_clock(yard: Survey) -> None:
    words = answer_words(
        yard,
        answer(MatchStatus.AMBIGUOUS, next="Read it again.", next_ns=(T_S + 450) * S),
        READINGS,
        ZoneInfo("America/Chicago"),
    )
    assert words.next == ("Read it again.",)
    assert words.when == f"0:07:30 into this record: 2026-03-11 09:07:30 CDT, time_s {T_S + 450}"


@pytest.mark.parametrize(
    ("scale", "offset", "law"),
    [
        (1.0, 0.0, "m = decoded"),
        (-1.0, 5.6005, "m = 5.6005 - decoded"),
        (0.0731343, 0.41854, "m = decoded × 0.073134 + 0.4185"),
        (-0.001, -2.0, "m = -2 - decoded × 0.001"),
        (0.001, -2.0, "m = decoded × 0.001 - 2"),
    ],
)
def test_laws_are_told_as_one_would_write_them(scale: float, offset: float, law: str) -> None:
    assert law_words(Rival(1, "holding-register", 0, "uint16", scale, offset, 1.0), "m", 3, 27.15) == law


@given(
    st.floats(1e-7, 1e3).flatmap(lambda x: st.sampled_from([x, -x])),
    st.floats(-50, 50),
    st.integers(0, 4),
    st.floats(1, 4e9),
)
def test_a_law_as_told_is_off_by_a_tenth_of_the_last_digit_at_most(
    scale: float, offset: float, places: int, most: float
) -> None:
    law = law_words(Rival(1, "holding-register", 0, "uint32-high-word-first", scale, offset, 1.0), "m", places, most)
    found = re.fullmatch(
        r"m = (?:(?P<first>-?[\d.]+) - )?decoded(?: × (?P<scale>[\d.]+))?(?: (?P<sign>[+-]) (?P<offset>[\d.]+))?", law
    )
    assert found is not None, law
    told_scale, told_offset = float(found["scale"] or 1), 0.0
    if found["first"]:
        told_scale, told_offset = -told_scale, float(found["first"])
    elif found["offset"]:
        told_offset = float(found["sign"] + found["offset"])
    off = abs(told_scale * most + told_offset - scale * most - offset)
    assert off <= 0.1 * 10.0**-places + 0.05 * 10.0**-places + abs(scale * most) * 1e-12


def test_a_value_without_numbers_is_told(level: Device) -> None:
    empty: dict[str, object] = {"first": None, "last": None, "min": None, "max": None}
    words = told(level, **empty, faults=900)
    assert (words.now, words.span) == ("none", "")
    assert "900 answers" in words.faults
    assert isinstance(words.value, Value)
