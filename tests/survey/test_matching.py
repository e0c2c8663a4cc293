"""Readings to registers: every kind of transmitter is found, and nothing wrong is ever settled."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
import pytest
from survey_lines import Floats, S, Words, device_block, encode, level_mm, merged, reads, surveyed

from sidetap.errors import BadInput
from sidetap.line import decode_array
from sidetap.survey import Answer, MatchStatus, PersonReading, ReadingKind, Survey, match, outside_of

ANSWERS = 3600
SHAPES = ("mm", "tenths", "kPa", "ullage", "percent", "feet")


@dataclass(frozen=True, slots=True)
class Tank:
    """A made-up vessel: its true level in m, and the words its transmitter sends."""

    device: int
    level: Floats
    words: Words


def tank(device: int, shape: str, seed: int, level: Floats | None = None) -> Tank:
    random = np.random.default_rng(seed)
    true = level_mm(random, ANSWERS, top=random.uniform(2000, 6000)) / 1000 if level is None else level
    match shape:
        case "mm":
            words = np.column_stack([encode(true * 1000, "uint16"), np.ones(len(true))])
        case "tenths":
            words = encode(true * 10_000, "uint32", "low-word-first")
        case "kPa":
            words = encode((true - random.uniform(0.1, 0.6)) * random.uniform(9, 14), "float32", "high-word-first")
        case "ullage":
            quality = np.clip(random.normal(80, 2, len(true)), 0, 100)
            words = np.column_stack([encode((random.uniform(6.5, 9) - true) * 1000, "uint16"), np.rint(quality)])
        case "percent":
            words = encode(true / random.uniform(6.5, 9) * 10_000, "uint16")
        case _:
            words = encode(true / 0.3048, "float32", "low-word-first")
    return Tank(device, np.asarray(true), words.astype(np.uint16))


def line(tanks: list[Tank]) -> Survey:
    return surveyed(merged(*(reads(t.device, 0, t.words, start_ns=t.device * S // 40) for t in tanks)))


def reading(name: str, row: int, at_s: int, value: float, **changes: object) -> PersonReading:
    exact = Fraction(round(value * 1000), 1000)
    half = Fraction(1, 2000)
    base = PersonReading(row, at_s * S, name, exact, "m", half, half, None, ReadingKind.DISPLAY)
    return replace(base, **changes)  # type: ignore[arg-type]


def walk_round(name: str, own: Tank, seed: int, *, calm: bool = True) -> list[PersonReading]:
    """Return three display readings as far apart as the calm level allows, and two dips, typed up to 5 s off."""
    random = np.random.default_rng(seed)
    inner = np.arange(30, len(own.level) - 30)
    if calm:
        inner = inner[np.abs(own.level[inner + 12] - own.level[inner - 12]) < 0.004]
    middle = (own.level.min() + own.level.max()) / 2
    moments = [inner[np.argmin(own.level[inner])], inner[np.argmax(own.level[inner])]]
    moments.append(inner[np.argmin(np.abs(own.level[inner] - middle))])
    if np.diff(np.sort(own.level[moments])).min() < 0.305:
        raise ValueError("the level moves too little")
    rows = [
        reading(name, n + 1, int(at) + int(random.integers(-4, 5)), own.level[at]) for n, at in enumerate(moments)
    ]
    for n in (4, 5):
        at = int(random.choice(inner))
        value = own.level[at] + random.uniform(-0.003, 0.003)
        rows.append(reading(name, n, at, value, kind=ReadingKind.DIP))
    return rows


def promise_kept(answer: Answer, own: Tank, rounding: float = 0.0005) -> bool:
    """Return whether the answer's level is within 0.5 % of the span seen and the readings' rounding, throughout."""
    best = answer.best
    if best is None or best.device != own.device:
        return False
    width = 2 if "word" in best.encoding else 1
    decoded = decode_array(best.encoding, own.words[:, best.register : best.register + width])
    # the transmitter's own rounding is no fault of the answer: half a mm, and the jitter inside a float's digits
    allowed = 0.005 * float(np.ptp(own.level)) + rounding + 0.0005
    return bool(np.abs(decoded * best.scale + best.offset - own.level).max() <= allowed)


def moving(shape: str, seed: int) -> Tank:
    """Return a tank whose calm levels lie more than two feet apart."""
    for again in range(100):
        own = tank(1 + SHAPES.index(shape), shape, 1000 * again + seed)
        try:
            walk_round("X", own, 0)
        except ValueError:
            continue
        return own
    raise AssertionError("no such tank")


@pytest.fixture(scope="module")
def yard() -> tuple[list[Tank], Survey]:
    tanks = [moving(shape, 40 + n) for n, shape in enumerate(SHAPES)]
    return tanks, line(tanks)


@pytest.mark.parametrize("shape", SHAPES)
def test_every_kind_of_transmitter_is_settled_and_right(yard: tuple[list[Tank], Survey], shape: str) -> None:
    tanks, found = yard
    own = tanks[SHAPES.index(shape)]
    (answer,) = match(found, walk_round("X", own, 7))
    assert answer.status is MatchStatus.SETTLED
    assert promise_kept(answer, own)
    assert answer.suspect_readings == ()
    assert answer.document()["next"] is None


def test_acceptance_9_the_match_is_usable_below_the_carry(yard: tuple[list[Tank], Survey]) -> None:
    tanks, found = yard
    (answer,) = match(found, walk_round("T1", tanks[0], 7))
    assert answer.valid_below is None  # a sign would show beyond 32.768 m, where no vessel reaches
    low = moving("tenths", 41)
    high = tank(2, "tenths", 1, low.level + 2.0)
    for own, limit in ((high, 6.5536), (low, 3.2768)):  # the lower never set the highest bit of its word
        (answer,) = match(line([own]), walk_round("T2", own, 7))
        assert answer.status is MatchStatus.SETTLED
        assert answer.valid_below == pytest.approx(limit)
    (answer,) = match(line([high]), walk_round("T2", high, 7), {"T2": Fraction(6096, 1000)})
    assert answer.valid_below is None


def test_acceptance_10_the_neighbour_is_not_the_level(yard: tuple[list[Tank], Survey]) -> None:
    tanks, found = yard
    (answer,) = match(found, walk_round("T1", tanks[0], 7))
    assert answer.best is not None
    assert (answer.best.register, answer.best.encoding) == (0, "uint16")
    assert answer.best.scale == pytest.approx(0.001)
    assert 1 not in {r.register for r in answer.rivals if r.device == 1}


def test_one_reading_alone_settles_nothing(yard: tuple[list[Tank], Survey]) -> None:
    tanks, found = yard
    for own in tanks:
        (answer,) = match(found, walk_round("X", own, 7)[:1])
        assert answer.status is not MatchStatus.SETTLED
        assert answer.confidence is None or answer.confidence < 0.99


def test_an_idle_tank_settles_nothing() -> None:
    random = np.random.default_rng(6)
    idle = tank(1, "mm", 1, 3.48 + random.normal(0, 0.0004, ANSWERS))
    other = tank(2, "feet", 2)
    rows = [reading("T1", n + 1, at, 3.48) for n, at in enumerate((100, 1500, 3000))]
    (answer,) = match(line([idle, other]), rows)
    assert answer.status is MatchStatus.AMBIGUOUS
    assert answer.next is not None
    assert "moved" in answer.next


def test_twins_settle_nothing() -> None:
    one = moving("mm", 3)
    two = Tank(2, one.level, one.words)
    (answer,) = match(line([one, two]), walk_round("T1", one, 7))
    assert answer.status is MatchStatus.AMBIGUOUS
    assert {answer.best.device if answer.best else None, *(r.device for r in answer.rivals)} == {1, 2}
    assert answer.document()["next_at_s"] is None
    (answer,) = match(line([one, two]), [replace(r, device=1) for r in walk_round("T1", one, 7)])
    assert answer.status is MatchStatus.SETTLED


def test_a_moment_that_would_have_settled_it() -> None:
    one = moving("mm", 3)
    parted = one.level.copy()
    parted[3000:] -= 0.4
    two = tank(2, "mm", 1, parted)
    found = line([one, two])
    at = [int(np.argmin(one.level[30:2900])) + 30, int(np.argmax(one.level[30:2900])) + 30]
    rows = [reading("T1", n + 1, t, one.level[t]) for n, t in enumerate(at)]
    (answer,) = match(found, rows)
    assert answer.status is MatchStatus.AMBIGUOUS
    assert answer.next_ns is not None
    moment = answer.next_ns // S
    assert moment >= 2995
    rows.append(reading("T1", 3, moment, one.level[moment]))
    (answer,) = match(found, rows)
    assert answer.status is MatchStatus.SETTLED
    assert promise_kept(answer, one)


def test_a_level_no_register_sends_is_none(yard: tuple[list[Tank], Survey]) -> None:
    _, found = yard
    (answer,) = match(found, walk_round("T9", moving("mm", 77), 7))
    document = answer.document()
    assert document["status"] == "none"
    assert all(value is None for key, value in document.items() if key not in ("name", "status"))


def test_a_mistyped_reading_is_a_suspect(yard: tuple[list[Tank], Survey]) -> None:
    tanks, found = yard
    rows = walk_round("T1", tanks[0], 7)
    rows[1] = replace(rows[1], value=rows[1].value + 1)
    (answer,) = match(found, rows)
    assert answer.suspect_readings == (2,)
    assert answer.status is not MatchStatus.SETTLED or promise_kept(answer, tanks[0])


def test_answers_in_feet_and_inches(yard: tuple[list[Tank], Survey]) -> None:
    tanks, found = yard
    rows = [
        replace(
            r,
            unit="ft",
            value=Fraction(round(r.value / Fraction(254, 10_000) * 8), 96),
            rounding=Fraction(1, 192),
            tolerance=Fraction(1, 192),
        )
        for r in walk_round("T1", tanks[0], 7)
    ]
    (answer,) = match(found, rows)
    assert answer.status is MatchStatus.SETTLED
    assert answer.unit == "ft"
    assert answer.best is not None
    assert answer.best.scale == pytest.approx(0.001 / 0.3048, rel=0.002)


def test_names_keep_their_order_and_a_record_without_times_is_refused(yard: tuple[list[Tank], Survey]) -> None:
    tanks, found = yard
    rows = [*walk_round("B", tanks[1], 7), *walk_round("A", tanks[0], 7)]
    assert [a.name for a in match(found, rows)] == ["B", "A"]
    timeless = [replace(t, t_ns=None, t_end_ns=None) for t in reads(1, 0, tanks[0].words[:50])]
    with pytest.raises(BadInput, match="no registers with times"):
        match(surveyed(timeless), rows)


@pytest.mark.parametrize(("name", "value"), [("T1", None), ("Pond", 77.7), ("Pit", 0.9), ("Sump", 12.34)])
@pytest.mark.parametrize("count", [1, 2, 3])
def test_the_answer_is_the_most_probable(
    yard: tuple[list[Tank], Survey], name: str, value: float | None, count: int
) -> None:
    tanks, found = yard
    rows = walk_round(name, tanks[0], 7)[:count]
    if value is not None:
        rows = [replace(r, value=Fraction(value) + n % 2) for n, r in enumerate(rows)]
    (answer,) = match(found, rows)
    assert (answer.best is None) == (answer.status is MatchStatus.NONE)
    if answer.best is not None:
        assert all(r.confidence <= answer.best.confidence for r in answer.rivals)


def test_a_still_record_has_no_moment_that_would_settle_it() -> None:
    """Neither one nor two readings: a third would still not tell a moving level from an idle one."""
    still = Tank(1, np.full(60, 3.48), encode(np.full(60, 3480.0), "uint16"))
    found = line([still])
    for count in (1, 2):
        (answer,) = match(found, [reading("T1", n + 1, 20 + 20 * n, 3.48) for n in range(count)])
        assert answer.status is MatchStatus.AMBIGUOUS
        assert answer.next_ns is None
        assert answer.next is not None
        assert ("one reading" in answer.next) == (count == 1)
        assert ("lie so close together" in answer.next) == (count == 2)


def test_a_moment_that_is_named_lies_where_the_level_has_moved(yard: tuple[list[Tank], Survey]) -> None:
    tanks, found = yard
    rows = walk_round("T1", tanks[0], 7)[:1]
    (answer,) = match(found, rows)
    assert answer.next_ns is not None
    assert abs(tanks[0].level[answer.next_ns // S] - float(rows[0].value)) > 0.003


def test_readings_outside_of_the_record_are_left_out(yard: tuple[list[Tank], Survey]) -> None:
    tanks, found = yard
    rows = walk_round("T1", tanks[0], 7)
    late = reading("T1", 6, ANSWERS + 60, 3.0)
    early = reading("Gone", 7, -10, 3.0)
    edge = reading("T1", 8, -4, tanks[0].level[0])
    assert outside_of(found, [*rows, late, early, edge]) == [late, early]
    (alone,) = match(found, rows)
    answer, gone = match(found, [*rows, late, early])
    assert answer == replace(alone, outside_readings=(6,))
    assert answer.document()["suspect_readings"] == [6]
    assert (gone.status, gone.outside_readings) == (MatchStatus.NONE, (7,))


def test_nothing_settled_is_wrong_on_made_up_yards() -> None:
    """Two to five readings of yards of five tanks each, one of them mistyped now and then."""
    count: Counter[str] = Counter()
    for seed in range(700, 705):
        random = np.random.default_rng(seed)
        shapes = random.permutation(SHAPES)[:4]
        tanks = [replace(moving(str(s), seed + n), device=n + 1) for n, s in enumerate(shapes)]
        noise, _ = device_block(random, ANSWERS)
        found = line([*tanks, Tank(9, np.zeros(1), noise)])
        for n, own in enumerate(tanks):
            rows = walk_round(f"T{n}", own, seed, calm=bool(random.random() < 0.7))[: random.integers(2, 6)]
            if random.random() < 0.2:
                rows[0] = replace(rows[0], value=rows[0].value + Fraction(int(random.choice([-1, 1]))))
            (answer,) = match(found, rows)
            right = promise_kept(answer, own)
            count[f"{answer.status} {'right' if right else 'wrong'}"] += 1
    assert count["settled wrong"] == 0, count
    assert count["settled right"] >= 10, count


# -- ways to tell a level, and what may be told of them -------------------------------------------------------------


def by_hand(values: Floats, encoding: str) -> Words:
    """Return the registers of values, as the encodings are described; not by the project's own decoders."""
    kind, _, order = encoding.partition("-")
    if kind == "bcd16":
        return np.array([[int(f"{round(v):04d}", 16)] for v in values], dtype=np.uint16)
    if kind == "mod10k32":
        words = np.array([divmod(round(v), 10_000) for v in values], dtype=np.uint16)
    elif kind == "float64":
        words = values.astype(">f8").view(">u2").reshape(-1, 4).astype(np.uint16)
    else:
        return encode(values, kind, order)
    words = words.byteswap() if order.endswith("swapped") else words
    return words[:, ::-1] if order.startswith("low") else words


