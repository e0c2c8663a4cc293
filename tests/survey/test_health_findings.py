"""Whose answers come to harm, who repeats, what stands still: findings on their causes, none on lookalikes."""

import random
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from health_lines import (
    MS,
    NOTHING,
    STATED,
    S,
    frame,
    health_of,
    heard,
    names,
    read_answer,
    read_request,
    told,
    without_flags,
)

from sidetap.line import Chunk
from sidetap.line.recording import read, write_pcapng
from sidetap.survey import Finding, Survey, YardEvent, survey_recording
from sidetap.survey.findings import About
from sidetap.survey.health import frozen
from sidetap.survey.values import Device, Kind, Value
from sidetap.yard import TapPoint, Yard


def by_name(found: Sequence[Finding], name: str) -> list[Finding]:
    return [finding for finding in found if finding.finding == name]


def test_acceptance_05_a_second_device_of_the_same_address() -> None:
    yard = Yard(noise=True)
    yard.faults.twin(15)
    chunks = heard(yard, 90)
    (finding,) = told(chunks)
    assert (finding.finding, finding.device, finding.severity.value) == ("address-collision", 15, "fault")
    damaged = {d.device: d.damaged_share for d in health_of(chunks).result().exchanges.devices}
    assert damaged.pop(15) > 0.5
    assert max(damaged.values()) < 0.001
    yard.restore(15)
    assert told(heard(yard, 60)) == []


def test_two_devices_that_answer_one_after_the_other() -> None:
    """The second one is slower than the first one's answer is long: both are whole."""

    def line(twice: Sequence[int]) -> list[Chunk]:
        chunks = []
        for n in range(60):
            for device in (1, 2):
                t_ns = n * S + device * S // 4
                answers = read_answer(device, [n, 7]) + (read_answer(device, [n + 9, 7]) if device in twice else b"")
                chunks += [Chunk(t_ns, read_request(device, 0, 2)), Chunk(t_ns + 40 * MS, answers)]
        return chunks

    assert names(told(line([2]))) == [("address-collision", 2)]
    assert names(told(line([1, 2]))) == []  # something else repeats everything
    assert names(told(line([]))) == []


@pytest.mark.parametrize("rate", [5e-4, 5e-3])
def test_acceptance_39_bits_turn_over_in_one_devices_answers(rate: float) -> None:
    yard = Yard(noise=True)
    yard.faults.flip(16, rate)
    (finding,) = told(heard(yard, 240 if rate < 1e-3 else 60))
    assert (finding.finding, finding.device) == ("far-end-errors", 16)
    assert "the device, its drop or that end of the line" in finding.text


def test_errors_everywhere_are_nobodys_own() -> None:
    yard = Yard(noise=True)
    for device in (11, 12, 13, 14, 15, 16, 31):
        yard.faults.flip(device, 1e-3)
    assert told(heard(yard, 90)) == []


def test_answers_hurt_in_no_known_way_are_nobodys_finding() -> None:
    """Of the right length, and with many bits wrong: neither two devices nor turned bits do that."""
    dice = random.Random(8)
    chunks = []
    for n in range(90):
        for device in (1, 2, 3):
            answer = read_answer(device, [n, 7])
            if device == 2 and n % 3 == 0:
                answer = answer[:3] + dice.randbytes(6)
            t_ns = n * S + device * S // 4
            chunks += [Chunk(t_ns, read_request(device, 0, 2)), Chunk(t_ns + 40 * MS, answer)]
    assert health_of(chunks).result().exchanges.devices[1].damaged >= 25
    assert told(chunks) == []


def test_misses_and_a_second_master_are_no_collision() -> None:
    yard = Yard(noise=True, second_master_at="2026-03-11T09:00:10")
    assert {f.finding for f in told(heard(yard, 110))} == set()
    yard = Yard(noise=True)
    yard.silence_device(15)
    assert told(heard(yard, 60)) == []


def polled(rounds: int, devices: Sequence[int], *, copies: int = 1, apart_ns: int = 0) -> list[Chunk]:
    """Return polls of some devices, each request there so many times, and its answer 30 ms later."""
    chunks = []
    for n in range(rounds):
        for place, device in enumerate(devices):
            t_ns = n * S + place * S // 8
            chunks += [Chunk(t_ns + k * apart_ns, read_request(device, 0, 1)) for k in range(copies)]
            chunks.append(Chunk(t_ns + copies * apart_ns + 30 * MS, read_answer(device, [n])))
    return chunks


