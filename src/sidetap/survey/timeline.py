"""When what was asked: spans of time, scans of addresses, silences, usual polls.

Requests in order of arrival in, places and spans out. Times that run backwards make no gap.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from sidetap.quantity import NS_PER_S
from sidetap.survey.history import History, Poll, Request

SILENT_NS = 120 * NS_PER_S
SILENT_PERIODS = 20

_SHORTEST_SCAN = 3
_HOUR_NS = 3600 * NS_PER_S
_FEWEST_POLLS = 5


@dataclass(frozen=True, slots=True)
class Span:
    """From one time of the recording's clock to another."""

    from_ns: int
    to_ns: int

    @classmethod
    def of(cls, requests: Sequence[Request]) -> "Span | None":
        """Return the span of requests; None when they have no times."""
        times = [r.t_ns for r in requests if r.t_ns is not None]
        return cls(min(times), max(times)) if times else None

    @property
    def length_ns(self) -> int:
        """How long it is."""
        return self.to_ns - self.from_ns

    def holds(self, t_ns: int | None) -> bool:
        """Return whether a time lies in it, ends included."""
        return t_ns is not None and self.from_ns <= t_ns <= self.to_ns

    def overlap(self, other: "Span") -> int:
        """Return how long both last together."""
        return max(0, min(self.to_ns, other.to_ns) - max(self.from_ns, other.from_ns))


def scans(history: History) -> list[list[int]]:
    """Return runs of requests (their places) that ask three or more consecutive addresses the same, in turn.

    A controller that asks each of its devices the same in every cycle is no scan: a scan's requests are rare, about
    one an hour at most.
    """
    times = Counter(r.poll for r in history.requests)
    long_ns = 0 if history.start_ns is None or history.end_ns is None else history.end_ns - history.start_ns
    rare = 1 + long_ns // _HOUR_NS
    runs: list[list[int]] = []
    run: list[int] = []
    for place, request in enumerate(history.requests):
        if run and _next_address(history.requests[run[-1]].poll, request.poll):
            run.append(place)
            continue
        runs.append(run)
        run = [place]
    runs.append(run)
    return [
        r
        for r in runs
        if len(r) >= _SHORTEST_SCAN and sum(times[history.requests[n].poll] <= rare for n in r) > len(r) / 2
    ]


def _next_address(before: Poll, after: Poll) -> bool:
    same = (before.function, before.register, before.count) == (after.function, after.register, after.count)
    return same and after.device == before.device + 1


def usual_polls(asked: Mapping[Poll, int]) -> dict[int, Poll]:
    """Return each device's poll that is asked oftenest, where it is asked at least five times."""
    usual: dict[int, Poll] = {}
    for poll, times in sorted(asked.items(), key=lambda item: -item[1]):
        if times >= _FEWEST_POLLS:
            usual.setdefault(poll.device, poll)
    return usual


def silences(times_ns: Sequence[int], end_ns: int | None) -> list[Span]:
    """Return the gaps longer than 20 periods and 120 s, the one at the record's end included."""
    if len(times_ns) < _FEWEST_POLLS or end_ns is None:
        return []
    ends = [*times_ns[1:], max(end_ns, times_ns[-1])]
    limit = max(SILENT_NS, SILENT_PERIODS * median(b - a for a, b in pairwise(times_ns)))
    return [Span(a, b) for a, b in zip(times_ns, ends, strict=True) if b - a > limit]