def swinging(low: float = 1.4, high: float = 5.2) -> Floats:
    """Return a level in m that rises and falls through its range, smoothly, without repeating itself."""
    t = np.arange(ANSWERS)
    return low + (high - low) * (0.5 + 0.3 * np.sin(t / 530) + 0.2 * np.sin(t / 171 + 1))


def three(name: str, level: Floats, digits: int = 3) -> list[PersonReading]:
    """Return three readings far apart, rounded to so many digits of a metre, up to 4 s off."""
    moments = [int(np.argmin(level[20:-20])) + 20, int(np.argmax(level[20:-20])) + 20]
    moments.append(int(np.argmin(np.abs(level - level[moments].mean()))))
    half = Fraction(1, 2 * 10**digits)
    return [
        replace(
            reading(name, n + 1, at + n, 0.0),
            value=Fraction(round(level[at] * 10**digits), 10**digits),
            rounding=half,
            tolerance=half,
        )
        for n, at in enumerate(moments)
    ]


INCH, FOOT, PSI = 0.0254, 0.3048, 6894.757  # m, m (NIST Handbook 44, appendix C: exact), Pa


@pytest.mark.parametrize(
    ("encoding", "counts"),
    [
        ("bcd16", lambda m: m / FOOT * 100),
        ("mod10k32-high-word-first", lambda m: m * 10_000),
        ("mod10k32-low-word-first-swapped", lambda m: m / INCH * 1000),
        ("float64-high-word-first", lambda m: m),
        ("float64-low-word-first", lambda m: m / FOOT),
        ("int32-low-word-first", lambda m: m * 10_000 - 30_000),
        ("uint16", lambda m: m / INCH * 16),
        ("uint16", lambda m: m / INCH * 8),
        ("uint16", lambda m: m * 100),
        ("float32-high-word-first-swapped", lambda m: m / INCH),
        ("uint16", lambda m: 4000 + 16_000 * m / 6.1),
        ("float32-low-word-first", lambda m: 4 + 16 * m / 6.1),
        ("float32-high-word-first", lambda m: (m - 0.35) * 998 * 9.80665 / 100),  # mbar at a nozzle
        ("float32-high-word-first", lambda m: (m - 0.35) * 1320 * 9.80665 / PSI),
        ("uint32-low-word-first", lambda m: (7.2 - m) * 10_000),
        ("float32-high-word-first", lambda m: m / 6.1 * 100),
    ],
)
def test_every_encoding_and_usual_way_to_tell_a_level_is_settled_by_three_readings(
    encoding: str, counts: Callable[[Floats], Floats]
) -> None:
    level = swinging()
    own = Tank(1, level, by_hand(counts(level), encoding))
    other = tank(2, "feet", 2, swinging(0.8, 4.0)[::-1].copy())
    (answer,) = match(line([own, other]), three("T1", level))
    assert answer.status is MatchStatus.SETTLED
    best = answer.best
    assert best is not None
    assert (best.device, best.register) == (1, 0)
    told = counts(level)
    rounded = told if encoding.startswith("float") else np.rint(told)
    allowed = 0.005 * float(np.ptp(level)) + 0.001 + abs(best.scale) / 2 * (not encoding.startswith("float"))
    assert np.abs(rounded * best.scale + best.offset - level).max() <= allowed


