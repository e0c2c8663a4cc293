"""The scorer itself: what is told right counts as right, and every planted wrong answer as wrong."""

from dataclasses import replace
from fractions import Fraction
from math import comb

import numpy as np
import pytest
from numpy.typing import NDArray
from registers.cases import GENERATORS, Case, case
from registers.encoding import ORDERS, Floats, decode, encode, integer_range, split, text_of, text_words, width
from registers.form import Field, Unit
from registers.score import Bin, Shares, Verdict, at_least, plausible, reliability, verdicts

from sidetap.line import decode as line_decode
from sidetap.line.encodings import ENCODINGS
from sidetap.survey.answers import block_of
from sidetap.survey.values import Alternative, Kind, Value, read_devices

CASE = Case("ours", 0, 0, 600, 1.0, "moving", faults=False)
ANSWERS = 400
FIRST = 40  # register
HEIGHT_M = 10.0
NUMBERS = tuple(e for e in ENCODINGS if e != "text")


def unit_of(*parts: tuple[str, str, Floats], empty: int = 0) -> Unit:
    """Return a device of these values side by side, (name, encoding, truth); NaN is sent as all ones."""
    fields: list[Field] = []
    columns: list[NDArray[np.uint16]] = [np.zeros((ANSWERS, empty), dtype=np.uint16)]
    place = empty
    for name, encoding, truth in parts:
        meant = np.where(np.isnan(truth), 0, truth)
        words = np.where(np.isnan(truth)[:, None], 0xFFFF, encode(encoding, meant)).astype(np.uint16)
        level = (1e-3, 0.0) if name == "level" else (None, None)
        fields.append(Field(name, place, words.shape[1], encoding, name in ("level", "temperature"), truth, *level))
        columns.append(words)
        place += words.shape[1]
    t_ns = np.arange(ANSWERS) * 1_000_000_000
    return Unit(
        3, "input-register", FIRST, t_ns, np.hstack(columns), tuple(fields), ORDERS[0], HEIGHT_M, np.zeros(ANSWERS)
    )


@pytest.fixture(scope="module")
def template() -> Value:
    words = np.arange(ANSWERS, dtype=np.uint16)[:, None]
    (device,) = read_devices([block_of(3, "input-register", FIRST, np.arange(ANSWERS) * 1_000_000_000, words)])
    return replace(device.values[0], confidence=0.995, valid_below=None, alternatives=(), kind=Kind.MEASUREMENT)


class Teller:
    """Tells values of a device by place and encoding."""

    def __init__(self, template: Value) -> None:
        self._template = template

    def __call__(self, start: int, encoding: str, **other: object) -> Value:
        values = {"register": FIRST + start, "width": width(encoding), "encoding": encoding, **other}
        return replace(self._template, **values)  # type: ignore[arg-type]


@pytest.fixture
def told(template: Value) -> Teller:
    return Teller(template)


def only(unit: Unit, *values: Value) -> Verdict:
    (verdict,) = verdicts(CASE, unit, values)
    return verdict


def ramp(low: float, high: float) -> Floats:
    return np.rint(np.linspace(low, high, ANSWERS))


# ---- encoders


@pytest.mark.parametrize("encoding", NUMBERS)
def test_the_judge_s_encoders_and_decoders_agree_with_the_line_room_s(encoding: str) -> None:
    random = np.random.default_rng(2)
    if encoding.startswith("float"):
        values = random.normal(size=300) * 10.0 ** random.integers(-5, 6, 300)
    else:
        low, high = integer_range(encoding)
        values = np.concatenate([[low, high], random.integers(low, high + 1, 300)]).astype(np.float64)
    words = encode(encoding, values)
    assert [line_decode(encoding, row) for row in words.tolist()] == pytest.approx(values.tolist(), rel=1e-6)
    anything = np.concatenate([words, random.integers(0, 65_536, (500, width(encoding)), dtype=np.uint16)])
    theirs = [line_decode(encoding, row) for row in anything.tolist()]
    ours = [None if np.isnan(v) else v for v in decode(encoding, anything)]
    assert ours == theirs


def test_what_does_not_fit_is_not_encoded() -> None:
    with pytest.raises(ValueError, match="bcd16 holds 0 to 9999"):
        encode("bcd16", np.array([10_000.0]))


