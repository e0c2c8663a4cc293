"""Lines made up for the tests of this room: values -> words -> transactions. Independent of the simulated yard.

Own encoders (numpy's views), own random walks, every one from a seed.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Columns, Noise, Outcome, Parser, Transaction
from sidetap.line.chunk import Chunk
from sidetap.line.columns import of_events
from sidetap.survey import Survey, survey

S = 1_000_000_000
ORDERS = ("high-word-first", "low-word-first", "high-word-first-swapped", "low-word-first-swapped")

Floats = NDArray[np.float64]
Words = NDArray[np.uint16]


def encode(values: Floats, kind: str, order: str = "") -> Words:
    """Return the registers of each value [values, registers]."""
    if kind in ("uint16", "int16"):
        return (np.rint(values).astype(np.int64) & 0xFFFF).astype(np.uint16)[:, None]
    if kind == "float32":
        raw = values.astype(">f4").view(">u2").reshape(-1, 2).astype(np.uint16)
    else:
        raw = (
            (np.rint(values).astype(np.int64) & 0xFFFFFFFF).astype(">u4").view(">u2").reshape(-1, 2).astype(np.uint16)
        )
    if order.endswith("swapped"):
        raw = raw.byteswap()
    return raw[:, ::-1] if order.startswith("low") else raw


@dataclass(frozen=True, slots=True)
class Truth:
    """What a made-up value is."""

    register: int
    kind: str
    order: str
    decoded: Floats

    @property
    def encoding(self) -> str:
        return f"{self.kind}-{self.order}" if self.order else self.kind


def reads(
    device: int,
    register: int,
    words: NDArray[np.integer],
    *,
    function: int = 3,
    start_ns: int = 0,
    period_ns: int = S,
    outcomes: Sequence[Outcome] | None = None,
) -> list[Transaction]:
    """Return one transaction for each row of words."""
    table = "input-register" if function == 4 else "holding-register"
    count = int(words.shape[1])
    request = bytes([device, function]) + register.to_bytes(2, "big") + count.to_bytes(2, "big")
    events = []
    for n, row in enumerate(words):
        outcome = Outcome.ANSWERED if outcomes is None else outcomes[n]
        response: bytes | None = None
        if outcome is Outcome.ANSWERED:
            response = bytes([device, function, 2 * count]) + b"".join(int(w).to_bytes(2, "big") for w in row)
        elif outcome is Outcome.EXCEPTION:
            response = bytes([device, function | 0x80, 6])
        t_ns = start_ns + n * period_ns
        end_ns = None if response is None else t_ns + 20_000_000
        events.append(Transaction(t_ns, end_ns, device, function, table, register, count, request, response, outcome))
    return events


def merged(*polls: Sequence[Transaction | Noise]) -> list[Transaction | Noise]:
    """Return the transactions of several polls in order of time."""
    return sorted((t for poll in polls for t in poll), key=lambda t: t.t_ns or 0)


def tables(events: Sequence[Transaction | Noise], rows: int = 1_000_000) -> Iterator[Columns]:
    """Yield events as tables of so many rows; made-up transactions get check bytes (zeros) behind their frames."""
    whole = [
        event
        if isinstance(event, Noise) or event.raw
        else replace(event, raw=b"".join(frame + bytes(2) for frame in (event.request, event.response) if frame))
        for event in events
    ]
    return (of_events(whole[start : start + rows]) for start in range(0, len(whole), rows))


def surveyed(events: Sequence[Transaction | Noise]) -> Survey:
    """Return the survey of events."""
    return survey(tables(events))


def parsed(data: bytes) -> list[Transaction | Noise]:
    """Return the events of bytes that came at once."""
    parser = Parser()
    parser.receive(Chunk(0, data))
    parser.close()
    events = []
    while (event := parser.next_event()) is not None:
        events.append(event)
    return events


def level_mm(random: np.random.Generator, answers: int, *, top: float = 7000.0, moving: bool = True) -> Floats:
    """Return a level in mm, one a second: it stands, drains and fills at rates a yard knows, and jitters a little."""
    rate = np.zeros(answers)
    at = 0
    while at < answers:
        length = int(random.exponential(answers / 6)) + 20
        rate[at : at + length] = random.choice([0.0, -1.0, -0.4, 0.6, 1.2]) if moving else 0.0
        at += length
    walk = random.uniform(0.2, 0.9) * top + np.cumsum(rate)
    low, high = 0.05 * top, 0.97 * top
    folded = np.mod(walk - low, 2 * (high - low))
    level = low + np.where(folded > high - low, 2 * (high - low) - folded, folded)
    return np.asarray(level + random.normal(0, random.choice([0.0, 0.3, 1.0]), answers), dtype=np.float64)


def device_block(random: np.random.Generator, answers: int) -> tuple[Words, list[Truth]]:
    """Return the registers of a made-up transmitter [answers, registers] and what they are."""
    order = ORDERS[random.choice(4, p=[0.4, 0.4, 0.1, 0.1])]
    level = level_mm(random, answers, top=random.uniform(1500, 9000), moving=bool(random.random() < 0.8))
    warmth = 15 + 8 * np.sin(np.arange(answers) / 20_000 + random.uniform(0, 6)) + random.normal(0, 0.05, answers)
    seconds = np.arange(answers, dtype=np.float64)
    fields: list[tuple[Floats, str]] = []
    scale = random.choice([1.0, 10.0, 0.1, 1 / 3.048])
    choice = random.choice(["uint16", "float32", "uint32"])
    if choice == "uint16":
        fields.append((level * min(scale, 5.0), "uint16"))
    elif choice == "float32":
        fields.append((level * random.choice([0.001, 1.0, 0.00328084]), "float32"))
    else:
        fields.append((level * random.choice([10.0, 100.0]), "uint32"))
    extra = [
        (np.full(answers, float(random.integers(1, 5))), "uint16"),
        (warmth * 10 - random.choice([0, 200]), "int16"),
        (np.round(warmth, int(random.integers(1, 7))), "float32"),
        (seconds + random.integers(10_000, 9_000_000), "uint32"),
        (np.full(answers, random.choice([1.0, 4.0, 20.0, 0.845, 12.5, 2500.0])), "float32"),
        (np.clip(random.normal(70, 2, answers), 0, 100), "uint16"),
        (np.zeros(answers), "uint16"),
        (np.mod(seconds + random.integers(0, 60_000), 65_536), "uint16"),
        (np.where(seconds % 2000 < 40, 3.0, 1.0), "uint16"),
    ]
    fields += [extra[n] for n in random.permutation(len(extra))[: random.integers(1, 6)]]
    columns, truths, register = [], [], 0
    for n in random.permutation(len(fields)):
        values, kind = fields[n]
        own = order if kind.endswith("32") else ""
        words = encode(values, kind, own)
        decoded = values.astype(np.float32).astype(np.float64) if kind == "float32" else np.rint(values)
        truths.append(Truth(register, kind, own, decoded))
        columns.append(words)
        register += words.shape[1]
    return np.concatenate(columns, axis=1), truths
