"""A line as it was sent: controllers, what they ask and when, what devices answer. From a seed, with the truth.

How it goes. A controller has a poll list, which it goes through in turn, and commands in between; some have a fast
and a slow group, some wait for the next period after each turn. A request without an answer is sent again after the
controller's own time-out (50 ms to 1 s), as often as it is patient (0 to 3 times). On some lines a second controller
asks too. Stray bytes come in the gaps. All numbers are invented; the forms of frames are the standards'.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from judge.asks import OTHERS, PUBLIC, USER_DEFINED, Ask, answer_bodies, random_ask, request_bodies, uses_of
from judge.codes import Bytes, Ints, ascii_frames, places, rtu, starts_of
from judge.payloads import Style
from sidetap.line import Mode, Settings

MS = 1_000_000
LATENCY_NS = 16 * MS
NONE = -1


class Kind(IntEnum):
    """How a try ended on the line, before anything was damaged."""

    ANSWERED = 0
    EXCEPTION = 1
    UNANSWERED = 2
    BROADCAST = 3


@dataclass(frozen=True, slots=True)
class Sent:
    """A line as sent. Frames in order of time; a try is a request and what came of it, in order of time.

    byte_ns: when each byte was whole. frame_start, frame_end: places in data. frame_try, frame_is_answer: whose.
    request, answer: of each try its frames, NONE without an answer. kind, device, function: of each try.
    same_as_before: the try's request is that of the try before it, byte for byte. frame_mark: alike for like frames.
    """

    seed: int
    mode: Mode
    settings: Settings
    data: Bytes
    byte_ns: Ints
    frame_start: Ints
    frame_end: Ints
    frame_try: Ints
    frame_is_answer: NDArray[np.bool_]
    request: Ints
    answer: Ints
    kind: Ints
    device: Ints
    function: Ints
    same_as_before: NDArray[np.bool_]
    frame_mark: Ints
    timeout_ms: int

    @property
    def unknown(self) -> NDArray[np.bool_]:
        """Of each try whether its function is none of the public ones."""
        return ~np.isin(self.function, list(PUBLIC))


@dataclass(frozen=True, slots=True)
class _Controller:
    asks: list[Ask]
    order: Ints  # of asks
    turn_ends: NDArray[np.bool_]
    timeout_ns: int
    retries: int
    rest_ns: tuple[int, int]  # between an answer and the next request, over t3.5
    turn_rest_ns: int


_TIMEOUTS_MS = (50, 100, 150, 200, 250, 300, 500, 800, 1000)
_BAUDS = ((1200, 2), (2400, 4), (4800, 8), (9600, 34), (19200, 30), (38400, 10), (57600, 5), (115200, 7))
_LONGEST_TURNAROUND_MS = 35


def send(seed: int, tries: int, mode: Mode = Mode.RTU) -> Sent:
    """Return a line of about so many tries (some more)."""
    rng = np.random.default_rng((seed, mode is Mode.ASCII, 1))
    settings = _settings(rng, mode)
    devices = [int(device) for device in rng.permutation(np.arange(1, 248))[: int(rng.integers(1, 20))]]
    if rng.random() < 0.7:
        devices = [1 + device % 40 for device in devices]
    dead = {device for device in devices[1:] if rng.random() < 0.06}
    first = _controller(rng, devices, dead, tries)
    asks, order, ends = list(first.asks), first.order, first.turn_ends
    owner = np.zeros(len(order), dtype=np.int64)
    controllers = [first]
    if rng.random() < 0.15:
        second = _controller(rng, devices, dead, max(10, tries // 10))
        controllers.append(second)
        start = int(rng.integers(0, len(order)))
        spread = int(rng.integers(1, 5)) * len(second.order)
        at = np.sort(rng.integers(start, min(start + spread, len(order)) + 1, len(second.order)))
        order = np.insert(order, at, second.order + len(asks))
        ends = np.insert(ends, at, False)
        owner = np.insert(owner, at, 1)
        asks += second.asks
    return _carry_out(rng, seed, mode, settings, controllers, asks, order, ends, owner)


def _settings(rng: np.random.Generator, mode: Mode) -> Settings:
    bauds, weights = zip(*_BAUDS, strict=True)
    baud = int(rng.choice(bauds, p=np.array(weights) / sum(weights)))
    if mode is Mode.ASCII:
        return Settings(baud, str(rng.choice(("7E1", "7O1", "7N2", "8N1"))))
    return Settings(baud, str(rng.choice(("8E1", "8E1", "8N1", "8N2", "8O1"))))


def _controller(rng: np.random.Generator, devices: list[int], dead: set[int], uses: int) -> _Controller:
    """Return a controller with its poll list and its commands, by chance."""
    misses = float(rng.choice((0.0, 0.002, 0.01, 0.03)))
    errors = float(rng.choice((0.0, 0.0, 0.005, 0.03)))

    def ask(function: int, **more: object) -> Ask:
        made = random_ask(rng, devices, function, misses=misses, errors=errors)
        changes = {name: getattr(made, name) for name in Ask.__slots__} | more
        if made.device in dead:
            changes["misses"] = 1.0
        return Ask(**changes)

    def unknown() -> int:
        return int(rng.choice(USER_DEFINED if rng.random() < 0.8 else OTHERS))

    polls = [ask(int(rng.choice((3, 3, 3, 3, 3, 4, 4, 1, 2, 2)))) for _ in range(int(rng.integers(2, 40)))]
    if rng.random() < 0.4:
        polls += [ask(unknown()) for _ in range(int(rng.integers(1, 4)))]
    if rng.random() < 0.2:
        polls += [ask(int(rng.choice((7, 11, 17, 20, 23, 24, 43)))) for _ in range(int(rng.integers(1, 3)))]
    if rng.random() < 0.5:  # written every turn: a heartbeat, a mirror
        polls += [ask(int(rng.choice((5, 6, 15, 16, 23)))) for _ in range(int(rng.integers(1, 3)))]
    if rng.random() < 0.1:  # refused for years, and asked all the same
        polls.append(ask(int(rng.choice((3, 4))), exceptions=1.0))
    commands = [ask(int(rng.choice((3, 4, 1, 5, 5, 6, 6, 6, 15, 16, 16, 22, 23))), fresh=True) for _ in range(12)]
    commands += [ask(int(rng.choice((5, 6, 16, 22))), style=Style.STILL) for _ in range(8)]
    commands += [ask(function, sent=int(rng.choice((0, 0, 2, 4, 11, 14)))) for function in (8,) * 3]
    commands += [ask(int(rng.choice((7, 11, 12, 17, 20, 21, 24, 43)))) for _ in range(5)]
    commands += [ask(unknown()) for _ in range(3)]
    commands = [
        Ask(**{name: getattr(c, name) for name in Ask.__slots__ if name != "silent"}, silent=True)
        if c.function == 8 and c.sent == 4
        else c
        for c in commands
    ]
    for _ in range(3):
        to_all = ask(int(rng.choice((5, 6, 6, 15, 16, 16, 66))))
        commands.append(Ask(**{name: getattr(to_all, name) for name in Ask.__slots__} | {"device": 0}))
    slow = polls[len(polls) // 2 :] if len(polls) > 6 and rng.random() < 0.3 else []
    fast = len(polls) - len(slow)
    length = fast + bool(slow)
    turns = uses // length + 1
    order = np.tile(np.arange(length), turns)
    if slow:
        order[fast::length] = fast + np.arange(turns) % len(slow)
    ends = np.zeros(len(order), dtype=np.bool_)
    ends[length - 1 :: length] = True
    share = float(rng.choice((0.0, 0.002, 0.02, 0.1)))
    at = np.flatnonzero(rng.random(len(order)) < share)
    at = np.repeat(at, np.where(rng.random(len(at)) < 0.15, 2 + (at & 1), 1))  # the same again at once: 2 or 3 times
    chosen = len(polls) + rng.integers(0, len(commands), len(order))
    order = np.insert(order, at, chosen[at])
    ends = np.insert(ends, at, False)
    rest = ((0, 2), (1, 8), (5, 50), (20, 120))[int(rng.integers(0, 4))]
    return _Controller(
        asks=polls + commands,
        order=order,
        turn_ends=ends,
        timeout_ns=int(rng.choice(_TIMEOUTS_MS)) * MS,
        retries=int(rng.integers(0, 4)),
        rest_ns=(rest[0] * MS, rest[1] * MS),
        turn_rest_ns=int(rng.choice((0, 0, 200, 1000))) * MS,
    )


def _carry_out(
    rng: np.random.Generator,
    seed: int,
    mode: Mode,
    settings: Settings,
    controllers: list[_Controller],
    asks: list[Ask],
    order: Ints,
    turn_ends: NDArray[np.bool_],
    owner: Ints,
) -> Sent:
    uses = uses_of(rng, asks, order)
    walk = np.cumsum(rng.integers(-2, 4, len(order)))
    # how many tries of each use stay without an answer, and whether it is answered at last
    misses = np.array([ask.misses for ask in asks])[order]
    patience = np.array([c.retries for c in controllers])[owner] + 1
    silent = np.array([ask.silent for ask in asks])[order]
    to_all = uses.device == 0
    missed = np.zeros(len(order), dtype=np.int64)
    for attempt in range(int(patience.max())):
        missed += (missed == attempt) & (rng.random(len(order)) < misses)
    missed = np.minimum(missed, patience)
    missed[silent | to_all] = 0
    given_up = missed == patience
    tries_of = np.where(given_up, missed, missed + 1)
    use = np.repeat(np.arange(len(order)), tries_of)
    last = np.append(use[1:] != use[:-1], True)
    kind = np.full(len(use), int(Kind.UNANSWERED))
    kind[last & ~given_up[use] & ~silent[use]] = Kind.ANSWERED
    refused = rng.random(len(use)) < np.array([ask.exceptions for ask in asks])[order][use]
    kind[(kind == Kind.ANSWERED) & refused] = Kind.EXCEPTION
    kind[to_all[use]] = Kind.BROADCAST

    asked = request_bodies(rng, uses, walk)
    answering = np.flatnonzero(kind <= Kind.EXCEPTION)
    of = use[answering]
    subset = type(uses)(*(getattr(uses, name)[of] for name in type(uses).__slots__))
    answers = answer_bodies(
        rng, subset, walk[of], kind[answering] == Kind.EXCEPTION, (asked[0], asked[1][of], asked[2][of])
    )
    stray = rng.integers(0, 256, 4096).astype(np.uint8)
    stray[rng.random(4096) < 0.4] = 0
    stray[rng.random(4096) < 0.5] = 0xFF
    pool = np.concatenate([asked[0], answers[0], stray])

    # four pieces a try: stray bytes, the request, stray bytes, the answer; those of no length are left out
    source = np.zeros((len(use), 4), dtype=np.int64)
    length = np.zeros((len(use), 4), dtype=np.int64)
    glitches = float(rng.choice((0.0, 0.001, 0.01)))
    for column in (0, 2):
        length[:, column] = np.where(rng.random(len(use)) < glitches, rng.integers(1, 4, len(use)), 0)
        source[:, column] = len(asked[0]) + len(answers[0]) + rng.integers(0, 4090, len(use))
    source[:, 1], length[:, 1] = asked[1][use], asked[2][use]
    source[answering, 3], length[answering, 3] = len(asked[0]) + answers[1], answers[2]
    length[kind == Kind.BROADCAST, 2] = 0
    bare = np.zeros((len(use), 4), dtype=np.bool_)
    bare[:, ::2] = True

    # gaps before each piece
    character = settings.character_ns
    silence = max(7 * character // 2, 1_750_000 if settings.baud > 19200 else 0)
    timeout = np.maximum(6 * silence, np.array([c.timeout_ns for c in controllers]))[owner][use]
    lows = np.array([c.rest_ns[0] for c in controllers])[owner][use]
    highs = np.array([c.rest_ns[1] for c in controllers])[owner][use]
    turn_rests = np.array([c.turn_rest_ns for c in controllers])[owner][use]
    gap = np.zeros((len(use), 4), dtype=np.int64)
    gap[:, 1] = silence + lows + ((highs - lows) * rng.random(len(use))).astype(np.int64)
    before = np.roll(kind, 1)
    waited = np.roll(timeout, 1) + (rng.random(len(use)) * 3 * MS).astype(np.int64)
    gap[:, 1] += np.where(before == Kind.UNANSWERED, waited, 0) + np.where(before == Kind.BROADCAST, 100 * MS, 0)
    gap[:, 1] += np.where(np.roll(last & turn_ends[use], 1), np.roll(turn_rests, 1), 0)
    quick = rng.integers(1, _LONGEST_TURNAROUND_MS, 256) * MS
    turnaround = silence + quick[uses.device[use]] + (rng.random(len(use)) * 2 * MS).astype(np.int64)
    gap[:, 3] = np.minimum(turnaround, np.maximum(silence, timeout // 2))
    gap[:, 0] = np.where(length[:, 0] > 0, gap[:, 1] // 2, 0)
    gap[:, 1] -= gap[:, 0]
    gap[:, 2] = np.where(length[:, 2] > 0, gap[:, 3] // 2, 0)
    gap[:, 3] -= gap[:, 2]

    there = length.ravel() > 0
    source, flat_length, bare_flat, gap_flat = (
        source.ravel()[there],
        length.ravel()[there],
        bare.ravel()[there],
        gap.ravel()[there],
    )
    form = ascii_frames if mode is Mode.ASCII else rtu
    data, starts = form(pool, source, flat_length, bare_flat)
    sizes = np.diff(np.append(starts, len(data)))
    piece, place = places(sizes)
    begins = np.cumsum(gap_flat) + starts * character
    byte_ns = begins[piece] + (place + 1) * character + 1_000_000_000

    frames = np.flatnonzero(~bare_flat)
    piece_try = np.repeat(np.arange(len(use)), 4)[there]
    is_answer = (np.tile(np.arange(4), len(use))[there] == 3)[frames]
    frame_try = piece_try[frames]
    request, answer = np.full(len(use), NONE), np.full(len(use), NONE)
    request[frame_try[~is_answer]] = np.flatnonzero(~is_answer)
    answer[frame_try[is_answer]] = np.flatnonzero(is_answer)
    mark = _marks(asked)[use]
    return Sent(
        seed=seed,
        mode=mode,
        settings=settings,
        data=data,
        byte_ns=byte_ns,
        frame_start=starts[frames],
        frame_end=starts[frames] + sizes[frames],
        frame_try=frame_try,
        frame_is_answer=is_answer,
        request=request,
        answer=answer,
        kind=kind,
        device=uses.device[use],
        function=uses.function[use],
        same_as_before=np.append(False, mark[1:] == mark[:-1]),
        frame_mark=_marks((data, starts[frames], sizes[frames])),
        timeout_ms=controllers[0].timeout_ns // MS,
    )


def _marks(bodies: tuple[Bytes, Ints, Ints]) -> Ints:
    """Return a number for each body that is the same for the same bytes, and for others only by a rare chance."""
    pool, starts, lengths = bodies
    row, place = places(lengths)
    weights = np.random.default_rng(5).integers(1, 2**62, 600, dtype=np.int64)
    terms = (pool[starts[row] + place].astype(np.int64) + 1) * weights[place]
    return np.add.reduceat(terms, starts_of(lengths)) if len(starts) else starts
