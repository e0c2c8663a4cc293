"""Two masters on one line: polls beside the usual ones, while frames collide.

Requests in, contests out. A single master waits for an answer or its time-out before it asks again, so its own extra
polls never garble anything. Two that don't know of each other talk at once now and then. So two things are needed:
requests beside the usual polls of a device (other registers for a time, overlapping ones, or the same at another
rhythm), and, just while they last, either somebody who asks while an answer is still waited for, or a jump in lost
answers of *other* polls on more than one device.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line.columns import NO_TIME
from sidetap.quantity import NS_PER_S
from sidetap.survey.asked import Times, shared
from sidetap.survey.grouping import Places
from sidetap.survey.history import History
from sidetap.survey.polls import Poll
from sidetap.survey.timeline import Span

_MOST_POLLS = 30
_FEWEST = 10  # requests beside the usual ones
_PAUSE_NS = 20 * NS_PER_S  # a longer pause starts another contest
_LIMITED = 0.9  # of its device's time: a poll that lasts shorter came or went within the record
_ANSWERED = 0.3  # of the extra requests: a device that isn't there is no contest
_TOO_SOON = 0.7  # of the usual period
_FEWEST_TROUBLES = 3
_FEWEST_OUTSIDE = 50  # tries; of fewer nothing usual can be told
_TROUBLED = 0.02
_TIMES_USUAL = 5
_FEWEST_TALKED_OVER = 2
_ONE_DEVICE = 0.8  # of the troubles: more of them at a single device are that device's own


@dataclass(frozen=True, slots=True)
class Contest:
    """A device that two masters ask. polls: those of the second. usual_share: troubles per try outside of it.

    talked_over: how often one asked while the other still waited.
    """

    device: int
    register: int | None
    polls: frozenset[int]
    span: Span
    requests: int
    troubles: int
    tries: int
    usual_share: float
    talked_over: int


def contests(history: History, usual: NDArray[np.bool_]) -> list[Contest]:
    """Return one contest for each contested device; usual: which requests are in no address scan."""
    extras = _extras(history, usual)
    if not extras:
        return []
    line = _Line(history, {int(history.requests.poll[group[0]]) for group in extras})
    found: dict[int, Contest] = {}
    for group in extras:
        contest = line.judge(group)
        if contest is None:
            continue
        before = found.get(contest.device)
        found[contest.device] = contest if before is None else _joined(before, contest)
    return [found[device] for device in sorted(found)]


def _extras(history: History, usual: NDArray[np.bool_]) -> list[Places]:
    """Return groups of requests that may be a second master's."""
    timed = usual & history.requests.timed
    groups: list[Places] = []
    by_device: dict[int, list[int]] = {}
    for number, poll in enumerate(history.polls):
        by_device.setdefault(poll.device, []).append(number)
    for numbers in by_device.values():
        by_poll = {n: own for n in numbers if len(own := (all_own := history.of_poll(n))[timed[all_own]])}
        often = [n for n, own in by_poll.items() if int(history.requests.asked[own].sum()) >= _FEWEST]
        if len(often) > _MOST_POLLS:
            continue  # no master asks one device so many things; and every pair of them would be compared
        spans = {n: Span.of(history.requests.t_ns[own]) for n, own in by_poll.items()}
        for number in often:
            groups += _groups(history, number, by_poll[number], spans)
    return groups


def _groups(history: History, number: int, own: Places, spans: Mapping[int, Span | None]) -> list[Places]:
    """Return the requests of one poll that may be a second master's; spans: of all polls of its device.

    Of two polls, the one that came or went within the other's time. If both last, and ask for the same registers,
    nothing tells whose is whose: each may be.
    """
    requests = history.requests
    rest = _hull([span for other, span in spans.items() if other != number and span is not None])
    mine = history.polls[number]
    beside = [span for other, span in spans.items() if other != number and _overlaps(mine, history.polls[other])]
    both_last = bool(beside) and not any(_shorter(span, spans[number]) for span in beside)
    groups = [
        group
        for group in _clusters(history, own)
        if _enough(history, group)
        and rest is not None
        and (both_last or _shorter(Span.of(requests.t_ns[group]), rest))
    ]
    return groups + [group for group in _clusters(history, _too_soon(history, own)) if _enough(history, group)]


def _enough(history: History, group: Places) -> bool:
    return int(history.requests.asked[group].sum()) >= _FEWEST


def _hull(spans: Sequence[Span]) -> Span | None:
    return Span(min(s.from_ns for s in spans), max(s.to_ns for s in spans)) if spans else None


def _shorter(one: Span | None, other: Span | None) -> bool:
    return one is not None and other is not None and one.length_ns < _LIMITED * other.length_ns


