"""What an engineer should know about a line beyond its values: the closed list of findings.

A history and its devices in, findings out, each with what speaks for it and the cheapest observation that would
settle it. A false alarm costs more trust than a miss: each rule asks for a pattern that noise doesn't make.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidetap.line.columns import NO_TIME
from sidetap.quantity import NS_PER_S
from sidetap.survey import timeline
from sidetap.survey.asked import Times
from sidetap.survey.contest import Contest, contests
from sidetap.survey.events import YardEvent
from sidetap.survey.grouping import Places
from sidetap.survey.history import History
from sidetap.survey.relations import Relation, nothing_but_a_meter
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
    """What is known beside the events.

    A torn end, where the clock ran backwards (from, to), what people noted, how the values of devices are tied.
    """

    truncated: bool = False
    clock_steps_ns: tuple[tuple[int, int], ...] = ()
    yard_events: tuple[YardEvent, ...] = ()
    relations: tuple[Relation, ...] = ()


def find(history: History, devices: Sequence[Device], about: About) -> list[Finding]:
    """Return all findings but those of the line's health."""
    whole = None if history.start_ns is None or history.end_ns is None else Span(history.start_ns, history.end_ns)
    scans = timeline.scans(history)
    usual = np.ones(len(history.requests), dtype=np.bool_)  # which requests are in no scan
    for scan in scans:
        usual[scan] = False
    contested = contests(history, usual)
    found = _record(whole, about.truncated, about.clock_steps_ns)
    found += [_scan(history, scan) for scan in scans]
    found += [_second_master(c) for c in contested]
    found += _silences(history, usual, contested)
    found += _unreliable(history, usual, contested, whole)
    found += _exceptions(history, usual)
    found += _new_devices(history, usual)
    found += _after_events(history, about.yard_events)
    for device in devices:
        found += _values(device, about.relations, whole)
    return found


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


def _scan(history: History, scan: Places) -> Finding:
    requests = history.requests
    device = history.device[requests.poll[scan]]
    answering = device[requests.whole[scan]].tolist()
    return Finding(
        "address-scan",
        Severity.INFO,
        None,
        history.polls[requests.poll[scan[0]]].register,
        Span.of(requests.t_ns[scan]),
        f"Addresses {device[0]} to {device[-1]} were asked in turn.",
        f"{len(scan)} addresses, the same request to each; whole answers from {_listed(answering)}",
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


def _silences(history: History, usual: NDArray[np.bool_], contested: Sequence[Contest]) -> list[Finding]:
    found = []
    requests = history.requests
    timed = requests.timed
    line = timeline.silences(requests.t_ns[timed], requests.asked[timed], history.end_ns)
    found += [_silence(None, span, "nobody asks anything on this line") for span in line]
    extra = {p for c in contested for p in c.polls}
    timed = timed & usual
    asked = np.bincount(requests.poll[timed], weights=requests.asked[timed], minlength=len(history.polls))
    by_poll = {n: int(times) for n, times in enumerate(asked.tolist()) if times and n not in extra}
    for device, number in timeline.usual_polls(history.polls, by_poll).items():
        own = history.of_poll(number)
        own = own[timed[own]]
        for span in timeline.silences(requests.t_ns[own], requests.asked[own], history.end_ns):
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
    history: History, usual: NDArray[np.bool_], contested: Sequence[Contest], whole: Span | None
) -> list[Finding]:
    found = []
    requests, troubles = history.requests, history.troubles
    windows = [c.span for c in contested]
    lost = troubles.damaged & ~_in_any(troubles.t_ns, windows)
    damaged = np.bincount(history.device[troubles.poll[lost]], minlength=256).tolist()
    for device, all_own in history.of_device.items():
        own = all_own[usual[all_own]]
        if not len(own):
            continue
        tries = int(requests.tries[own].sum())
        if not requests.whole[own].any():
            if int(requests.asked[own].sum()) >= _FEWEST_POLLS and not damaged[device]:
                found.append(_unanswered(history, device, own))
        else:
            found += _outages(history, device, own, windows)
        if damaged[device] >= _FEWEST and damaged[device] > _DAMAGED * tries:
            found.append(
                Finding(
                    "damaged-answers",
                    Severity.WARNING,
                    device,
                    None,
                    whole,
                    f"Answers of device {device} arrive damaged.",
                    f"{damaged[device]} of {tries} tries ({damaged[device] / tries:.2%})",
                    "Compare with the other devices: if only this one suffers, look at its drop, its ground and "
                    "whether a second device has the same address.",
                )
            )
    return found


def _in_any(t_ns: Times, windows: Sequence[Span]) -> NDArray[np.bool_]:
    """Return which times lie in any of the windows."""
    inside = np.zeros(len(t_ns), dtype=np.bool_)
    for window in windows:
        inside |= window.among(t_ns)
    return inside


def _unanswered(history: History, device: int, own: Places) -> Finding:
    return Finding(
        "unanswered-device",
        Severity.WARNING,
        device,
        None,
        Span.of(history.requests.t_ns[own]),
        f"Device {device} is asked and never answers.",
        f"{history.requests.asked[own].sum()} requests, no whole answer",
        "Ask whether it was taken out; see whether it has power. Each miss costs the line a time-out.",
    )