def test_readings_of_a_share_settle_once_the_height_is_known() -> None:
    level = swinging(2.4, 3.4)
    own = Tank(1, level, encode(level / 6.0 * 1000, "uint16"))
    rows = three("T1", level, digits=1)
    found = line([own, tank(2, "feet", 2, swinging(0.8, 4.0)[::-1].copy())])
    (answer,) = match(found, rows)
    assert answer.status is MatchStatus.SCALE_OPEN
    (answer,) = match(found, rows, {"T1": Fraction(6)})
    assert answer.status is MatchStatus.SETTLED
    assert answer.best is not None
    assert answer.best.scale == pytest.approx(0.006)


def test_a_height_that_is_none_of_the_span_settles_nothing_wrong() -> None:
    level = swinging(2.4, 3.4)
    own = Tank(1, level, encode(level / 6.0 * 1000, "uint16"))
    for height in (5.0, 6.6, 8.0):
        (answer,) = match(line([own]), three("T1", level, digits=2)[:2], {"T1": Fraction(height)})
        assert answer.status is not MatchStatus.SETTLED or promise_kept(answer, own, 0.005)


def test_a_number_beyond_what_the_vessel_reaches_draws_no_limit() -> None:
    level = swinging()
    beside = np.zeros((ANSWERS, 1), dtype=np.uint16)
    own = Tank(1, level, np.column_stack([encode(level * 1000, "uint16"), beside]))
    (answer,) = match(line([own]), three("T1", level))
    assert answer.status is MatchStatus.SETTLED
    assert answer.valid_below == pytest.approx(10.0)  # four digits in each register, or one number of 16 bits
    (answer,) = match(line([own]), three("T1", level), {"T1": Fraction(8)})
    assert answer.valid_below is None


