"""Trials of `match` on made-up yards: what people read, what was answered, and whether that was right by function.

A yard in, scored trials out. Right by function: the level that the answer computes from the words on the line is the
true one within what the contract promises, 0.5 % of the span seen and the readings' own rounding, over the whole
record; and the levels the vessel has yet to reach are told right too, as far as `valid_below` says. Knows the
matching by its public names alone.
"""

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from pathlib import Path

import numpy as np

from registers.form import Field, Unit
from registers.trial_people import (
    CLOCK_OFF_S,
    DIP_NOISE_M,
    LENGTHS,
    Manner,
    Row,
    calm_seconds,
    level_at,
    manner,
    mistaken,
    reading,
    table,
    to_next_code_s,
)
from registers.trial_words import Floats, decode, encode, range_of, width_of
from registers.trial_yards import FT_M, NS, Vessel, Yard
from sidetap.survey.answers import block_of
from sidetap.survey.matching import Answer, MatchStatus, Rival, match_devices, read
from sidetap.survey.values import Device, read_devices

SHARE = 0.005  # of the span seen: the contract's promise
LATER_S = 120.0  # a person's second look, without a plan
FAR_M = FT_M * 1.02  # two readings a foot apart


@dataclass(frozen=True, slots=True)
class Trial:
    """One name's readings. kind: what is tried. hows: how each row was read. heights: told to the matching."""

    yard: int
    number: int
    kind: str
    vessel: Vessel
    hows: tuple[Manner, ...]
    rows: tuple[Row, ...]
    height_told: bool = False

    @property
    def mistakes(self) -> set[int]:
        """Rows with a mistake, from 1."""
        return {n for n, row in enumerate(self.rows, 1) if row.mistake}


@dataclass(frozen=True, slots=True)
class Judged:
    """What an answer is worth. error: the worst over the record, as a share of what is allowed; inf for nonsense."""

    status: MatchStatus
    on_record: bool
    beyond: bool
    register: bool
    truth_among: bool
    error: float

    @property
    def settled(self) -> bool:
        """Whether it makes a promise."""
        return self.status is MatchStatus.SETTLED

    @property
    def right(self) -> bool:
        """Whether the answer says nothing wrong and has the truth in it."""
        if self.settled:
            return self.on_record and self.beyond
        return self.register if self.status is MatchStatus.SCALE_OPEN else self.truth_among

    @property
    def settled_wrong(self) -> bool:
        """Whether it promises what isn't so."""
        return self.settled and not self.right

    @property
    def open_wrong(self) -> bool:
        """Scale open, but of a wrong register."""
        return self.status is MatchStatus.SCALE_OPEN and not self.register


@dataclass(frozen=True, slots=True)
class Outcome:
    """A trial and its answer, judged; planned: the same after the reading that the answer asked for (None: none)."""

    trial: Trial
    answer: Answer
    judged: Judged
    planned: Judged | None = None
    planned_trial: Trial | None = None
    later: Judged | None = None


@dataclass(frozen=True)
class Bench:
    """A yard with what identification makes of it. later: also try a second reading two minutes after the first."""

    yard: Yard
    later: bool = True

    @cached_property
    def devices(self) -> list[Device]:
        """What blind identification tells of the yard's devices; once for all trials."""
        return read_devices([block_of(u.device, u.table, u.register, u.t_ns, u.words) for u in self.yard.units])

    def answer(self, trial: Trial) -> Answer:
        """Return what the matching answers to a trial."""
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "readings.csv"
            path.write_text(table(self.yard, "X", list(trial.rows)), encoding="utf-8")
            readings = read(path)
        heights = {"X": Fraction(str(trial.vessel.height_m))} if trial.height_told else None
        (told,) = match_devices(self.devices, readings, self.yard.start_ns, self.yard.end_ns, heights)
        return told

    def outcome(self, trial: Trial, random: np.random.Generator) -> Outcome:
        """Answer and judge a trial; where it is of the planned reading, take that reading and judge again."""
        told = self.answer(trial)
        outcome = Outcome(trial, told, judge(self.yard, trial, told))
        if trial.vessel.unit is None or trial.mistakes or outcome.judged.settled:
            return outcome
        if told.next_ns is not None:
            at = (told.next_ns - self.yard.start_ns) / NS
            again = self._more(trial, random, at)
            shown = float(to_next_code_s(trial.vessel, self.yard.start_ns, np.array([at]))[0]) > CLOCK_OFF_S
            told = self.answer(again) if shown else told  # a display that shows no level can't be read
            outcome = replace(outcome, planned=judge(self.yard, again, told), planned_trial=again)
        if self.later and trial.kind == "one":
            later = self._more(trial, random, min(trial.rows[0].t_s + LATER_S, len(trial.vessel.level_m) - 6))
            outcome = replace(outcome, later=judge(self.yard, later, self.answer(later)))
        return outcome

    def _more(self, trial: Trial, random: np.random.Generator, t_s: float) -> Trial:
        row = reading(random, trial.vessel, trial.hows[0], t_s, hint=trial.rows[0].device)
        return replace(trial, rows=(*trial.rows, row), hows=(*trial.hows, trial.hows[0]))