def test_a_text_comes_back() -> None:
    assert text_of(text_words("TK-03")) == "TK-03"
    assert text_words("TK-03").tolist() == [0x544B, 0x2D30, 0x3320]


# ---- right


@pytest.mark.parametrize("encoding", NUMBERS)
def test_the_true_encoding_is_right(encoding: str, told: Teller) -> None:
    unit = unit_of(("level", encoding, ramp(300, 5000)))
    verdict = only(unit, told(0, encoding))
    assert (verdict.right, verdict.within, verdict.sure) == (True, True, True)
    assert verdict.order_right in ({True} if split(encoding)[1] else {None})
    assert verdict.kind_right is True


@pytest.mark.parametrize("encoding", NUMBERS)
def test_any_other_encoding_of_as_many_registers_is_wrong_unless_it_is_the_same_function(
    encoding: str, told: Teller
) -> None:
    unit = unit_of(("level", encoding, ramp(300, 5000)))
    alike = {"uint16", "int16", "bits16"}, {f"uint32-{split(encoding)[1]}", f"int32-{split(encoding)[1]}"}
    for other in NUMBERS:
        if width(other) == width(encoding) and other != encoding:
            same = any({encoding, other} <= group for group in alike)
            assert only(unit, told(0, other)).right is same, other


def test_what_differs_only_in_negative_answers_is_wrong(told: Teller) -> None:
    unit = unit_of(("temperature", "int16", ramp(-5, 90)))
    assert only(unit, told(0, "int16")).right
    assert not only(unit, told(0, "uint16")).right
    assert not only(unit, told(0, "uint16", valid_below=32_768)).right


def test_one_answer_that_decodes_otherwise_is_wrong(told: Teller) -> None:
    unit = unit_of(("level", "uint16", ramp(300, 5000)))
    unit.words[17, 0] += 1
    assert not only(unit, told(0, "uint16")).right


def test_another_place_is_wrong(told: Teller) -> None:
    unit = unit_of(("level", "uint32-high-word-first", ramp(300_000, 900_000)), empty=1)
    assert only(unit, told(1, "uint32-high-word-first")).right
    assert not only(unit, told(0, "uint32-high-word-first")).right
    assert not only(unit, told(2, "uint32-high-word-first")).right  # past the end of the block


def test_cut_in_two_is_wrong(told: Teller) -> None:
    unit = unit_of(("level", "float32-low-word-first", np.linspace(2, 9, ANSWERS).astype("f4").astype("f8")))
    verdict = only(unit, told(0, "uint16", confidence=0.999), told(1, "uint16", confidence=0.7))
    assert (verdict.right, verdict.confidence, verdict.order_right) == (False, 0.999, False)
    assert verdict.told == ("uint16", "uint16")


def test_nothing_told_is_wrong_without_confidence(told: Teller) -> None:
    verdict = only(unit_of(("level", "uint16", ramp(300, 5000)), empty=2), told(0, "uint16"))
    assert (verdict.right, verdict.confidence, verdict.told, verdict.kind_right) == (False, 0.0, (), False)


# ---- beyond what was seen


def test_a_still_high_word_is_right_only_below_its_limit(told: Teller) -> None:
    unit = unit_of(("level", "uint32-high-word-first", ramp(43_000, 60_000)))
    verdict = only(unit, told(0, "uint16", confidence=0.999), told(1, "uint16", valid_below=65_536, confidence=0.8))
    assert (verdict.right, verdict.order_right, verdict.confidence) == (True, True, 0.8)
    assert not only(unit, told(1, "uint16")).right  # 60,000 * 1.5 is beyond 65,535
    assert not only(unit, told(1, "uint16", valid_below=70_000)).right
    assert only(unit, told(0, "uint32-high-word-first")).right


def test_a_still_word_of_ten_thousands_is_right_only_below_ten_thousand(told: Teller) -> None:
    unit = unit_of(("level", "mod10k32-low-word-first", ramp(3000, 9000)))
    assert only(unit, told(0, "uint16", valid_below=10_000)).right
    assert not only(unit, told(0, "uint16", valid_below=65_536)).right
    assert not only(unit, told(0, "uint32-low-word-first", valid_below=65_536)).right


