"""What a line does to bytes, and how an adapter hands them over: a line as sent in, batches of chunks out.

Flips per bit, insertions and drops per byte, bursts per byte (2 to 20 bytes of noise over what was sent).
"""

import itertools
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from judge.codes import Bytes, Ints
from judge.sender import LATENCY_NS, MS, Sent
from sidetap.line import Batch, Mode


@dataclass(frozen=True, slots=True)
class Damage:
    """Rates: flips a bit; inserts, drops and bursts a byte."""

    flips: float = 0.0
    inserts: float = 0.0
    drops: float = 0.0
    bursts: float = 0.0

    def __str__(self) -> str:
        named = (("flips", self.flips), ("inserts", self.inserts), ("drops", self.drops), ("bursts", self.bursts))
        return " ".join(f"{name} {rate:.0e}" for name, rate in named if rate) or "clean"


CLEAN = Damage()


@dataclass(frozen=True, slots=True)
class Heard:
    """A line as it was heard. wanted: what was sent in the place of each byte. stray: the byte was never sent.

    start, end: where the frames of the line as sent lie, from the first byte that is left to the last. lost: bytes of
    each frame that are not there. whole: nothing of the frame is damaged. flipped: bits turned in it.
    """

    data: Bytes
    byte_ns: Ints
    wanted: Bytes
    stray: NDArray[np.bool_]
    start: Ints
    end: Ints
    lost: Ints
    whole: NDArray[np.bool_]
    flipped: Ints


def damaged(sent: Sent, noise: Damage) -> Heard:
    """Return the line after noise; the same seed and noise give the same bytes."""
    rng = np.random.default_rng((sent.seed, 2, *(int(rate * 1e9) for rate in _rates(noise))))
    size, bits = len(sent.data), 7 if sent.mode is Mode.ASCII else 8
    data = sent.data.copy()
    places = rng.integers(0, size * bits, rng.binomial(size * bits, noise.flips))
    np.bitwise_xor.at(data, places // bits, (1 << places % bits).astype(np.uint8))
    for at in rng.integers(0, size, rng.binomial(size, noise.bursts)).tolist():
        until = min(size, at + int(rng.integers(2, 21)))
        data[at:until] = rng.integers(0, 256, until - at)
    kept = np.ones(size, dtype=np.bool_)
    kept[rng.integers(0, size, rng.binomial(size, noise.drops))] = False
    extra = np.zeros(size, dtype=np.int64)
    extra[rng.integers(0, size, rng.binomial(size, noise.inserts))] = 1
    step = kept + extra
    first = np.cumsum(step) - step  # where what comes of each byte begins: an inserted byte, then the byte
    place = first + extra
    heard = rng.integers(0, 256, int(step.sum())).astype(np.uint8)
    wanted, stray = np.zeros_like(heard), np.ones(len(heard), dtype=np.bool_)
    heard[place[kept]], wanted[place[kept]], stray[place[kept]] = data[kept], sent.data[kept], False
    byte_ns = np.empty(len(heard), dtype=np.int64)
    byte_ns[first[extra > 0]] = sent.byte_ns[extra > 0]
    byte_ns[place[kept]] = sent.byte_ns[kept]

    def count(of: Ints) -> Ints:
        total = np.concatenate([[0], np.cumsum(of)])
        return np.asarray(total[sent.frame_end] - total[sent.frame_start])

    lost = count((~kept).astype(np.int64))
    start, end = place[sent.frame_start], first[sent.frame_end - 1] + step[sent.frame_end - 1]
    flipped = count(np.bitwise_count(data ^ sent.data).astype(np.int64))
    whole = (lost == 0) & (flipped == 0) & (end - start == sent.frame_end - sent.frame_start)
    return Heard(heard, byte_ns, wanted, stray, start, end, lost, whole, flipped)


def _rates(noise: Damage) -> tuple[float, ...]:
    return noise.flips, noise.inserts, noise.drops, noise.bursts


class Delivery(StrEnum):
    """How an adapter hands bytes over. Late by 16 ms at most, but for GLUED (twice that)."""

    EXACT = "exact"  # a chunk a frame, at its end
    LUMPS = "lumps"  # every 16 ms
    GLUED = "glued"  # every 16 ms, and sometimes not
    SPLIT = "split"  # frames in pieces, at once
    LATE = "late"  # a chunk a frame, each late by another time
    JITTERED = "jittered"  # a shorter timer, packets of 62 bytes, and a reader that comes when it comes
    UNTIMED = "untimed"  # bytes alone


TIMED = tuple(way for way in Delivery if way is not Delivery.UNTIMED)


def delivered(sent: Sent, heard: Heard, way: Delivery) -> Batch:
    """Return what an adapter hands over, as one batch."""
    rng = np.random.default_rng((sent.seed, 3, list(Delivery).index(way)))
    size, byte_ns = len(heard.data), heard.byte_ns
    every = np.arange(1, size + 1, dtype=np.int64)
    if way is Delivery.UNTIMED:
        return Batch(heard.data, np.append(every[4095:-1:4096], size))
    if way in (Delivery.LUMPS, Delivery.GLUED):
        phase = int(rng.integers(0, LATENCY_NS))
        came = -((phase - byte_ns) // LATENCY_NS) * LATENCY_NS + phase
        ends = np.append(every[:-1][came[1:] != came[:-1]], size)
        if way is Delivery.GLUED:
            glue = rng.random(len(ends) - 1) < 0.3
            glue &= np.diff(came[ends - 1]) <= LATENCY_NS
            glue[1:] &= ~glue[:-1]  # never three in one
            ends = ends[np.append(~glue, True)]
        return Batch(heard.data, ends, came[ends - 1])
    if way is Delivery.JITTERED:
        timer = int(rng.choice((1, 2, 5, 10))) * MS
        turn = byte_ns // timer
        cuts = turn[1:] != turn[:-1]
        cuts |= every[:-1] % 62 == 0
        ends = np.append(every[:-1][cuts], size)
        late = np.minimum(rng.exponential(1.5 * MS, len(ends)), LATENCY_NS - timer).astype(np.int64)
        came = np.minimum((turn[ends - 1] + 1) * timer, byte_ns[ends - 1] + timer) + late
        return Batch(heard.data, ends, np.maximum.accumulate(came))
    pause = np.diff(byte_ns) > 2 * sent.settings.character_ns
    if way is Delivery.SPLIT:
        pause |= rng.random(size - 1) < 0.1
    ends = np.append(every[:-1][pause], size)
    came = byte_ns[ends - 1]
    if way is Delivery.LATE:
        came = np.maximum.accumulate(came + rng.integers(0, LATENCY_NS, len(ends)))
    return Batch(heard.data, ends, came)


def cut(batch: Batch, seed: int, pieces: int) -> list[Batch]:
    """Return the same chunks in several batches, cut by chance between chunks."""
    rng = np.random.default_rng((seed, 4))
    chunks = len(batch.ends)
    edges = np.unique(np.concatenate([[0], rng.integers(0, chunks, pieces - 1), [chunks]])).tolist()
    parts = []
    for first, last in itertools.pairwise(edges):
        start = int(batch.ends[first - 1]) if first else 0
        ends = batch.ends[first:last] - start
        t_ns = None if batch.t_ns is None else batch.t_ns[first:last]
        parts.append(Batch(batch.data[start : start + int(ends[-1])], ends, t_ns))
    return parts
