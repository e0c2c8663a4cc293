"""Two masters on one line: polls beside the usual ones, while frames collide.

Requests in, contests out. A single master waits for an answer or its time-out before it asks again, so its own extra
polls never garble anything. Two that don't know of each other talk at once now and then. So two things are needed:
requests beside the usual polls of a device (other registers for a time, overlapping ones, or the same at another
rhythm), and, just while they last, either somebody who asks while an answer is still waited for, or a jump in lost
answers of *other* polls on more than one device.
"""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from sidetap.quantity import NS_PER_S
from sidetap.survey.history import History, Poll, Request, Trouble
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
    polls: frozenset[Poll]
    span: Span | None
    requests: int
    troubles: int
    tries: int
    usual_share: float
    talked_over: int


def contests(history: History, usual: Sequence[Request]) -> list[Contest]:
    """Return one contest for each contested device; usual: all requests but those of address scans."""
    timed = [r for r in usual if r.t_ns is not None]
    extras = _extras(timed)
    extra_polls = {r.poll for group in extras for r in group}
    found: dict[int, Contest] = {}
    for group in extras:
        contest = _judge(history, group, extra_polls)
        if contest is None:
            continue
        before = found.get(contest.device)
        found[contest.device] = contest if before is None else _joined(before, contest)
    return [found[device] for device in sorted(found)]


def _extras(timed: Sequence[Request]) -> list[list[Request]]:
    """Return groups of requests that may be a second master's."""
    by_device: defaultdict[int, defaultdict[Poll, list[Request]]] = defaultdict(lambda: defaultdict(list))
    for request in timed:
        by_device[request.poll.device][request.poll].append(request)
    groups: list[list[Request]] = []
    for by_poll in by_device.values():
        often = [poll for poll, own in by_poll.items() if len(own) >= _FEWEST]
        if len(often) > _MOST_POLLS:
            continue  # no master asks one device so many things; and every pair of them would be compared
        for poll in often:
            groups += _groups(poll, by_poll)
    return groups


def _groups(poll: Poll, by_poll: Mapping[Poll, list[Request]]) -> list[list[Request]]:
    """Return the requests of one poll that may be a second master's; by_poll: all those of its device.

    Of two polls, the one that came or went within the other's time. If both last, and ask for the same registers,
    nothing tells whose is whose: each may be.
    """
    requests = by_poll[poll]
    rest = Span.of([r for other, own in by_poll.items() if other is not poll for r in own])
    beside = [own for other, own in by_poll.items() if other is not poll and _overlaps(poll, other)]
    both_last = bool(beside) and not any(_limited(own, requests) for own in beside)
    groups = [
        g
        for g in _clusters(requests)
        if len(g) >= _FEWEST and rest is not None and (both_last or _shorter(Span.of(g), rest))
    ]
    return groups + [g for g in _clusters(_too_soon(requests)) if len(g) >= _FEWEST]


def _limited(requests: Sequence[Request], others: Sequence[Request]) -> bool:
    return _shorter(Span.of(requests), Span.of(others))


def _shorter(one: Span | None, other: Span | None) -> bool:
    return one is not None and other is not None and one.length_ns < _LIMITED * other.length_ns


def _overlaps(poll: Poll, other: Poll) -> bool:
    if (poll.device, poll.function) != (other.device, other.function):
        return False
    if poll.register is None or other.register is None or poll.count is None or other.count is None:
        return False
    return poll.register < other.register + other.count and other.register < poll.register + poll.count


def _clusters(requests: Sequence[Request]) -> list[list[Request]]:
    groups: list[list[Request]] = []
    last_ns = 0
    for request in requests:
        t_ns = request.t_ns or 0
        if not groups or t_ns - last_ns > _PAUSE_NS:
            groups.append([])
        groups[-1].append(request)
        last_ns = t_ns
    return groups


def _too_soon(requests: Sequence[Request]) -> list[Request]:
    times = [r.t_ns or 0 for r in requests]
    gaps = [b - a for a, b in pairwise(times)]
    if len(gaps) < _FEWEST:
        return []
    period = median(gaps)
    return [r for r, gap in zip(requests[1:], gaps, strict=True) if 0 <= gap < _TOO_SOON * period]


def _judge(history: History, group: Sequence[Request], extra_polls: set[Poll]) -> Contest | None:
    span = Span.of(group)
    if span is None or sum(r.whole for r in group) < _ANSWERED * len(group):
        return None
    regular = [t for t in history.troubles if t.poll not in extra_polls]
    troubles = [t for t in regular if span.holds(t.t_ns)]
    inside = sum(r.tries for r in history.requests if r.poll not in extra_polls and span.holds(r.t_ns))
    outside = sum(r.tries for r in history.requests if r.poll not in extra_polls) - inside
    usual_share = (len(regular) - len(troubles)) / max(outside, _FEWEST_OUTSIDE)
    talked_over = sum(t.talked_over and span.holds(t.t_ns) for t in history.troubles)
    usually = (sum(t.talked_over for t in history.troubles) - talked_over) / max(outside, _FEWEST_OUTSIDE)
    at_once = talked_over >= _FEWEST_TALKED_OVER and talked_over > _TIMES_USUAL * usually * inside
    if not at_once and not _garbled(troubles, inside, usual_share):
        return None
    poll = group[0].poll
    return Contest(
        poll.device,
        poll.register,
        frozenset({poll}),
        span,
        len(group),
        len(troubles),
        inside,
        usual_share,
        talked_over,
    )


def _garbled(troubles: Sequence[Trouble], tries: int, usual_share: float) -> bool:
    """Return whether the answers of several devices got lost as they usually don't."""
    if len(troubles) < _FEWEST_TROUBLES or len(troubles) < max(_TROUBLED, _TIMES_USUAL * usual_share) * tries:
        return False
    at = Counter(t.poll.device for t in troubles)
    return max(at.values()) <= _ONE_DEVICE * len(troubles)


def _joined(one: Contest, other: Contest) -> Contest:
    """Return two contests of one device told as one."""
    span = one.span
    if span is not None and other.span is not None:
        span = Span(min(span.from_ns, other.span.from_ns), max(span.to_ns, other.span.to_ns))
    return Contest(
        one.device,
        one.register if one.register == other.register else None,
        one.polls | other.polls,
        span,
        one.requests + other.requests,
        max(one.troubles, other.troubles),
        max(one.tries, other.tries),
        min(one.usual_share, other.usual_share),
        one.talked_over + other.talked_over,
    )
