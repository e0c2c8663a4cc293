"""The judge of readings under judgement: its words against published values, its verdicts against planted faults."""

from dataclasses import replace

import numpy as np
import pytest
from registers import apart
from registers.trial_people import TAPES, mistaken, written
from registers.trial_people import table as readings_file
from registers.trial_words import ORDERS, decode, encode
from registers.trial_yards import Yard, borrowed_yard, yard
from registers.trials import Judged, Trial, judge, trials

from sidetap.survey.matching import Answer, MatchStatus, Rival

# Worked by hand from IEEE 754 and the order of words; three of them met in published questions about byte order.
PUBLISHED = (
    ("float32-high-word-first", 123.456, (0x42F6, 0xE979)),
    ("float32-low-word-first", 123.456, (0xE979, 0x42F6)),
    ("float32-high-word-first-swapped", 123.456, (0xF642, 0x79E9)),
    ("float32-low-word-first-swapped", 123.456, (0x79E9, 0xF642)),
    ("float32-low-word-first", 77.514603, (0x077A, 0x429B)),
    ("float32-low-word-first-swapped", 31.433521, (0xDA77, 0xFB41)),
    ("mod10k32-low-word-first", 1_234_567.0, (4567, 123)),
    ("bcd16", 1234.0, (0x1234,)),
    ("int16", -999.0, (0xFC19,)),
)


@pytest.mark.parametrize(("encoding", "value", "words"), PUBLISHED)
def test_words_are_the_published_ones(encoding: str, value: float, words: tuple[int, ...]) -> None:
    assert decode(np.array([words], dtype=np.uint16), encoding)[0] == pytest.approx(value, rel=1e-6)
    assert tuple(encode(np.array([value]), encoding)[0]) == words


@pytest.mark.parametrize("kind", ["uint32", "int32", "mod10k32", "float32"])
@pytest.mark.parametrize("order", ORDERS)
def test_every_order_undoes_itself(kind: str, order: str) -> None:
    values = np.array([0.0, 1.0, 9999.0, 10_000.0, 655_360.0, 12_345_678.0])
    assert decode(encode(values, f"{kind}-{order}"), f"{kind}-{order}").tolist() == values.tolist()


def test_the_same_seed_makes_the_same_trials() -> None:
    def told(made: Yard) -> list[str]:
        return [readings_file(made, "X", list(t.rows)) for t in trials(made)]

    assert told(yard(3)) == told(yard(3)) != told(yard(6))
    assert told(borrowed_yard(3, apart.unit)) == told(borrowed_yard(3, apart.unit))


def test_feet_and_inches_are_written_as_a_tape_shows_them() -> None:
    tape = next(form for form in TAPES if form.unit == "ft-in")
    assert written(3.480 / 0.3048, tape) == "11 ft 5 in"
    assert written(11.999, tape) == "12 ft 0 in"


@pytest.fixture(scope="module")
def tried() -> tuple[Yard, Trial]:
    """Return a trial of a vessel whose register is two words wide, of which the high one never moves."""
    made = yard(389)
    for trial in trials(made):
        if trial.kind == "two" and trial.vessel.law.encoding == "uint32-high-word-first":
            assert trial.vessel.height_m > 6.5536
            return made, trial
    raise AssertionError


def judged(tried: tuple[Yard, Trial], valid_below: float | None = None, **changed: object) -> Judged:
    """Return the verdict on the true answer, changed."""
    made, trial = tried
    unit, how = trial.vessel.unit, trial.hows[0]
    assert unit is not None
    field = next(f for f in unit.fields if f.name == "direct")
    assert field.level_scale is not None
    true = Rival(
        unit.device,
        unit.table,
        unit.register + field.start,
        field.encoding,
        field.level_scale * how.scale,
        how.offset,
        0.999,
    )
    best = replace(true, **changed)  # type: ignore[arg-type]
    answer = Answer("X", MatchStatus.SETTLED, best, how.form.unit, valid_below, (), (), None, None, ())
    return judge(made, trial, answer)


def test_the_truth_is_right(tried: tuple[Yard, Trial]) -> None:
    assert judged(tried).right


def test_a_wrong_scale_is_wrong(tried: tuple[Yard, Trial]) -> None:
    _, trial = tried
    assert trial.vessel.unit is not None
    scale = 0.0001 * trial.hows[0].scale
    verdict = judged(tried, scale=scale * 1.05)
    assert verdict.settled_wrong
    assert not verdict.on_record
    assert verdict.register


def test_a_wrong_offset_is_wrong(tried: tuple[Yard, Trial]) -> None:
    _, trial = tried
    verdict = judged(tried, offset=0.2 * trial.hows[0].scale)
    assert verdict.settled_wrong
    assert not verdict.on_record
    assert not verdict.beyond


@pytest.mark.parametrize("encoding", ["uint32-low-word-first", "float32-low-word-first"])
def test_a_wrong_encoding_is_wrong(tried: tuple[Yard, Trial], encoding: str) -> None:
    verdict = judged(tried, encoding=encoding)
    assert verdict.settled_wrong
    assert not verdict.register


def test_half_a_number_is_right_only_as_far_as_it_says(tried: tuple[Yard, Trial]) -> None:
    _, trial = tried
    unit, how = trial.vessel.unit, trial.hows[0]
    assert unit is not None
    low = unit.register + next(f.start for f in unit.fields if f.name == "direct") + 1
    verdict = judged(tried, register=low, encoding="uint16")
    assert verdict.on_record
    assert verdict.settled_wrong
    assert judged(tried, valid_below=6.5536 * how.scale, register=low, encoding="uint16").right


def test_another_device_is_wrong(tried: tuple[Yard, Trial]) -> None:
    made, trial = tried
    other = next(u for u in made.units if u is not trial.vessel.unit)
    assert judged(tried, device=other.device, table=other.table, register=other.register).settled_wrong


def test_a_mistake_matters_and_is_marked() -> None:
    made = yard(3)
    told = [t for t in trials(made) if t.kind.startswith("typo")]
    assert told
    assert all(len(t.mistakes) == 1 for t in told)
    random = np.random.default_rng(1)
    for trial in told:
        wrong = mistaken(random, made, trial.vessel, trial.hows[0], trial.rows[0])
        assert wrong is None or wrong.value != trial.rows[0].value