def test_a_sign_never_seen_is_right_below_its_limit_or_where_no_value_goes(told: Teller) -> None:
    warm, cold = ramp(150, 250), ramp(20_000, 31_000)
    assert only(unit_of(("temperature", "int16", warm)), told(0, "uint16")).right
    high = unit_of(("temperature", "uint16", cold))
    assert not only(high, told(0, "int16")).right  # 31,000 * 1.5 is no int16
    assert only(high, told(0, "int16", valid_below=32_768)).right


def test_a_gauge_that_reads_below_zero_when_empty_is_right_unsigned_below_the_limit_of_signs(told: Teller) -> None:
    unit = unit_of(("level", "int16", ramp(300, 5000)))
    mounted = replace(unit, fields=(replace(unit.fields[0], level_offset=0.5),))  # empty, it sends -500
    assert not only(mounted, told(0, "uint16")).right
    assert only(mounted, told(0, "uint16", valid_below=32_768)).right


def test_digits_that_never_passed_nine_are_wrong_beyond(told: Teller) -> None:
    unit = unit_of(("temperature", "bcd16", ramp(2, 9)))
    assert (decode("uint16", unit.words) == unit.fields[0].truth).all()
    assert not only(unit, told(0, "uint16")).right
    assert only(unit, told(0, "uint16", valid_below=10)).right


def test_told_as_no_number_below_the_limit_is_wrong(told: Teller) -> None:
    unit = unit_of(("temperature", "uint16", ramp(2, 9)))
    assert not only(unit, told(0, "bcd16", valid_below=65_536)).right  # 10 is no bcd16


def test_the_vessel_s_reach_counts_and_not_only_what_was_seen() -> None:
    unit = unit_of(("level", "uint16", ramp(300, 500)), ("temperature", "int16", ramp(-20, 60)))
    level, temperature = (plausible(unit, field) for field in unit.fields)
    assert (level.min(), level.max()) == (0, 10_500)  # 10 m and a twentieth, in mm
    assert (temperature.min(), temperature.max()) == (-30, 90)


# ---- codes for "no value", and silence


def test_codes_for_no_value_are_not_compared(told: Teller) -> None:
    truth = ramp(300, 5000)
    truth[100:120] = np.nan
    unit = unit_of(("level", "uint16", truth))
    assert only(unit, told(0, "uint16")).right
    assert only(unit, told(0, "int16")).right  # -1 instead of 65535, but neither is a value
    still = np.where(np.isnan(truth), np.nan, 300)
    assert not only(unit_of(("level", "uint16", still)), told(0, "uint16")).varies
    truth[:] = np.nan
    assert not list(verdicts(CASE, unit_of(("level", "uint16", truth)), [told(0, "uint16")]))


def test_registers_that_carry_nothing_are_not_judged(told: Teller) -> None:
    assert not list(verdicts(CASE, unit_of(("setting", "float32-low-word-first", np.zeros(ANSWERS))), []))


# ---- alternatives, orders, kinds, texts


@pytest.mark.parametrize(("other", "within"), [("uint32-low-word-first", True), ("uint32-high-word-first", False)])
def test_an_alternative_counts_as_within(other: str, within: bool, told: Teller) -> None:
    unit = unit_of(("level", "uint32-low-word-first", ramp(300_000, 900_000)))
    verdict = only(unit, told(0, "uint16", alternatives=(Alternative(other, 0.2),)))
    assert (verdict.right, verdict.within) == (False, within)


def test_an_alternative_may_start_one_register_before_or_end_one_after(told: Teller) -> None:
    unit = unit_of(("level", "uint32-high-word-first", ramp(300_000, 900_000)))
    assert only(unit, told(1, "uint16", alternatives=(Alternative("uint32-high-word-first", 0.2),))).within
    low = unit_of(("level", "uint16", ramp(300, 900)), empty=1)
    assert only(low, told(0, "float32-low-word-first", alternatives=(Alternative("uint16", 0.2),))).within


def test_an_order_is_right_where_any_value_there_has_it(told: Teller) -> None:
    unit = unit_of(("level", "float32-low-word-first", np.linspace(2, 9, ANSWERS).astype("f4").astype("f8")))
    assert only(unit, told(0, "uint32-low-word-first")).order_right is True
    assert only(unit, told(0, "float32-high-word-first")).order_right is False