def _outages(history: History, device: int, own: Places, windows: Sequence[Span]) -> list[Finding]:
    """Return the outages of a device that answers at times; own: its usual requests."""
    t_ns, asked = history.requests.t_ns[own], history.requests.asked[own]
    missed = ~history.requests.whole[own]
    edge = np.diff(missed.astype(np.int8), prepend=0, append=0)
    first, after = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)  # each run of misses, and what follows it
    counted = np.append(0, np.cumsum(asked, dtype=np.int64))
    run = counted[after] - counted[first]
    end_ns = NO_TIME if history.end_ns is None else history.end_ns
    from_ns, back_ns = t_ns[first], np.append(t_ns, end_ns)[after]
    timed = (from_ns != NO_TIME) & (back_ns != NO_TIME)
    garbled_ns = np.sort(history.garbled.t_ns[history.device[history.garbled.poll] == device])
    garbled = np.where(timed, np.searchsorted(garbled_ns, back_ns) - np.searchsorted(garbled_ns, from_ns), 0)
    outage = run + garbled >= _FEWEST_POLLS
    drowned = _in_any(from_ns, windows)
    found = [
        Finding(
            "device-outage",
            Severity.WARNING if drowned[n] else Severity.FAULT,
            device,
            None,
            Span(int(from_ns[n]), int(back_ns[n])) if timed[n] else None,
            f"Device {device} gave no whole answer to {run[n] + garbled[n]} polls in a row.",
            f"{run[n] + garbled[n]} requests in a row, retries not counted"
            + (f", {garbled[n]} of them garbled" if garbled[n] else "")
            + (", while a second master was on the line" if drowned[n] else ""),
            "Settle the second master first: its frames alone can do this."
            if drowned[n]
            else "Look at its supply and its drop at that time; ask for the power log.",
        )
        for n in np.flatnonzero(outage).tolist()
    ]
    in_outage = np.zeros(len(own) + 1, dtype=np.int64)
    in_outage[first[outage]] += 1
    in_outage[after[outage]] -= 1
    scattered = missed & (np.cumsum(in_outage[:-1]) == 0) & ~_in_any(t_ns, windows)
    elsewhere, total = int(asked[scattered].sum()), int(asked.sum())
    if elsewhere >= _FEWEST and elsewhere > _INTERMITTENT * total:
        found.append(
            Finding(
                "intermittent-device",
                Severity.WARNING,
                device,
                None,
                Span.of(t_ns),
                f"Device {device} misses polls now and then.",
                f"{elsewhere} of {total} requests without a whole answer ({elsewhere / total:.1%}), "
                "outages and times of a second master not counted",
                "Look at the terminals of its drop and at the answer delay; record again after tightening them.",
            )
        )
    return found


def _exceptions(history: History, usual: NDArray[np.bool_]) -> list[Finding]:
    requests = history.requests
    asked = np.bincount(requests.poll[usual], weights=requests.asked[usual], minlength=len(history.polls))
    refused = np.flatnonzero(usual & requests.refused)
    kind = requests.poll[refused].astype(np.int64) << 8 | requests.exception[refused]
    found = []
    for answer in dict.fromkeys(kind.tolist()):
        own = refused[kind == answer]
        times = int(requests.asked[own].sum())
        if times < _FEWEST:
            continue
        poll, code = history.polls[answer >> 8], answer & 0xFF
        polls = int(asked[answer >> 8])
        always = times == polls
        name = _EXCEPTION_NAMES.get(code)
        what = f"exception {code:02d}" + (f" ({name})" if name else "")
        place = "" if poll.register is None else f" register {poll.register}"
        found.append(
            Finding(
                "exceptions",
                Severity.INFO if always else Severity.WARNING,
                poll.device,
                poll.register,
                Span.of(requests.t_ns[own]),
                f"Device {poll.device}{place} answers function {poll.function} with {what}.",
                f"{times} of {polls} polls ({times / polls:.1%})",
                "It was so from the start of the record: tell the owner before any work, so that it is not laid at "
                "your door."
                if always
                else "Ask the device's maker when it answers so; a value that fails now and then ages meanwhile.",
            )
        )
    return found


def _new_devices(history: History, usual: NDArray[np.bool_]) -> list[Finding]:
    if history.start_ns is None:
        return []
    requests = history.requests
    first: dict[int, int] = {}
    for device, own in history.of_device.items():
        asked = own[usual[own]]
        # a device that only a scan asks is known by its answers
        known = asked if len(asked) else own[requests.whole[own]]
        known = known[requests.timed[known]]
        if len(known):
            first[device] = int(requests.t_ns[known[0]])
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
    if not yard_events:
        return []
    from_ns = np.sort(np.array([e.t_ns for e in yard_events], dtype=np.int64))
    to_ns = from_ns + _AFTER_EVENT_NS
    troubles = _timed(history.troubles.t_ns)
    tries = np.concatenate([_timed(history.requests.t_ns), history.again_ns])
    lost = np.sort(troubles)
    hit = np.flatnonzero(np.searchsorted(lost, to_ns, "right") > np.searchsorted(lost, from_ns))
    inside = _after_any(troubles, from_ns, to_ns)
    tries_inside = _after_any(tries, from_ns, to_ns)
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
            Span(int(from_ns[hit[0]]), int(to_ns[hit[-1]])),
            "Errors come within 2 s of the noted events.",
            f"{inside} of {tries_inside} tries failed there ({len(hit)} of {len(from_ns)} events), "
            f"{background:.2%} elsewhere",
            "Note the starts of each motor apart and record again; look at what shares a duct with the line.",
        )
    ]


def _timed(t_ns: Times) -> Times:
    return np.asarray(t_ns[t_ns != NO_TIME], dtype=np.int64)


def _after_any(t_ns: Times, from_ns: Times, to_ns: Times) -> int:
    """Return how many times lie in any window; the windows are equally long and in order."""
    latest = np.searchsorted(from_ns, t_ns, "right") - 1  # the last window that starts before, ends last
    return int(((latest >= 0) & (t_ns <= to_ns[latest])).sum())


def _values(device: Device, tied: Sequence[Relation], whole: Span | None) -> list[Finding]:
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
    meter = nothing_but_a_meter(device, tied)
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