def judge(yard: Yard, trial: Trial, answer: Answer) -> Judged:
    """Judge an answer by function."""
    if answer.best is None:  # a true "nothing fits": the vessel isn't there, or what was typed isn't what was read
        nothing_fits = trial.vessel.unit is None or bool(trial.mistakes)
        return Judged(answer.status, False, False, False, nothing_fits, float("inf"))
    allowed = _allowed_m(trial)
    error = record_error_m(yard, trial, answer.best, answer.valid_below) / allowed
    beyond = beyond_error(yard, trial, answer.best, answer.valid_below, allowed) <= 1
    register = register_right(yard, trial, answer.best, allowed, answer.valid_below)
    among = register or any(register_right(yard, trial, rival, allowed) for rival in answer.rivals)
    return Judged(answer.status, error <= 1, beyond, register, among, error)


def _allowed_m(trial: Trial) -> float:
    """Return what the contract allows, and the transmitter's own noise and steps [m]."""
    vessel = trial.vessel
    rounding = max(how.rounding_m for how in trial.hows)
    dips = 2 * DIP_NOISE_M if any(how.dip for how in trial.hows) else 0.0
    step = 0.0 if vessel.law.encoding.startswith("float") else abs(1 / vessel.law.scale)
    return float(SHARE * np.ptp(vessel.level_m)) + rounding + dips + 3 * vessel.noise_m + step


def _unit_of(yard: Yard, rival: Rival) -> Unit | None:
    """Return the device whose block holds the registers of an answer."""
    for unit in yard.units:
        first = rival.register - unit.register
        if (unit.device, unit.table) == (rival.device, rival.table) and first >= 0:
            return unit if first + width_of(rival.encoding) <= unit.words.shape[1] else None
    return None


def _decoded(unit: Unit, words: np.ndarray, rival: Rival) -> Floats:
    first = rival.register - unit.register
    return decode(words[:, first : first + width_of(rival.encoding)], rival.encoding)


def _level(trial: Trial, rival: Rival, decoded: Floats) -> Floats:
    """Return the level [m] that an answer makes of decoded values."""
    how = trial.hows[0]
    return np.asarray((decoded * rival.scale + rival.offset - how.offset) / how.scale)


def _within(trial: Trial, rival: Rival, level_m: Floats, valid_below: float | None) -> np.ndarray:
    """Return at which levels an answer claims to hold."""
    if valid_below is None:
        return np.ones(len(level_m), dtype=np.bool_)
    how = trial.hows[0]
    told = level_m * how.scale + how.offset
    return np.asarray(told < valid_below if rival.scale > 0 else told > valid_below)


def _references(yard: Yard, trial: Trial, unit: Unit, rival: Rival) -> Iterator[Floats]:
    """Yield the truths [m] an answer may be held against: what the registers under it mean, and the level itself."""
    vessel = trial.vessel
    first = rival.register - unit.register
    if unit is vessel.unit:
        last = first + width_of(rival.encoding)
        for f in unit.fields:
            if f.level_scale is not None and f.start < last and f.start + f.width > first:
                yield f.truth * f.level_scale + (f.level_offset or 0.0)
    missing = np.any([np.isnan(f.truth) for f in unit.fields if len(f.truth)], axis=0)
    seconds = np.arange(len(vessel.level_m))
    yield np.where(missing, np.nan, np.interp((unit.t_ns - yard.start_ns) / NS, seconds, vessel.level_m))


def record_error_m(yard: Yard, trial: Trial, rival: Rival, valid_below: float | None) -> float:
    """Return the worst error over the record [m]; inf where a number should be and none is."""
    unit = _unit_of(yard, rival)
    if unit is None:
        return float("inf")
    told = _level(trial, rival, _decoded(unit, unit.words, rival))
    return min(_worst(told, truth, trial, rival, valid_below) for truth in _references(yard, trial, unit, rival))


def _worst(told: Floats, truth: Floats, trial: Trial, rival: Rival, valid_below: float | None) -> float:
    held = np.isfinite(truth)
    held[held] = _within(trial, rival, truth[held], valid_below)
    if not held.any():
        return 0.0
    off = np.abs(told[held] - truth[held])
    return float("inf") if np.isnan(off).any() else float(off.max())


