"""Line bytes -> transactions, as they come. No I/O, no clock, and never a byte towards the line.

Feed and take: ``receive(chunk)``, then ``next_event()`` until None; ``close()`` at the end of the input.

Theory of operation
-------------------
The parser stands at a boundary: everything before it has been handed out. It looks at no more than ``WINDOW`` bytes
after it and asks, in this order:

1. Is there a whole request at the boundary, and directly behind it the answer it calls for? Then both go out at
   once. Two check codes and a matching address, function and length are evidence enough, and need no bytes of the
   future: a live value is not held back.
2. A whole request and something else behind it: look for the next anchor, a place where whole frames go on. What
   lies between is the damage; an answer that does come, behind some stray bytes, still is the answer.
3. No request: everything up to the next anchor is noise, or the anchor is an answer whose request got lost.

A frame alone is no anchor: 1 of 65,536 random blocks passes the check. It becomes one when something else supports
it: its answer follows; another whole frame touches it; the same request is seen again; its device has answered that
function before. Of several anchors the one that is *complete* first wins, not the one that starts first. That is
what makes the events independent of how the input was cut: a parser that got everything at once decides as one
that got single bytes.

Times decide nothing but two things. After ``QUIET_NS`` without a byte what is pending is settled. And what comes
after the controller's own time-out, which its retries show, is no answer: bytes alone can't tell an echoed write from
its retry, nor a damaged answer from a damaged retry.
"""

from collections import Counter, deque
from dataclasses import dataclass, replace
from statistics import median_low

from sidetap.line import frames, rules
from sidetap.line.chunk import Chunk
from sidetap.line.deliveries import Deliveries
from sidetap.line.frames import NONE, WAIT
from sidetap.line.pace import Pace
from sidetap.line.settings import Settings
from sidetap.line.stretch import Stretch
from sidetap.line.transaction import Noise, Outcome, Transaction
from sidetap.quantity import NS_PER_MS, NS_PER_S

# No controller waits longer for an answer: common practice, no source.
QUIET_NS = 2 * NS_PER_S
# The longest request, as much damage, and a short exchange that ends it; half of it is given up at a time.
WINDOW = 1024
# In a window without an anchor, only what starts here or later may still grow into one with more bytes.
GIVE_UP = WINDOW - 2 * rules.LONGEST_FRAME
# More stray bytes than a turn-around leaves; behind them an echo is the request sent again. From memory.
MOST_BEFORE_ECHO = 3
# An adapter delivers up to so late: common practice, no source.
LATENESS_NS = 16 * NS_PER_MS
# So late an echo is not suspected to be a retry, before any retry has shown the time-out: common practice, no source.
PROMPT_NS = 50 * NS_PER_MS
# A device that missed so many reads in a row does not answer a write either. From memory.
MISSES_OF_THE_DEAD = 4
FORGET_AFTER = 65_536  # bytes behind the boundary; only to move memory seldom

Event = Transaction | Noise
_Key = tuple[int, int]  # device and function
_Lone = dict[_Key, tuple[int, int]]  # where the first unsupported request of that key starts and ends


@dataclass(frozen=True, slots=True)
class _Anchor:
    complete: int  # the end of the last byte that made it credible
    start: int
    answers: bool = False  # it is the answer to the open request


