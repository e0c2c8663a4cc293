"""Requests of a line with what became of them: tries in, requests with their retries folded in out.

Order of arrival counts. A try of the same poll right after one without a whole answer is its retry (`Columns.retry`).
Where somebody else asked in between, the rhythm tells: the same bytes again, well under the poll's period after a try
that got no whole answer. Times may be missing altogether; then only the first rule holds.

Everything is kept as arrays, 23 bytes a request. Of more than MOST_REQUESTS the older ones are told shorter: where a
device did the same at an even pace, 8 requests of a poll become one row that stands for all (`Requests.asked`), and 8
of these one again. Counts stay exact; of times the first one of each row, and with it every pause and every change
between whole answers and none.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Columns, Outcome
from sidetap.line.columns import NO_TIME, OUTCOMES
from sidetap.quantity import NS_PER_MS
from sidetap.survey.grouping import Places, by_number, medians, slabs
from sidetap.survey.octets import Octets
from sidetap.survey.polls import Numbers, Polls

Times = NDArray[np.int64]
Flags = NDArray[np.bool_]

MOST_REQUESTS = 6_000_000  # rows kept
_MOST_GARBLED = 200_000

_PATIENCE_NS = 30 * NS_PER_MS  # no master's time-out is shorter: common practice, no source
_RETRY_WITHIN = 0.5  # of a poll's period: a repeat that comes later is the next poll
_FEWEST_GAPS = 5  # of fewer no period can be told
_OFTEN = 1000  # requests of a poll; of fewer each row stays
_TOGETHER = 8  # rows that become one
_MOST_TOGETHER = 64  # requests that a row stands for: more than twice shortened is none
_EVEN_GAP = 0.7, 1.5  # of a period: a row before a pause, or another so soon, stands for itself alone

_WHOLE = np.array([o in (Outcome.ANSWERED, Outcome.EXCEPTION, Outcome.BROADCAST) for o in OUTCOMES])
_EXCEPTION, _UNANSWERED, _DAMAGED = (
    OUTCOMES.index(o) for o in (Outcome.EXCEPTION, Outcome.UNANSWERED, Outcome.DAMAGED)
)


@dataclass(frozen=True, eq=False)
class Requests:
    """One row a request with its retries, in order of arrival.

    t_ns: of its first try, NO_TIME without. poll: its number. outcome: the last try's, place in OUTCOMES. exception:
    its code; 0 for other outcomes. tries: of all requests of the row. asked: how many like requests the row stands
    for, nearly always 1; the time to the next row of the poll is then shared evenly between them.
    """

    t_ns: Times
    poll: Numbers
    outcome: NDArray[np.uint8]
    exception: NDArray[np.uint8]
    tries: Numbers
    asked: Numbers

    def __len__(self) -> int:
        return len(self.t_ns)

    @cached_property
    def whole(self) -> Flags:
        """Whether a whole answer came (an exception is one), or none was due."""
        return np.asarray(_WHOLE[self.outcome])

    @cached_property
    def refused(self) -> Flags:
        """Whether the answer was an exception."""
        return np.asarray(self.outcome == _EXCEPTION)

    @cached_property
    def timed(self) -> Flags:
        """Whether the row has a time."""
        return np.asarray(self.t_ns != NO_TIME)


@dataclass(frozen=True, slots=True, eq=False)
class Troubles:
    """Single tries that came to no whole answer, in order of arrival. outcome: place in OUTCOMES.

    talked_over: nothing answered, and yet something else was asked at once, sooner than any master gives up waiting.
    """

    t_ns: Times
    poll: Numbers
    outcome: NDArray[np.uint8]
    talked_over: Flags

    def __len__(self) -> int:
        return len(self.t_ns)

    @property
    def damaged(self) -> Flags:
        """Whether bytes came that made no whole answer."""
        return np.asarray(self.outcome == _DAMAGED)


@dataclass(frozen=True, slots=True, eq=False)
class Garbled:
    """Read requests that reached nobody: all but the check bytes came through. Never a retry of another."""

    t_ns: Times
    poll: Numbers


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Requests as they came. repeats: the same bytes as its poll's try before, which got no whole answer."""

    t_ns: Times
    poll: Numbers
    outcome: NDArray[np.uint8]
    exception: NDArray[np.uint8]
    tries: Numbers
    asked: Numbers
    repeats: Flags

    def __len__(self) -> int:
        return len(self.t_ns)

    def taken(self, which: slice | Flags) -> "_Part":
        return _Part(*(getattr(self, name)[which] for name in self.__slots__))


