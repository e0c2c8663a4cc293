"""Who says what and when: the controller's day, the second master, faults. Numbers are the demo yard's."""

from collections import Counter
from itertools import pairwise

import pytest
from yard_tools import MS, NS, Record, recorded

from sidetap.yard import LineSettings, Yard
from sidetap.yard.agenda import Agenda
from sidetap.yard.frames import frame, read_request, write_request
from sidetap.yard.masters import Ask, Master, Script
from sidetap.yard.wire import Wire

CHARACTER_NS = 11 * NS / 19200
T35_NS = 3.5 * CHARACTER_NS

CYCLE = [
    "0B0300640003",
    "0C0300000003",
    "0D0400080004",
    "0E04001E0002",
    "0F0300040001",
    "0F0600C8",
    "100300140002",
    "100300280002",
    "1F0400000016",
]


def of_second(record: Record, second: int) -> list[str]:
    return [
        b.data.hex().upper()
        for b in record.bursts
        if b.talker == "controller" and second * NS <= b.start_ns < (second + 1) * NS
    ]


def test_one_cycle_in_order_and_in_time() -> None:
    yard = Yard()
    record = recorded(yard)
    yard.advance(10 * NS)
    for second in range(10):
        requests = of_second(record, second)
        assert [r[: len(begins)] for r, begins in zip(requests, CYCLE, strict=True)] == CYCLE
        assert requests[5][8:12] == f"{second:04X}"  # the heartbeat counts
    bursts = [burst for burst in record.bursts if burst.start_ns < NS]
    assert bursts[0].start_ns == 0
    for before, after in pairwise(bursts):
        assert before.end_ns - before.start_ns == pytest.approx(len(before.data) * CHARACTER_NS, abs=1)
        gap_ns = 12 * MS if before.talker == "controller" else T35_NS
        assert after.start_ns - before.end_ns == pytest.approx(gap_ns, abs=1)


def test_acceptance_35_bus_time() -> None:
    """237 ms for 9 transactions: 72 + 122 characters, 9 × 12 ms, 9 × t3.5; within 10 %."""
    yard = Yard()
    record = recorded(yard)
    yard.advance(NS - 1)
    assert sum(len(b.data) for b in record.of("controller")) == 72
    assert sum(len(b.data) for b in record.bursts) == 72 + 122
    busy_ns = record.bursts[-1].end_ns + T35_NS
    assert busy_ns == pytest.approx(237 * MS, rel=0.1)
    assert busy_ns == pytest.approx(194 * CHARACTER_NS + 9 * 12 * MS + 9 * T35_NS, rel=1e-6)


def test_a_silent_device_is_asked_twice() -> None:
    yard = Yard()
    yard.silence_device(12)
    record = recorded(yard)
    yard.advance(5 * NS - 1)
    assert record.of("device 12") == []
    first, second = record.of("controller", "0C03")[:2]
    assert second.start_ns - first.end_ns == 100 * MS
    assert len(record.of("controller", "0C03")) == 10
    following = next(b for b in record.of("controller", "0D04"))
    assert following.start_ns - second.end_ns == 100 * MS
    yard.restore(12)
    yard.advance(6 * NS - 1)
    assert len(record.of("controller", "0C03")) == 11
    assert len(record.of("device 12")) == 1


def test_a_cycle_that_takes_too_long_starts_the_next_on_the_second() -> None:
    yard = Yard()
    for address in yard.devices:
        yard.silence_device(address)
    record = recorded(yard)
    yard.advance(6 * NS)
    starts = [b.start_ns for b in record.of("controller", "0B03")][::2]
    assert starts == [0, 2 * NS, 4 * NS, 6 * NS][: len(starts)]
    assert len(starts) == 3


def test_acceptance_08_exceptions_of_16() -> None:
    """Register 40 always says 02; about 2 % of the good polls say 06, after which the controller does not retry."""
    yard = Yard(seed=5)
    record = recorded(yard)
    yard.advance(1000 * NS - 1)
    assert len(record.of("controller", "10030028")) == 1000
    answers = Counter(b.data.hex()[2:6] for b in record.of("device 16"))
    assert answers["8302"] == 1000
    assert 3 <= answers["8306"] <= 38  # 20 expected, ±4 standard deviations
    assert answers["0304"] == 1000 - answers["8306"]
    assert len(record.of("controller", "10030014")) == 1000


