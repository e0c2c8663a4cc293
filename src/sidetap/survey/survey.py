"""What is on a line: totals, devices, polls, values, findings, and the document that tells all of it.

Tables of events of `sidetap.line`, or a whole recording, in; a `Survey` out. Never asks the line anything: what
listening can't show is called open, with the cheapest observation that would settle it.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sidetap.line import Batch, Columns, Mode, Outcome, Settings, listen
from sidetap.line.columns import OUTCOMES
from sidetap.line.recording import Recording
from sidetap.quantity import NS_PER_S
from sidetap.survey.ahead import ahead
from sidetap.survey.asked import shared
from sidetap.survey.events import YardEvent
from sidetap.survey.findings import About, Finding, find
from sidetap.survey.grouping import medians
from sidetap.survey.health import Health, LineHealth
from sidetap.survey.history import Gathering, History, gather
from sidetap.survey.polls import Poll
from sidetap.survey.relations import Relation, relations
from sidetap.survey.values import Device, Value, read_devices

_TOLD = (Outcome.ANSWERED, Outcome.EXCEPTION, Outcome.DAMAGED, Outcome.UNANSWERED)
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

    mode: Mode
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
    """Everything that was found. relations: what the values of devices have to do with one another.

    health: of a recording only.
    """

    line: LineTotals
    polls: tuple[PollSummary, ...]
    devices: tuple[Device, ...]
    relations: tuple[Relation, ...]
    findings: tuple[Finding, ...]
    history: History
    health: LineHealth | None

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
                "mode": line.mode.value,
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


def survey(tables: Iterable[Columns], settings: Settings | None = None) -> Survey:
    """Return what the events of a line show; settings: what the line is known to be set to."""
    history = gather(tables)
    line = _totals(history, settings, history.line_bytes, None)
    devices = read_devices(history.blocks)
    tied = relations(devices)
    return _survey(history, line, devices, tied, find(history, devices, About(relations=tied)), None)


def survey_recording(
    recording: Recording, yard_events: Sequence[YardEvent] = (), batches: Iterable[Batch] | None = None
) -> Survey:
    """Return what a recording shows.

    yard_events: what people noted. batches: the recording's own, if the caller wants to see them go by. They are read
    and listened to in a thread of their own, one table ahead.
    """
    health, gathering = Health(recording.settings), Gathering()
    for batch, table in ahead(_heard(recording.batches if batches is None else batches, recording.settings)):
        if batch is not None:
            health.hear(batch)
        if table is not None:
            gathering.see(table)
            health.see(table)
    found = health.result()
    rates = {name: found.signal.rate(letter) for letter, name in _FLAG_NAMES.items()}
    known = {name: rate for name, rate in rates.items() if rate is not None}
    history = gathering.history()
    line = _totals(history, recording.settings, recording.byte_count, known or None)
    devices = read_devices(history.blocks)
    tied = relations(devices, yard_events)
    about = About(
        recording.truncated,
        tuple((step.before_ns, step.after_ns) for step in recording.clock_stepped),
        tuple(yard_events),
        tied,
    )
    findings = find(history, devices, about) + health.findings(history, devices, about)
    return _survey(history, line, devices, tied, findings, found)


def _heard(batches: Iterable[Batch], settings: Settings | None) -> Iterator[tuple[Batch | None, Columns | None]]:
    """Yield every batch before the tables that its bytes settle, and those."""
    taken: list[Batch] = []
    for table in listen(_noted(batches, taken), settings):
        yield from ((batch, None) for batch in taken)
        taken.clear()
        yield None, table
    yield from ((batch, None) for batch in taken)


def _noted(batches: Iterable[Batch], taken: list[Batch]) -> Iterator[Batch]:
    for batch in batches:
        taken.append(batch)
        yield batch


def _survey(
    history: History,
    line: LineTotals,
    devices: Sequence[Device],
    tied: tuple[Relation, ...],
    findings: Sequence[Finding],
    health: LineHealth | None,
) -> Survey:
    in_order = sorted(findings, key=lambda f: -1 if f.device is None else f.device)
    return Survey(line, _summaries(history), tuple(devices), tied, tuple(in_order), history, health)


def _totals(
    history: History, settings: Settings | None, byte_count: int, flag_rates: dict[str, float] | None
) -> LineTotals:
    requests = history.requests
    total = np.bincount(requests.outcome, weights=requests.asked, minlength=len(OUTCOMES)).astype(np.int64).tolist()
    return LineTotals(
        history.mode,
        settings,
        flag_rates,
        byte_count,
        history.explained_bytes,
        sum(total),
        *(total[OUTCOMES.index(outcome)] for outcome in _TOLD),
    )


def _summaries(history: History) -> tuple[PollSummary, ...]:
    requests, order, polls = history.requests, history.by_poll, len(history.polls)
    counts = np.bincount(
        requests.poll.astype(np.int64) * len(OUTCOMES) + requests.outcome,
        weights=requests.asked,
        minlength=polls * len(OUTCOMES),
    )
    counts = counts.reshape(polls, len(OUTCOMES)).astype(np.int64)
    tries = np.bincount(requests.poll, weights=requests.tries, minlength=polls).astype(np.int64)
    timed = order[requests.timed[order]]
    poll, t_ns = requests.poll[timed], requests.t_ns[timed]
    gap = (poll[1:] == poll[:-1]) & (t_ns[1:] >= t_ns[:-1])
    periods = medians(shared(t_ns, requests.asked[timed])[gap], poll[1:][gap], polls, 1)
    summaries = [
        PollSummary(
            poll,
            None if np.isnan(period) else float(period) / NS_PER_S,
            sum(count),
            tried - sum(count),
            *(count[OUTCOMES.index(outcome)] for outcome in _TOLD),
        )
        for poll, period, count, tried in zip(history.polls, periods, counts.tolist(), tries.tolist(), strict=True)
    ]
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
