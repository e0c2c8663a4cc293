"""A verdict on a line's settings -> sentences for an engineer: how sure, why, against what, and what would settle."""

import numpy as np

from sidetap.line.edges.deciding import Answer, Evidence, Verdict
from sidetap.line.edges.measuring import customary
from sidetap.line.edges.model import Edges
from sidetap.quantity import NS_PER_S

_SURE, _LIKELY = 0.99, 0.7
_OFF = 0.02  # share by which a receiver's clock may be off; common practice, no source
_SHOWN_RIVALS = 4
_SKEWED = 0.01  # bit times


def headline(verdict: Verdict) -> str:
    """Return the settings and how sure they are, in a line."""
    if verdict.evidence is None or (verdict.baud, verdict.framing, verdict.inverted) == (None, None, None):
        return f"open: no settings are likelier than not ({_percent(verdict.confidence)})"
    parts = (
        "baud open" if verdict.baud is None else f"{verdict.baud}",
        "framing open" if verdict.framing is None else verdict.framing,
        "polarity open" if verdict.inverted is None else "inverted" if verdict.inverted else "",
    )
    sure = "settled" if verdict.confidence >= _SURE else "likely" if verdict.confidence >= _LIKELY else "open"
    return f"{' '.join(part for part in parts if part)}: {sure}, {_percent(verdict.confidence)}"


def evidence(capture: Edges, verdict: Verdict) -> list[str]:
    """Return what the whole capture says when it is read with the likeliest settings."""
    seconds = (int(capture.t_ns[-1]) - int(capture.t_ns[0])) / NS_PER_S
    rows = [f"{len(capture.t_ns):,} edges in {seconds:.3f} s"]
    found = verdict.evidence
    if found is None:
        return rows
    top = verdict.answers[0]
    rows.append(f"read as {round(top.baud)} {top.framing}{' inverted' if top.inverted else ''}:")
    rows.append(f"{found.characters:,} characters, {found.distinct:,} different ones, {found.faults:,} {_what(top)}")
    rows.append(_frames(found))
    places = 0 if verdict.baud_u >= 0.5 else 1 if verdict.baud_u >= 0.05 else 3
    rows.append(f"{top.baud:.{places}f} bits a second, ± {2 * verdict.baud_u:.{places}f} at 95 %")
    rows.append(f"edges jitter by {100 * found.jitter:.1f} % of a bit")
    if abs(found.skew) > _SKEWED:
        which = "low runs last longer" if found.skew > 0 else "high runs last longer"
        rows.append(f"{which}, the others shorter, by {100 * abs(found.skew):.1f} % of a bit")
    if found.spikes:
        rows.append(f"{found.spikes:,} pulses shorter than a quarter bit left out")
    if found.strays:
        rows.append(f"{found.strays:,} edges belong to no character")
    return rows


def rivals(verdict: Verdict) -> list[str]:
    """Return other settings with their probability, and what would settle it."""
    others = [one for one in verdict.answers[1:] if one.probability > 0.001]
    rows = [
        f"{round(one.baud)} {one.framing}{' inverted' if one.inverted else ''}: {_percent(one.probability)}"
        for one in others[:_SHOWN_RIVALS]
    ]
    if verdict.confidence < _SURE:
        rest = 1.0 - sum(one.probability for one in verdict.answers)
        if rest > 0.01:
            rows.append(f"none of these, or no characters at all: {_percent(rest)}")
        rows += [f"To settle: {text}" for text in _settle(verdict, others)]
    return rows


def remarks(capture: Edges, verdict: Verdict) -> list[str]:
    """Return what else should be known before the settings are used."""
    rows = []
    if capture.truncated:
        rows.append("truncated-recording: the file's end is torn; read up to the last whole row.")
    if capture.clock_steps:
        rows.append(
            f"clock-stepped: times ran backwards {capture.clock_steps:,} times; a second of rest stands there."
        )
    found = verdict.evidence
    if found is None:
        return rows
    rows += _stop_bits(verdict, found)
    rows += _polarity(verdict)
    rows += _pace(capture, verdict)
    if found.faults > 0.01 * found.characters:
        rows.append(
            f"{100 * found.faults / found.characters:.1f} % of the characters are faulty: the line is in trouble."
        )
    return rows


def _what(top: Answer) -> str:
    return "with a low stop bit" if top.framing[1] == "N" else "with a low stop bit or a wrong parity bit"


def _frames(found: Evidence) -> str:
    if found.checks.ascii:
        return f"{found.checks.ascii:,} Modbus ASCII lines whose LRC fits"
    if found.checks.rtu:
        return f"{found.checks.rtu:,} Modbus RTU frames whose CRC fits, in {found.checks.bursts:,} rows of characters"
    return "no Modbus frame whose check code fits: the settings rest on the characters alone"


def _settle(verdict: Verdict, others: list[Answer]) -> list[str]:
    top = verdict.answers[0] if verdict.answers else None
    if top is None:
        return ["capture while the line is in use, at least some frames."]
    rival = others[0] if others else None
    if rival is None:
        return ["a longer capture, with more different characters; look whether the probe sits on the line."]
    if abs(rival.baud / top.baud - 1) > _OFF:
        return ["a longer capture, sampled at least 16 times a bit."]
    if rival.inverted != top.inverted:
        return ["a capture with a pause in it: the level at which the line rests tells the polarity."]
    return ["a longer capture: some twenty different characters tell parity and data bits, whole frames at once."]


def _stop_bits(verdict: Verdict, found: Evidence) -> list[str]:
    if verdict.framing is None:
        return []
    if verdict.framing in ("8N1", "8N2") and found.back_to_back < 0.2:
        return [
            "Characters are spaced: 1 and 2 stop bits can't be told apart (8N1 stands for both), nor need they be."
        ]
    if verdict.framing[1] != "N" and found.back_to_back < 0.2:
        return ["Characters are spaced, so a second stop bit would not be seen; a receiver needn't know."]
    return []


def _polarity(verdict: Verdict) -> list[str]:
    if not verdict.inverted:
        return []
    return [
        "0 and 1 are exchanged here: swap the pair at the tap's own terminals, never on the plant's line. Makers "
        "name A and B both ways."
    ]


def _pace(capture: Edges, verdict: Verdict) -> list[str]:
    if verdict.baud is None:
        return []
    rows = []
    near = customary(verdict.baud)
    off = verdict.answers[0].baud / near - 1
    if near != verdict.baud and abs(off) <= _OFF:
        rows.append(f"{near} is {100 * abs(off):.2f} % away, within what receivers bear: that is likely what is set.")
    steps = np.diff(capture.t_ns)
    step_ns = int(np.gcd.reduce(steps[steps > 0])) if (steps > 0).any() else 1
    share = step_ns * verdict.baud / NS_PER_S
    if share > 1 / 16:
        rows.append(
            f"Times are in steps of {100 * share:.0f} % of a bit: sample at least 16 times a bit to be surer."
        )
    return rows


def _percent(probability: float) -> str:
    if probability < 0.001:
        return "under 0.1 %"
    return f"{100 * probability:.{2 if probability > _SURE else 1}f} %"