_NONE: dict[str, NDArray[np.generic]] = {
    "t_ns": np.empty(0, dtype=np.int64),
    "poll": np.empty(0, dtype=np.int32),
    "outcome": np.empty(0, dtype=np.uint8),
    "exception": np.empty(0, dtype=np.uint8),
    "tries": np.empty(0, dtype=np.int32),
    "asked": np.empty(0, dtype=np.int32),
    "repeats": np.empty(0, dtype=np.bool_),
}


class Asking:
    """Tries in order of arrival, growing."""

    def __init__(self) -> None:
        self._parts: list[_Part] = []
        self._short: list[_Part] = []
        self._shortest: list[_Part] = []  # twice
        self._rows = 0
        self._open = np.zeros(0, dtype=np.uint64)  # by poll: mark of the latest try, if it got no whole answer
        self._troubles: list[Troubles] = []
        self._again_ns: list[Times] = []
        self._latest: tuple[int, int, bool, bool] | None = None  # the try before: time, poll, backlog, unanswered
        self._garbled: list[tuple[Times, Numbers, Numbers, Numbers, Numbers]] = []
        self._garbled_rows = 0

    def hear(self, columns: Columns, rows: NDArray[np.int64], octets: Octets) -> None:
        """Take in what could not be read: it may be a poll's request with its end garbled."""
        starts = columns.ends[rows - 1]
        starts[rows == 0] = 0
        long_enough = (columns.ends[rows] - starts >= octets.size(4)) & (columns.t_ns[rows] != NO_TIME)
        rows, starts = rows[long_enough], starts[long_enough]
        function = octets.at(starts, 1)
        read = (function >= 1) & (function <= 4)
        rows, starts, function = rows[read], starts[read], function[read]
        if len(rows) and self._garbled_rows < _MOST_GARBLED:
            self._garbled_rows += len(rows)
            self._garbled.append(
                (
                    columns.t_ns[rows],
                    octets.at(starts, 0),
                    function,
                    octets.word(starts, 2),
                    octets.word(starts, 4),
                )
            )

    def add(self, columns: Columns, rows: NDArray[np.int64], poll: Numbers, polls: Polls, octets: Octets) -> None:
        """Take in tries: rows of a table and the poll of each."""
        if not len(rows):
            return
        t_ns, outcome, backlog = columns.t_ns[rows], columns.outcome[rows], columns.backlog[rows]
        self._note_troubles(t_ns, poll, outcome, backlog)
        self._open = np.concatenate([self._open, np.zeros(len(polls) - len(self._open), dtype=np.uint64)])
        repeats = self._repeats(rows, poll, outcome, backlog, octets)
        exception = np.zeros(len(rows), dtype=np.uint8)
        refused = np.flatnonzero(outcome == _EXCEPTION)
        exception[refused] = octets.at(columns.response[rows[refused], 0], 2)

        first = ~columns.retry[rows]
        first[1:] |= poll[1:] != poll[:-1]
        first[0] |= not self._parts or self._parts[-1].poll[-1] != poll[0]
        self._again_ns.append(t_ns[~first & (t_ns != NO_TIME)])
        starts = np.flatnonzero(first)
        lead = int(starts[0]) if len(starts) else len(rows)
        if lead:  # retries of the last request of the table before
            before = self._parts[-1]
            before.outcome[-1], before.exception[-1] = outcome[lead - 1], exception[lead - 1]
            before.tries[-1] += lead
        if len(starts):
            ends = np.append(starts[1:], len(rows))
            self._parts.append(
                _Part(
                    t_ns[starts],
                    poll[starts],
                    outcome[ends - 1],
                    exception[ends - 1],
                    (ends - starts).astype(np.int32),
                    np.ones(len(starts), dtype=np.int32),
                    repeats[starts],
                )
            )
            self._rows += len(starts)
        if self._rows > MOST_REQUESTS:
            self._shorten(polls.devices())

    def _note_troubles(self, t_ns: Times, poll: Numbers, outcome: NDArray[np.uint8], backlog: Flags) -> None:
        """Keep the tries that came to nothing; whether one was talked over shows the try that came next."""
        after = (t_ns[1:] - t_ns[:-1] < _PATIENCE_NS) & (t_ns[1:] >= t_ns[:-1])
        after &= (t_ns[1:] != NO_TIME) & (t_ns[:-1] != NO_TIME)
        over = np.zeros(len(t_ns), dtype=np.bool_)
        over[:-1] = after & (poll[1:] != poll[:-1]) & ~backlog[1:] & ~backlog[:-1]
        over &= outcome == _UNANSWERED
        if self._latest is not None and self._troubles:
            before_ns, before_poll, before_late, unanswered = self._latest
            soon = NO_TIME not in (before_ns, int(t_ns[0])) and 0 <= int(t_ns[0]) - before_ns < _PATIENCE_NS
            if unanswered and soon and before_poll != poll[0] and not before_late and not backlog[0]:
                self._troubles[-1].talked_over[-1] = True
        lost = np.flatnonzero((outcome == _UNANSWERED) | (outcome == _DAMAGED))
        if len(lost):
            self._troubles.append(Troubles(t_ns[lost], poll[lost], outcome[lost], over[lost]))
        self._latest = (int(t_ns[-1]), int(poll[-1]), bool(backlog[-1]), int(outcome[-1]) == _UNANSWERED)

    def _repeats(
        self, rows: NDArray[np.int64], poll: Numbers, outcome: NDArray[np.uint8], backlog: Flags, octets: Octets
    ) -> Flags:
        """Return which tries have the same bytes as the one before of their poll, which got no whole answer."""
        opens = ~_WHOLE[outcome] & ~backlog  # times of a backlog say nothing about rhythm
        if not opens.any() and not self._open.any():
            return np.zeros(len(rows), dtype=np.bool_)
        order = by_number(poll)
        own, opens, late = poll[order], opens[order], backlog[order]
        first = np.append(True, own[1:] != own[:-1])
        after_open = np.append(False, opens[:-1])
        after_open[first] = self._open[own[first]] != 0
        compared = np.flatnonzero(opens | after_open)
        marks = np.zeros(len(rows), dtype=np.uint64)
        marks[compared] = octets.marks(rows[order[compared]])
        left_open = np.where(opens, marks, 0)
        before = np.append(np.uint64(0), left_open[:-1])
        before[first] = self._open[own[first]]
        repeats = np.empty(len(rows), dtype=np.bool_)
        repeats[order] = (before != 0) & (before == marks) & ~late
        last = np.append(first[1:], True)
        self._open[own[last]] = left_open[last]
        return repeats

    def _shorten(self, device: NDArray[np.uint8]) -> None:
        """Tell the older half of the rows shorter, and the rows told shorter once, if they are many, once more."""
        fresh, half = _joined(self._parts), MOST_REQUESTS // 2
        while len(fresh) > MOST_REQUESTS:
            self._short.append(_shortened(fresh.taken(slice(half)), device))
            fresh = fresh.taken(slice(half, None))
            if sum(map(len, self._short)) > half // 2:
                self._shortest.append(_shortened(_joined(self._short), device))
        self._parts = [fresh]
        self._rows = len(fresh)

    def requests(self, polls: Polls) -> tuple[Requests, Garbled]:
        """Return the requests, every retry folded into its first try, and garbled ones that no request stands for."""
        part, within_ns = _folded(_joined([*self._shortest, *self._short, *self._parts]), len(polls))
        requests = Requests(part.t_ns, part.poll, part.outcome, part.exception, part.tries, part.asked)
        return requests, self._alone(requests, within_ns, polls)

    def _alone(self, requests: Requests, within_ns: NDArray[np.float64], polls: Polls) -> Garbled:
        """Return the garbled requests that by their poll's rhythm are neither a retry nor followed by one."""
        if not self._garbled:
            none = np.empty(0, dtype=np.int64)
            return Garbled(none, none.astype(np.int32))
        t_ns, *request = (np.concatenate(column) for column in zip(*self._garbled, strict=True))
        poll = polls.read(*request)
        own = poll >= 0
        own[own] &= ~np.isnan(within_ns[poll[own]])
        t_ns, poll = t_ns[own], poll[own]
        alone = np.zeros(len(t_ns), dtype=np.bool_)
        for number in np.unique(poll).tolist():
            asked = np.sort(requests.t_ns[(requests.poll == number) & requests.timed])
            within = float(within_ns[number])
            places = np.flatnonzero(poll == number)
            after = np.searchsorted(asked, t_ns[places])
            latest_ns: int | None = None
            for place, next_one in zip(places.tolist(), after.tolist(), strict=True):
                moment = int(t_ns[place])
                near = asked[max(next_one - 1, 0) : next_one + 1].tolist()
                if latest_ns is not None:
                    near.append(latest_ns)
                if all(abs(other - moment) >= within for other in near):
                    alone[place] = True
                    latest_ns = moment
        return Garbled(t_ns[alone], poll[alone])

    def troubles(self) -> Troubles:
        """Return the tries that came to no whole answer."""
        if not self._troubles:
            none = np.empty(0, dtype=np.int64)
            return Troubles(none, none.astype(np.int32), none.astype(np.uint8), none.astype(np.bool_))
        return Troubles(*(np.concatenate([getattr(t, name) for t in self._troubles]) for name in Troubles.__slots__))

    def again_ns(self) -> Times:
        """Return the times of tries that were folded into a request because nothing came in between."""
        return np.concatenate([np.empty(0, dtype=np.int64), *self._again_ns])


