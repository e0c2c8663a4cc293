"""Edges -> the line's settings, how sure they are, and why.

How it works. For every bit time that runs allow, both polarities, and characters of 10 and 11 bits, the best row of
characters is found with its cost in nats. What tells the framings of one length apart is a bit that follows from the
others: each character that breaks the rule costs, each different one that keeps it saves the bit it need not tell.
Repeated characters keep a rule by repetition, so only different ones count. A frame whose check code fits speaks for
the framing whose characters it is made of. Beside all of them stands the answer that these are no characters: runs
told one by one. The probability of each follows from the costs, damped by a factor that was found by trial, since
real characters are less independent than the reckoning has it.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidetap.line.edges.bit_time import LEAST_JITTER, BitTime, bit_times
from sidetap.line.edges.characters import STRAY, Characters, Line, explain
from sidetap.line.edges.checks import Checks, checks
from sidetap.line.edges.model import Edges
from sidetap.line.edges.telling import telling, telling_runs
from sidetap.quantity import NS_PER_S

FRAMINGS: dict[int, tuple[str, ...]] = {10: ("8N1", "7E1", "7O1", "7N2"), 11: ("8N2", "8E1", "8O1")}
"""By the bits from the start bit to the first stop bit that is looked at."""

_FAULT = 4.6  # nats: a character that breaks its framing's rule; one in a hundred on a line that works
_INVERTED = 1.0  # nats: pairs are swapped less often than not; common practice, no source
_NO_CHARACTERS = 6.0  # nats: who captures a line has reason to think that it carries characters
_DAMPING = 0.35
_SURE = 0.9999  # as sure as this ever gets: captures err in ways that no reckoning knows
_GIVEN = 0.5  # less likely answers are left open
_CHECKED_NATS = 60.0  # rivals farther behind are not searched for check codes
_MOST_EDGES = 6000  # decided on so many, in stretches from all over the capture
_STRETCHES = 6
_FOREMOST = 2  # bit times looked at again
_SPIKE = 0.25  # bit times
_DOUBTFUL = 0.2  # share of faulty characters or of unexplained edges at which half of the trust is gone
_SAME_BAUD = 0.02


@dataclass(frozen=True, slots=True)
class Answer:
    """Settings that may be the line's, with their probability. None: no characters at all."""

    baud: float
    framing: str
    inverted: bool
    probability: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the whole capture gives, read with the likeliest settings.

    characters: all of them; faults: those with a low stop bit or a wrong parity bit. distinct: different values.
    checks: frames whose check code fits. spikes: pulses shorter than a quarter bit. strays: edges that no character
    explains. back_to_back: share of characters that follow the one before without a pause. jitter: in bit times.
    """

    characters: int
    faults: int
    distinct: int
    checks: Checks
    spikes: int
    strays: int
    back_to_back: float
    jitter: float
    skew: float


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a capture says about the line's settings.

    baud: as measured, to the nearest; framing: 8N1 stands for 8N2 too where pauses hide the difference; each None
    where it stays open. confidence: the probability that the likeliest settings, all together, are the line's.
    baud_u: standard uncertainty of baud. answers: likeliest first, rivals with over one in a thousand.
    """

    baud: int | None
    framing: str | None
    inverted: bool | None
    confidence: float
    baud_u: float
    answers: tuple[Answer, ...]
    evidence: Evidence | None


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    """One way to read a stretch, with its cost; characters None: as no characters."""

    bit: BitTime
    framing: str
    inverted: bool
    cost: float
    characters: Characters | None