@pytest.mark.parametrize(
    ("name", "truth", "kind"),
    [
        ("level", ramp(300, 900), Kind.MEASUREMENT),
        ("level", ramp(300, 300), Kind.CONSTANT),
        ("status", ramp(0, 1), Kind.STATUS),
        ("heartbeat", ramp(0, 399), Kind.COUNTER),
    ],
)
def test_kinds(name: str, truth: Floats, kind: Kind, told: Teller) -> None:
    unit = unit_of((name, "uint16", truth))
    assert [k for k in Kind if only(unit, told(0, "uint16", kind=k)).kind_right] == [kind]


def test_a_text_is_right_when_it_reads_the_same(told: Teller) -> None:
    words = np.tile(text_words("TK-03 WEST"), (ANSWERS, 1))
    field = Field("text", 0, words.shape[1], "text", False, np.empty(0))
    t_ns = np.arange(ANSWERS)
    unit = Unit(3, "input-register", FIRST, t_ns, words, (field,), ORDERS[0], HEIGHT_M, np.zeros(ANSWERS))
    whole = replace(told(0, "uint16"), encoding="text", width=5, kind=Kind.TEXT)
    assert only(unit, whole).right
    assert not only(unit, replace(whole, width=4)).right
    assert not only(unit, replace(whole, encoding="uint16", width=1)).right
    number = unit_of(("setting", "uint16", ramp(0x5448, 0x5448)))
    assert not only(number, replace(whole, width=1)).right


# ---- counting


def a_verdict(confidence: float, *, right: bool) -> Verdict:
    return Verdict(CASE, "level", 0, "uint16", True, True, ("uint16",), confidence, right, right, None, right)


def test_shares_count_each_class() -> None:
    found = [a_verdict(0.99, right=True), a_verdict(0.9899, right=False), a_verdict(1.0, right=False)]
    assert Shares.of(found) == Shares(
        count=3, right=1, within=1, ordered=0, order_right=0, kinds=3, kind_right=1, sure=2, sure_wrong=1
    )


@pytest.mark.parametrize(("hits", "tries"), [(0, 5), (1, 5), (5, 5), (3, 40), (40, 40), (7, 300)])
@pytest.mark.parametrize("p", [Fraction(1, 1000), Fraction(1, 20), Fraction(1, 2), Fraction(9, 10)])
def test_the_tail_of_the_binomial_against_exact_fractions(hits: int, tries: int, p: Fraction) -> None:
    exact = sum(comb(tries, k) * p**k * (1 - p) ** (tries - k) for k in range(hits, tries + 1))
    assert at_least(hits, tries, float(p)) == pytest.approx(float(exact), rel=1e-9)


def test_the_tail_where_nothing_or_all_may_happen() -> None:
    assert (at_least(0, 9, 0.0), at_least(1, 9, 0.0), at_least(9, 9, 1.0)) == (1.0, 0.0, 1.0)


def test_a_bin_is_too_sure_only_when_chance_does_not_explain_it() -> None:
    # 1,000 at 0.999: 1 wrong is expected; 6 or more come with a chance of 6e-4, 8 or more of 1e-5
    assert not Bin(0.999, 1.0, 1000, 994, 0.999).over_confident
    assert Bin(0.999, 1.0, 1000, 992, 0.999).over_confident
    assert not Bin(0.5, 0.7, 1000, 1000, 0.6).over_confident  # too modest is no fault


def test_bins_hold_what_lies_in_them() -> None:
    found = [a_verdict(c, right=c > 0.6) for c in (0.0, 0.4999, 0.5, 0.7, 0.95, 0.99, 0.999, 1.0)]
    told = [(b.low, b.count, b.right) for b in reliability(found)]
    assert told == [(0.0, 2, 0), (0.5, 1, 0), (0.7, 1, 1), (0.95, 1, 1), (0.99, 1, 1), (0.999, 2, 2)]


def test_a_case_makes_the_same_device_again() -> None:
    for generator in GENERATORS:
        one, same, other = (case(generator, 5, n, faults=True).unit() for n in (3, 3, 6))
        assert np.array_equal(one.words, same.words)
        assert not np.array_equal(one.words, other.words)