def _sweep(vessel: Vessel, unit: Unit) -> tuple[Floats, np.ndarray]:
    """Return levels all over a vessel that its registers can carry, and the words its device would send at them."""
    levels = np.linspace(0.02, 0.98, 400) * vessel.height_m
    telling = [f for f in unit.fields if f.level_scale is not None]
    for f in telling:
        least, greatest = range_of(f.encoding)
        sent = np.rint(_sent(f, levels))
        levels = levels[(sent >= least) & (sent <= greatest)]
    whole = np.flatnonzero(np.all([np.isfinite(f.truth) for f in telling], axis=0))
    words = np.repeat(unit.words[whole[-1]][None, :], len(levels), axis=0)
    for f in telling:
        words[:, f.start : f.start + f.width] = encode(_sent(f, levels), f.encoding)
    return levels, words


def _told_truly(unit: Unit, levels: Floats, rival: Rival) -> Floats:
    """Return what the register under an answer says of levels, in its own steps; the levels where it has none."""
    first = rival.register - unit.register
    for f in unit.fields:
        if f.level_scale is not None and f.start < first + width_of(rival.encoding) and f.start + f.width > first:
            return decode(encode(_sent(f, levels), f.encoding), f.encoding) * f.level_scale + (f.level_offset or 0.0)
    return levels


def _sent(f: Field, level_m: Floats) -> Floats:
    return np.asarray((level_m - (f.level_offset or 0.0)) / (f.level_scale or 1.0))


def beyond_error(yard: Yard, trial: Trial, rival: Rival, valid_below: float | None, allowed_m: float) -> float:
    """Return the worst error over all levels of the vessel.

    As a share of what any straight law that keeps the promise over the span seen may be off there.
    """
    unit = _unit_of(yard, rival)
    if unit is None or trial.vessel.unit is None or unit is not trial.vessel.unit:
        return float("inf")
    levels, words = _sweep(trial.vessel, unit)
    told = _level(trial, rival, _decoded(unit, words, rival))
    held = _within(trial, rival, levels, valid_below)
    if not held.any():
        return 0.0
    low, high = float(trial.vessel.level_m.min()), float(trial.vessel.level_m.max())
    outside = np.maximum(0, np.maximum(levels - high, low - levels))
    off = np.abs(told - _told_truly(unit, levels, rival)) / (allowed_m * (1 + 2 * outside / max(high - low, SHARE)))
    return float("inf") if np.isnan(off[held]).any() else float(off[held].max())


def register_right(
    yard: Yard, trial: Trial, rival: Rival, allowed_m: float, valid_below: float | None = None
) -> bool:
    """Return whether some straight law makes an answer's register right: its place and encoding are the true ones."""
    unit = _unit_of(yard, rival)
    if unit is None or unit is not trial.vessel.unit:
        return False
    levels, words = _sweep(trial.vessel, unit)
    decoded = _decoded(unit, words, rival)
    good = np.isfinite(decoded) & _within(trial, rival, levels, valid_below)
    if good.sum() < 2 or np.ptp(decoded[good]) == 0:
        return False
    scale, offset = np.polyfit(decoded[good], levels[good], 1)
    return bool(np.abs(decoded[good] * scale + offset - levels[good]).max() <= allowed_m)


def determined(trial: Trial) -> bool:
    """Return whether the readings, were their register known, fix its law as exactly as the contract promises.

    Where unit and sense of a register are known, any reading does. Else two unknowns are left, and the worst law
    through the two readings farthest apart must hold at the ends of the span seen.
    """
    vessel = trial.vessel
    if vessel.law.family in ("direct", "level", "distance"):
        return True
    levels = [level_at(vessel, row.t_s) for row in trial.rows]
    low, high = min(levels), max(levels)
    if high - low < FT_M:
        return False
    off = max(how.rounding_m for how in trial.hows) + vessel.noise_m
    outside = max(0.0, low - float(vessel.level_m.min()), float(vessel.level_m.max()) - high)
    return off * (1 + 2 * outside / (high - low)) <= _allowed_m(trial)


def trials(yard: Yard) -> Iterator[Trial]:
    """Yield the trials of a yard."""
    for number, (kind, vessel) in enumerate(_plan(yard)):
        random = np.random.default_rng([yard.seed, number, 17])
        if random.random() > TRIED:
            continue
        made = _trial(random, yard, number, kind, vessel)
        if made is not None:
            yield made


PLAIN = ("two", "two", "two", "many", "typo two", "typo", "typo", "one", "dips", "close", "hint", "height")
TRIED = 0.5  # share of the plan that is carried out: many yards teach more than many trials in one


def _plan(yard: Yard) -> Iterator[tuple[str, Vessel]]:
    for vessel in yard.vessels:
        if vessel.unit is None:
            yield from (("absent", vessel),) * 4
        elif vessel.idle:
            yield from (("idle", vessel),) * 4
        elif vessel.twin is not None:
            yield from (("twin", vessel), ("twin", vessel), ("twin told", vessel))
        elif vessel.held:
            yield from (("held", vessel),) * 3
        else:
            yield from ((kind, vessel) for kind in PLAIN)


