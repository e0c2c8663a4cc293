"""Edges -> the line's settings, how sure they are, and why.

How it works. For every bit time that runs allow, both polarities, and characters of 10 and 11 bits, the best row of
characters is found with its cost in nats; framings of one length differ by which of these characters break a rule.
A frame whose check code fits speaks for the framing whose characters it is made of. Beside all of them stands the
answer that these are no characters: runs told one by one. The probability of each follows from the costs, damped by a
factor that was found by trial, since real characters are less independent than the reckoning has it.
"""

from dataclasses import dataclass, replace

import numpy as np

from sidetap.line.edges.bit_time import bit_times
from sidetap.line.edges.characters import explain
from sidetap.line.edges.checks import Checks
from sidetap.line.edges.framings import Reading, measured_anew, readings, with_checks
from sidetap.line.edges.measuring import measured, rounded
from sidetap.line.edges.model import Edges
from sidetap.line.edges.stretch import Stretch
from sidetap.line.edges.telling import telling_runs
from sidetap.quantity import NS_PER_S

_NO_CHARACTERS = 6.0  # nats: who captures a line has reason to think that it carries characters
_DAMPING = 0.35
_SURE = 0.9999  # as sure as this ever gets: captures err in ways that no reckoning knows
_GIVEN = 0.5  # less likely answers are left open
_NAMED = 1e-3  # rivals less likely than this are not named
_RIVAL = 100.0  # nats: bit times farther behind the best are out of the question
_DOUBTFUL = 0.2  # share of faulty characters, or of unexplained edges, at which half of the trust is gone
_SAME_BAUD = 0.02
_CLOCK = 5e-5  # standard uncertainty of a probe's own clock, as a share; common practice, no source
_CLOSE = 0.25  # bit times: characters nearer than this follow each other without a pause
_HABIT = 0.2  # share of characters that do so, from which on it can't be chance


