"""What a record holds, sorted: requests per poll, the words each poll read over time, totals of the line.

Events of `sidetap.line` in, one `History` out. A request with its retries becomes one `Request` with the last try's
outcome. Order of arrival counts; times may be missing altogether, and then a retry is known only by following its
first try at once. With times, the rhythm of a poll tells its retries even where another master asked in between.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Noise, Outcome, Transaction
from sidetap.quantity import NS_PER_MS
from sidetap.survey.hypotheses import Words

_CHECK_BYTES = 2
_MOST_BLOCKS = 500

_PATIENCE_NS = 30 * NS_PER_MS  # no master's time-out is shorter: common practice, no source

_RETRY_WITHIN = 0.5  # of a poll's period: a repeat that comes later is the next poll
_FEWEST_GAPS = 5  # of fewer no period can be told
_READ_REQUEST_BYTES = 6  # address and PDU of FC 1-4

_Key = tuple[int, int, str | None, int | None, int | None]
_Place = tuple[int, str, int, int]  # device, table, first register, how many


@dataclass(frozen=True, slots=True, eq=False)
class Poll:
    """What is asked again and again: the same request to the same device. table, register, count may be None.

    A history holds one object for each, compared by identity: there are 100,000 requests and a dozen polls.
    """

    device: int
    function: int
    table: str | None
    register: int | None
    count: int | None


@dataclass(frozen=True, slots=True)
class Request:
    """One request of a poll with its retries. outcome: the last try's. exception: its code, if it was one."""

    t_ns: int | None
    poll: Poll
    outcome: Outcome
    tries: int
    exception: int | None

    @property
    def whole(self) -> bool:
        """Whether a whole answer came (an exception is one), or none was due."""
        return self.outcome in (Outcome.ANSWERED, Outcome.EXCEPTION, Outcome.BROADCAST)


@dataclass(frozen=True, slots=True)
class Trouble:
    """A single try that came to no whole answer.

    talked_over: nothing answered, and yet something else was asked at once, sooner than any master gives up waiting.
    """

    t_ns: int | None
    poll: Poll
    outcome: Outcome
    talked_over: bool


@dataclass(frozen=True, slots=True)
class Garbled:
    """A read request that reached nobody: all of it but its check bytes came through. Never a retry of another."""

    t_ns: int
    poll: Poll


@dataclass(frozen=True, slots=True)
class Block:
    """The registers that one poll read (or one write wrote), answer by answer.

    t_ns: when each answer was delivered, or None where the recording has no times. words: [answers, registers].
    """

    device: int
    table: str
    register: int
    t_ns: NDArray[np.int64] | None
    words: Words

    @property
    def count(self) -> int:
        """How many registers."""
        return int(self.words.shape[1])


@dataclass(frozen=True, slots=True)
class History:
    """A whole record. line_bytes: all bytes of its events, explained_bytes: those of whole frames among them.

    start_ns, end_ns: the earliest and the latest time in it; None without times.
    """

    requests: tuple[Request, ...]
    garbled: tuple[Garbled, ...]
    troubles: tuple[Trouble, ...]
    tries_ns: tuple[int, ...]  # the time of every try that has one
    blocks: tuple[Block, ...]
    line_bytes: int
    explained_bytes: int
    start_ns: int | None
    end_ns: int | None


class _Gathering:
    """Words of one block, growing."""

    def __init__(self) -> None:
        self.times: list[int | None] = []
        self.words: list[tuple[int, ...]] = []