def _trial(random: np.random.Generator, yard: Yard, number: int, kind: str, vessel: Vessel) -> Trial | None:
    how = manner(random, vessel, dip=kind == "dips")
    moments = _moments(random, yard, kind, vessel, how)
    if moments is None:
        return None
    own = None if vessel.unit is None else vessel.unit.device
    hint = own if kind == "hint" else None
    if hint is not None and random.random() < 0.15:
        hint = int(yard.units[random.integers(len(yard.units))].device)
    rows = [reading(random, vessel, how, t, hint=hint) for t in moments]
    if hint != own and hint is not None:
        rows = [replace(row, mistake="hint") for row in rows]
    hows = [how] * len(rows)
    if kind in ("many", "absent") and how.form in LENGTHS and random.random() < 0.3:  # another display, another unit
        other = LENGTHS[random.integers(len(LENGTHS))]
        hows[-1] = Manner(other, 1 / (other.size_m or 1.0), 0.0)
        rows[-1] = reading(random, vessel, hows[-1], moments[-1])
    if kind.startswith("typo"):
        at = int(random.integers(len(rows)))
        wrong = mistaken(random, yard, vessel, hows[at], rows[at])
        if wrong is None:
            return None
        rows[at] = wrong
    return Trial(yard.seed, number, kind, vessel, tuple(hows), tuple(rows), height_told=kind == "height")


def _moments(
    random: np.random.Generator, yard: Yard, kind: str, vessel: Vessel, how: Manner
) -> Sequence[float] | None:
    """Return when the readings of a trial are taken; None where the vessel gives no such moments."""
    calm = calm_seconds(vessel, yard.start_ns)
    if kind == "twin":  # a code for "no value" would tell them apart
        calm = calm[(calm > vessel.alike[0] + 20) & (calm < vessel.alike[1] - 20)]
        calm = np.intersect1d(calm, calm_seconds(_twin_of(yard, vessel), yard.start_ns))
    if kind == "held":
        calm = _while_equal(calm, yard, vessel, how)
    if len(calm) < 10:
        return None
    if kind == "one":
        return [float(random.choice(calm))]
    if kind == "close":
        first = float(random.choice(calm))
        return [first, min(first + float(random.uniform(30, 400)), len(vessel.level_m) - 6.0)]
    count = 2 if kind in ("two", "typo two", "hint", "height") else int(random.integers(3, 6))
    if kind in ("absent", "idle", "twin", "twin told", "held", "dips"):
        count = int(random.integers(2, 5))
    if kind == "idle":
        return [float(t) for t in random.choice(calm, count)]
    if kind == "twin told":
        return _told_apart(random, yard, vessel, how, calm, count)
    best: list[float] = []
    for _ in range(60):
        chosen = [float(t) for t in random.choice(calm, count)]
        levels = [level_at(vessel, t) for t in chosen]
        if max(levels) - min(levels) >= FAR_M:
            return chosen
        best = chosen
    return best if kind in ("absent", "twin", "held") else None


def _twin_of(yard: Yard, vessel: Vessel) -> Vessel:
    return next(v for v in yard.vessels if v.name == vessel.twin)


def _while_equal(calm: Floats, yard: Yard, vessel: Vessel, how: Manner) -> Floats:
    """Return the seconds about which, for 8 s, the level and the device's other meaning of it are the same."""
    unit = vessel.unit
    if unit is None:
        return calm[:0]
    held = next(f for f in unit.fields if f.name == "held")
    level = next(f for f in unit.fields if f.name == vessel.law.family)
    gap = np.abs(held.truth - level.truth) / abs(vessel.law.scale)
    equal = (gap <= 0.3 * how.rounding_m + 0.0005).astype(np.float64)
    at = (unit.t_ns - yard.start_ns) / NS
    ok = np.min([np.interp(calm + shift, at, equal) for shift in (-8.0, -4.0, 0.0, 4.0, 8.0)], axis=0)
    return np.asarray(calm[ok == 1])


def _told_apart(
    random: np.random.Generator, yard: Yard, vessel: Vessel, how: Manner, calm: Floats, count: int
) -> Sequence[float] | None:
    """Return moments of which one at least tells a vessel from its twin."""
    other = _twin_of(yard, vessel)
    gap = np.abs(vessel.level_m - other.level_m)[calm.astype(np.int64)]
    apart = calm[gap > 10 * how.rounding_m + 0.05]
    if len(apart) < 10:
        return None
    for _ in range(60):
        chosen = [float(random.choice(apart)), *(float(t) for t in random.choice(calm, count - 1))]
        levels = [level_at(vessel, t) for t in chosen]
        if max(levels) - min(levels) >= FAR_M:
            return chosen
    return None