@dataclass(frozen=True, slots=True)
class Answer:
    """Settings that may be the line's, with their probability."""

    baud: float
    framing: str
    inverted: bool
    probability: float

    def alike(self, other: "Answer") -> bool:
        """Return whether both mean the same settings; 8N1 and 8N2 do: a receiver needn't know."""
        return (
            self.inverted == other.inverted
            and same_framing(self.framing, other.framing)
            and abs(self.baud / other.baud - 1) < _SAME_BAUD
        )


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the whole capture gives, read with the likeliest settings.

    characters: all of them; faults: those with a low stop bit or a wrong parity bit. distinct: different values.
    checks: frames whose check code fits. spikes: pulses shorter than a quarter bit. strays: edges that no character
    explains. back_to_back: share of characters that the next follows without a pause. jitter: of an edge, standard
    deviation in bit times; skew: by how many bit times low bits are longer than high ones.
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
    baud_u: standard uncertainty of baud. answers: likeliest first. evidence: None where no character was found.
    """

    baud: int | None
    framing: str | None
    inverted: bool | None
    confidence: float
    baud_u: float
    answers: tuple[Answer, ...]
    evidence: Evidence | None


def same_framing(one: str, other: str) -> bool:
    """Return whether two framings are the same to a receiver."""
    return one == other or {one, other} == {"8N1", "8N2"}


def identify(edges: Edges) -> Verdict:
    """Return the settings of the line behind a capture, as far as it tells."""
    whole = Stretch.of(edges)
    sample = whole.sample()
    found = [one for bit in bit_times(sample.runs_ns, sample.low) for one in readings(sample, bit)]
    foremost = _foremost(found)
    found = [other for one in foremost for other in readings(sample, measured_anew(sample, one))]
    if not any(len(one.characters) for one in found):
        return Verdict(None, None, None, 0.0, 0.0, (), None)
    found = with_checks(found)
    best = max(found, key=_score)
    none = telling_runs(sample.runs_ns) + _NO_CHARACTERS
    answers = [replace(one, probability=one.probability * _trust(best)) for one in _weighed(found, none)]
    bit_ns, bit_u_ns, evidence = _whole(whole, best)
    top = replace(answers[0], baud=NS_PER_S / bit_ns)
    if top.framing == "8N2" and evidence.back_to_back < _HABIT:
        top = replace(top, framing="8N1")  # a pause and a second stop bit look the same
    answers[0] = top
    baud_u = top.baud * float(np.hypot(bit_u_ns / bit_ns, _CLOCK))
    baud_sure = sum(one.probability for one in answers if abs(one.baud / top.baud - 1) < _SAME_BAUD)
    framing_sure = sum(one.probability for one in answers if same_framing(one.framing, top.framing))
    polarity_sure = sum(one.probability for one in answers if one.inverted == top.inverted)
    return Verdict(
        baud=rounded(top.baud, baud_u) if baud_sure >= _GIVEN else None,
        framing=top.framing if framing_sure >= _GIVEN else None,
        inverted=top.inverted if polarity_sure >= _GIVEN else None,
        confidence=top.probability,
        baud_u=baud_u,
        answers=tuple(answers),
        evidence=evidence,
    )


def _foremost(found: list[Reading]) -> list[Reading]:
    """Return the likeliest reading at each of the likeliest bit times."""
    best: dict[float, Reading] = {}
    for one in found:
        known = best.get(one.bit.bit_ns)
        if known is None or one.cost < known.cost:
            best[one.bit.bit_ns] = one
    least = min(one.cost for one in found) if found else 0.0
    return [one for one in best.values() if one.cost <= least + _RIVAL]


def _score(one: Reading) -> float:
    """Return the logarithm of how likely a reading is, but for a constant. Check codes stand alone: not damped."""
    return one.support - _DAMPING * one.cost


def _weighed(found: list[Reading], none: float) -> list[Answer]:
    """Return answers with their probabilities, likeliest first, alike ones joined. none: the cost of none of them."""
    found = sorted(found, key=_score, reverse=True)
    most = max(_score(found[0]), -_DAMPING * none)
    weights = [float(np.exp(_score(one) - most)) for one in found]
    total = sum(weights) + float(np.exp(-_DAMPING * none - most))
    answers: list[Answer] = []
    for one, weight in zip(found, weights, strict=True):
        new = Answer(NS_PER_S / one.bit.bit_ns, one.framing, one.inverted, weight / total)
        place = next((n for n, known in enumerate(answers) if known.alike(new)), None)
        if place is None:
            answers.append(new)
        else:
            known = answers[place]
            answers[place] = replace(known, probability=known.probability + new.probability)
    answers.sort(key=lambda one: -one.probability)
    named = [one for one in answers if one.probability > _NAMED] or answers[:1]
    return [replace(one, probability=min(one.probability, _SURE)) for one in named]


def _trust(best: Reading) -> float:
    """Return how far the likeliest reading is to be trusted at all, 0 to 1.

    What does not look like characters should not be called so, whatever the rivals; and a rule about a bit that
    follows from others was seen to hold once for each different character, so chance has half as much room each time.
    """
    characters, good = best.characters, best.good
    faulty = 1.0 - np.count_nonzero(good) / max(len(characters), 1)
    unexplained = (characters.strays + characters.astray) / max(characters.edges, 1)
    doubt = (unexplained / _DOUBTFUL) ** 6 + (faulty / _DOUBTFUL) ** 6
    certain = 1.0 if best.checks.nats else 1.0 - 0.5 ** len(np.unique(characters.payload[good]))
    return float(certain / (1.0 + doubt))


def _whole(whole: Stretch, best: Reading) -> tuple[float, float, Evidence]:
    """Read the whole capture with the best settings: bit time as measured, its standard uncertainty, the evidence."""
    kept, spikes = whole.without_spikes(best.bit.bit_ns)
    line = kept.seen(best.bit.skew_ns, best.inverted)
    read = replace(best, characters=explain(line, best.bit, best.bits))
    characters, good = read.characters, read.good
    bit, bit_u_ns = measured(line, best.bit, best.bits, characters.start_ns[good])
    evidence = Evidence(
        characters=len(characters),
        faults=len(characters) - int(np.count_nonzero(good)),
        distinct=len(np.unique(characters.payload[good])),
        checks=read.checks,
        spikes=spikes,
        strays=characters.strays,
        back_to_back=float(np.mean(characters.gap < _CLOSE)) if len(characters) else 0.0,
        jitter=bit.jitter,
        skew=best.bit.skew_ns / bit.bit_ns,
    )
    return bit.bit_ns, bit_u_ns, evidence
