"""What an engineer should know about a line beyond its values: the closed list of findings.

A history and its devices in, findings out, each with what speaks for it and the cheapest observation that would
settle it. A false alarm costs more trust than a miss: each rule asks for a pattern that noise doesn't make.
"""

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from sidetap.line import Outcome
from sidetap.quantity import NS_PER_S
from sidetap.survey import timeline
from sidetap.survey.contest import Contest, contests
from sidetap.survey.events import YardEvent
from sidetap.survey.history import History, Poll, Request
from sidetap.survey.meter import power_meter
from sidetap.survey.timeline import Span
from sidetap.survey.values import Device, Kind, Status, Value

_FEWEST_POLLS = 5
_FEWEST = 3  # fewer are an accident
_INTERMITTENT = 0.01
_DAMAGED = 0.001
_NEW_AFTER_NS = 600 * NS_PER_S
_AFTER_EVENT_NS = 2 * NS_PER_S
_TIMES_BACKGROUND = 5
_MOST_STEPS = 20
_EXCEPTION_NAMES = {1: "no such function", 2: "no such register", 3: "bad value", 4: "device failure", 6: "busy"}


class Severity(StrEnum):
    """How much it matters."""

    INFO = "info"
    WARNING = "warning"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding. device, register: None where it is about the whole line or device. span: None without times."""

    finding: str
    severity: Severity
    device: int | None
    register: int | None
    span: Span | None
    text: str
    evidence: str
    settle: str

    def document(self) -> dict[str, Any]:
        """Return the contract's form."""
        return {
            "finding": self.finding,
            "severity": self.severity.value,
            "device": self.device,
            "register": self.register,
            "from_s": None if self.span is None else self.span.from_ns / NS_PER_S,
            "to_s": None if self.span is None else self.span.to_ns / NS_PER_S,
            "text": self.text,
            "evidence": self.evidence,
            "settle": self.settle,
        }


@dataclass(frozen=True, slots=True)
class About:
    """What is known beside the events: a torn end, where the clock ran backwards (from, to), what people noted."""

    truncated: bool = False
    clock_steps_ns: tuple[tuple[int, int], ...] = ()
    yard_events: tuple[YardEvent, ...] = ()


def find(history: History, devices: Sequence[Device], about: About) -> list[Finding]:
    """Return all findings, the line's first, then by device."""
    whole = None if history.start_ns is None or history.end_ns is None else Span(history.start_ns, history.end_ns)
    scans = timeline.scans(history)
    scanned = {n for scan in scans for n in scan}
    usual = [r for n, r in enumerate(history.requests) if n not in scanned]
    contested = contests(history, usual)
    found = _record(whole, about.truncated, about.clock_steps_ns)
    found += [_scan([history.requests[n] for n in scan]) for scan in scans]
    found += [_second_master(c) for c in contested]
    found += _silences(history, usual, contested)
    found += _unreliable(history, usual, contested, whole)
    found += _exceptions(usual)
    found += _new_devices(history, usual)
    found += _after_events(history, about.yard_events)
    for device in devices:
        found += _values(device, whole)
    return sorted(found, key=lambda f: -1 if f.device is None else f.device)


def _record(whole: Span | None, truncated: bool, steps: Sequence[tuple[int, int]]) -> list[Finding]:
    found = []
    if truncated:
        text = "The recording ends in the middle of a block or row; it was read up to the last whole one."
        found.append(
            Finding(
                "truncated-recording",
                Severity.WARNING,
                None,
                None,
                whole,
                text,
                "the last block or row is not whole",
                "Ask whether the recorder was stopped or lost its power, and record again if the end matters.",
            )
        )
    for before, after in steps[:_MOST_STEPS]:
        found.append(
            Finding(
                "clock-stepped",
                Severity.WARNING,
                None,
                None,
                Span(after, before),
                f"The recorder's clock went back by {(before - after) / NS_PER_S:.3f} s.",
                f"a chunk of {before / NS_PER_S:.3f} s is followed by one of {after / NS_PER_S:.3f} s",
                "Look at the recorder's log for a change of its clock; readings taken near this time may not fit.",
            )
        )
    return found


def _scan(requests: Sequence[Request]) -> Finding:
    first, last = requests[0].poll.device, requests[-1].poll.device
    answering = [r.poll.device for r in requests if r.whole]
    return Finding(
        "address-scan",
        Severity.INFO,
        None,
        requests[0].poll.register,
        Span.of(requests),
        f"Addresses {first} to {last} were asked in turn.",
        f"{len(requests)} addresses, the same request to each; whole answers from {_listed(answering)}",
        "Ask what starts at that time: a controller's restart does this, and so does a person with a tool.",
    )


def _second_master(contest: Contest) -> Finding:
    return Finding(
        "second-master",
        Severity.WARNING,
        contest.device,
        contest.register,
        contest.span,
        f"A second master asks device {contest.device}, beside the usual one, and their frames collide.",
        f"{contest.requests} requests beside the usual polls; while they lasted {contest.troubles} of "
        f"{contest.tries} tries of other polls came to no whole answer, against {contest.usual_share:.2%} otherwise; "
        f"{contest.talked_over} times something was asked while another answer was still waited for",
        "Ask who was at the line at that time; look for a second cable, gateway or laptop on it.",
    )


