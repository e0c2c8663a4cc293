"""Edges of a line that was never there, for tests: settings and bytes in, moments and levels out.

Written from the standards' drawing of a character (Modbus over Serial Line V1.02, 2.5.1 and 2.5.2): a start bit that
is low, the data bits with the lowest first, a parity bit over them if there is one, stop bits that are high, rest
that is high. Shares nothing with the decoder.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sidetap.line.edges import Edges, Verdict

FRAMINGS = ("7E1", "7O1", "7N2", "8N1", "8N2", "8E1", "8O1")
BAUDS = (1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200)


@dataclass(frozen=True)
class Sent:
    """A capture as it would be: times in s, the level from each on, and what it was made of."""

    t_s: NDArray[np.float64]
    levels: NDArray[np.int64]


def drawn(value: int, framing: str) -> list[int]:
    """The bits of one character in the order in which they go over the line."""
    size = int(framing[0])
    bits = [value >> place & 1 for place in range(size)]
    if framing[1] == "E":
        parity = [sum(bits) % 2]
    elif framing[1] == "O":
        parity = [(sum(bits) + 1) % 2]
    else:
        parity = []
    return [0, *bits, *parity, *[1] * int(framing[2])]


def send(
    data: Sequence[int],
    gaps: Sequence[float],
    baud: float,
    framing: str,
    *,
    inverted: bool = False,
    jitter: float = 0.0,
    gaussian: bool = False,
    resolution_s: float = 0.0,
    rng: np.random.Generator | None = None,
    lead_bits: float = 20.0,
    silence_level: int = 1,
) -> Sent:
    """Draw characters, each followed by so many bit times of rest; every edge moves by up to jitter bit times.

    silence_level: where the line rests between characters that are more than 12 bits apart.
    """
    now = lead_bits
    level = silence_level
    at: list[float] = []
    to: list[int] = []

    def go(new: int, when: float) -> None:
        nonlocal level
        if new != level:
            at.append(when)
            to.append(new)
            level = new

    for value, gap in zip(data, gaps, strict=True):
        for bit in drawn(value, framing):
            go(bit, now)
            now += 1
        if gap > 12:
            go(silence_level, now)
        now += gap
    times = np.array(at)
    if jitter and rng is not None:
        times = times + (rng.normal(0, jitter, len(at)) if gaussian else rng.uniform(-jitter, jitter, len(at)))
    times = times / baud
    if resolution_s:
        times = np.round(times / resolution_s) * resolution_s
    return Sent(times, np.array(to, dtype=np.int64) ^ int(inverted))


# -- Trials ----------------------------------------------------------------------------------------------------------

KINDS = ("random", "spaced", "modbus")


@dataclass(frozen=True)
class Trial:
    """A capture and the truth about it."""

    baud: float
    framing: str
    inverted: bool
    kind: str
    sent: Sent


def draw(
    rng: np.random.Generator,
    characters: int,
    *,
    framing: str | None = None,
    inverted: bool | None = None,
    jitter: float = 0.05,
    most_cut: int = 5,
) -> Trial:
    """Draw a trial: settings, kind of traffic, jitter, and a start that is cut by some edges."""
    framing = str(rng.choice(FRAMINGS)) if framing is None else framing
    inverted = bool(rng.integers(2)) if inverted is None else inverted
    kind = KINDS[int(rng.integers(len(KINDS)))]
    between = float(np.exp(rng.uniform(np.log(BAUDS[0]), np.log(BAUDS[-1]))))
    baud = float(rng.choice(BAUDS)) if rng.random() < 0.5 else between
    data, gaps = _traffic(rng, kind, framing, characters)
    sent = send(data, gaps, baud, framing, inverted=inverted, jitter=jitter, rng=rng)
    cut = int(rng.integers(0, most_cut + 1))
    return Trial(baud, framing, inverted, kind, Sent(sent.t_s[cut:], sent.levels[cut:]))


def _traffic(rng: np.random.Generator, kind: str, framing: str, characters: int) -> tuple[list[int], list[float]]:
    if kind == "modbus":
        return modbus(rng, framing, characters)
    data = rng.integers(0, 1 << int(framing[0]), characters).tolist()
    return data, (rng.uniform(0.3, 3.0, characters) if kind == "spaced" else np.zeros(characters)).tolist()


def modbus(rng: np.random.Generator, framing: str, characters: int) -> tuple[list[int], list[float]]:
    """Requests and answers of function 03, RTU where there are eight data bits, else ASCII; cut at the start."""
    data: list[int] = []
    gaps: list[float] = []
    registers = rng.integers(0, 3000, 20).tolist()
    while len(data) < characters + 60:
        device, count = int(rng.integers(1, 20)), int(rng.integers(1, 10))
        words = b"".join(value.to_bytes(2, "big") for value in registers[:count])
        for pdu in (bytes((device, 3, 0, 100, 0, count)), bytes((device, 3, 2 * count)) + words):
            frame = rtu(pdu) if framing[0] == "8" else ascii_line(pdu)
            data += frame
            gaps += [0.0] * (len(frame) - 1) + [float(rng.uniform(38.5, 200.0))]
    cut = int(rng.integers(0, 40))
    return data[cut : cut + characters], gaps[cut : cut + characters]


def rtu(body: bytes) -> bytes:
    """Body and its CRC, bit by bit as Modbus over Serial Line V1.02, 6.2.2, tells it."""
    register = 0xFFFF
    for byte in body:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ 0xA001 if register & 1 else register >> 1
    return body + bytes((register & 0xFF, register >> 8))


def ascii_line(body: bytes) -> bytes:
    """Body as an ASCII frame with its LRC (Modbus over Serial Line V1.02, 2.5.2.1 and 6.2.1)."""
    return b":" + (body + bytes((-sum(body) & 0xFF,))).hex().upper().encode() + b"\r\n"


def captured(trial: Trial) -> Edges:
    """The capture as the reader would give it."""
    t_ns = np.maximum.accumulate(np.round(trial.sent.t_s * 1e9).astype(np.int64))
    return Edges(Path("edges"), "csv", t_ns, int(trial.sent.levels[0]), False, 0)


def right(trial: Trial, verdict: Verdict) -> bool:
    """Whether baud (to 1 %), framing (8N1 = 8N2) and polarity are what they were."""
    if verdict.baud is None or verdict.framing is None:
        return False
    same = {"8N2": "8N1"}
    return (
        abs(verdict.baud / trial.baud - 1) < 0.01
        and same.get(verdict.framing, verdict.framing) == same.get(trial.framing, trial.framing)
        and verdict.inverted is trial.inverted
    )