def test_an_echo_doubles_every_request_at_once() -> None:
    assert names(told(polled(30, [1, 2, 3], copies=2, apart_ns=5 * MS))) == [("echo", None)]
    timeless = [Chunk(None, c.data) for c in polled(30, [1, 2, 3], copies=2)]
    assert names(told(timeless)) == [("echo", None)]


def test_retries_and_one_devices_repeats_are_no_echo() -> None:
    assert told(polled(30, [1, 2, 3])) == []
    assert told(polled(30, [1, 2, 3], copies=2, apart_ns=100 * MS)) == []  # each first try missed
    mixed = sorted(
        polled(30, [1, 2], copies=2, apart_ns=5 * MS)
        + [Chunk((c.t_ns or 0) + S // 2, c.data) for c in polled(30, [3, 4])],
        key=lambda c: c.t_ns or 0,
    )
    assert told(mixed) == []


def answered(
    values: Mapping[int, Sequence[Sequence[int]]], *, late_ms: Mapping[int, Sequence[int]] | None = None
) -> list[Chunk]:
    """Return one poll a second of each device; its answers' registers, and how late each answer comes."""
    chunks = []
    for place, (device, rows) in enumerate(sorted(values.items())):
        for n, words in enumerate(rows):
            late = 20 if late_ms is None else late_ms[device][n]
            t_ns = n * S + place * S // 8
            chunks.append(Chunk(t_ns, read_request(device, 0, len(words))))
            chunks.append(Chunk(t_ns + late * MS, read_answer(device, words)))
    return sorted(chunks, key=lambda chunk: chunk.t_ns or 0)


def stepped(dice: random.Random, rounds: int, polls: int, phase: int = 0) -> list[list[int]]:
    """Return answers that change every so many polls, at a phase."""
    rows, word = [], 0
    for n in range(rounds):
        if (n + phase) % polls == 0:
            word = dice.randrange(1, 60_000)
        rows.append([word])
    return rows


def test_a_gateway_repeats_the_answers_of_its_devices_in_step() -> None:
    dice = random.Random(3)
    rounds = 400
    (finding,) = told(answered({d: stepped(dice, rounds, 5) for d in (1, 2, 3)}))
    assert (finding.finding, finding.device, finding.severity.value) == ("gateway-repeats", None, "warning")
    assert "every 5 polls" in finding.text


def test_slow_transmitters_of_their_own_are_no_gateway() -> None:
    dice = random.Random(4)
    rounds = 400
    assert told(answered({d: stepped(dice, rounds, 5, phase=d) for d in (1, 2, 3)})) == []
    assert (
        told(answered({1: stepped(dice, rounds, 5), 2: stepped(dice, rounds, 1), 3: stepped(dice, rounds, 1)})) == []
    )
    clocks = {d: [[n // 60] for n in range(3000)] for d in (1, 2, 3)}  # minutes, in step
    assert told(answered(clocks)) == []
    irregular = [n for n in range(rounds) if dice.random() < 0.2]
    together = [[sum(n >= at for at in irregular)] for n in range(rounds)]
    assert told(answered(dict.fromkeys((1, 2, 3), together))) == []


def test_repeats_that_come_sooner_than_new_answers() -> None:
    dice = random.Random(5)
    rows = [[dice.randrange(9)] for _ in range(400)]
    often = [[n // 2] for n in range(400)]
    fast = {1: [7 if n % 2 else 25 for n in range(400)], 2: [20] * 400}
    assert names(told(answered({1: often, 2: rows}, late_ms=fast), STATED)) == [("gateway-repeats", 1)]
    assert told(answered({1: often, 2: rows}, late_ms={1: [20] * 400, 2: [20] * 400})) == []


def restless(dice: random.Random, number: int, around: int = 3000) -> list[int]:
    return [around + dice.randrange(-9, 10) for _ in range(number)]


def value(device: int, encoding: str = "uint16", width: int = 1) -> Value:
    return Value(
        device,
        "holding-register",
        0,
        width,
        encoding,
        Kind.MEASUREMENT,
        0.999,
        None,
        (),
        0,
        0,
        0,
        0,
        (0,),
        0,
        (),
        None,
    )


def frozen_in(
    chunks: Sequence[Chunk], devices: Sequence[Device] = (), events: Sequence[YardEvent] = ()
) -> list[Finding]:
    return frozen.find(health_of(chunks).result(), devices, events)


def test_a_value_that_was_never_at_rest_stands_still() -> None:
    dice = random.Random(6)
    known = [Device(1, (), (value(1),)), Device(2, (), (value(2),))]
    alive = [[word] for word in restless(dice, 1000)]
    stuck = [[word] for word in restless(dice, 800)] + [[3000]] * 200
    (finding,) = frozen_in(answered({1: alive, 2: stuck}), known)
    assert (finding.finding, finding.device, finding.severity.value) == ("frozen-value", 2, "info")
    assert finding.span is not None
    assert abs(finding.span.from_ns - 800 * S) <= 2 * S
    assert frozen_in(answered({1: alive, 2: stuck})) == []  # of what nobody can read nothing is said


def test_a_level_at_rest_is_not_frozen() -> None:
    """After a draw, between two waves of noise, and for less than two minutes."""
    dice = random.Random(7)
    known = [Device(1, (), (value(1),))]
    drawn = [[3000 - n] for n in range(600)] + [[2400]] * 600
    assert frozen_in(answered({1: drawn}), known) == []
    rested = [[w] for w in [*restless(dice, 400), *[3000] * 60, *restless(dice, 400), *[3000] * 300]]
    assert frozen_in(answered({1: rested}), known) == []
    short = [[w] for w in restless(dice, 800)] + [[3000]] * 110
    assert frozen_in(answered({1: short}), known) == []


def test_a_fall_with_ripples_comes_to_rest() -> None:
    """It turns back a hundred times, and yet a fall is what it is: at its end it may rest."""
    rows = [[9000 - n + 3 * (n % 40 == 0)] for n in range(3000)] + [[6000]] * 400
    assert frozen_in(answered({1: rows}), [Device(1, (), (value(1),))]) == []


def test_a_low_word_that_jumps_is_not_restless() -> None:
    """A float's low word goes up and down while the float only falls."""
    falling = np.linspace(30, 20, 600, dtype=">f4").view(">u2").reshape(-1, 2).tolist()
    rows = falling + [falling[-1]] * 400
    assert frozen_in(answered({1: rows}), [Device(1, (), (value(1, "float32-high-word-first", 2),))]) == []
    swung = (25 + np.random.default_rng(1).normal(0, 0.1, 600)).astype(">f4").view(">u2").reshape(-1, 2).tolist()
    rows = swung + [swung[-1]] * 400
    assert len(frozen_in(answered({1: rows}), [Device(1, (), (value(1, "float32-high-word-first", 2),))])) == 1
    turned = [row[::-1] for row in rows]
    assert len(frozen_in(answered({1: turned}), [Device(1, (), (value(1, "float32-low-word-first", 2),))])) == 1


def test_acceptance_07_a_level_that_is_repeated_during_a_draw() -> None:
    """T1 falls 23 mm a minute, is repeated for three minutes of it, and goes on 69 mm lower."""
    yard = Yard(noise=True, plan=())
    tap = yard.add_tap()
    yard.advance(60 * S)
    yard.deliver("T1", -400)
    yard.advance(360 * S)
    yard.faults.freeze(11)
    yard.advance(540 * S)
    yard.restore(11)
    yard.advance(660 * S)
    chunks = [Chunk(*chunk) for chunk in tap.take(660 * S)]
    register = replace(value(11), register=100)
    (finding,) = frozen_in(chunks, [Device(11, (), (register,))])
    assert (finding.finding, finding.device, finding.severity.value) == ("frozen-value", 11, "info")
    assert finding.span is not None
    assert abs(finding.span.from_ns - 360 * S) <= 5 * S
    assert abs(finding.span.to_ns - 540 * S) <= 2 * S


def test_a_level_that_went_on_while_nobody_could_see_it_did_not_jump() -> None:
    """At rest, unasked for a while, and then elsewhere: nothing was repeated."""
    known = [Device(1, (), (value(1),))]
    level = [3000 - n for n in range(300)] + [2700] * 100 + [2650 - n for n in range(300)]
    seen = answered({1: [[word] for word in level]})
    assert len(frozen_in(seen, known)) == 1
    unseen = [Chunk(c.t_ns if n < 800 else (c.t_ns or 0) + 60 * S, c.data) for n, c in enumerate(seen)]
    assert frozen_in(unseen, known) == []
    coarse = [[30 - n // 10] for n in range(300)] + [[0]] * 100 + [[n // 10] for n in range(300)]
    assert frozen_in(answered({1: coarse}), known) == []


def draws(starts: Sequence[int], rounds: int, lasts: int = 100) -> list[list[int]]:
    """Return a level that falls for a time after each start, and rests otherwise."""
    level, rows = 30_000, []
    for n in range(rounds):
        level -= any(start <= n < start + lasts for start in starts)
        rows.append([level])
    return rows


def test_a_noted_event_after_which_it_moved_every_other_time() -> None:
    starts = list(range(300, 3000, 400))
    noted = [YardEvent(start * S, "pump 2 on") for start in starts]
    (finding,) = frozen_in(answered({1: draws(starts[:-1], 3300)}), events=noted)
    assert (finding.finding, finding.device, finding.severity.value) == ("frozen-value", 1, "warning")
    assert finding.span is not None
    assert finding.span.from_ns == starts[-1] * S
    assert frozen_in(answered({1: draws(starts, 3300)}), events=noted) == []
    others = [YardEvent(start * S, f"load {start}") for start in starts]  # names that come once say nothing
    assert frozen_in(answered({1: draws(starts[:-1], 3300)}), events=others) == []
    seldom = answered({1: draws(starts[::2], 3300)})  # the pump feeds another vessel as often
    assert frozen_in(seldom, events=noted) == []


def test_a_register_it_always_moved_with_goes_on_alone() -> None:
    starts = list(range(100, 2500, 200))
    flow = [[40 + n % 3 if any(s <= n < s + 60 for s in starts) else 0] for n in range(2600)]
    level = draws(starts[:-2], 2600, 60)
    (finding,) = frozen_in(answered({1: level, 2: flow}))
    assert (finding.finding, finding.device, finding.severity.value) == ("frozen-value", 1, "warning")
    assert frozen_in(answered({1: draws(starts, 2600, 60), 2: flow})) == []
    dice = random.Random(9)  # it moves whether that register does or not, so that this says nothing of it
    alone = [[word] for word in restless(dice, 2100)] + [[3000]] * 500
    assert frozen_in(answered({1: alone, 2: flow})) == []
    independent = draws(list(range(50, 2500, 170)), 2600, 60)
    assert frozen_in(answered({1: independent, 2: flow})) == []


def same(one: object, other: object) -> bool:
    if isinstance(one, np.ndarray):
        return np.array_equal(one, other)  # type: ignore[arg-type]  # one is an array, so is the other
    if is_dataclass(one):
        return all(same(getattr(one, f.name), getattr(other, f.name)) for f in fields(one))
    if isinstance(one, tuple) and isinstance(other, tuple):
        return len(one) == len(other) and all(map(same, one, other))
    return one == other


def test_the_result_does_not_depend_on_how_the_line_was_cut() -> None:
    yard = Yard(noise=True, second_master_at="2026-03-11T09:00:05")
    yard.faults.flip(12, 1e-3)
    chunks = heard(yard, 40)
    whole = health_of(chunks, at_once=1_000_000).result()
    for at_once in (11, 173):
        assert same(health_of(chunks, at_once=at_once).result(), whole)
    assert not same(health_of(chunks[:-40]).result(), whole)


def test_long_and_odd_times() -> None:
    """Spans of any length are few; times that run backwards and none at all are taken."""
    for step_ns in (1, S, 86_400 * S * 30):
        chunks = [Chunk(n * step_ns, read_request(1, 0, 1) + read_answer(1, [n])) for n in range(1600)]
        result = health_of(chunks).result()
        assert result.spans.number <= 1500
        assert result.exchanges.tries_over_time.sum() == 1600
        assert result.signal.bytes_over_time.sum() == result.signal.bytes
    ends = -(2**63) + 2, 2**63 - 1
    for step_ns, start_ns in ((1_000, ends[0]), (-1_000, ends[1]), ((ends[1] - ends[0]) // 60, ends[0])):
        chunks = [Chunk(start_ns + n * step_ns, read_request(1, 0, 1) + read_answer(1, [n])) for n in range(60)]
        result = health_of(chunks).result()
        assert result.exchanges.tries_over_time.sum() == 60
    backwards = [Chunk(S * (50 - n), read_request(1, 0, 1) + read_answer(1, [n])) for n in range(50)]
    assert health_of(backwards).result().exchanges.devices[0].answered == 50
    timeless = health_of([Chunk(None, c.data) for c in backwards])
    assert timeless.result().load is None
    assert timeless.findings(NOTHING, (), About()) == []


def test_what_is_measured_on_the_yard() -> None:
    """12 ms from a request's end to its answer; one poll a second; the line's load by its own bytes."""
    yard = Yard(noise=True)
    chunks = heard(yard, 60, latency="immediate")
    result = health_of(chunks).result()
    assert result.resolution_us == 1000
    bytes_heard = sum(len(chunk.data) for chunk in chunks)
    assert result.load == pytest.approx(bytes_heard * 11 / 19200 / 60, rel=0.02)
    for device in result.exchanges.devices:
        turnaround = device.turnaround.quantile_us(0.5)
        assert turnaround is not None
        assert abs(turnaround - 12_000) <= 1_000
    for rhythm in result.exchanges.rhythms:
        assert rhythm.periods.mean_us == pytest.approx(1e6, rel=0.01)
    gap = result.exchanges.gaps.quantile_us(0.5)
    assert gap is not None
    assert 0 <= gap <= 4_000  # t3.5 is 2.005 ms
    late = health_of(heard(Yard(), 60)).result()
    assert late.resolution_us == 16_000
    assert all(device.turnaround.number for device in late.exchanges.devices)
    assert without_flags(chunks)[0].flags is None
    assert frame(1, 3)[-2:] == b"\x40\x21"  # SL 6.2.2: low byte first


def surveyed(yard: Yard, tap: TapPoint, path: Path, events: Sequence[YardEvent] = ()) -> Survey:
    write_pcapng(path, [Chunk(*chunk) for chunk in tap.take(yard.now_ns)], STATED)
    return survey_recording(read(path), events)


def test_acceptance_05_misses_and_a_shared_address_in_one_survey(tmp_path: Path) -> None:
    """Device 14 misses three polls, later a second device answers as 15: only 15 has two devices."""
    yard = Yard(noise=True)
    tap = yard.add_tap(flags=True)
    yard.advance(30 * S)
    yard.silence_device(14)
    yard.advance(32_900 * MS)
    yard.restore(14)
    yard.advance(60 * S)
    yard.faults.twin(15)
    yard.advance(150 * S)
    found = surveyed(yard, tap, tmp_path / "line.pcapng")
    of = {finding.finding: finding for finding in found.findings if finding.device in (14, 15)}
    assert of["address-collision"].device == 15
    assert {finding.device for finding in by_name(found.findings, "damaged-answers")} == {15}
    assert {finding.finding for finding in found.findings if finding.device == 14} <= {"intermittent-device"}
    (poll,) = (poll for poll in found.polls if poll.poll.device == 14)
    assert (poll.requests, poll.unanswered, poll.retries) == (150, 3, 3)


def test_acceptance_39_errors_after_noted_events(tmp_path: Path) -> None:
    yard = Yard(noise=True)
    tap = yard.add_tap(flags=True)
    devices = (11, 12, 13, 14, 15, 16, 31)
    events = []
    for n in range(4):
        yard.advance((40 * n + 20) * S)
        events.append(YardEvent(yard.now_ns, "pump 2 starts"))
        for device in devices:
            yard.faults.flip(device, 5e-3)
        yard.advance(yard.now_ns + 2 * S)
        for device in devices:
            yard.restore(device)
    yard.advance(180 * S)
    found = surveyed(yard, tap, tmp_path / "line.pcapng", events)
    assert len(by_name(found.findings, "errors-after-event")) == 1
    assert by_name(found.findings, "far-end-errors") == []
    elsewhere = [YardEvent(event.t_ns + 15 * S, "door") for event in events]
    again = survey_recording(read(tmp_path / "line.pcapng"), elsewhere)
    assert by_name(again.findings, "errors-after-event") == []