def test_a_distance_is_sure_above_its_limit() -> None:
    level = swinging()
    words = np.column_stack([np.zeros(ANSWERS), encode((6.4 - level) * 10_000, "uint16")]).astype(np.uint16)
    (answer,) = match(line([Tank(1, level, words)]), three("T1", level))
    assert answer.status is MatchStatus.SETTLED
    assert answer.best is not None
    assert answer.best.scale < 0
    # 65,536 counts of 0.1 mm below 6.4 m is below the bottom; the digits of 10,000 are passed within the record
    assert answer.valid_below is None


# -- twins, idle vessels, noise --------------------------------------------------------------------------------------


def test_a_register_of_another_kind_that_runs_alike_is_a_twin() -> None:
    level = swinging()
    direct = Tank(1, level, encode(level * 1000, "uint16"))
    loop = Tank(2, level, encode(4000 + 16_000 * level / 6.1, "uint16"))
    found = line([direct, loop])
    (answer,) = match(found, three("T1", level))
    assert answer.status is MatchStatus.AMBIGUOUS
    assert answer.best is not None
    assert answer.best.confidence <= 0.5
    assert {answer.best.device, *(r.device for r in answer.rivals)} == {1, 2}
    assert answer.next is not None
    assert "follow the wires" in answer.next
    (answer,) = match(found, [replace(r, device=1) for r in three("T1", level)])
    assert answer.status is MatchStatus.SETTLED


