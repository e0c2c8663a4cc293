"""Rows of a line -> who was asked how often, what became of it, at which pace, and how the line's time was used.

Counts by device and over time, spreads of gaps, turnaround and poll periods. Times are those of delivery: an adapter
hands over up to 16 ms late, so a single duration is good to that much and only many of them tell more.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Columns, Outcome, Settings
from sidetap.line.columns import NO_TIME, NOISE, NONE, OUTCOMES
from sidetap.survey.health.calendar import Calendar, Table, Tally
from sidetap.survey.health.polls import ByPoll, PollKey
from sidetap.survey.health.spread import Spread, Spreading

DEVICES = 256
_MOST_POLLS = 500


@dataclass(frozen=True, slots=True)
class DeviceHealth:
    """One device. Counts of tries (retries counted) and what became of them; unpaired: answers without a request.

    mended_requests, mended_answers: frames with a repaired bit. answer_bytes, flagged_bytes: of its answers, damaged
    ones included. turnaround: from the end of a request to the start of its answer, as delivered.
    """

    device: int
    tries: int
    answered: int
    exceptions: int
    damaged: int
    unanswered: int
    unpaired: int
    mended_requests: int
    mended_answers: int
    answer_bytes: int
    flagged_bytes: int
    turnaround: Spread

    @property
    def damaged_share(self) -> float:
        """Share of the tries whose answer was damaged or had to be mended."""
        return (self.damaged + self.mended_answers) / max(self.tries, 1)


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How one poll is asked: from each first try to the next."""

    poll: PollKey
    periods: Spread

    @property
    def jitter_us(self) -> float:
        """Half of what nine of ten periods differ by."""
        low, high = self.periods.quantile_us(0.05), self.periods.quantile_us(0.95)
        return 0.0 if low is None or high is None else (high - low) / 2


@dataclass(frozen=True, slots=True)
class Exchanges:
    """The line's frames. gaps: silence from the end of an exchange to the next request, as delivered.

    paired_bytes: in requests with their whole answers: hardly anything else makes those. asked_bytes: in whole
    requests that name registers or bits. noise_bytes: in no frame. tries_over_time, damaged_over_time (or mended),
    unanswered_over_time: [device, span]. noise_over_time: bytes in no frame, by span.
    """

    devices: tuple[DeviceHealth, ...]
    rhythms: tuple[Rhythm, ...]
    gaps: Spread
    paired_bytes: int
    asked_bytes: int
    noise_bytes: int
    noise_rows: int
    tries_over_time: Table
    damaged_over_time: Table
    unanswered_over_time: Table
    noise_over_time: Table