def test_acceptance_06_the_night_and_its_scan() -> None:
    yard = Yard(start="2026-03-11T23:29:00")
    record = recorded(yard)
    yard.advance(60 * NS)
    assert len(record.of("controller", "0B03")) == 60
    night_ends_ns = (5 * 60 + 16) * 60 * NS  # 04:45
    yard.advance(night_ends_ns - 1)
    asleep = [b for b in record.of("controller") if b.start_ns >= 60 * NS]
    assert all(b.data.hex().upper().startswith(CYCLE[-1]) for b in asleep)
    assert [b.start_ns for b in asleep] == list(range(60 * NS, night_ends_ns, 60 * NS))
    yard.advance(night_ends_ns + 20 * NS)
    after = [b for b in record.of("controller") if b.start_ns >= night_ends_ns]
    assert after[0].start_ns == night_ends_ns
    scan = [b for b in after if b.data[1:6].hex() == "0300000001"]
    answered = {11: "8302", 12: "0302", 13: "8301", 14: "8301", 15: "8302", 16: "8302", 31: "8301"}
    expected = [address for address in range(1, 41) for _ in range(1 if address in answered else 2)]
    assert [b.data[0] for b in scan] == expected
    answers = [b for b in record.bursts if b.talker.startswith("device") and night_ends_ns < b.start_ns]
    assert {b.data[0]: b.data[1:3].hex() for b in answers[: len(answered)]} == answered
    assert any(b.data.hex().upper().startswith("0F0600C80000") for b in after)  # restarted: the heartbeat as well
    assert next(b for b in after if b.data[:4].hex().upper() == "0B030064").start_ns > scan[-1].end_ns


def test_the_variant_without_a_night() -> None:
    yard = Yard(start="2026-03-11T23:29:00", night_window=False)
    record = recorded(yard)
    yard.advance(120 * NS - 1)
    assert len(record.of("controller", "0B03")) == 120


def test_the_night_by_the_zone_s_own_clock() -> None:
    # the clocks of America/Chicago went forward on 2026-03-08 at 02:00: this night is an hour shorter
    yard = Yard(start="2026-03-07T23:45:00")
    end_ns = yard.clock.night_end_ns(0)
    assert end_ns == 4 * 3600 * NS
    assert str(yard.clock.local(end_ns).time()) == "04:45:00"
    assert yard.clock.night_end_ns(end_ns) is None
    with pytest.raises(ValueError, match="local time"):
        Yard(start="2026-03-07T23:45:00+00:00")