def _silences(history: History, usual: Sequence[Request], contested: Sequence[Contest]) -> list[Finding]:
    found = []
    line = timeline.silences([r.t_ns for r in history.requests if r.t_ns is not None], history.end_ns)
    found += [_silence(None, span, "nobody asks anything on this line") for span in line]
    extra = {p for c in contested for p in c.polls}
    by_poll: defaultdict[Poll, list[int]] = defaultdict(list)
    for request in usual:
        if request.t_ns is not None and request.poll not in extra:
            by_poll[request.poll].append(request.t_ns)
    for device, poll in timeline.usual_polls({p: len(times) for p, times in by_poll.items()}).items():
        times = by_poll[poll]
        for span in timeline.silences(times, history.end_ns):
            if not any(span.overlap(other) >= 0.9 * span.length_ns for other in line):
                found.append(_silence(device, span, f"device {device} is not asked for its usual registers"))
    return found


def _silence(device: int | None, span: Span, what: str) -> Finding:
    return Finding(
        "silent-window",
        Severity.WARNING,
        device,
        None,
        span,
        f"For {span.length_ns / NS_PER_S:.0f} s {what}.",
        "the gap is longer than 20 periods of that poll and 120 s",
        "Record the same hours of another day: if it comes back it is a schedule, and bays need a rule for it.",
    )


def _unreliable(
    history: History, usual: Sequence[Request], contested: Sequence[Contest], whole: Span | None
) -> list[Finding]:
    found = []
    windows = [c.span for c in contested if c.span is not None]
    tries: Counter[int] = Counter()
    for request in usual:
        tries[request.poll.device] += request.tries
    damaged = Counter(
        t.poll.device
        for t in history.troubles
        if t.outcome is Outcome.DAMAGED and not any(w.holds(t.t_ns) for w in windows)
    )
    by_device: defaultdict[int, list[Request]] = defaultdict(list)
    for request in usual:
        by_device[request.poll.device].append(request)
    for device, own in sorted(by_device.items()):
        if not any(r.whole for r in own):
            if len(own) >= _FEWEST_POLLS and not damaged[device]:
                found.append(_unanswered(device, own))
        else:
            garbled_ns = sorted(g.t_ns for g in history.garbled if g.poll.device == device)
            found += _outages(device, own, garbled_ns, windows, history.end_ns)
        if damaged[device] >= _FEWEST and damaged[device] > _DAMAGED * tries[device]:
            found.append(
                Finding(
                    "damaged-answers",
                    Severity.WARNING,
                    device,
                    None,
                    whole,
                    f"Answers of device {device} arrive damaged.",
                    f"{damaged[device]} of {tries[device]} tries ({damaged[device] / tries[device]:.2%})",
                    "Compare with the other devices: if only this one suffers, look at its drop, its ground and "
                    "whether a second device has the same address.",
                )
            )
    return found


def _unanswered(device: int, requests: Sequence[Request]) -> Finding:
    return Finding(
        "unanswered-device",
        Severity.WARNING,
        device,
        None,
        Span.of(requests),
        f"Device {device} is asked and never answers.",
        f"{len(requests)} requests, no whole answer",
        "Ask whether it was taken out; see whether it has power. Each miss costs the line a time-out.",
    )


def _outages(
    device: int, requests: Sequence[Request], garbled_ns: Sequence[int], windows: Sequence[Span], end_ns: int | None
) -> list[Finding]:
    """Return the outages of a device that answers at times; garbled_ns: sorted, polls that reached nobody."""
    found = []
    elsewhere = 0
    run: list[Request] = []
    for request in [*requests, None]:
        if request is not None and not request.whole:
            run.append(request)
            continue
        first = run[0].t_ns if run else None
        back = end_ns if request is None else request.t_ns
        span = None if first is None or back is None else Span(first, back)
        garbled = 0
        if span is not None:
            garbled = bisect_left(garbled_ns, span.to_ns) - bisect_left(garbled_ns, span.from_ns)
        polls = len(run) + garbled
        if run and polls >= _FEWEST_POLLS:
            drowned = any(w.holds(first) for w in windows)
            found.append(
                Finding(
                    "device-outage",
                    Severity.WARNING if drowned else Severity.FAULT,
                    device,
                    None,
                    span,
                    f"Device {device} gave no whole answer to {polls} polls in a row.",
                    f"{polls} requests in a row, retries not counted"
                    + (f", {garbled} of them garbled" if garbled else "")
                    + (", while a second master was on the line" if drowned else ""),
                    "Settle the second master first: its frames alone can do this."
                    if drowned
                    else "Look at its supply and its drop at that time; ask for the power log.",
                )
            )
        else:
            elsewhere += sum(1 for r in run if not any(w.holds(r.t_ns) for w in windows))
        run = []
    if elsewhere >= _FEWEST and elsewhere > _INTERMITTENT * len(requests):
        found.append(
            Finding(
                "intermittent-device",
                Severity.WARNING,
                device,
                None,
                Span.of(requests),
                f"Device {device} misses polls now and then.",
                f"{elsewhere} of {len(requests)} requests without a whole answer ({elsewhere / len(requests):.1%}), "
                "outages and times of a second master not counted",
                "Look at the terminals of its drop and at the answer delay; record again after tightening them.",
            )
        )
    return found


