"""Which register stands behind the readings people took: everything weighed, one answer for each name.

Devices and readings in, one `Answer` per name out. `fields` tells what every way to read a register read about the
readings, `weighing` what explains them, `promises` what that says over the whole record and how surely, `planning`
which reading would settle the rest. A name is settled only when its promise holds with 99 % and the readings tell a
moving level from an idle one. Readings taken outside of the record can't be laid beside it and are left out.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from sidetap.errors import BadInput
from sidetap.quantity import Dimension, from_si, unit
from sidetap.survey.matching.answer import Answer, MatchStatus, Rival
from sidetap.survey.matching.fields import TYPED_TIME_NS, Table, tables
from sidetap.survey.matching.instruction import SHOWN, instruction
from sidetap.survey.matching.limits import valid_below
from sidetap.survey.matching.planning import is_settled, would_settle
from sidetap.survey.matching.promises import UNMOVED, Promise, promises, rivals
from sidetap.survey.matching.readings import PersonReading
from sidetap.survey.matching.twins import twins
from sidetap.survey.matching.weighing import Case, Held, Weighed, weigh
from sidetap.survey.survey import Survey
from sidetap.survey.values import SETTLED, Device

_MOST_RIVALS = 5
_FEWEST_FOR_SUSPECTS = 3  # of two that disagree, either may be wrong
_PERHAPS = 0.5  # probability of being mistyped from which a reading is tried without


def match(
    survey: Survey, readings: Sequence[PersonReading], heights: Mapping[str, Fraction] | None = None
) -> list[Answer]:
    """Return one answer for each name, in the order in which the names first appear.

    heights: of vessels by name, in m, where they are known. BadInput when the recording has no times: then no reading
    can be laid beside it.
    """
    return match_devices(survey.devices, readings, survey.history.start_ns, survey.history.end_ns, heights)


def match_devices(
    devices: Sequence[Device],
    readings: Sequence[PersonReading],
    start_ns: int | None,
    end_ns: int | None,
    heights: Mapping[str, Fraction] | None = None,
) -> list[Answer]:
    """Return the same of devices, given when their record begins and ends."""
    by_name: dict[str, list[PersonReading]] = {}
    for reading in readings:
        by_name.setdefault(reading.name, []).append(reading)
    moments = sorted({r.t_ns for r in readings})
    found = tables(devices, moments)
    if not found or start_ns is None or end_ns is None:
        raise BadInput("the recording", "it holds no registers with times", "Record the line as .pcapng or .csv.")
    answers = []
    for name, own in by_name.items():
        inside = [r for r in own if _inside(r, start_ns, end_ns)]
        case = Case(tuple(inside), own[0].unit, _height(own[0].unit, (heights or {}).get(name)))
        answer = _answer(name, case, _asked(found, moments, case), start_ns) if inside else _no_answer(name)
        answers.append(replace(answer, outside_readings=tuple(r.row for r in own if r not in inside)))
    return answers


def outside_of(survey: Survey, readings: Sequence[PersonReading]) -> list[PersonReading]:
    """Return the readings taken before or after the record, by more than a typed time is off."""
    start_ns, end_ns = survey.history.start_ns, survey.history.end_ns
    if start_ns is None or end_ns is None:
        return list(readings)
    return [r for r in readings if not _inside(r, start_ns, end_ns)]


def _inside(reading: PersonReading, start_ns: int, end_ns: int) -> bool:
    return start_ns - TYPED_TIME_NS <= reading.t_ns <= end_ns + TYPED_TIME_NS


def _height(name_unit: str, height_m: Fraction | None) -> float | None:
    if height_m is None or unit(name_unit).dimension is not Dimension.LENGTH:
        return None
    return float(from_si(height_m, name_unit))


def _asked(found: Sequence[Table], moments: Sequence[int], case: Case) -> list[Table]:
    """Return the devices that may stand behind a case, at the moments of its readings."""
    hint = next((r.device for r in case.readings if r.device is not None), None)
    own = np.array([moments.index(r.t_ns) for r in case.readings])
    return [
        table.of(np.arange(len(table.fields)), own)
        for table in found
        if hint is None or table.fields[0].device == hint
    ]


def _answer(name: str, case: Case, asked: Sequence[Table], start_ns: int) -> Answer:
    weighed = weigh(case, asked)
    found = promises(weighed)
    if not found or not weighed.explained():
        return _no_answer(name)
    alike = twins(weighed, found[0], asked) if found[0].moved and found[0].register >= _PERHAPS else []
    if alike:
        found = [replace(p, confidence=min(p.confidence, UNMOVED)) for p in found]
    first = found[0]
    if is_settled(found):
        status = MatchStatus.SETTLED
    elif first.moved and first.register >= SETTLED and not alike:
        status = MatchStatus.SCALE_OPEN
    else:
        status = MatchStatus.AMBIGUOUS
    words, moment = None, None
    if status is not MatchStatus.SETTLED:
        moment = would_settle(weighed, found, alike)
        words = instruction(weighed, found, alike, moment, start_ns, name)
    others = [_rival(p.lead, probability) for p, probability in rivals(weighed, first, found[1:])]
    told = {f.key[:3] for f, _, _ in alike}
    others = [r for r in others if (r.device, r.table, r.register) not in told]
    others[:0] = [Rival(*f.key, scale, offset, first.confidence) for f, scale, offset in alike]
    return Answer(
        name,
        status,
        _rival(first.lead, first.confidence),
        case.unit,
        valid_below(weighed, first),
        _suspects(weighed, first, asked),
        tuple(r for r in others[:_MOST_RIVALS] if r.confidence >= SHOWN),
        words,
        moment,
        (),
    )


def _no_answer(name: str) -> Answer:
    return Answer(name, MatchStatus.NONE, None, None, None, (), (), None, None, ())


def _rival(held: Held, confidence: float) -> Rival:
    return Rival(*held.field.key, held.scale, held.offset, confidence)


def _suspects(weighed: Weighed, first: Promise, asked: Sequence[Table]) -> tuple[int, ...]:
    """Return the rows of readings that don't fit while all others, without them, agree on what the answer says."""
    readings = weighed.case.readings
    if len(readings) < _FEWEST_FOR_SUSPECTS:
        return ()
    held = weighed.held
    total = sum(h.probability for h in held)
    mistyped = sum((h.probability * (1 - h.trusted) for h in held), np.zeros(len(readings))) / total
    suspects = []
    for n, reading in enumerate(readings):
        if mistyped[n] < _PERHAPS or first.lead.trusted[n] > 1 - _PERHAPS:
            continue
        if math.isnan(first.lead.field.at(reading.t_ns)[0]):
            continue  # nothing speaks against it: the register told no value then
        if mistyped[n] >= SETTLED and first.moved and first.register >= SETTLED:
            suspects.append(reading.row)
            continue
        rest = [m for m in range(len(readings)) if m != n]
        case = replace(weighed.case, readings=tuple(readings[m] for m in rest))
        without = [t.of(np.arange(len(t.fields)), np.array(rest)) for t in asked]
        if _agree(promises(weigh(case, without)), first):
            suspects.append(reading.row)
    return tuple(suspects)


def _agree(found: Sequence[Promise], first: Promise) -> bool:
    """Return whether what is left is sure of its register, and that this is the answer's."""
    if not found or not found[0].moved or found[0].register < SETTLED:
        return False
    return found[0].lead.field.key[:3] == first.lead.field.key[:3]
