"""When what was asked: spans of time, scans of addresses, silences, usual polls.

Requests in order of arrival in, places and spans out. Times that run backwards make no gap.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line.columns import NO_TIME
from sidetap.quantity import NS_PER_S
from sidetap.survey.asked import Times, shared
from sidetap.survey.grouping import Places
from sidetap.survey.history import History
from sidetap.survey.polls import Numbers, Poll

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
    def of(cls, t_ns: Times) -> "Span | None":
        """Return the span of times; None when there are none."""
        known = t_ns[t_ns != NO_TIME]
        return cls(int(known.min()), int(known.max())) if len(known) else None

    @property
    def length_ns(self) -> int:
        """How long it is."""
        return self.to_ns - self.from_ns

    def holds(self, t_ns: int) -> bool:
        """Return whether a time lies in it, ends included."""
        return self.from_ns <= t_ns <= self.to_ns

    def among(self, t_ns: Times) -> NDArray[np.bool_]:
        """Return which times lie in it, ends included; NO_TIME lies nowhere."""
        return np.asarray((t_ns >= self.from_ns) & (t_ns <= self.to_ns) & (t_ns != NO_TIME))

    def overlap(self, other: "Span") -> int:
        """Return how long both last together."""
        return max(0, min(self.to_ns, other.to_ns) - max(self.from_ns, other.from_ns))


def scans(history: History) -> list[Places]:
    """Return runs of requests (their places) that ask three or more consecutive addresses the same, in turn.

    A controller that asks each of its devices the same in every cycle is no scan: a scan's requests are rare, about
    one an hour at most.
    """
    poll = history.requests.poll
    if len(poll) < _SHORTEST_SCAN:
        return []
    asked = np.bincount(poll, weights=history.requests.asked, minlength=len(history.polls))
    long_ns = 0 if history.start_ns is None or history.end_ns is None else history.end_ns - history.start_ns
    rare = asked <= 1 + long_ns // _HOUR_NS
    same = {p: n for n, p in enumerate(dict.fromkeys(_question(p) for p in history.polls))}
    question = np.array([same[_question(p)] for p in history.polls], dtype=np.int32)
    device = history.device.astype(np.int16)
    # of every pair of neighbours: what follows asks the next address the same
    on = (question[poll[1:]] == question[poll[:-1]]) & (device[poll[1:]] == device[poll[:-1]] + 1)
    edge = np.diff(on.astype(np.int8), prepend=0, append=0)
    first, last = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    long_enough = last - first + 1 >= _SHORTEST_SCAN
    first, last = first[long_enough], last[long_enough]
    rare_before = np.append(np.int32(0), np.cumsum(rare[poll], dtype=np.int32))
    mostly = 2 * (rare_before[last + 1] - rare_before[first]) > last + 1 - first
    return [np.arange(a, b + 1) for a, b in zip(first[mostly], last[mostly], strict=True)]


def _question(poll: Poll) -> tuple[int, int | None, int | None]:
    return (poll.function, poll.register, poll.count)


def usual_polls(polls: tuple[Poll, ...], asked: Mapping[int, int]) -> dict[int, int]:
    """Return each device's poll (its number) that is asked oftenest, where it is asked at least five times."""
    usual: dict[int, int] = {}
    for number, times in sorted(asked.items(), key=lambda item: -item[1]):
        if times >= _FEWEST_POLLS:
            usual.setdefault(polls[number].device, number)
    return usual


def silences(t_ns: Times, asked: Numbers, end_ns: int | None) -> list[Span]:
    """Return the gaps longer than 20 periods and 120 s, the one at the record's end included.

    asked: how many requests stand at each time, spread evenly up to the next.
    """
    if int(asked.sum()) < _FEWEST_POLLS or end_ns is None:
        return []
    gaps = shared(t_ns, asked)
    limit = max(SILENT_NS, SILENT_PERIODS * float(np.median(gaps))) if len(gaps) else SILENT_NS
    found = [Span(int(t_ns[n]), int(t_ns[n + 1])) for n in np.flatnonzero(gaps > limit)]
    latest = Span(int(t_ns[-1]), max(end_ns, int(t_ns[-1])))
    return [*found, latest] if latest.length_ns > limit * int(asked[-1]) else found
