"""What was heard on a line against what was sent: columns in, counts and examples of what went wrong out.

A row counts as right by its content: the frames it names are those of one try, where they are, byte for byte as they
were sent (after mending). Nothing here looks at how the rows came about.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from judge.codes import Ints
from judge.damage import Heard
from judge.sender import Kind, Sent
from sidetap.line import Batch, Columns, Mode, Outcome
from sidetap.line.columns import NO_TIME, NOISE, NONE, OUTCOMES

ANSWERED, EXCEPTION = OUTCOMES.index(Outcome.ANSWERED), OUTCOMES.index(Outcome.EXCEPTION)
KEPT = 40  # examples of each fault
WITH_REGISTER = (1, 2, 3, 4, 5, 6, 15, 16, 22, 23)
ONE_REGISTER = (5, 6, 22)
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that was heard wrong. at: the byte of the line. tried: number of the try, NONE of a false row."""

    what: str
    seed: int
    tried: int
    at: int


@dataclass(slots=True)
class Score:
    """Counts over lines; ``add`` pools them.

    answered: tries that were answered, exceptions included; intact: of those with both frames undamaged; mendable:
    of those with at most one turned bit in each frame and nothing else. found: rows that are right.
    false_backlog: rows said to be older than they are; no delivery here holds back more than 32 ms, or a frame.
    undetectable: rows of a try's own two frames, damaged so that the check codes still hold.
    other_try: wrong rows that give an answer to an earlier try of the same request: true in content.
    echoes: rows that take one identical frame for another one, where only time could tell.
    """

    tries: int = 0
    bytes: int = 0
    answered: int = 0
    intact: int = 0
    mendable: int = 0
    found_intact: int = 0
    found: int = 0
    rows: int = 0
    wrong_rows: int = 0
    undetectable: int = 0
    other_try: int = 0
    echoes: int = 0
    unknown: int = 0
    found_unknown: int = 0
    repaired: int = 0
    repaired_wrong: int = 0
    retries: int = 0
    wrong_retries: int = 0
    wrong_fields: int = 0
    wrong_times: int = 0
    false_backlog: int = 0
    broken: int = 0
    outcomes: Counter[tuple[str, str]] = field(default_factory=Counter)
    faults: list[Fault] = field(default_factory=list)

    def add(self, other: "Score") -> None:
        """Pool another score into this one."""
        for name in self.__slots__:
            mine, theirs = getattr(self, name), getattr(other, name)
            if name == "faults":
                for fault in theirs:
                    if sum(mine.what == fault.what for mine in self.faults) < KEPT:
                        self.faults.append(fault)
            else:
                setattr(self, name, mine + theirs)

    @property
    def recall(self) -> float:
        """Share of the intact answered tries that were found."""
        return self.found_intact / max(1, self.intact)

    @property
    def precision(self) -> float:
        """Share of the answered rows that are right."""
        return 1 - self.wrong_rows / max(1, self.rows)

    @property
    def found_of_all(self) -> float:
        """Share of all answered tries that were found, mended ones included."""
        return self.found / max(1, self.answered)

    @property
    def unknown_recall(self) -> float:
        """Share of the intact answered tries of functions outside the public ones that were found."""
        return self.found_unknown / max(1, self.unknown)


@dataclass(frozen=True, slots=True)
class Rows:
    """The rows of several columns, with places counted over the whole line."""

    data: NDArray[np.uint8]
    ends: Ints
    outcome: Ints
    device: Ints
    function: Ints
    register: Ints
    count: Ints
    request: Ints
    response: Ints
    request_bit: Ints
    response_bit: Ints
    t_ns: Ints
    t_end_ns: Ints
    retry: Flags
    backlog: Flags

    @classmethod
    def of(cls, parts: Iterable[Columns]) -> "Rows":
        """Join columns."""
        joined: dict[str, list[NDArray[np.generic]]] = {name: [] for name in cls.__slots__}
        base = 0
        for part in parts:
            for name, items in joined.items():
                value = getattr(part, name)
                if name in ("ends", "request", "response"):
                    value = np.where(value == NONE, NONE, value + base)
                elif name in ("request_bit", "response_bit"):
                    value = np.where(value == NONE, NONE, value + 8 * base)
                elif name not in ("data", "retry", "backlog"):
                    value = value.astype(np.int64)
                items.append(value)
            base += len(part.data)
        return cls(**{name: np.concatenate(items) for name, items in joined.items()})

    def same(self, other: "Rows") -> bool:
        """Tell whether all is the same, in all columns."""
        return all(np.array_equal(getattr(self, name), getattr(other, name)) for name in self.__slots__)