class Parser:
    """The incremental parser of an RTU line.

    settings: with them, transactions of bytes that came faster than the line allows are marked ``backlog``.
    """

    def __init__(self, settings: Settings | None = None) -> None:
        self._pace = None if settings is None else Pace(settings)
        self._in_backlog = False  # the latest chunk is a backlog
        self._line = Stretch()
        self._boundary = 0
        self._touches = False  # the last event ends in a whole frame, exactly at the boundary
        self._anchored = False  # an anchor starts at the boundary
        self._events: deque[Event] = deque()
        self._chunks = Deliveries()
        self._known: set[_Key] = set()  # of every row so far
        self._lone: set[_Key] = set()  # of frames given up for want of support: a second one supports itself
        self._bit_reads: set[bytes] = set()  # requests of FC 1 and 2 of the rows so far
        self._misses: Counter[int] = Counter()  # per device: its latest requests without an answer, echoes aside
        self._timeouts_ns: deque[int] = deque(maxlen=9)  # from a read to its retry, the latest ones
        self._open: Transaction | None = None  # the last row, when it wants a whole answer still

    def receive(self, chunk: Chunk) -> None:
        """Take the next chunk of the line, in order of arrival."""
        if chunk.t_ns is not None:
            self.idle(chunk.t_ns)
        if not chunk.data:
            return
        backlog = self._pace is not None and self._pace.judge(chunk)
        self._line.add(chunk.data)
        self._chunks.add(len(self._line.data), chunk.t_ns, backlog)
        if backlog and not self._in_backlog and self._pace is not None and self._pace.began_ns is not None:
            self._spread_backlog(self._pace.began_ns)
        self._in_backlog = backlog
        self._run(final=False)

    def next_event(self) -> Event | None:
        """Return the next event in the order of the line, or None when more bytes are needed."""
        return self._events.popleft() if self._events else None

    def idle(self, now_ns: int) -> None:
        """Settle what is pending if nothing came for longer than QUIET_NS; now_ns on the clock of the chunks."""
        if self._chunks.last_ns is not None and now_ns - self._chunks.last_ns > QUIET_NS:
            self._run(final=True)

    def close(self) -> None:
        """Settle everything: no more bytes will come."""
        self._run(final=True)

    def _run(self, final: bool) -> None:
        while self._boundary < len(self._line.data) and self._step(final):
            pass
        if self._boundary == len(self._line.data) or self._boundary >= FORGET_AFTER:
            self._line.forget(self._boundary)
            self._chunks.forget(self._boundary)
            self._boundary = 0

    def _step(self, final: bool) -> bool:
        """Hand out one event; False when more bytes are needed to know which."""
        data, start = self._line.data, self._boundary
        stop = min(len(data), start + WINDOW)
        request = frames.request_end(self._line, start, stop)
        if request == WAIT and not final:
            return False
        if request > NONE:
            answer = frames.answer_end(self._line, start, request, stop)
            if answer == WAIT and not final:
                return False
            if answer > NONE:
                another = self._is_another_request(start, request, answer, final)
                if another is None:
                    return False
                if not another:
                    self._answered(start, request, request, answer)
                    return True
            elif self._reads_as_answer(start, request):
                request = NONE
        if request > NONE:
            return self._without_answer(start, request, stop, final)
        return self._without_request(start, stop, final)

    def _reads_as_answer(self, start: int, end: int) -> bool:
        """Whether the frame at the boundary, a request by its form, is rather an answer.

        An answer to FC 1 or 2 with three bytes of bits has the form of a request for address 0x03xx. Where the
        frame before it was not whole it is an answer, unless that very request is known on this line.
        """
        data = self._line.data
        if data[start + 1] not in rules.BIT_READS or frames.response_end(self._line, start, end) != end:
            return False
        return not self._touches and bytes(data[start:end]) not in self._bit_reads

    def _is_another_request(self, start: int, request: int, answer: int, final: bool) -> bool | None:
        """Whether what fits as the answer is rather the next request; None when bytes are missing to tell.

        Some answers are requests by their form: echoed writes, and three bytes of bits. Then an answer never comes
        after the controller's own time-out, where reads that were retried have shown it, nor from a device that
        answers nothing. Else what follows tells: a write that is retried and then answered is the same frame three
        times over, and of three the echo is the closer one; without times, the first of an odd run is alone.
        """
        data = self._line.data
        if frames.request_end(self._line, request, answer) != answer:
            return False
        sent_ns, came_ns = self._chunks.time_at(request - 1), self._chunks.time_at(answer - 1)
        if sent_ns is not None and came_ns is not None:
            if self._timeouts_ns:
                return self._after_timeout(request - 1, answer - 1, LATENESS_NS)
            if came_ns - sent_ns <= PROMPT_NS:
                return False
        elif self._misses[data[start]] >= MISSES_OF_THE_DEAD:
            return True
        if data[start + 1] not in rules.WHOLE_ECHOES:
            return False
        length = request - start
        frame = data[start:request]
        third = data[answer : answer + length]
        if not frame.startswith(third):
            return False
        if len(third) < length:
            return False if final else None
        third_ns = self._chunks.time_at(answer + length - 1)
        if sent_ns is not None and came_ns is not None and third_ns is not None:
            return third_ns - came_ns + LATENESS_NS < came_ns - sent_ns
        fourth = data[answer + length : answer + 2 * length]
        if not frame.startswith(fourth):
            return True
        return None if len(fourth) < length and not final else False

    def _after_timeout(self, sent: int, came: int, tolerance_ns: int) -> bool:
        """Whether the byte at ``came`` came after the controller's time-out; False when that is not known."""
        sent_ns, came_ns = self._chunks.time_at(sent), self._chunks.time_at(came)
        if not self._timeouts_ns or sent_ns is None or came_ns is None:
            return False
        return came_ns - sent_ns >= median_low(self._timeouts_ns) - tolerance_ns

    def _without_answer(self, start: int, end: int, stop: int, final: bool) -> bool:
        """Settle a whole request at the boundary that has no answer directly behind it."""
        data = self._line.data
        key = _key(data, start)
        known = key in self._known and rules.request_within_limits(data, start)
        supported = self._touches or self._anchored or known
        if supported and data[start] == rules.BROADCAST:
            self._row(start, end, end, Outcome.BROADCAST)
            return True
        anchor, _ = self._next_anchor(end, stop, touching=end, open_request=start)
        last = final and stop == len(data)
        if anchor is None and not last and stop - start < WINDOW:
            return False
        if anchor is not None and anchor.answers:
            self._answered(start, end, anchor.start, anchor.complete)
            return True
        until = stop if last else min(stop, end + rules.LONGEST_FRAME)
        if anchor is not None:
            until = anchor.start
            supported = supported or until - end in (0, rules.answer_length(data, start)) or _key(data, until) == key
        if not supported:
            self._lone.add(key)
            self._noise(start, until, anchor is not None)
        elif data[start] == rules.BROADCAST:
            self._row(start, end, end, Outcome.BROADCAST)
        elif until == end or self._after_timeout(end - 1, end, 2 * LATENESS_NS):
            self._row(start, end, end, Outcome.UNANSWERED)  # what follows, if anything, is a damaged retry
        else:
            self._row(start, end, until, Outcome.DAMAGED)
            self._anchored = anchor is not None
        return True

    def _without_request(self, start: int, stop: int, final: bool) -> bool:
        """Settle what is no request: noise, or an answer without its request."""
        data = self._line.data
        anchor, lone = self._next_anchor(start, stop, touching=start if self._touches or self._anchored else None)
        last = final and stop == len(data)
        if anchor is None and not last and stop - start < WINDOW:
            return False
        if anchor is None:
            until = stop if last else start + GIVE_UP
            self._lone.update(key for key, (begin, _) in lone.items() if begin < until)
            self._noise(start, until, anchored=False)
        elif anchor.start > start:
            self._noise(start, anchor.start, anchored=True)
        else:
            end = frames.response_end(self._line, start, stop)
            self._unpaired(start, end)
        return True

    def _next_anchor(
        self, start: int, stop: int, touching: int | None, open_request: int | None = None
    ) -> tuple[_Anchor | None, _Lone]:
        """Return the anchor that is complete first, looking from start, and requests that stayed without support.

        touching: where a frame would touch the whole frame before it. open_request: a request that is still
        without an answer; answers of its own device and function that don't fit it are damage and no anchors.
        """
        data = self._line.data
        best: _Anchor | None = None
        lone: _Lone = {}
        open_key = None if open_request is None else _key(data, open_request)
        for at in self._line.heads(start, stop):
            if best is not None and at + rules.EXCEPTION_LENGTH >= best.complete:
                break
            found = []
            if open_request is not None and at > start:
                found.append(self._late_answer(open_request, start, at, stop))
            found.append(self._request_anchor(at, stop, touching, open_key, lone))
            found.append(self._response_anchor(at, stop, touching, open_key))
            for anchor in found:
                if anchor is not None and (
                    best is None or (anchor.complete, anchor.start) < (best.complete, best.start)
                ):
                    best = anchor
        return best, lone

    def _late_answer(self, request: int, request_end: int, at: int, stop: int) -> _Anchor | None:
        """Return the answer to an open request if it starts at ``at``, behind some stray bytes."""
        stray = at - request_end
        most = MOST_BEFORE_ECHO if self._line.data[request + 1] in rules.WHOLE_ECHOES else rules.LONGEST_FRAME
        end = frames.answer_end(self._line, request, at, stop) if stray <= most else NONE
        return _Anchor(end, at, answers=True) if end > NONE else None

    def _request_anchor(
        self, at: int, stop: int, touching: int | None, open_key: _Key | None, lone: _Lone
    ) -> _Anchor | None:
        data = self._line.data
        end = frames.request_end(self._line, at, stop)
        if end <= NONE:
            return None
        if at == touching:
            return _Anchor(end, at)
        within_limits = rules.request_within_limits(data, at)
        key = _key(data, at)
        if within_limits:
            if key in self._known or key in self._lone or key == open_key:
                return _Anchor(end, at)
            if key in lone and lone[key][1] <= at:
                return _Anchor(end, lone[key][0])
        followers = (frames.answer_end(self._line, at, end, stop), frames.request_end(self._line, end, stop))
        supports = [follower for follower in followers if follower > NONE]
        if supports:
            return _Anchor(min(supports), at)
        if within_limits:
            lone.setdefault(key, (at, end))
        return None

    def _response_anchor(self, at: int, stop: int, touching: int | None, open_key: _Key | None) -> _Anchor | None:
        data = self._line.data
        key = _key(data, at)
        end = frames.response_end(self._line, at, stop)
        if end <= NONE or key == open_key:
            return None
        if open_key is None and (at == touching or key in self._known):
            return _Anchor(end, at)
        follower = frames.request_end(self._line, end, stop)
        return _Anchor(follower, at) if follower > NONE else None

    def _answered(self, start: int, request_end: int, answer: int, end: int) -> None:
        data = self._line.data
        exception = bool(data[answer + 1] & rules.EXCEPTION)
        self._row(start, request_end, end, Outcome.EXCEPTION if exception else Outcome.ANSWERED, answer)

    def _row(self, start: int, request_end: int, until: int, outcome: Outcome, answer: int | None = None) -> None:
        """Hand out the request at start with everything before until."""
        data = self._line.data
        request = bytes(data[start : request_end - 2])
        function = request[1]
        last = self._open
        transaction = Transaction(
            t_ns=self._chunks.time_at(request_end - 1),
            t_end_ns=None if answer is None else self._chunks.time_at(until - 1),
            device=request[0],
            function=function,
            table=rules.TABLE[function],
            register=rules.word(request, 2),
            count=rules.item_count(request, 0),
            request=request,
            response=None if answer is None else bytes(data[answer : until - 2]),
            outcome=outcome,
            retry=last is not None and last.request == request,
            backlog=self._chunks.backlog_in(start, request_end if answer is None else until),
            raw=bytes(data[start:until]),
        )
        if function in rules.BIT_READS:
            self._bit_reads.add(bytes(data[start:request_end]))
        if function not in rules.WHOLE_ECHOES:
            self._misses[request[0]] = self._misses[request[0]] + 1 if outcome is Outcome.UNANSWERED else 0
            if transaction.retry and last is not None:
                self._learn_timeout(last, transaction)
        self._open = transaction if outcome in (Outcome.UNANSWERED, Outcome.DAMAGED) else None
        self._emit(transaction, until, touches=answer is not None or until == request_end)

    def _learn_timeout(self, first: Transaction, retry: Transaction) -> None:
        if first.outcome is Outcome.UNANSWERED and first.t_ns is not None and retry.t_ns is not None:
            timeout_ns = retry.t_ns - first.t_ns
            if timeout_ns > PROMPT_NS:  # shorter: delivered glued together, which tells nothing
                self._timeouts_ns.append(timeout_ns)

    def _unpaired(self, start: int, end: int) -> None:
        data = self._line.data
        t_ns = self._chunks.time_at(end - 1)
        transaction = Transaction(
            t_ns=t_ns,
            t_end_ns=t_ns,
            device=data[start],
            function=data[start + 1] & ~rules.EXCEPTION,
            table=None,
            register=None,
            count=None,
            request=None,
            response=bytes(data[start : end - 2]),
            outcome=Outcome.UNPAIRED_RESPONSE,
            backlog=self._chunks.backlog_in(start, end),
            raw=bytes(data[start:end]),
        )
        self._open = None
        self._emit(transaction, end, touches=True)

    def _emit(self, transaction: Transaction, until: int, touches: bool) -> None:
        self._known.add((transaction.device, transaction.function))
        self._events.append(transaction)
        self._boundary = until
        self._touches = touches
        self._anchored = False

    def _noise(self, start: int, until: int, anchored: bool) -> None:
        self._events.append(Noise(self._chunks.time_at(start), bytes(self._line.data[start:until])))
        self._boundary = until
        self._touches = False
        self._anchored = anchored

    def _spread_backlog(self, since_ns: int) -> None:
        """Mark what came since the bucket began to fill: a backlog is recognised only when it runs over."""
        self._chunks.mark_since(since_ns)
        for index, event in enumerate(self._events):
            if isinstance(event, Transaction) and not event.backlog:
                seen_ns = event.t_ns if event.t_end_ns is None else event.t_end_ns
                if seen_ns is not None and seen_ns >= since_ns:
                    self._events[index] = replace(event, backlog=True)


def _key(data: bytearray, at: int) -> _Key:
    return data[at], data[at + 1] & ~rules.EXCEPTION