class _Asked:
    """Requests in order of arrival, growing; then with each retry folded into its first try."""

    def __init__(self) -> None:
        self._requests: list[Request] = []
        self._repeats: list[bool] = []  # of each: the same bytes as its poll's try before, which got no whole answer
        self._open: dict[Poll, bytes | None] = {}  # the latest try that got no whole answer; None: it got one
        self._reads: dict[bytes, Poll] = {}
        self._garbled: list[Garbled] = []

    def hear(self, noise: Noise) -> None:
        """Take in what could not be read: it may be a poll's request with its end garbled."""
        poll = self._reads.get(noise.raw[:_READ_REQUEST_BYTES])
        if poll is not None and noise.t_ns is not None:
            self._garbled.append(Garbled(noise.t_ns, poll))

    def add(self, poll: Poll, event: Transaction) -> None:
        """Take in a try."""
        if event.request is not None and len(event.request) == _READ_REQUEST_BYTES and event.written is None:
            self._reads[event.request] = poll
        exception = event.exception_code if event.outcome is Outcome.EXCEPTION else None
        request = Request(event.t_ns, poll, event.outcome, 1, exception)
        if event.retry and self._requests and self._requests[-1].poll is poll:
            self._requests[-1] = _folded(self._requests[-1], request)
        else:
            # times of a backlog say nothing about rhythm
            self._repeats.append(not event.backlog and self._open.get(poll) == event.request)
            self._requests.append(request)
        self._open[poll] = None if request.whole or event.backlog else event.request

    def requests(self) -> tuple[tuple[Request, ...], tuple[Garbled, ...]]:
        """Return the requests, and the garbled ones that no request stands for."""
        within_ns = {poll: _RETRY_WITHIN * period for poll, period in _periods_ns(self._requests).items()}
        folded: list[Request] = []
        latest: dict[Poll, tuple[int, int | None]] = {}  # place in folded, time of the latest try
        for request, repeats in zip(self._requests, self._repeats, strict=True):
            place, before_ns = latest.get(request.poll, (0, None))
            if repeats and _soon(before_ns, request.t_ns, within_ns.get(request.poll, 0.0)):
                folded[place] = _folded(folded[place], request)
            else:
                place = len(folded)
                folded.append(request)
            latest[request.poll] = (place, request.t_ns)
        return tuple(folded), _alone(self._garbled, folded, within_ns)


def _folded(first: Request, retry: Request) -> Request:
    return Request(first.t_ns, first.poll, retry.outcome, first.tries + retry.tries, retry.exception)


def _soon(before_ns: int | None, t_ns: int | None, within_ns: float) -> bool:
    return before_ns is not None and t_ns is not None and 0 <= t_ns - before_ns < within_ns


def _periods_ns(requests: Sequence[Request]) -> dict[Poll, float]:
    """Return each poll's median time from a request to the next; after a whole answer that is never a retry."""
    gaps: defaultdict[Poll, list[int]] = defaultdict(list)
    latest: dict[Poll, Request] = {}
    for request in requests:
        before = latest.get(request.poll)
        latest[request.poll] = request
        if before is None or not before.whole or before.t_ns is None or request.t_ns is None:
            continue
        if request.t_ns >= before.t_ns:
            gaps[request.poll].append(request.t_ns - before.t_ns)
    return {poll: median(own) for poll, own in gaps.items() if len(own) >= _FEWEST_GAPS}


def _alone(
    garbled: Sequence[Garbled], requests: Sequence[Request], within_ns: Mapping[Poll, float]
) -> tuple[Garbled, ...]:
    """Return the garbled requests that by their poll's rhythm are neither a retry nor followed by one."""
    times: defaultdict[Poll, list[int]] = defaultdict(list)
    for request in requests:
        if request.t_ns is not None:
            times[request.poll].append(request.t_ns)
    for own in times.values():
        own.sort()
    kept: list[Garbled] = []
    latest_ns: dict[Poll, int] = {}
    for one in garbled:
        own = times[one.poll]
        after = bisect_left(own, one.t_ns)
        near = [*own[max(after - 1, 0) : after + 1], *([latest_ns[one.poll]] if one.poll in latest_ns else [])]
        within = within_ns.get(one.poll)
        if within is not None and all(abs(t_ns - one.t_ns) >= within for t_ns in near):
            kept.append(one)
            latest_ns[one.poll] = one.t_ns
    return tuple(kept)


