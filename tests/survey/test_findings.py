"""Findings: each rule on a made-up line that shows it, and none of them on a line that is well."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from survey_lines import S, encode, level_mm, merged, reads, surveyed

from sidetap.line import Noise, Outcome, Transaction
from sidetap.survey import Finding, Survey, YardEvent
from sidetap.survey.findings import About, find

ANSWERED, UNANSWERED, DAMAGED = Outcome.ANSWERED, Outcome.UNANSWERED, Outcome.DAMAGED


def level(seed: int, answers: int) -> np.ndarray:
    return encode(level_mm(np.random.default_rng(seed), answers), "uint16")


def of(found: Survey, name: str) -> list[Finding]:
    return [f for f in found.findings if f.finding == name]


def lasts(finding: Finding, from_s: float, to_s: float, within_s: float = 0.001) -> bool:
    """Return whether a finding says so, within so many seconds at both ends."""
    span = finding.span
    return span is not None and max(abs(span.from_ns / S - from_s), abs(span.to_ns / S - to_s)) <= within_s


def poll(device: int, answers: int, outcomes: Sequence[Outcome] | None = None, offset: int = 0) -> list[Transaction]:
    return reads(device, 10 * device, level(device, answers), start_ns=offset + device * S // 50, outcomes=outcomes)


def test_a_line_that_is_well_has_no_findings() -> None:
    assert surveyed(merged(*(poll(d, 2000) for d in range(1, 7)))).findings == ()


def test_a_device_that_never_answers_is_found_from_five_polls_on() -> None:
    five = merged(poll(1, 100), poll(9, 5, [UNANSWERED] * 5))
    assert [f.device for f in of(surveyed(five), "unanswered-device")] == [9]
    four = merged(poll(1, 100), poll(9, 4, [UNANSWERED] * 4))
    assert surveyed(four).findings == ()


def test_an_outage_is_five_polls_in_a_row() -> None:
    for missed, expected in ((4, 0), (5, 1)):
        outcomes = [ANSWERED] * 1000
        outcomes[300 : 300 + missed] = [UNANSWERED] * missed
        found = surveyed(merged(poll(1, 1000), poll(2, 1000, outcomes)))
        assert len(of(found, "device-outage")) == expected
        assert of(found, "intermittent-device") == []
    (outage,) = of(found, "device-outage")
    assert outage.device == 2
    assert lasts(outage, 300.04, 305.04)


def test_an_intermittent_device_misses_over_one_percent() -> None:
    for every, expected in ((150, []), (60, [2])):
        outcomes = [UNANSWERED if n % every == 7 else ANSWERED for n in range(3000)]
        found = surveyed(merged(poll(1, 3000), poll(2, 3000, outcomes)))
        assert [f.device for f in of(found, "intermittent-device")] == expected


def test_damaged_answers() -> None:
    outcomes = [DAMAGED if n % 300 == 7 else ANSWERED for n in range(3000)]
    found = surveyed(merged(poll(1, 3000), poll(2, 3000, outcomes)))
    assert [f.device for f in of(found, "damaged-answers")] == [2]


def test_exceptions_are_told_by_poll_and_code() -> None:
    outcomes = [Outcome.EXCEPTION if n % 50 == 0 else ANSWERED for n in range(1000)]
    always = reads(2, 90, level(1, 1000), start_ns=S // 3, outcomes=[Outcome.EXCEPTION] * 1000)
    found = surveyed(merged(poll(2, 1000, outcomes), always))
    told = {f.register: (f.severity.value, f.text) for f in of(found, "exceptions")}
    assert told[20][0] == "warning"
    assert told[90][0] == "info"
    assert "exception 06" in told[90][1]


def test_a_silent_window_per_device_and_for_the_line() -> None:
    pause = 400 * S
    kept = poll(1, 1500)
    paused = [t for t in poll(2, 1500) if not 500 * S < (t.t_ns or 0) < 500 * S + pause]
    found = surveyed(merged(kept, paused))
    (silence,) = of(found, "silent-window")
    assert silence.device == 2
    assert lasts(silence, 500, 900, 1.1)
    all_paused = [t for t in merged(poll(1, 1500), poll(2, 1500)) if not 500 * S < (t.t_ns or 0) < 900 * S]
    (silence,) = of(surveyed(all_paused), "silent-window")
    assert silence.device is None


def test_a_short_pause_is_no_silent_window() -> None:
    paused = [t for t in poll(2, 1500) if not 500 * S < (t.t_ns or 0) < 618 * S]
    assert of(surveyed(paused), "silent-window") == []


def scan(first: int, last: int, start_ns: int, answering: set[int]) -> list[Transaction]:
    rows = []
    for n, device in enumerate(range(first, last + 1)):
        outcome = [ANSWERED if device in answering else UNANSWERED]
        rows += reads(device, 0, np.zeros((1, 1), np.int64), start_ns=start_ns + n * S // 5, outcomes=outcome)
    return rows


def test_an_address_scan_is_one_finding_and_hides_nothing_else() -> None:
    line = merged(poll(11, 100), poll(12, 100), scan(1, 40, 200 * S, {12}))
    found = surveyed(line)
    (one,) = found.findings
    assert (one.finding, one.severity.value, one.device) == ("address-scan", "info", None)
    assert lasts(one, 200, 207.8)


def test_devices_asked_the_same_in_every_cycle_are_no_scan() -> None:
    same = [reads(d, 0, level(d, 300), start_ns=d * S // 20) for d in (1, 2, 3, 4)]
    assert of(surveyed(merged(*same)), "address-scan") == []


def test_a_new_device_comes_after_ten_minutes() -> None:
    for start, expected in ((590, []), (610, [9])):
        found = surveyed(merged(poll(1, 2000), poll(9, 500, offset=start * S)))
        assert [f.device for f in of(found, "new-device")] == expected


def contested(length_s: int, collide: float, seed: int, *, total_s: int = 1000, start_s: int = 400) -> Survey:
    """Return a line of five devices on which somebody else asks 1 and 3, two times a second, for a time."""
    random = np.random.default_rng(seed)
    inside = range(start_s, start_s + length_s)
    polls = []
    for device in range(1, 6):
        outcomes = [
            random.choice([UNANSWERED, DAMAGED]) if n in inside and random.random() < collide else ANSWERED
            for n in range(total_s)
        ]
        polls.append(poll(device, total_s, outcomes))
    for device in (1, 3):
        words = level(device, 2 * length_s)
        outcomes = [UNANSWERED if random.random() < collide else ANSWERED for _ in words]
        wide = np.column_stack([words, words])
        at = start_s * S + device * 37_000_000
        polls.append(reads(device, 10 * device, wide, start_ns=at, period_ns=S // 2, outcomes=outcomes))
    return surveyed(merged(*polls))


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(("length_s", "total_s"), [(90, 1000), (30, 430), (90, 90)])
def test_acceptance_4_a_second_master_is_found_at_each_device_it_asks(seed: int, length_s: int, total_s: int) -> None:
    start = 0 if total_s == length_s else 400
    found = contested(length_s, 0.2, seed, total_s=total_s, start_s=start)
    masters = of(found, "second-master")
    assert [f.device for f in masters] == [1, 3]
    assert all(lasts(finding, start, start + length_s, 2) for finding in masters)
    assert {f.finding for f in found.findings} <= {"second-master", "device-outage"}


def test_a_second_master_that_mostly_misses_the_first_is_found_by_who_does_not_wait() -> None:
    regular = [poll(d, 430) for d in (1, 2, 3)]
    extra = reads(1, 10, np.column_stack([level(1, 60)] * 2), start_ns=400 * S + S // 3, period_ns=S // 2)
    # twice, 10 ms before a regular request: nobody answers it
    for n in (10, 20):
        t_ns = (regular[0][400 + n].t_ns or 0) - 10_000_000
        extra[2 * n] = replace(extra[2 * n], t_ns=t_ns, t_end_ns=None, response=None, outcome=UNANSWERED)
    found = surveyed(merged(*regular, extra))
    assert [f.device for f in of(found, "second-master")] == [1]
    late = [replace(t, t_ns=(t.t_ns or 0) - 90_000_000) if t.outcome is UNANSWERED else t for t in extra]
    assert of(surveyed(merged(*regular, late)), "second-master") == []


def test_extra_polls_that_garble_nothing_are_the_masters_own() -> None:
    assert contested(90, 0.0, 1).findings == ()


def test_a_broken_device_during_extra_polls_is_no_second_master() -> None:
    outcomes = [UNANSWERED if 400 <= n < 490 and n % 2 else ANSWERED for n in range(1000)]
    extra = reads(1, 10, np.column_stack([level(1, 180)] * 2), start_ns=400 * S + S // 3, period_ns=S // 2)
    found = surveyed(merged(*(poll(d, 1000) for d in (1, 2, 3)), poll(4, 1000, outcomes), extra))
    assert of(found, "second-master") == []


def test_errors_after_noted_events() -> None:
    starts = list(range(100, 2000, 200))
    outcomes = [DAMAGED if any(s <= n < s + 2 for s in starts) else ANSWERED for n in range(2000)]
    found = surveyed(merged(poll(1, 2000, outcomes), poll(2, 2000)))
    told = find(found.history, found.devices, About(yard_events=tuple(YardEvent(s * S, "pump 2") for s in starts)))
    assert "errors-after-event" in {f.finding for f in told}
    elsewhere = About(yard_events=tuple(YardEvent((s + 90) * S, "door") for s in starts))
    assert "errors-after-event" not in {f.finding for f in find(found.history, found.devices, elsewhere)}


def test_what_the_recording_itself_shows() -> None:
    found = surveyed(poll(1, 100))
    about = About(truncated=True, clock_steps_ns=((50 * S, 20 * S),))
    told = find(found.history, found.devices, about)
    assert [f.finding for f in told] == ["truncated-recording", "clock-stepped"]
    assert lasts(told[1], 20, 50)


def power_meter_words(true_power: bool) -> np.ndarray:
    random = np.random.default_rng(31)
    volts = random.normal(231, 0.8, (1500, 3))
    amps = random.normal(18, 0.4, (1500, 3))
    factor = random.normal(0.91, 0.004, 1500)
    power = (volts * amps).sum(axis=1) * factor / 1000
    if not true_power:
        power = random.normal(12, 2, 1500)
    hertz = random.normal(50, 0.01, 1500)
    energy = 900 + np.cumsum(power) / 3600
    columns = [*volts.T, *amps.T, power, factor, hertz if true_power else 3 * hertz, energy]
    return np.column_stack([encode(c, "float32", "high-word-first") for c in columns])


def test_a_power_meter_is_no_level() -> None:
    found = surveyed(reads(31, 0, power_meter_words(True), function=4))
    assert [f.device for f in of(found, "not-a-level")] == [31]
    found = surveyed(reads(31, 0, power_meter_words(False), function=4))
    assert of(found, "not-a-level") == []


def test_mixed_word_orders() -> None:
    one = encode(level_mm(np.random.default_rng(1), 2000) / 1000, "float32", "high-word-first")
    two = encode(level_mm(np.random.default_rng(2), 2000) / 1000, "float32", "low-word-first")
    found = surveyed(reads(4, 0, np.column_stack([one, two])))
    assert [f.device for f in of(found, "mixed-word-order")] == [4]


def retried(
    missed: int, late_ns: int, *, between: bool = True, written: tuple[int, int] | None = None, backlog: bool = False
) -> list[Transaction | Noise]:
    """Return 300 s of a line on which device 2 leaves some polls out, each tried again after somebody else asked.

    written: not reads but writes, of the first number, and of the second one when tried again.
    """
    outcomes = [UNANSWERED if 100 <= n < 100 + missed else ANSWERED for n in range(300)]
    first = poll(2, 300, outcomes)
    again = [replace(t, t_ns=(t.t_ns or 0) + late_ns, backlog=backlog) for t in first if t.outcome is UNANSWERED]
    if written is not None:
        first, again = (
            [
                replace(t, function=6, request=(r := b"\2\6\0\x14\0" + bytes([n])), response=t.response and r)
                for t in own
            ]
            for own, n in zip((first, again), written, strict=True)
        )
    asked = [replace(t, t_ns=(t.t_ns or 0) + late_ns // 2) for t in reads(3, 0, level(3, 300), start_ns=S // 25)]
    return merged(first, again, asked if between else [])


def told(events: Sequence[Transaction | Noise]) -> tuple[int, int, int]:
    """Return how many requests, retries and outages device 2 has."""
    found = surveyed(events)
    (summary,) = (p for p in found.polls if p.poll.device == 2)
    return summary.requests, summary.retries, len(of(found, "device-outage"))


def test_a_retry_is_one_whoever_asks_in_between() -> None:
    """A repeat well under the period after an unanswered try; five failed polls are an outage, three are none."""
    assert told(retried(3, S // 10)) == (300, 3, 0)
    assert told(retried(3, 49 * S // 100)) == (300, 3, 0)
    assert told(retried(5, S // 10)) == (300, 5, 1)
    late = [replace(t, t_ns=(t.t_ns or 0) + S // 5) for t in poll(2, 300)[100:]]
    late = [replace(t, outcome=UNANSWERED, response=None, t_end_ns=None) for t in late]
    asked = reads(4, 0, level(4, 300), start_ns=S // 25 + 3 * S // 20)
    # two retries each, at two polls of three: the period is that of the polls, not of the retries
    assert told(merged(retried(200, S // 10), late, asked)) == (300, 400, 1)


def test_what_is_no_retry() -> None:
    """Half a period later, other bytes, after a whole answer, or where late delivery hides the rhythm."""
    assert told(retried(3, S // 2)) == (303, 0, 1)
    assert told(retried(3, S // 10, written=(7, 7))) == (300, 3, 0)
    assert told(retried(3, S // 10, written=(7, 8))) == (303, 0, 1)
    assert told(retried(3, S // 10, backlog=True)) == (303, 0, 1)
    answered = [replace(t, t_ns=(t.t_ns or 0) + S // 10) for t in poll(2, 300)[100:103]]
    assert told(merged(poll(2, 300), answered, poll(3, 300))) == (303, 0, 0)
    late_first = [replace(t, backlog=t.outcome is UNANSWERED) for t in poll(2, 300, [UNANSWERED, *[ANSWERED] * 299])]
    again = replace(late_first[0], t_ns=(late_first[0].t_ns or 0) + S // 10, backlog=False)
    assert told(merged(late_first, [again], poll(3, 300)))[:2] == (301, 0)


def test_a_garbled_request_is_a_poll_of_an_outage_only() -> None:
    """Four polls without an answer, and one between them whose check bytes came garbled: nobody could answer it."""
    outcomes = [UNANSWERED if 100 <= n < 105 else ANSWERED for n in range(300)]
    own = poll(2, 300, outcomes)
    dropped = own.pop(102)
    t_ns = dropped.t_ns or 0
    whole = dropped.request or b""
    assert told(merged(own))[2] == 0
    garbled = Noise(t_ns, whole + b"\x5a\x5a\x17")
    assert told([*own[:102], garbled, *own[102:]]) == (299, 0, 1)
    assert told([*own[:102], Noise(t_ns, whole[:-1] + b"\x5a\x5a"), *own[102:]])[2] == 0
    # a garbled retry of a poll that counts already
    assert told([*own[:102], replace(garbled, t_ns=t_ns - 9 * S // 10), *own[102:]])[2] == 0
    found = surveyed([*own[:102], garbled, replace(garbled, t_ns=t_ns + S // 10), *own[102:]])
    (outage,) = of(found, "device-outage")
    assert outage.text.endswith("5 polls in a row.")
    assert "1 of them garbled" in outage.evidence


def test_retries_belong_to_their_request() -> None:
    asked = poll(1, 50)
    first = replace(asked[10], outcome=UNANSWERED, response=None, t_end_ns=None, t_ns=(asked[10].t_ns or 0) - S // 8)
    asked[10:11] = [first, replace(asked[10], retry=True)]
    found = surveyed(asked)
    (summary,) = found.polls
    assert (summary.requests, summary.retries, summary.answered, summary.unanswered) == (50, 1, 50, 0)
    assert found.line.requests == 50
    assert summary.period_s == pytest.approx(1.0)