@pytest.mark.parametrize("count", [2, 3])
def test_twins_that_part_outside_of_the_readings_are_twins(count: int) -> None:
    level = swinging()
    parted = level.copy()
    parted[:900] += 0.5
    rows = [replace(r, t_ns=r.t_ns + 900 * S) for r in three("T1", level[900:])][:count]
    one, two = (
        Tank(1, level, encode(level * 1000, "uint16")),
        Tank(2, parted, encode((parted - 0.3) * 9.8, "float32", "high-word-first")),  # a pressure, in kPa
    )
    (answer,) = match(line([one, two]), rows)
    assert answer.status is MatchStatus.AMBIGUOUS
    assert answer.next_ns is not None
    assert answer.next_ns < 900 * S
    at = answer.next_ns // S
    (answer,) = match(line([one, two]), [*rows, reading("T1", 4, at, level[at])])
    assert answer.status is MatchStatus.SETTLED
    assert promise_kept(answer, one)


def test_what_a_display_shows_of_a_jittering_level_is_not_held_against_it() -> None:
    random = np.random.default_rng(3)
    level = swinging()
    own = Tank(1, level, encode((level + random.normal(0, 0.01, ANSWERS)) * 1000, "uint16"))
    rows = [
        replace(r, value=r.value + Fraction(d, 1000)) for r, d in zip(three("T1", level), (21, -17, 9), strict=True)
    ]
    (answer,) = match(line([own, tank(2, "feet", 2, swinging(0.8, 4.0)[::-1].copy())]), rows)
    assert answer.status is not MatchStatus.NONE
    assert answer.best is not None
    assert (answer.best.device, answer.best.scale, answer.best.offset) == (1, 0.001, 0.0)