def test_acceptance_04_the_second_master() -> None:
    """It comes and goes when it should, at its own pace, and garbles some of both masters' frames."""
    yard = Yard(seed=3, second_master_at="2026-03-11T09:01")
    record = recorded(yard)
    yard.advance(180 * NS)
    requests = record.of("second master")
    assert 60 * NS <= requests[0].start_ns < 60 * NS + 20 * MS
    assert 149 * NS <= requests[-1].start_ns <= 150 * NS + 200 * MS
    assert {b.data[:6].hex() for b in requests} == {"0b0300640001", "0d0400080002"}
    rounds = [b.start_ns for b in requests if b.data[0] == 11]
    assert 170 <= len(rounds) <= 190
    gaps = [after - before for before, after in pairwise(rounds)]
    assert 300 * MS < min(gaps) < max(gaps) < 700 * MS
    garbled = [span for span in record.spans if not span.clean]
    assert garbled
    assert all(len({b.talker for b in span.bursts}) > 1 for span in garbled)
    assert all(60 * NS <= span.bursts[0].start_ns <= 151 * NS for span in garbled)
    polls = Counter(b.start_ns // (60 * NS) for b in record.of("controller"))
    assert polls[1] > 60 * 9  # retries of the controller's
    assert polls[2] > polls[0] - 5


def test_frozen_and_cut_and_flipped() -> None:
    yard = Yard()
    record = recorded(yard)
    yard.advance(2 * NS - 1)
    yard.faults.freeze(11)
    yard.set_level("T1", 2000)
    yard.advance(4 * NS - 1)
    assert {b.data.hex() for b in record.of("device 11")} == {"0b03060d98000100b76ea2"}
    yard.restore(11)
    yard.advance(5 * NS - 1)
    assert record.of("device 11")[-1].data[3:5] == (2000).to_bytes(2, "big")
    yard.faults.line_cut = True
    said = len(record.bursts)
    yard.advance(10 * NS - 1)
    assert len(record.bursts) == said
    yard.faults.line_cut = False
    yard.faults.flip(16, 0.01)
    yard.advance(60 * NS)
    assert len(record.bursts) > said + 45 * 18
    turned = [b for b in record.bursts if b.flips]
    assert {b.talker for b in turned} == {"device 16"}
    bits = 11 * sum(len(b.data) for b in record.of("device 16") if b.start_ns > 10 * NS)
    assert sum(len(b.flips) for b in turned) == pytest.approx(0.01 * bits, rel=0.5)


def test_acceptance_39_turned_bits_are_heard_as_such() -> None:
    """A damaged answer is none: the controller asks again; a tap with flags sees parity or framing errors."""
    yard = Yard()
    tap = yard.add_tap(flags=True)
    record = recorded(yard)
    yard.faults.flip(11, 0.02)
    yard.advance(60 * NS)
    assert len(record.of("controller", "0B03")) > 70
    assert len(record.of("controller", "0C03")) == 60
    flagged = {t for t, _, flags in tap.take(60 * NS) if flags is not None}
    starts = [b.start_ns for b in record.of("device 11")]
    assert len(flagged) > 20
    assert all(any(0 < t - start < 30 * MS for start in starts) for t in flagged)


def test_a_garbled_request_is_not_answered() -> None:
    """Who is asked by a frame that nobody could read stays silent."""
    yard = Yard()
    record = recorded(yard)
    yard.wire.send(bytes(8), "somebody")  # at t = 0, over the first request of the controller
    yard.advance(NS // 2)
    assert not record.spans[0].clean
    assert {b.talker for b in record.spans[1].bursts} == {"controller"}
    assert record.spans[1].bursts[0].data == record.of("controller")[0].data
    assert record.of("device 11")[0].start_ns > 100 * MS


def test_frames_are_told_apart_by_t35_of_silence() -> None:
    """Less silence than t3.5 joins two bursts to one frame, heard when both are over; t3.5 parts them."""
    for gap_ns, spans in ((1 * MS, 1), (2_005_207, 1), (2_005_208, 2)):
        agenda = Agenda()
        wire = Wire(agenda, LineSettings(), 1)
        record = Record()
        wire.taps.append(record)
        end_ns = wire.send(b"abc", "one")
        agenda.at(end_ns + gap_ns, lambda wire=wire: wire.send(b"de", "other"))  # type: ignore[misc]
        second_end_ns = end_ns + gap_ns + int(2 * CHARACTER_NS)
        agenda.run(second_end_ns + 2_005_207)
        assert len(record.spans) == spans - 1
        agenda.run(second_end_ns + 2_005_209)
        assert [[b.data for b in span.bursts] for span in record.spans] == (
            [[b"abc", b"de"]] if spans == 1 else [[b"abc"], [b"de"]]
        )


def test_the_scan_begins_when_the_night_ends_wherever_the_minute_stands() -> None:
    yard = Yard(start="2026-03-12T04:40:30")
    record = recorded(yard)
    yard.advance(280 * NS)
    asleep = [b.start_ns for b in record.of("controller", "1F04") if b.start_ns < 270 * NS]
    assert asleep == [n * 60 * NS for n in range(5)]
    assert record.of("controller", "010300000001")[0].start_ns == 270 * NS


@pytest.mark.parametrize(
    ("asked", "heard", "taken"),
    [
        (read_request(11, 3, 100, 3), "0B 03 06 0D 98 00 01 00 B7", True),
        (read_request(11, 3, 100, 3), "0B 03 02 0D 98", False),  # another master's answer: it asked for less
        (read_request(11, 3, 100, 1), "0B 03 06 0D 98 00 01 00 B7", False),
        (read_request(11, 3, 100, 3), "0C 03 06 0D 98 00 01 00 B7", False),
        (read_request(11, 3, 100, 3), "0B 04 06 0D 98 00 01 00 B7", False),
        (read_request(11, 3, 100, 3), "0B 83 02", True),
        (read_request(11, 3, 100, 3), "0B 84 02", False),
        (write_request(15, 200, 7), "0F 06 00 C8 00 07", True),
        (write_request(15, 200, 7), "0F 06 00 C8 00 08", False),
    ],
)
def test_what_a_master_takes_for_its_answer(asked: bytes, heard: str, taken: bool) -> None:
    agenda = Agenda()
    wire = Wire(agenda, LineSettings(), 1)
    answers = []

    def script() -> Script:
        answers.append((yield Ask(asked)))

    Master("master", agenda, wire).run(script())
    address, *pdu = bytes.fromhex(heard)
    data = frame(address, bytes(pdu))
    agenda.at(20 * MS, lambda: wire.send(data, "somebody"))
    agenda.run(NS)
    assert answers == [data if taken else None]