def identify(edges: Edges) -> Verdict:
    """Return the settings of the line behind a capture, as far as it tells."""
    t_ns = edges.t_ns - edges.t_ns[0]
    first_fall = edges.first_level
    sample, sample_fall = _sample(t_ns, first_fall)
    runs = np.diff(sample).astype(np.float64)
    low = (np.arange(len(runs)) - sample_fall) % 2 == 0
    candidates = [one for bit in bit_times(runs, low) for one in _candidates(sample, sample_fall, bit)]
    candidates = [other for one in _foremost(candidates) for other in _again(sample, sample_fall, one)]
    if not any(one.characters is not None and len(one.characters) for one in candidates):
        return Verdict(None, None, None, 0.0, 0.0, (), None)
    candidates = _with_checks(candidates)
    answers = _weighed(candidates)
    best = min((one for one in candidates if one.characters is not None), key=lambda one: one.cost)
    bit, evidence, bit_u_ns = _whole(t_ns, first_fall, best)
    answers = [replace(one, probability=one.probability * _trust(best)) for one in answers]
    top = answers[0]
    top = replace(top, baud=NS_PER_S / bit.bit_ns)
    baud_u = NS_PER_S / bit.bit_ns**2 * bit_u_ns
    near = [a for a in answers if abs(a.baud / top.baud - 1) < _SAME_BAUD]
    baud_sure = sum(a.probability for a in near)
    framing_sure = sum(a.probability for a in answers if _same_framing(a.framing, top.framing))
    polarity_sure = sum(a.probability for a in answers if a.inverted == top.inverted)
    return Verdict(
        baud=_rounded(top.baud, baud_u) if baud_sure >= _GIVEN else None,
        framing=top.framing if framing_sure >= _GIVEN else None,
        inverted=top.inverted if polarity_sure >= _GIVEN else None,
        confidence=top.probability,
        baud_u=baud_u,
        answers=(top, *answers[1:]),
        evidence=evidence,
    )


def _sample(t_ns: NDArray[np.int64], first_fall: int) -> tuple[NDArray[np.int64], int]:
    """Return stretches from all over a capture in one row, each from its longest rest on, and where its falls are."""
    if len(t_ns) <= _MOST_EDGES:
        return t_ns, first_fall
    length = _MOST_EDGES // _STRETCHES // 2 * 2
    span = len(t_ns) // _STRETCHES
    runs = np.diff(t_ns)
    parts: list[NDArray[np.int64]] = []
    at = 0
    for n in range(_STRETCHES):
        # all stretches begin with edges of one direction, so that levels alternate across the seams
        begins = np.arange(n * span, (n + 1) * span - length, 2)
        begins += (begins[0] - first_fall) % 2 if len(begins) else 0
        begins = begins[(begins >= 1) & (begins + length <= len(t_ns))]
        begin = int(begins[np.argmax(runs[begins - 1])]) if len(begins) else n * span
        part = t_ns[begin : begin + length]
        parts.append(part - part[0] + at)
        at = int(parts[-1][-1]) + int(runs[begin - 1])
    return np.concatenate(parts), 0


def _candidates(t_ns: NDArray[np.int64], first_fall: int, bit: BitTime) -> list[_Candidate]:
    kept, spikes = _without_spikes(t_ns, bit.bit_ns)
    spiked = 2 * spikes * float(STRAY + np.log(bit.bit_ns))
    none = telling_runs(np.diff(t_ns).astype(np.float64)) + _NO_CHARACTERS
    found = [_Candidate(bit, "", False, none, None)]
    for inverted in (False, True):
        line = _line(kept, first_fall, bit.skew_ns, inverted)
        for bits in FRAMINGS:
            characters = explain(line, bit, bits)
            base = characters.cost + spiked + (_INVERTED if inverted else 0.0)
            for framing in FRAMINGS[bits]:
                faults = np.count_nonzero(characters.whole & ~follows(characters.payload, framing))
                says = telling(values(characters.payload, framing), 256 if framing[0] == "8" else 128)
                found.append(_Candidate(bit, framing, inverted, base + faults * _FAULT + says, characters))
    return found


def _foremost(candidates: list[_Candidate]) -> list[_Candidate]:
    """Return the likeliest reading at each of the likeliest bit times."""
    best: dict[BitTime, _Candidate] = {}
    for one in candidates:
        if one.characters is not None and (one.bit not in best or one.cost < best[one.bit].cost):
            best[one.bit] = one
    return sorted(best.values(), key=lambda one: one.cost)[:_FOREMOST]