def _joined(parts: list[_Part]) -> _Part:
    """Return parts as one; the list is emptied on the way, so that no row is held twice for long."""
    if len(parts) == 1:
        return parts.pop()
    columns = {name: [getattr(part, name) for part in parts] for name in _Part.__slots__}
    parts.clear()
    return _Part(**{name: np.concatenate([_NONE[name], *columns.pop(name)]) for name in list(columns)})


def shared(t_ns: Times, asked: Numbers) -> NDArray[np.float64]:
    """Return the time from each row to the next, shared among the requests that the row stands for."""
    pause = np.diff(t_ns).astype(np.float64)
    many = np.flatnonzero(asked[:-1] > 1)
    pause[many] /= asked[many]
    return pause


def _pauses(part: _Part, order: Places) -> tuple[NDArray[np.float64], Flags]:
    """Return of each row in order of polls the time to its poll's next, per request it stands for; where one is."""
    t_ns, own = part.t_ns[order], part.poll[order]
    known = (own[1:] == own[:-1]) & (t_ns[1:] != NO_TIME) & (t_ns[:-1] != NO_TIME)
    known &= t_ns[1:] >= t_ns[:-1]
    return shared(t_ns, part.asked[order]), known


def _folded(part: _Part, polls: int) -> tuple[_Part, NDArray[np.float64]]:
    """Return the requests with each retry folded into its first try, and how soon a retry comes [polls], in ns.

    A poll's period is its median time from one request to the next; after a whole answer that is never a retry.
    """
    within_ns = np.full(polls, np.nan)
    kept = np.ones(len(part), dtype=np.bool_)
    for order in slabs(part.poll, polls):
        pause, known = _pauses(part, order)
        own = part.poll[order]
        usual = known & _WHOLE[part.outcome[order[:-1]]]
        numbers, group = np.unique(own, return_inverse=True)
        within = _RETRY_WITHIN * medians(pause[usual], group[1:][usual], len(numbers), _FEWEST_GAPS)
        within_ns[numbers] = within
        with np.errstate(invalid="ignore"):
            again = np.append(False, known & part.repeats[order[1:]] & (pause < within[group[1:]]))
        if not again.any():
            continue
        head = order[np.maximum.accumulate(np.where(again, 0, np.arange(len(order))))]
        retries, requests = order[again], head[again]
        part.outcome[requests] = part.outcome[retries]  # of several the last one counts
        part.exception[requests] = part.exception[retries]
        np.add.at(part.tries, requests, part.tries[retries])
        kept[retries] = False
    return part if kept.all() else part.taken(kept), within_ns