def _overlaps(poll: Poll, other: Poll) -> bool:
    if (poll.device, poll.function) != (other.device, other.function):
        return False
    if poll.register is None or other.register is None or poll.count is None or other.count is None:
        return False
    return poll.register < other.register + other.count and other.register < poll.register + poll.count


def _pauses(history: History, own: Places) -> NDArray[np.float64]:
    """Return how long it is from each request of a poll to the next."""
    return shared(history.requests.t_ns[own], history.requests.asked[own])


def _clusters(history: History, own: Places) -> list[Places]:
    return np.split(own, np.flatnonzero(_pauses(history, own) > _PAUSE_NS) + 1) if len(own) else []


def _too_soon(history: History, own: Places) -> Places:
    pauses = _pauses(history, own)
    if len(pauses) < _FEWEST:
        return own[:0]
    return own[1:][(pauses >= 0) & (pauses < _TOO_SOON * float(np.median(pauses)))]


class _Line:
    """Tries and troubles of the whole line by time, so that any span of it is counted at once."""

    def __init__(self, history: History, extra_polls: Collection[int]) -> None:
        self._history = history
        requests, troubles = history.requests, history.troubles
        regular = np.ones(len(history.polls), dtype=np.bool_)
        regular[list(extra_polls)] = False
        own = np.flatnonzero(regular[requests.poll])
        self._all_tries = int(requests.tries[own].sum())
        own = own[requests.timed[own]]
        own = own[np.argsort(requests.t_ns[own], kind="stable")]
        self._t_ns = requests.t_ns[own]
        self._tries = np.append(0, np.cumsum(requests.tries[own], dtype=np.int64))
        lost = np.flatnonzero(regular[troubles.poll])
        self._all_lost = len(lost)
        self._lost_ns, order = _in_time(troubles.t_ns[lost])
        self._lost_device = history.device[troubles.poll[lost]][order]
        self._over_ns, _ = _in_time(troubles.t_ns[troubles.talked_over])
        self._all_over = int(troubles.talked_over.sum())

    def judge(self, group: Places) -> Contest | None:
        """Return the contest that a group of requests is, or None."""
        requests = self._history.requests
        span = Span.of(requests.t_ns[group])
        asked = requests.asked[group]
        if span is None or int(asked[requests.whole[group]].sum()) < _ANSWERED * int(asked.sum()):
            return None
        tries = slice(*_within(self._t_ns, span))
        inside = int(self._tries[tries.stop] - self._tries[tries.start])
        outside = self._all_tries - inside
        lost = self._lost_device[slice(*_within(self._lost_ns, span))]
        usual_share = (self._all_lost - len(lost)) / max(outside, _FEWEST_OUTSIDE)
        first, last = _within(self._over_ns, span)
        talked_over = last - first
        usually = (self._all_over - talked_over) / max(outside, _FEWEST_OUTSIDE)
        at_once = talked_over >= _FEWEST_TALKED_OVER and talked_over > _TIMES_USUAL * usually * inside
        if not at_once and not _garbled(lost, inside, usual_share):
            return None
        number = int(requests.poll[group[0]])
        poll = self._history.polls[number]
        return Contest(
            poll.device,
            poll.register,
            frozenset({number}),
            span,
            int(asked.sum()),
            len(lost),
            inside,
            usual_share,
            talked_over,
        )


def _in_time(t_ns: Times) -> tuple[Times, Places]:
    """Return the known times in order, and where each comes from."""
    known = np.flatnonzero(t_ns != NO_TIME)
    order = known[np.argsort(t_ns[known], kind="stable")]
    return t_ns[order], order


def _within(t_ns: Times, span: Span) -> tuple[int, int]:
    """Return from where to where times in order lie in a span, ends included."""
    return int(np.searchsorted(t_ns, span.from_ns)), int(np.searchsorted(t_ns, span.to_ns, "right"))


def _garbled(device: NDArray[np.uint8], tries: int, usual_share: float) -> bool:
    """Return whether the answers of several devices got lost as they usually don't; device: of each trouble."""
    if len(device) < _FEWEST_TROUBLES or len(device) < max(_TROUBLED, _TIMES_USUAL * usual_share) * tries:
        return False
    return int(np.bincount(device).max()) <= _ONE_DEVICE * len(device)


def _joined(one: Contest, other: Contest) -> Contest:
    """Return two contests of one device told as one."""
    return Contest(
        one.device,
        one.register if one.register == other.register else None,
        one.polls | other.polls,
        Span(min(one.span.from_ns, other.span.from_ns), max(one.span.to_ns, other.span.to_ns)),
        one.requests + other.requests,
        max(one.troubles, other.troubles),
        max(one.tries, other.tries),
        min(one.usual_share, other.usual_share),
        one.talked_over + other.talked_over,
    )