class Watching:
    """Gathers `Exchanges`."""

    def __init__(self, calendar: Calendar, settings: Settings | None) -> None:
        self._calendar = calendar
        self._character_ns = 0 if settings is None else settings.character_ns
        self._outcomes = np.zeros((DEVICES, len(OUTCOMES)), dtype=np.int64)
        self._mended = np.zeros((DEVICES, 2), dtype=np.int64)
        self._answer_bytes = np.zeros(DEVICES, dtype=np.int64)
        self._flagged_bytes = np.zeros(DEVICES, dtype=np.int64)
        self._turnaround: dict[int, Spreading] = {}
        self._periods: dict[PollKey, Spreading] = {}
        self._latest_ns: dict[PollKey, int] = {}
        self._gaps = Spreading()
        self._end_ns: int | None = None  # when the last exchange was over
        self._paired_bytes = self._asked_bytes = self._noise_bytes = self._noise_rows = 0
        self._tries, self._damaged, self._unanswered = Tally(calendar), Tally(calendar), Tally(calendar)
        self._noise = Tally(calendar)

    def see(self, columns: Columns, polls: ByPoll, flagged: NDArray[np.int64]) -> None:
        """Take the next rows; polls: those with a request. flagged: places of bytes with a flag in their data."""
        self._calendar.cover(columns.t_ns[columns.t_ns != NO_TIME])
        self._calendar.cover(columns.t_end_ns[columns.t_end_ns != NO_TIME])
        self._count(columns)
        self._answers(columns, flagged)
        self._over_time(columns)
        self._pace(columns)
        self._rhythm(columns, polls)

    def _count(self, columns: Columns) -> None:
        rows = np.flatnonzero(columns.outcome != NOISE)
        device = columns.device[rows].astype(np.int64)
        places = device * len(OUTCOMES) + columns.outcome[rows]
        self._outcomes += np.bincount(places, minlength=self._outcomes.size).reshape(self._outcomes.shape)
        for side, bits in enumerate((columns.request_bit, columns.response_bit)):
            self._mended[:, side] += np.bincount(device[bits[rows] != NONE], minlength=DEVICES)

    def _answers(self, columns: Columns, flagged: NDArray[np.int64]) -> None:
        """Count the bytes of answers, whole and damaged, and the flagged ones among them."""
        starts = np.concatenate([[0], columns.ends[:-1]]).astype(np.int64)
        request, response = (
            np.where(frame[:, 0] == NONE, 0, frame[:, 1] - frame[:, 0])
            for frame in (columns.request, columns.response)
        )
        paired = (request > 0) & (response > 0)
        self._paired_bytes += int((request + response)[paired].sum())
        self._asked_bytes += int(request[columns.register != NONE].sum())
        noise = columns.outcome == NOISE
        self._noise_bytes += int((columns.ends - starts)[noise].sum())
        self._noise_rows += int(noise.sum())
        begin = np.where(columns.request[:, 0] == NONE, starts, columns.request[:, 1])
        device = columns.device.astype(np.int64)
        sizes = columns.ends - begin
        known = ~noise
        self._answer_bytes += np.bincount(device[known], sizes[known], minlength=DEVICES).astype(np.int64)
        if len(flagged):
            rows = np.searchsorted(columns.ends, flagged, side="right")
            rows = rows[known[rows] & (flagged >= begin[rows])]
            self._flagged_bytes += np.bincount(device[rows], minlength=DEVICES)

    def _over_time(self, columns: Columns) -> None:
        timed = columns.t_ns != NO_TIME
        asked = timed & (columns.request[:, 0] != NONE)
        device = columns.device.astype(np.int64)
        self._tries.add(device[asked], columns.t_ns[asked])
        damaged = asked & ((columns.outcome == OUTCOMES.index(Outcome.DAMAGED)) | columns.repaired)
        self._damaged.add(device[damaged], columns.t_ns[damaged])
        unanswered = asked & (columns.outcome == OUTCOMES.index(Outcome.UNANSWERED))
        self._unanswered.add(device[unanswered], columns.t_ns[unanswered])
        noise = np.flatnonzero(timed & (columns.outcome == NOISE))
        sizes = np.diff(columns.ends, prepend=0)[noise]
        self._noise.add(np.zeros(len(noise), dtype=np.int64), columns.t_ns[noise], sizes)

    def _pace(self, columns: Columns) -> None:
        """Take in turnaround and gaps, of rows whose times tell."""
        request = columns.request[:, 1] - columns.request[:, 0]
        response = columns.response[:, 1] - columns.response[:, 0]
        fresh = (columns.t_ns != NO_TIME) & ~columns.backlog
        paired = (
            fresh & (columns.t_end_ns != NO_TIME) & (columns.request[:, 0] != NONE) & (columns.response[:, 0] != NONE)
        )
        turn = columns.t_end_ns - columns.t_ns - response * self._character_ns
        for device in np.unique(columns.device[paired]).tolist():
            own = turn[paired & (columns.device == device)]
            self._turnaround.setdefault(device, Spreading()).add(own)
        # an exchange is over with its answer; of one without, when it was over is not known
        over = np.where(columns.t_end_ns != NO_TIME, columns.t_end_ns, NO_TIME)
        before = np.concatenate([[NO_TIME if self._end_ns is None else self._end_ns], over[:-1]]).astype(np.int64)
        asked = fresh & (columns.request[:, 0] != NONE) & (before != NO_TIME)
        gaps = columns.t_ns[asked] - before[asked] - request[asked] * self._character_ns
        self._gaps.add(gaps)
        if len(columns):
            self._end_ns = None if over[-1] == NO_TIME else int(over[-1])

    def _rhythm(self, columns: Columns, polls: ByPoll) -> None:
        first = (columns.t_ns != NO_TIME) & ~columns.retry & ~columns.backlog
        for key, all_rows in zip(polls.keys, polls.rows, strict=True):
            rows = all_rows[first[all_rows]]
            if not len(rows) or (key not in self._periods and len(self._periods) == _MOST_POLLS):
                continue
            before = [self._latest_ns[key]] if key in self._latest_ns else []
            periods = np.diff(np.concatenate([np.array(before, dtype=np.int64), columns.t_ns[rows]]))
            self._periods.setdefault(key, Spreading()).add(periods[periods >= 0])
            self._latest_ns[key] = int(columns.t_ns[rows[-1]])

    def exchanges(self) -> Exchanges:
        """Return what has been gathered."""
        present = np.flatnonzero(self._outcomes.sum(axis=1)).tolist()
        return Exchanges(
            tuple(self._device(device) for device in present),
            tuple(Rhythm(key, spreading.spread()) for key, spreading in sorted(self._periods.items())),
            self._gaps.spread(),
            self._paired_bytes,
            self._asked_bytes,
            self._noise_bytes,
            self._noise_rows,
            self._tries.table(DEVICES),
            self._damaged.table(DEVICES),
            self._unanswered.table(DEVICES),
            self._noise.table(1)[0],
        )

    def _device(self, device: int) -> DeviceHealth:
        count = dict(zip(OUTCOMES, self._outcomes[device].tolist(), strict=True))
        turnaround = self._turnaround.get(device)
        return DeviceHealth(
            device=device,
            tries=sum(count.values()) - count[Outcome.UNPAIRED_RESPONSE],
            answered=count[Outcome.ANSWERED],
            exceptions=count[Outcome.EXCEPTION],
            damaged=count[Outcome.DAMAGED],
            unanswered=count[Outcome.UNANSWERED],
            unpaired=count[Outcome.UNPAIRED_RESPONSE],
            mended_requests=int(self._mended[device, 0]),
            mended_answers=int(self._mended[device, 1]),
            answer_bytes=int(self._answer_bytes[device]),
            flagged_bytes=int(self._flagged_bytes[device]),
            turnaround=Spread(()) if turnaround is None else turnaround.spread(),
        )