def gather(events: Iterable[Transaction | Noise]) -> History:
    """Return the history of a record's events, in their order."""
    asked = _Asked()
    troubles: list[Trouble] = []
    tries_ns: list[int] = []
    reads: defaultdict[_Place, _Gathering] = defaultdict(_Gathering)
    writes: defaultdict[_Place, _Gathering] = defaultdict(_Gathering)
    polls: dict[_Key, Poll] = {}
    pending: Transaction | None = None  # a trouble, until it is seen what came next
    line_bytes = explained = 0
    start_ns: int | None = None
    end_ns: int | None = None
    for event in events:
        t_ns = event.t_ns
        line_bytes += len(event.raw)
        if t_ns is not None:
            start_ns = t_ns if start_ns is None else min(start_ns, t_ns)
            end_ns = t_ns if end_ns is None else max(end_ns, t_ns)
        if isinstance(event, Noise):
            asked.hear(event)
            continue
        if event.request is not None:
            explained += len(event.request) + _CHECK_BYTES
        if event.response is not None:
            explained += len(event.response) + _CHECK_BYTES
        if event.outcome is Outcome.UNPAIRED_RESPONSE:
            continue
        key = _key(event)
        poll = polls.get(key)
        if poll is None:
            poll = polls[key] = Poll(*key)
        if t_ns is not None:
            tries_ns.append(t_ns)
        if pending is not None:
            troubles.append(_trouble(pending, event, polls))
        pending = event if event.outcome in (Outcome.UNANSWERED, Outcome.DAMAGED) else None
        asked.add(poll, event)
        _add_words(reads, writes, event)
    if pending is not None:
        troubles.append(_trouble(pending, None, polls))
    requests, garbled = asked.requests()
    return History(
        requests,
        garbled,
        tuple(troubles),
        tuple(tries_ns),
        _blocks(reads, writes),
        line_bytes,
        explained,
        start_ns,
        end_ns,
    )


def _key(event: Transaction) -> _Key:
    return (event.device, event.function, event.table, event.register, event.count)


def _trouble(event: Transaction, after: Transaction | None, polls: Mapping[_Key, Poll]) -> Trouble:
    """Return a trouble, given the try that came next on the line."""
    key = _key(event)
    over = False
    if after is not None and event.outcome is Outcome.UNANSWERED and not (event.backlog or after.backlog):
        soon = event.t_ns is not None and after.t_ns is not None and 0 <= after.t_ns - event.t_ns < _PATIENCE_NS
        over = soon and _key(after) != key
    return Trouble(event.t_ns, polls[key], event.outcome, over)


def _add_words(
    reads: defaultdict[_Place, _Gathering],
    writes: defaultdict[_Place, _Gathering],
    event: Transaction,
) -> None:
    words = event.words
    if words is not None and event.table is not None and event.register is not None:
        block = reads[event.device, event.table, event.register, len(words)]
        block.times.append(event.t_end_ns)
        block.words.append(words)
    elif event.outcome is Outcome.ANSWERED and event.written is not None:
        register, written = event.written
        block = writes[event.device, "holding-register", register, len(written)]
        block.times.append(event.t_end_ns)
        block.words.append(written)


def _blocks(reads: Mapping[_Place, _Gathering], writes: Mapping[_Place, _Gathering]) -> tuple[Block, ...]:
    """Return the blocks that together show every register once: of two that overlap whole, the one read oftenest.

    What is written counts only where nobody reads it. Of more than 500 blocks, more than any line carries, the rest
    is left out.
    """
    kept: list[Block] = []
    taken: defaultdict[tuple[int, str], set[int]] = defaultdict(set)
    for source in (reads, writes):
        for (device, table, register, count), gathering in sorted(source.items(), key=lambda i: -len(i[1].words)):
            own = range(register, register + count)
            if taken[device, table].issuperset(own) or len(kept) == _MOST_BLOCKS:
                continue
            taken[device, table].update(own)
            times = [t for t in gathering.times if t is not None]
            t_ns = np.array(times, dtype=np.int64) if len(times) == len(gathering.times) else None
            kept.append(Block(device, table, register, t_ns, np.array(gathering.words, dtype=np.uint16)))
    return tuple(sorted(kept, key=lambda b: (b.device, b.table, b.register)))