def test_a_level_that_moves_while_polls_are_seldom_is_not_held_against_it() -> None:
    """A poll a minute, 1.5 mm a second: within the 5 s that a typed time is good to, the display moves by 7.5 mm."""
    seconds = np.arange(0, 4 * 3600, 60)
    level = 1.5 + 0.0015 * np.abs((seconds + 600) % 3600 - 1800)
    words = encode(level * 100, "float32", "high-word-first")
    found = surveyed(reads(1, 0, words, period_ns=60 * S))
    rows = [reading("T1", n + 1, int(seconds[at]) + 4, level[at]) for n, at in enumerate((3, 17, 40))]
    (answer,) = match(found, rows)
    assert answer.status is MatchStatus.SETTLED
    assert answer.best is not None
    assert (answer.best.scale, answer.best.offset) == (0.01, 0.0)


def test_zero_as_a_code_for_no_value_rules_nothing_out() -> None:
    level = swinging()
    words = encode(level * 1000, "uint16")
    lost = np.zeros(ANSWERS, dtype=np.bool_)
    for start in (300, 1500, 2600):
        lost[start : start + 40] = True
    rows = three("T1", level)
    in_a_gap = reading("T1", 4, 1520, level[1520])
    own = Tank(1, level, np.where(lost[:, None], 0, words).astype(np.uint16))
    (answer,) = match(line([own]), [*rows, in_a_gap])
    assert answer.status is MatchStatus.SETTLED
    assert answer.suspect_readings == ()


# -- what is asked next ----------------------------------------------------------------------------------------------


def test_the_next_reading_is_told_with_the_values_to_expect() -> None:
    level = swinging()
    apart = level.copy()
    apart[2400:] -= np.minimum(np.arange(ANSWERS - 2400) * 0.0005, 0.5)
    one, two = Tank(1, level, encode(level * 1000, "uint16")), Tank(2, apart, encode(apart * 1000, "uint16"))
    rows = three("T1", level[:2300])
    (answer,) = match(line([one, two]), rows)
    assert answer.status is MatchStatus.AMBIGUOUS
    assert answer.next is not None
    assert "now" in answer.next
    for own in (one, two):
        assert f"{own.level[-1]:.3f} m it is device {own.device} register 0" in answer.next


def test_a_mistyped_reading_is_named_and_good_ones_are_not() -> None:
    level = swinging()
    own = Tank(1, level, encode(level / FOOT * 100, "uint16"))
    other = tank(2, "feet", 2, swinging(0.8, 4.0)[::-1].copy())
    found = line([own, other])
    good = three("T1", level)
    (answer,) = match(found, good)
    assert answer.suspect_readings == ()
    slips: tuple[Callable[[Fraction], Fraction], ...] = (
        lambda v: v * 10,  # a missing decimal point
        lambda v: v / Fraction(3048, 10_000),  # feet for metres
        lambda v: v + Fraction(9, 10) * (-1 if v > 3 else 1),  # a digit changed
    )
    for n, slip in enumerate(slips):
        rows = [replace(r, value=slip(r.value)) if r.row == n + 1 else r for r in good]
        (answer,) = match(found, rows)
        assert set(answer.suspect_readings) <= {n + 1}
        assert answer.status is not MatchStatus.SETTLED or promise_kept(answer, own)
    rows = [*good, reading("T1", 4, 1000, float(level[1000]) * 10)]
    (answer,) = match(found, rows)
    assert answer.suspect_readings == (4,)
    assert answer.status is MatchStatus.SETTLED