def _again(t_ns: NDArray[np.int64], first_fall: int, one: _Candidate) -> list[_Candidate]:
    """Return what may be at a bit time measured anew, over whole characters: pauses can't mislead that."""
    assert one.characters is not None
    kept, _ = _without_spikes(t_ns, one.bit.bit_ns)
    line = _line(kept, first_fall, one.bit.skew_ns, one.inverted)
    start_ns = one.characters.start_ns[one.characters.whole]
    bit, _ = measured(line, one.bit, _bits(one.framing), start_ns)
    return _candidates(t_ns, first_fall, bit)


def _bits(framing: str) -> int:
    return next(bits for bits, framings in FRAMINGS.items() if framing in framings)


def _line(t_ns: NDArray[np.int64], first_fall: int, skew_ns: float, inverted: bool) -> Line:
    times = t_ns.astype(np.float64)
    times[1 - first_fall :: 2] -= skew_ns  # rises
    return Line(np.maximum.accumulate(times), 1 - first_fall if inverted else first_fall)


def _without_spikes(t_ns: NDArray[np.int64], bit_ns: float) -> tuple[NDArray[np.int64], int]:
    """Return edges without pulses that are too short to be a bit, and how many pulses there were."""
    short = np.flatnonzero(np.diff(t_ns) < _SPIKE * bit_ns)
    if len(short) == 0:
        return t_ns, 0
    keep = np.ones(len(t_ns), dtype=bool)
    last = -2
    count = 0
    for place in short.tolist():
        if place > last + 1:
            keep[place : place + 2] = False
            last = place
            count += 1
    return t_ns[keep], count


def follows(payload: NDArray[np.int64], framing: str) -> NDArray[np.bool_]:
    """Return which payloads, eight or nine bits between start and stop bit, keep the rule of a framing."""
    if framing == "8N1":
        return np.ones(len(payload), dtype=bool)
    if framing[1] == "N":  # what stands for the first of two stop bits
        return (payload >> int(framing[0])) & 1 == 1
    return np.bitwise_count(payload) & 1 == (0 if framing[1] == "E" else 1)


def values(payload: NDArray[np.int64], framing: str) -> NDArray[np.int64]:
    """Return the data bits of payloads."""
    return payload & (0xFF if framing[0] == "8" else 0x7F)


def _checks(characters: Characters, framing: str) -> Checks:
    good = characters.whole & follows(characters.payload, framing)
    return checks(values(characters.payload, framing), good, characters.gap)


def _with_checks(candidates: list[_Candidate]) -> list[_Candidate]:
    near = min(one.cost for one in candidates if one.characters is not None) + _CHECKED_NATS
    return [
        one
        if one.characters is None or one.cost > near
        else replace(one, cost=one.cost - _checks(one.characters, one.framing).nats)
        for one in candidates
    ]


def _same_framing(one: str, other: str) -> bool:
    return one == other or {one, other} == {"8N1", "8N2"}


def _weighed(candidates: list[_Candidate]) -> list[Answer]:
    """Return the answers with their probabilities, likeliest first; alike ones joined, "no characters" left out."""
    least = min(one.cost for one in candidates)
    weights = [float(np.exp(-_DAMPING * (one.cost - least))) for one in candidates]
    total = sum(weights)
    answers: list[Answer] = []
    nothing = max((w for one, w in zip(candidates, weights, strict=True) if one.characters is None), default=0.0)
    total = nothing + sum(w for one, w in zip(candidates, weights, strict=True) if one.characters is not None)
    for one, weight in sorted(zip(candidates, weights, strict=True), key=lambda pair: pair[0].cost):
        if one.characters is None:
            continue
        baud, probability = NS_PER_S / one.bit.bit_ns, weight / total
        for place, known in enumerate(answers):
            if (
                known.inverted == one.inverted
                and _same_framing(known.framing, one.framing)
                and abs(known.baud / baud - 1) < _SAME_BAUD
            ):
                answers[place] = replace(known, probability=known.probability + probability)
                break
        else:
            answers.append(Answer(baud, one.framing, one.inverted, probability))
    answers.sort(key=lambda answer: -answer.probability)
    return [replace(a, probability=min(a.probability, _SURE)) for a in answers if a.probability > 1e-3] or answers[:1]