def _shortened(part: _Part, device: NDArray[np.uint8]) -> _Part:
    """Return requests told shorter: 8 rows of a poll become one where their device did the same all along.

    device: of each poll. Rare polls, and rows before a pause, stay as they are.
    """
    part, _ = _folded(part, len(device))
    whole = _WHOLE[part.outcome]
    stretch = np.zeros(len(part), dtype=np.int64)
    by_device = by_number(device[part.poll])
    own, same = device[part.poll[by_device]], whole[by_device]
    stretch[by_device[1:]] = np.cumsum((own[1:] != own[:-1]) | (same[1:] != same[:-1]))
    often = np.bincount(part.poll, minlength=len(device)) >= _OFTEN
    kept = np.ones(len(part), dtype=np.bool_)
    for order in slabs(part.poll, len(device)):
        pause, known = _pauses(part, order)
        numbers, poll = np.unique(part.poll[order], return_inverse=True)
        typical = medians(pause[known], poll[1:][known], len(numbers), _FEWEST_GAPS)
        untimed = (part.t_ns[order[1:]] == NO_TIME) & (part.t_ns[order[:-1]] == NO_TIME)
        with np.errstate(invalid="ignore"):
            share = pause / typical[poll[1:]]
            even = untimed | (known & (share >= _EVEN_GAP[0]) & (share <= _EVEN_GAP[1]))
        even &= (poll[1:] == poll[:-1]) & often[numbers][poll[1:]]
        like = even & np.append(even[1:], False)  # of two rows, also the second stands before no pause
        like &= (part.asked[order] <= _MOST_TOGETHER // _TOGETHER)[1:]
        for column in (stretch, part.outcome, part.exception):
            like &= column[order[1:]] == column[order[:-1]]
        places = np.arange(len(order))
        apart = np.append(True, ~like)
        apart |= (places - np.maximum.accumulate(np.where(apart, places, 0))) % _TOGETHER == 0
        first = order[apart]
        for counts in (part.asked, part.tries):
            counts[first] = np.add.reduceat(counts[order], np.flatnonzero(apart))
        kept[order[~apart]] = False
    part.repeats[:] = False
    return part.taken(kept)