def _exceptions(usual: Sequence[Request]) -> list[Finding]:
    refused: defaultdict[tuple[Poll, int], list[Request]] = defaultdict(list)
    asked = Counter(r.poll for r in usual)
    for request in usual:
        if request.exception is not None:
            refused[request.poll, request.exception].append(request)
    found = []
    for (poll, code), own in refused.items():
        times = len(own)
        if times < _FEWEST:
            continue
        always = times == asked[poll]
        name = _EXCEPTION_NAMES.get(code)
        what = f"exception {code:02d}" + (f" ({name})" if name else "")
        place = "" if poll.register is None else f" register {poll.register}"
        found.append(
            Finding(
                "exceptions",
                Severity.INFO if always else Severity.WARNING,
                poll.device,
                poll.register,
                Span.of(own),
                f"Device {poll.device}{place} answers function {poll.function} with {what}.",
                f"{times} of {asked[poll]} polls ({times / asked[poll]:.1%})",
                "It was so from the start of the record: tell the owner before any work, so that it is not laid at "
                "your door."
                if always
                else "Ask the device's maker when it answers so; a value that fails now and then ages meanwhile.",
            )
        )
    return found


def _new_devices(history: History, usual: Sequence[Request]) -> list[Finding]:
    if history.start_ns is None:
        return []
    known = {r.poll.device for r in usual}
    found_by_scan = [r for r in history.requests if r.whole and r.poll.device not in known]
    first: dict[int, int] = {}
    for request in [*usual, *found_by_scan]:
        if request.t_ns is not None:
            first.setdefault(request.poll.device, request.t_ns)
    return [
        Finding(
            "new-device",
            Severity.INFO,
            device,
            None,
            Span(t_ns, t_ns),
            f"Device {device} is first asked {(t_ns - history.start_ns) / NS_PER_S:.0f} s into the record.",
            "no request to it before",
            "Ask what was added or switched on at that time.",
        )
        for device, t_ns in first.items()
        if t_ns - history.start_ns > _NEW_AFTER_NS
    ]


def _after_events(history: History, yard_events: Sequence[YardEvent]) -> list[Finding]:
    windows = [Span(e.t_ns, e.t_ns + _AFTER_EVENT_NS) for e in yard_events]
    if not windows:
        return []
    troubles = [t.t_ns for t in history.troubles if t.t_ns is not None]
    tries = history.tries_ns
    hit = [w for w in windows if any(w.holds(t) for t in troubles)]
    inside = sum(any(w.holds(t) for w in windows) for t in troubles)
    tries_inside = sum(any(w.holds(t) for w in windows) for t in tries)
    tries_outside = max(len(tries) - tries_inside, 1)
    background = max(len(troubles) - inside, 1) / tries_outside
    if len(hit) < _FEWEST or inside / max(tries_inside, 1) < _TIMES_BACKGROUND * background:
        return []
    return [
        Finding(
            "errors-after-event",
            Severity.WARNING,
            None,
            None,
            Span(hit[0].from_ns, hit[-1].to_ns),
            "Errors come within 2 s of the noted events.",
            f"{inside} of {tries_inside} tries failed there ({len(hit)} of {len(windows)} events), "
            f"{background:.2%} elsewhere",
            "Note the starts of each motor apart and record again; look at what shares a duct with the line.",
        )
    ]


def _values(device: Device, whole: Span | None) -> list[Finding]:
    found = []
    orders = {v.encoding.split("-", 1)[1]: v for v in device.values if _sure_pair(v)}
    if len(orders) > 1:
        places = "; ".join(f"register {v.register}: {order}" for order, v in orders.items())
        found.append(
            Finding(
                "mixed-word-order",
                Severity.WARNING,
                device.device,
                None,
                whole,
                f"Device {device.device} sends its 32-bit values in more than one word order.",
                places,
                "Compare one value of each order with the device's display.",
            )
        )
    found += [
        Finding(
            "fault-values",
            Severity.WARNING,
            device.device,
            value.register,
            whole,
            f"Register {value.register} of device {device.device} at times holds a code for no value.",
            f"{value.faults} answers hold not-a-number or all ones",
            "Ask the maker what it means; until then such an answer is bad, never a level.",
        )
        for value in device.values
        if value.faults
    ]
    meter = power_meter(device)
    if meter is not None:
        found.append(
            Finding(
                "not-a-level",
                Severity.INFO,
                device.device,
                None,
                whole,
                f"Device {device.device} is an electric power meter and tells nothing about levels.",
                meter,
                "Look at its label.",
            )
        )
    return found


def _sure_pair(value: Value) -> bool:
    return value.kind is Kind.MEASUREMENT and value.status is Status.SETTLED and "word-first" in value.encoding


def _listed(numbers: Sequence[int]) -> str:
    return ", ".join(map(str, numbers)) or "nobody"
