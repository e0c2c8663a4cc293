"""What a record holds, sorted: requests per poll, the words each poll read over time, totals of the line.

Tables of events in (`sidetap.line.Columns`), one `History` of arrays out. `asked` tells what is kept of requests,
`answers` what is kept of registers. Order of arrival counts; times may be missing altogether.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Columns, Mode, Outcome
from sidetap.line.columns import NO_TIME, NOISE, OUTCOMES
from sidetap.survey.answers import Answers, Block
from sidetap.survey.asked import Asking, Garbled, Requests, Times, Troubles
from sidetap.survey.grouping import Places, bounds, by_number
from sidetap.survey.octets import Octets
from sidetap.survey.polls import Poll, Polls

_UNPAIRED = OUTCOMES.index(Outcome.UNPAIRED_RESPONSE)


@dataclass(frozen=True, eq=False)
class History:
    """A whole record.

    polls: by number. again_ns: times of tries that are in a request and not its first. line_bytes: all bytes,
    explained_bytes: those of whole frames among them. start_ns, end_ns: the earliest and the latest time; None
    without times.
    """

    mode: Mode
    polls: tuple[Poll, ...]
    requests: Requests
    garbled: Garbled
    troubles: Troubles
    again_ns: Times
    blocks: tuple[Block, ...]
    line_bytes: int
    explained_bytes: int
    start_ns: int | None
    end_ns: int | None

    @cached_property
    def device(self) -> NDArray[np.uint8]:
        """The device of each poll."""
        return np.array([poll.device for poll in self.polls], dtype=np.uint8)

    @cached_property
    def by_poll(self) -> Places:
        """The places of all requests, poll by poll, each poll's in order of arrival."""
        return by_number(self.requests.poll)

    @cached_property
    def _bounds(self) -> Places:
        return bounds(self.requests.poll[self.by_poll], len(self.polls))

    def of_poll(self, number: int) -> Places:
        """Return the places of one poll's requests, in order of arrival."""
        return self.by_poll[self._bounds[number] : self._bounds[number + 1]]

    @cached_property
    def of_device(self) -> dict[int, Places]:
        """The places of each device's requests, in order of arrival."""
        own = self.device[self.requests.poll]
        order = by_number(own)
        ends = bounds(own[order], 256)
        return {
            device: order[ends[device] : ends[device + 1]] for device in np.flatnonzero(np.diff(ends) > 0).tolist()
        }


class Gathering:
    """A history that grows table by table."""

    def __init__(self) -> None:
        self._mode = Mode.RTU
        self._polls = Polls()
        self._asking = Asking()
        self._answers = Answers()
        self._line_bytes = self._explained = 0
        self._start_ns: int | None = None
        self._end_ns: int | None = None

    def see(self, columns: Columns) -> None:
        """Take in the next table of the line."""
        self._mode = columns.mode
        self._line_bytes += len(columns.data)
        for spans in (columns.request, columns.response):
            self._explained += int((spans[:, 1] - spans[:, 0]).sum())  # of a missing frame both ends are NONE
        times = columns.t_ns[columns.t_ns != NO_TIME]
        if len(times):
            start_ns, end_ns = int(times.min()), int(times.max())
            self._start_ns = start_ns if self._start_ns is None else min(self._start_ns, start_ns)
            self._end_ns = end_ns if self._end_ns is None else max(self._end_ns, end_ns)
        octets = Octets(columns)
        self._asking.hear(columns, np.flatnonzero(columns.outcome == NOISE), octets)
        rows = np.flatnonzero((columns.outcome != NOISE) & (columns.outcome != _UNPAIRED))
        poll = self._polls.number(columns, rows)
        self._asking.add(columns, rows, poll, self._polls, octets)
        self._answers.add(columns, rows, poll, self._polls, octets)

    def history(self) -> History:
        """Return what was gathered; the gathering ends here."""
        requests, garbled = self._asking.requests(self._polls)
        return History(
            self._mode,
            self._polls.all(),
            requests,
            garbled,
            self._asking.troubles(),
            self._asking.again_ns(),
            self._answers.blocks(),
            self._line_bytes,
            self._explained,
            self._start_ns,
            self._end_ns,
        )


def gather(tables: Iterable[Columns]) -> History:
    """Return the history of a record's events, in their order."""
    gathering = Gathering()
    for columns in tables:
        gathering.see(columns)
    return gathering.history()
