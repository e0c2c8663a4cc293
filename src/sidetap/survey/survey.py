"""What is on a line: totals, devices, polls, values, findings, and the document that tells all of it.

Events of `sidetap.line`, or a whole recording, in; a `Survey` out. Never asks the line anything: what listening can't
show is called open, with the cheapest observation that would settle it.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Any

from sidetap.line import Chunk, Noise, Outcome, Parser, Settings, Transaction
from sidetap.line.recording import Recording
from sidetap.quantity import NS_PER_S
from sidetap.survey.events import YardEvent
from sidetap.survey.findings import About, Finding, find
from sidetap.survey.history import History, Poll, Request, gather
from sidetap.survey.values import Device, Value, read_devices

_FLAG_NAMES = {"p": "parity", "f": "framing", "b": "break"}


@dataclass(frozen=True, slots=True)
class PollSummary:
    """One poll over the record. period_s: median, retries left out; None where it can't be told."""

    poll: Poll
    period_s: float | None
    requests: int
    retries: int
    answered: int
    exceptions: int
    damaged: int
    unanswered: int


@dataclass(frozen=True, slots=True)
class LineTotals:
    """The line as a whole. flag_rates: share of bytes with each error; None where the recording has no flags."""

    settings: Settings | None
    flag_rates: dict[str, float] | None
    byte_count: int
    explained_bytes: int
    requests: int
    answered: int
    exceptions: int
    damaged: int
    unanswered: int


@dataclass(frozen=True, slots=True)
class Survey:
    """Everything that was found."""

    line: LineTotals
    polls: tuple[PollSummary, ...]
    devices: tuple[Device, ...]
    findings: tuple[Finding, ...]
    history: History

    def answers(self, device: int) -> bool:
        """Return whether a device ever gave a whole answer."""
        return any(p.answered + p.exceptions for p in self.polls if p.poll.device == device)

    def values(self, device: int) -> tuple[Value, ...]:
        """Return the values of a device."""
        return next((d.values for d in self.devices if d.device == device), ())

    def document(self) -> dict[str, Any]:
        """Return the contract's document of `survey --json`."""
        line = self.line
        numbers = sorted({p.poll.device for p in self.polls})
        return {
            "line": {
                "mode": "rtu",
                "settings": None
                if line.settings is None
                else {
                    "baud": line.settings.baud,
                    "framing": line.settings.framing,
                    "inverted": line.settings.inverted,
                    "source": "stated",
                },
                "flag_rates": line.flag_rates,
                "bytes": line.byte_count,
                "explained_bytes": line.explained_bytes,
                "requests": line.requests,
                "answered": line.answered,
                "exceptions": line.exceptions,
                "damaged": line.damaged,
                "unanswered": line.unanswered,
            },
            "devices": [
                {
                    "device": number,
                    "answers": self.answers(number),
                    "polls": [_poll_document(p) for p in self.polls if p.poll.device == number],
                    "values": [_value_document(v) for v in self.values(number)],
                }
                for number in numbers
            ],
            "findings": [f.document() for f in self.findings],
        }


def survey(events: Iterable[Transaction | Noise], settings: Settings | None = None) -> Survey:
    """Return what the events of a line show; settings: what the line is known to be set to."""
    history = gather(events)
    line = _totals(history, settings, history.line_bytes, None)
    return _survey(history, line, About())


def survey_recording(
    recording: Recording, yard_events: Sequence[YardEvent] = (), chunks: Iterable[Chunk] | None = None
) -> Survey:
    """Return what a recording shows.

    yard_events: what people noted. chunks: the recording's own, if the caller wants to see them go by.
    """
    flags = _Flags()
    history = gather(_events(flags.watch(recording.chunks if chunks is None else chunks), recording.settings))
    line = _totals(history, recording.settings, recording.byte_count, flags.rates(recording.byte_count))
    about = About(
        recording.truncated,
        tuple((step.before_ns, step.after_ns) for step in recording.clock_stepped),
        tuple(yard_events),
    )
    return _survey(history, line, about)


class _Flags:
    """Counts the flags of errored bytes while chunks go by."""

    def __init__(self) -> None:
        self._count: Counter[str] = Counter()
        self._flagged = False

    def watch(self, chunks: Iterable[Chunk]) -> Iterator[Chunk]:
        for chunk in chunks:
            if chunk.flags is not None:
                self._flagged = True
                self._count.update(chunk.flags)
            yield chunk

    def rates(self, byte_count: int) -> dict[str, float] | None:
        if not self._flagged:
            return None
        return {name: self._count[letter] / max(byte_count, 1) for letter, name in _FLAG_NAMES.items()}


def _survey(history: History, line: LineTotals, about: About) -> Survey:
    devices = read_devices(history.blocks)
    findings = find(history, devices, about)
    return Survey(line, _summaries(history), tuple(devices), tuple(findings), history)


def _totals(
    history: History, settings: Settings | None, byte_count: int, flag_rates: dict[str, float] | None
) -> LineTotals:
    total = Counter(r.outcome for r in history.requests)
    return LineTotals(
        settings,
        flag_rates,
        byte_count,
        history.explained_bytes,
        len(history.requests),
        total[Outcome.ANSWERED],
        total[Outcome.EXCEPTION],
        total[Outcome.DAMAGED],
        total[Outcome.UNANSWERED],
    )


def _events(chunks: Iterable[Chunk], settings: Settings | None) -> Iterator[Transaction | Noise]:
    parser = Parser(settings)
    for chunk in chunks:
        parser.receive(chunk)
        while (event := parser.next_event()) is not None:
            yield event
    parser.close()
    while (event := parser.next_event()) is not None:
        yield event


def _summaries(history: History) -> tuple[PollSummary, ...]:
    by_poll: defaultdict[Poll, list[Request]] = defaultdict(list)
    for request in history.requests:
        by_poll[request.poll].append(request)
    summaries = []
    for poll, requests in by_poll.items():
        count = Counter(r.outcome for r in requests)
        times = [r.t_ns for r in requests if r.t_ns is not None]
        gaps = [b - a for a, b in pairwise(times) if b >= a]
        summaries.append(
            PollSummary(
                poll,
                median(gaps) / NS_PER_S if gaps else None,
                count.total(),
                sum(r.tries - 1 for r in requests),
                count[Outcome.ANSWERED],
                count[Outcome.EXCEPTION],
                count[Outcome.DAMAGED],
                count[Outcome.UNANSWERED],
            )
        )
    return tuple(sorted(summaries, key=lambda s: _order(s.poll)))


def _order(poll: Poll) -> tuple[int, int, int, int]:
    return (poll.device, poll.function, poll.register or 0, poll.count or 0)


def _poll_document(summary: PollSummary) -> dict[str, Any]:
    return {
        "function": summary.poll.function,
        "register": summary.poll.register,
        "count": summary.poll.count,
        "period_s": summary.period_s,
        "requests": summary.requests,
        "retries": summary.retries,
        "answered": summary.answered,
        "exceptions": summary.exceptions,
        "damaged": summary.damaged,
        "unanswered": summary.unanswered,
    }


def _value_document(value: Value) -> dict[str, Any]:
    document: dict[str, Any] = {
        "table": value.table,
        "register": value.register,
        "encoding": value.encoding,
        "kind": value.kind.value,
        "status": value.status.value,
        "confidence": value.confidence,
        "valid_below": value.valid_below,
        "alternatives": [{"encoding": a.encoding, "confidence": a.confidence} for a in value.alternatives],
        "first": value.first,
        "last": value.last,
        "min": value.min,
        "max": value.max,
    }
    if value.encoding == "text":
        document["registers"] = value.width
    return document