def _trust(best: _Candidate) -> float:
    """Return how far the likeliest reading is to be trusted at all, 0 to 1.

    What does not look like characters should not be called so, whatever the rivals; and a rule about a bit that
    follows from others was seen to hold once for each different character, so chance has half as much room each time.
    """
    characters = best.characters
    assert characters is not None
    good = characters.whole & follows(characters.payload, best.framing)
    faulty = 1.0 - np.count_nonzero(good) / max(len(characters), 1)
    unexplained = (characters.strays + characters.astray) / max(characters.edges, 1)
    doubt = (unexplained / _DOUBTFUL) ** 6 + (faulty / _DOUBTFUL) ** 6
    certain = 1.0 if _checks(characters, best.framing).nats else 1.0 - 0.5 ** len(np.unique(characters.payload[good]))
    return float(certain / (1.0 + doubt))


def _whole(t_ns: NDArray[np.int64], first_fall: int, best: _Candidate) -> tuple[BitTime, Evidence, float]:
    """Read the whole capture with the best settings; return the bit time as measured, the evidence, and its spread."""
    kept, spikes = _without_spikes(t_ns, best.bit.bit_ns)
    line = _line(kept, first_fall, best.bit.skew_ns, best.inverted)
    bits = _bits(best.framing)
    characters = explain(line, best.bit, bits)
    good = characters.whole & follows(characters.payload, best.framing)
    bit, bit_u_ns = measured(line, best.bit, bits, characters.start_ns[good])
    close = characters.gap[np.isfinite(characters.gap)] < 0.5
    evidence = Evidence(
        characters=len(characters),
        faults=len(characters) - int(np.count_nonzero(good)),
        distinct=len(np.unique(characters.payload[good])),
        checks=_checks(characters, best.framing),
        spikes=spikes,
        strays=characters.strays,
        back_to_back=float(close.mean()) if len(close) else 0.0,
        jitter=bit.jitter,
        skew=best.bit.skew_ns / bit.bit_ns,
    )
    return bit, evidence, bit_u_ns


def measured(line: Line, bit: BitTime, bits: int, start_ns: NDArray[np.float64]) -> tuple[BitTime, float]:
    """Return the bit time by least squares over the edges of whole characters, and its standard uncertainty in ns.

    Each character has a start of its own in the fit, so that the jitter of its start bit doesn't count twice.
    """
    first = np.searchsorted(line.t_ns, start_ns - 0.5 * bit.bit_ns)
    index = first[:, None] + np.arange(bits + 1)
    inside = index < len(line.t_ns)
    offset = line.t_ns[np.minimum(index, len(line.t_ns) - 1)] - start_ns[:, None]
    whole = np.rint(offset / bit.bit_ns)
    use = inside & (whole < bits) & (np.abs(offset / bit.bit_ns - whole) < 0.35)
    count = np.maximum(use.sum(axis=1), 1)
    n = np.where(use, whole, 0.0)
    x = np.where(use, offset, 0.0)
    n = np.where(use, n - (n.sum(axis=1) / count)[:, None], 0.0)
    x = np.where(use, x - (x.sum(axis=1) / count)[:, None], 0.0)
    nn = float((n * n).sum())
    if nn == 0.0:
        return bit, bit.bit_ns * 0.1
    bit_ns = float((n * x).sum()) / nn
    rest = x - n * bit_ns
    freedom = max(int((count - 1).sum()) - 1, 1)
    spread_ns = float(np.sqrt((rest * rest).sum() / freedom))
    return replace(bit, bit_ns=bit_ns, jitter=max(spread_ns / bit_ns, LEAST_JITTER)), spread_ns / float(np.sqrt(nn))


_STANDARD = (300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200, 230400)


def _rounded(baud: float, baud_u: float) -> int:
    """Return a measured baud as a whole number: a customary one where the measurement can't tell it apart."""
    near = min(_STANDARD, key=lambda known: abs(known / baud - 1))
    return near if abs(near - baud) <= max(2 * baud_u, 0.5) else round(baud)
