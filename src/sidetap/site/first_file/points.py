"""[[point]] blocks: one for each name whose register and law are settled, and commented ones for the rest."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from sidetap.line import reference, width
from sidetap.site.first_file.comments import comment, comments
from sidetap.site.first_file.decimals import exact, plain, shortest
from sidetap.site.first_file.evidence import (
    answer_words,
    law_words,
    poll_words,
    register_words,
    seen_words,
    sure,
    value_words,
)
from sidetap.site.first_file.law import Law
from sidetap.site.first_file.told import Answer, Device, Poll, Reading, Value
from sidetap.site.keys import POINT_ENCODINGS, REGISTER_TABLES
from sidetap.site.model import LevelKind

_WARN_POLLS, _CLOSE_POLLS = 3, 5  # polls missed before a warning and before closing; a proposal
_COARSE_MS, _FINE_MS, _COARSE_FROM_MS = 50, 10, 500  # deliveries come up to 16 ms late: finer isn't known
_LONGEST_AGE_MS = 3_600_000  # of a site file
_MOST_BESIDE = 8
_LARGEST_STATUS = 255
_DIGITS = Fraction(1, 10**6)  # of a limit that is told


@dataclass(frozen=True, slots=True)
class Register:
    """A matched register beside what the survey says about it. value: None where the survey left it out."""

    best: Reading
    device: Device
    poll: Poll
    value: Value | None

    @property
    def agrees(self) -> bool:
        """Whether the survey, which knew no readings, reads the register as the match does."""
        value = self.value
        return value is not None and self.best.encoding in (value.encoding, *value.equal)

    @property
    def others(self) -> list[str]:
        """The encodings that read every answer as the match's does."""
        if self.value is None or not self.agrees:
            return []
        return [e for e in (self.value.encoding, *self.value.equal) if e != self.best.encoding]

    @property
    def seen(self) -> tuple[float, float] | None:
        """Lowest and highest decoded value, None where they aren't known."""
        if self.value is None or not self.agrees or self.value.low is None or self.value.high is None:
            return None
        return self.value.low, self.value.high

    @property
    def told_apart_below(self) -> Fraction | None:
        """The decoded value from which on encodings that fit the record alike would differ."""
        return (
            exact(self.value.valid_below) if self.value is not None and self.value.valid_below is not None else None
        )


def register_of(best: Reading, devices: Iterable[Device]) -> Register:
    """Return a matched register with its device, poll and survey value; that it is polled has been checked."""
    device = next(d for d in devices if d.device == best.device)
    poll = device.poll_of(best.table, best.register, width(best.encoding, 1))
    assert poll is not None  # noqa: S101  # a match that isn't polled was refused
    value = next((v for v in device.values if (v.table, v.register) == (best.table, best.register)), None)
    return Register(best, device, poll, value)


def unfit(best: Reading) -> str | None:
    """Return why a site file can't hold a register as a point, None where it can."""
    if best.table not in REGISTER_TABLES:
        return f"A point is a register, no {best.table}."
    if best.encoding not in POINT_ENCODINGS:
        return f"A point is a number, no {best.encoding}."
    return None


def settled_point(answer: Answer, tag: str, line: str, register: Register, law: Law) -> list[str]:
    """Return the block of a settled name, evidence first."""
    best = register.best
    lines = comment(f"{answer.name}: {register_words(best)}")
    words = [
        f"Match: settled, confidence {sure(best.confidence)}; {law_words(best, answer.unit)}. The keys have the "
        "digits that show in a level.",
        *answer_words(answer),
        _survey_words(register),
        *law.why,
    ]
    lines += comments(words)
    lines += _beside_lines(register)
    lines += ["", "[[point]]", f'tag = "{tag}"', f'line = "{line}"', f"device = {best.device}"]
    on_paper = reference(best.table, best.register)
    lines += [f'table = "{best.table}"', f"register = {best.register}  # {on_paper} on paper"]
    lines.append(f'encoding = "{best.encoding}"')
    lines += [f"scale = {plain(law.scale)}"] if law.scale != 1 else []
    lines += [f"offset = {plain(law.offset)}"] if law.offset != 0 else []
    lines += [f'unit = "{law.unit}"', *comments(_valid_words(register, law, answer))]
    lines.append(f'# valid = ["? {law.unit}", "? {law.unit}"]')
    lines += _good_when(register)
    lines.append('# max_step = "? mm/s"  # may be left out: the fastest that the level itself may move')
    lines += times(register.poll)
    lines.append(
        '# released = { dips = ?, by = "?", on = ? }  # after two dips, a fifth of the span apart, have agreed'
    )
    return lines


def open_point(answer: Answer, register: Register | None, reason: str | None) -> list[str]:
    """Return what is known of a name that isn't settled, or of which no point can be made: all of it comments."""
    if answer.best is None or register is None:
        return comment(f"{answer.name}: no register of the record explains its readings. Take them again.")
    lines = comment(f"{answer.name}: {answer.status}, confidence {sure(answer.best.confidence)}")
    words = [f"{register_words(answer.best)}, {law_words(answer.best, answer.unit)}", _survey_words(register)]
    lines += comments([*words, *([reason] if reason else []), *answer_words(answer)], "  ")
    return lines