def score(sent: Sent, heard: Heard, batch: Batch, rows: Rows, *, timed: bool) -> Score:
    """Return the counts of one line. timed: identical frames must be told apart, since the times tell them."""
    result = Score(tries=len(sent.kind), bytes=len(heard.data))
    result.broken = _broken(heard, rows)
    if result.broken:
        result.faults.append(Fault("broken columns", sent.seed, NONE, 0))
        return result
    judge = _Judge(sent, heard, batch, rows, timed, result)
    judge.pairs()
    judge.mended()
    judge.outcomes()
    judge.fields()
    return result


def _broken(heard: Heard, rows: Rows) -> int:
    """Return how many promises of the columns themselves don't hold: every byte in one row, frames within rows."""
    broken = int(not np.array_equal(rows.data, heard.data))
    broken += int(len(rows.ends) == 0 or rows.ends[-1] != len(heard.data))
    starts = np.concatenate([[0], rows.ends[:-1]])
    broken += int((rows.ends <= starts).sum())
    for spans in (rows.request, rows.response):
        there = spans[:, 0] != NONE
        bad = (spans[:, 0] < starts) | (spans[:, 1] > rows.ends) | (spans[:, 1] <= spans[:, 0])
        broken += int((bad & there).sum()) + int(((spans[:, 1] == NONE) == there).sum())
    both = (rows.request[:, 0] != NONE) & (rows.response[:, 0] != NONE)
    broken += int((both & (rows.request[:, 1] > rows.response[:, 0])).sum())
    answered = rows.outcome <= EXCEPTION
    broken += int((answered & ~both).sum())
    noise = rows.outcome == NOISE
    broken += int((noise & ((rows.request[:, 0] != NONE) | (rows.response[:, 0] != NONE))).sum())
    for bits, spans in ((rows.request_bit, rows.request), (rows.response_bit, rows.response)):
        at = bits != NONE
        outside = (bits // 8 < spans[:, 0]) | (bits // 8 >= spans[:, 1])
        broken += int((at & outside).sum())
    return broken


class _Judge:
    """One line under judgement; each step fills its part of the score."""

    def __init__(self, sent: Sent, heard: Heard, batch: Batch, rows: Rows, timed: bool, result: Score) -> None:
        self.sent, self.heard, self.batch, self.rows, self.timed, self.result = (
            sent,
            heard,
            batch,
            rows,
            timed,
            result,
        )
        mended = heard.data.copy()
        for bits in (rows.request_bit, rows.response_bit):
            at = bits[bits != NONE]
            np.bitwise_xor.at(mended, at // 8, (1 << at % 8).astype(np.uint8))
        self.mended_data = mended
        wrong = np.concatenate([[0], np.cumsum((mended != heard.wanted) | heard.stray)])
        self.there = np.flatnonzero(heard.end > heard.start)
        self.right = (heard.lost == 0) & (wrong[heard.end] == wrong[heard.start])
        self.row_request = self._frames(rows.request)
        self.row_response = self._frames(rows.response)
        self.is_answered = rows.outcome <= EXCEPTION
        has_answer = sent.answer != NONE
        self.has_answer = has_answer
        self.intact = has_answer & heard.whole[sent.request] & heard.whole[np.where(has_answer, sent.answer, 0)]

    def _frames(self, spans: Ints) -> Ints:
        """Return which sent frame lies in each span exactly, NONE where none does."""
        starts = self.heard.start[self.there]
        at = np.minimum(np.searchsorted(starts, spans[:, 0]), len(starts) - 1)
        frame = self.there[at]
        fits = (self.heard.start[frame] == spans[:, 0]) & (self.heard.end[frame] == spans[:, 1])
        return np.where(fits & (spans[:, 0] != NONE), frame, NONE)

    def _fault(self, what: str, tried: int, at: int) -> None:
        if sum(fault.what == what for fault in self.result.faults) < KEPT:
            self.result.faults.append(Fault(what, self.sent.seed, tried, at))

    def pairs(self) -> None:
        """Judge the answered rows, and which answered tries have one."""
        sent, rows, result = self.sent, self.rows, self.result
        number = np.flatnonzero(self.is_answered)
        asked, answer = self.row_request[number], self.row_response[number]
        named = (asked != NONE) & (answer != NONE)
        tried = np.where(named, sent.frame_try[asked], NONE)
        own = named & (sent.request[tried] == asked) & (sent.answer[tried] == answer)
        right = own & self.right[asked] & self.right[answer]
        mended = (rows.request_bit[number] != NONE) | (rows.response_bit[number] != NONE)
        result.undetectable += int((own & ~right & ~mended).sum())
        found = np.zeros(len(sent.kind), dtype=np.bool_)
        found[tried[right]] = True
        for place in np.flatnonzero(~own).tolist():  # an inserted byte may equal its neighbour: look at content
            near = self._near(int(number[place]))
            if near != NONE:
                right[place] = True
                found[near] = True
        echo = np.zeros(len(number), dtype=np.bool_)
        if not self.timed:
            echo = self._echoes(found, asked, answer, named, right)
        says_exception = rows.outcome[number] == EXCEPTION
        is_exception = sent.kind[tried] == Kind.EXCEPTION
        confused = right & own & (says_exception != is_exception)
        right &= ~confused
        result.rows += len(number)
        result.echoes += int(echo.sum())
        result.wrong_rows += int((~right & ~echo).sum())
        truly = sent.request[np.where(named, sent.frame_try[answer], 0)]  # the request that the named answer is for
        other = named & ~own & (sent.frame_mark[asked] == sent.frame_mark[truly])
        result.other_try += int((other & ~right & ~echo).sum())
        for place in np.flatnonzero(~right & ~echo).tolist():
            kind = "undetectable row" if own[place] and not confused[place] else "false answered row"
            kind = "wrongly mended row" if own[place] and mended[place] else kind
            kind = "answered row of another try, alike" if other[place] else kind
            self._fault(kind, NONE, int(rows.request[number[place], 0]))
        result.answered += int(self.has_answer.sum())
        result.intact += int(self.intact.sum())
        flips, lost = self.heard.flipped, self.heard.lost
        size = sent.frame_end - sent.frame_start
        easy = (lost == 0) & (flips <= 1) & (self.heard.end - self.heard.start == size)
        result.mendable += int((self.has_answer & easy[sent.request] & easy[sent.answer]).sum())
        result.found += int(found.sum())
        result.found_intact += int((found & self.intact).sum())
        outside = sent.unknown
        unknown = self.intact & outside
        result.unknown += int(unknown.sum())
        result.found_unknown += int((unknown & found).sum())
        for missed in np.flatnonzero(self.intact & ~found).tolist():
            what = "missed unknown function" if outside[missed] else "missed intact"
            self._fault(what, missed, int(self.heard.start[sent.request[missed]]))

    def _near(self, row: int) -> int:
        """Return the try whose frames a row has by content, a few bytes off at most; NONE if there is none."""
        spans = self.rows.request[row], self.rows.response[row]
        at = int(np.searchsorted(self.heard.start, spans[0][0] - 3))
        for frame in range(at, min(at + 6, len(self.heard.start))):
            tried = int(self.sent.frame_try[frame])
            if self.sent.request[tried] != frame or not self.has_answer[tried]:
                continue
            wanted = frame, int(self.sent.answer[tried])
            if all(
                abs(int(self.heard.start[one]) - int(span[0])) <= 3
                and self.mended_data[span[0] : span[1]].tobytes()
                == self.sent.data[self.sent.frame_start[one] : self.sent.frame_end[one]].tobytes()
                for one, span in zip(wanted, spans, strict=True)
            ):
                return tried
        return NONE

    def _echoes(self, found: Flags, asked: Ints, answer: Ints, named: Flags, right: Flags) -> Flags:
        """Count identical frames as equal: in each run of them, as many pairs are right as there truly were.

        Marks them in ``found`` and ``right``; returns the rows of such runs that stay over.
        """
        sent, heard = self.sent, self.heard
        whole = heard.whole
        begins = np.ones(len(whole), dtype=np.bool_)
        begins[1:] = (sent.frame_mark[1:] != sent.frame_mark[:-1]) | ~whole[1:] | ~whole[:-1]
        run = np.cumsum(begins) - 1
        within = np.zeros(len(asked), dtype=np.bool_)
        within[named] = (run[asked[named]] == run[answer[named]]) & whole[asked[named]]
        truly = np.flatnonzero(self.intact)
        truly = truly[run[sent.request[truly]] == run[sent.answer[truly]]]
        over = np.zeros(len(asked), dtype=np.bool_)
        said: dict[int, list[int]] = {}
        for place in np.flatnonzero(within).tolist():
            said.setdefault(int(run[asked[place]]), []).append(place)
        true_of: dict[int, list[int]] = {}
        for tried in truly.tolist():
            true_of.setdefault(int(run[sent.request[tried]]), []).append(tried)
        for number, ours in said.items():
            theirs = true_of.get(number, [])
            right[ours] = False
            found[theirs] = False
            right[ours[: len(theirs)]] = True
            found[theirs[: len(ours)]] = True
            over[ours[len(theirs) :]] = True
        return over

    def mended(self) -> None:
        """Judge the rows with a mended bit."""
        rows, result = self.rows, self.result
        number = np.flatnonzero((rows.request_bit != NONE) | (rows.response_bit != NONE))
        good = np.ones(len(number), dtype=np.bool_)
        tries = []
        for spans, frames in ((rows.request, self.row_request), (rows.response, self.row_response)):
            there, frame = spans[number, 0] != NONE, frames[number]
            good &= ~there | ((frame != NONE) & self.right[frame])
            tries.append(np.where(there, self.sent.frame_try[frame], NONE))
        good &= (tries[0] == tries[1]) | (tries[0] == NONE) | (tries[1] == NONE)
        result.repaired += len(number)
        result.repaired_wrong += int((~good).sum())
        for row in number[~good].tolist():
            self._fault("wrong repair", NONE, int(rows.ends[row - 1]) if row else 0)

    def outcomes(self) -> None:
        """Count what was said of each try, by what became of it."""
        sent, heard, rows = self.sent, self.heard, self.rows
        names = np.array([outcome.value for outcome in OUTCOMES] + ["noise"])
        of_request = np.full(len(sent.frame_try), NONE)
        with_request = np.flatnonzero(self.row_request != NONE)
        of_request[self.row_request[with_request]] = with_request
        of_response = np.full(len(sent.frame_try), NONE)
        with_response = np.flatnonzero(self.row_response != NONE)
        of_response[self.row_response[with_response]] = with_response
        asked = heard.whole[sent.request]
        answer = np.where(self.has_answer, sent.answer, 0)
        came_whole = self.has_answer & heard.whole[answer]
        came = self.has_answer & (heard.end[answer] > heard.start[answer])
        following = np.append(heard.start[1:], len(heard.data))
        debris = following[sent.request] > heard.end[sent.request]
        after = np.append(sent.request[1:], 0)
        debris |= ~heard.whole[after] & ~self.has_answer  # the next request is damaged: bytes that are no answer
        truth = np.full(len(sent.kind), "nothing", dtype="U24")
        truth[~asked & came_whole] = "unpaired-response"
        truth[asked & (sent.kind == Kind.BROADCAST)] = "broadcast"
        left = asked & (sent.kind != Kind.BROADCAST)
        truth[left & ~came] = "unanswered"
        truth[left & ~came & debris] = "unanswered, debris"
        truth[left & came] = "damaged"
        truth[left & came_whole & (sent.kind == Kind.ANSWERED)] = "answered"
        truth[left & came_whole & (sent.kind == Kind.EXCEPTION)] = "exception"
        row = of_request[sent.request]
        from_response = np.where(came_whole, of_response[answer], NONE)
        row = np.where(row == NONE, from_response, row)
        said = np.where(row == NONE, "nothing", names[rows.outcome[row]])
        said[(row != NONE) & ((rows.request_bit[row] != NONE) | (rows.response_bit[row] != NONE))] = "repaired"
        pairs, counts = np.unique(np.stack([truth, said], axis=1), axis=0, return_counts=True)
        for (true, told), many in zip(pairs.tolist(), counts.tolist(), strict=True):
            self.result.outcomes[true, told] += many
        fine = {
            ("unanswered, debris", "unanswered"),
            ("unanswered, debris", "damaged"),
            ("nothing", "noise"),
            ("unpaired-response", "nothing"),  # nothing else on the line may support it
        }
        odd = (truth != said) & (said != "repaired")
        for tried in np.flatnonzero(odd).tolist():
            pair = str(truth[tried]), str(said[tried])
            if pair not in fine and truth[tried] not in ("answered", "exception"):
                self._fault(f"{pair[0]} told as {pair[1]}", tried, int(heard.start[sent.request[tried]]))
        self._retries(truth, said, row, debris)

    def _retries(self, truth: NDArray[np.str_], said: NDArray[np.str_], row: Ints, debris: Flags) -> None:
        """Judge the flag of rows whose request and the one before were both taken for what they are."""
        sent, result = self.sent, self.result
        agree = (truth == said) & np.append(False, truth[:-1] == said[:-1])
        clean = agree & (truth != "nothing") & ~np.append(False, debris[:-1])
        clean &= (truth != "unpaired-response") & np.append(
            False, ~np.isin(truth[:-1], ("unpaired-response", "nothing"))
        )
        unanswered = np.append(False, truth[:-1] == "unanswered") | np.append(False, truth[:-1] == "damaged")
        is_retry = sent.same_as_before & unanswered
        wrong = clean & (self.rows.retry[row] != is_retry)
        result.retries += int((clean & is_retry).sum())
        result.wrong_retries += int(wrong.sum())
        for tried in np.flatnonzero(wrong).tolist():
            self._fault("wrong retry flag", tried, int(self.heard.start[sent.request[tried]]))

    def fields(self) -> None:
        """Judge device, function, register, count and times of the rows that name a true request."""
        sent, rows, batch, result = self.sent, self.rows, self.batch, self.result
        number = np.flatnonzero(self.row_request != NONE)
        frame = self.row_request[number]
        mine = ~sent.frame_is_answer[frame] & self.right[frame]
        number, frame = number[mine], frame[mine]
        tried = sent.frame_try[frame]
        function = sent.function[tried]
        body = np.stack([self._octet(frame, place) for place in range(2, 6)], axis=1)
        with_register = np.isin(function, WITH_REGISTER)
        register = np.where(with_register, body[:, 0] << 8 | body[:, 1], NONE)
        count = np.where(with_register, body[:, 2] << 8 | body[:, 3], NONE)
        count[np.isin(function, ONE_REGISTER)] = 1
        wrong = (rows.device[number] != sent.device[tried]) | (rows.function[number] != function)
        wrong |= (rows.register[number] != register) | (rows.count[number] != count)
        result.wrong_fields += int(wrong.sum())
        for place in np.flatnonzero(wrong).tolist():
            self._fault("wrong fields", int(tried[place]), int(rows.request[number[place], 0]))
        wrong = rows.t_ns[number] != self._came(rows.request[number, 1])
        answered = rows.response[number, 0] != NONE
        end = np.where(answered, self._came(rows.response[number, 1]), NO_TIME)
        wrong |= rows.t_end_ns[number] != end
        if batch.t_ns is None:
            wrong = (rows.t_ns[number] != NO_TIME) | (rows.t_end_ns[number] != NO_TIME)
        result.wrong_times += int(wrong.sum())
        result.false_backlog += int(rows.backlog.sum())
        for place in np.flatnonzero(wrong).tolist():
            self._fault("wrong time", int(tried[place]), int(rows.request[number[place], 0]))

    def _octet(self, frame: Ints, place: int) -> Ints:
        """Return a byte of address and PDU of sent frames; of shorter frames, whatever lies there."""
        data, start = self.sent.data, self.sent.frame_start[frame]
        if self.sent.mode is Mode.RTU:
            return data[np.minimum(start + place, len(data) - 1)].astype(np.int64)
        digits = np.stack([data[np.minimum(start + 1 + 2 * place + n, len(data) - 1)] for n in (0, 1)])
        values = np.where(digits > ord("9"), digits - ord("A") + 10, digits - ord("0")).astype(np.int64) & 15
        return np.asarray(values[0] << 4 | values[1])

    def _came(self, end: Ints) -> Ints:
        """Return when the byte before each place was delivered."""
        if self.batch.t_ns is None:
            return np.full(len(end), NO_TIME)
        chunk = np.minimum(np.searchsorted(self.batch.ends, end - 1, side="right"), len(self.batch.ends) - 1)
        return self.batch.t_ns[chunk]