def suggested_point(tag: str, line: str, device: Device, value: Value) -> list[str]:
    """Return a commented block for a value that no reading has been laid beside."""
    lines = comment(
        f"Device {device.device} {value_words(value)}. Which vessel it is, and its scale, no survey tells."
    )
    poll = device.poll_of(value.table, value.register, width(value.encoding, 1))
    keys = ["[[point]]", f'tag = "{tag}"', f'line = "{line}"', f"device = {device.device}"]
    keys += [f'table = "{value.table}"', f"register = {value.register}", f'encoding = "{value.encoding}"']
    keys += ["scale = ?", "offset = ?", 'unit = "?"', 'valid = ["?", "?"]']
    lines += [f"# {key}" for key in keys]
    return lines + [each if each.startswith("#") else f"# {each}" for each in times(poll)]


def times(poll: Poll | None) -> list[str]:
    """Return poll, warn_age and close_age; commented where the period isn't known or is too long."""
    period_s = None if poll is None else poll.period_s
    poll_ms = None if period_s is None else _rounded_ms(period_s)
    if poll_ms is None or period_s is None:
        return [f'# {key} = "? s"' for key in ("poll", "warn_age", "close_age")]
    warn, close = _seconds(_WARN_POLLS * poll_ms), _seconds(_CLOSE_POLLS * poll_ms)
    return [
        f'poll = "{_seconds(poll_ms)}"  # heard every {period_s:.4g} s (median); deliveries come up to 16 ms late',
        f'warn_age = "{warn}"  # proposed: {_WARN_POLLS} polls; the owner decides',
        f'close_age = "{close}"  # proposed: {_CLOSE_POLLS} polls; the owner decides',
    ]


def _rounded_ms(period_s: float) -> int | None:
    """Return a period to what can be known of it, None where a site file can't hold its ages."""
    if period_s * 1000 * _CLOSE_POLLS > _LONGEST_AGE_MS:
        return None
    period_ms = period_s * 1000
    step = _COARSE_MS if period_ms >= _COARSE_FROM_MS else _FINE_MS
    return max(round(period_ms / step) * step, _FINE_MS)


def _seconds(ms: int) -> str:
    return f"{plain(Fraction(ms, 1000))} s"


def _survey_words(register: Register) -> str:
    value, poll = register.value, register.poll
    if value is None:
        return f"The survey alone says nothing about this register; {poll_words(poll)}."
    sight = f"{value.encoding}, {value.kind}, {value.status} {sure(value.confidence)}, {seen_words(value)} (decoded)"
    if register.agrees:
        return f"Survey: {sight}; {poll_words(poll)}."
    return f"The survey alone reads it ANOTHER way: {sight}. Look again before you use it; {poll_words(poll)}."


def _valid_words(register: Register, law: Law, answer: Answer) -> list[str]:
    """Return what is known about the lowest and the highest good reading."""
    what = "distance from above" if law.kind is LevelKind.ULLAGE else "reading"
    words = [f"Lowest and highest {what} that are still good: of the transmitter's range, within the vessel."]
    if register.seen is not None:
        low, high = sorted(law.reading(end) for end in register.seen)
        words.append(f"The record went from {float(low):.5g} to {float(high):.5g} {law.unit}.")
    if law.lowest is not None:
        words.append(
            f"At 0 the register says {law.lowest}, and so for any level under it: the lowest must lie above."
        )
    limit = _limit(register, answer)
    if limit is not None:
        reading = limit * law.scale + law.offset
        others = " and ".join(register.others[:3])
        side = "below" if law.scale > 0 else "above"
        words.append(
            f"Stay {side} {plain(shortest(reading, abs(reading) * _DIGITS))} {law.unit}: from there on "
            f"{register.best.encoding} and {others or 'another encoding'} differ, and the record can't tell which is "
            f"right."
        )
    return [" ".join(words)]


def _limit(register: Register, answer: Answer) -> Fraction | None:
    """Return the decoded value below which the encoding is known, by survey or match, whichever is the lower."""
    limits = [register.told_apart_below] if register.told_apart_below is not None and register.agrees else []
    if answer.valid_below is not None:
        best = register.best
        decoded = (exact(answer.valid_below) - exact(best.offset)) / exact(best.scale)
        limits.append(shortest(decoded, abs(decoded) * _DIGITS))
    return min(limits, default=None)


def _neighbours(register: Register) -> list[Value]:
    """Return the values of the same answers, the nearest first."""
    best = register.best
    own = range(best.register, best.register + width(best.encoding, 1))
    found = [
        v
        for v in register.device.values
        if v.register not in own and register.poll.holds(best.table, v.register, width(v.encoding, 1))
    ]
    return sorted(
        (v for v in found if v.table == best.table), key=lambda v: (abs(v.register - best.register), v.register)
    )


def _beside_lines(register: Register) -> list[str]:
    beside = _neighbours(register)
    if not beside:
        return []
    return comments(["In the same answer:"]) + comments(map(value_words, beside[:_MOST_BESIDE]), "  ")


def _good_when(register: Register) -> list[str]:
    """Return a proposal for good_when where something like a status stands beside."""
    for value in _neighbours(register):
        plausible = (
            value.low is not None and value.high is not None and 0 <= value.low <= value.high <= _LARGEST_STATUS
        )
        if value.kind not in ("status", "constant") or width(value.encoding, 1) != 1 or not plausible:
            continue
        encoding = "uint16" if value.encoding == "bits16" else value.encoding
        if encoding not in POINT_ENCODINGS:
            continue
        equals = f"{value.low:g}" if value.low == value.high else "?"
        return [
            *comment(
                f"Register {value.register} may be its status: {seen_words(value)}. Ask what it says when the value "
                f"is good, then:"
            ),
            f'# good_when = [{{ register = {value.register}, encoding = "{encoding}", equals = {equals} }}]',
        ]
    return []
