"""The master of the module: requests by the specification, answers believed only when they are ours and true."""

from __future__ import annotations

import pytest
from fastcrc import crc16 as oracle

from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.station.outputs import ANSWER_NS, LISTEN_NS, Master

CHARACTER_NS = 572_917  # 11 bits at 19200
VALVES = 0b111
MS = NS_PER_MS


def frame(text: str) -> bytes:
    body = bytes.fromhex(text)
    return body + oracle.modbus(body).to_bytes(2, "little")


# MODBUS Application Protocol V1.1b3, 6.11, 6.2 and 6.1: layouts of functions 15, 2 and 1; check codes by fastcrc
READ_INPUTS = frame("01 02 0000 0010")
READ_BACK = frame("01 01 0000 0010")
WRITTEN = frame("01 0F 0000 0010")


def write(coils: int) -> bytes:
    return frame("01 0F 0000 0010 02" + coils.to_bytes(2, "little").hex())


def inputs(bits: int) -> bytes:
    return frame("01 02 02" + bits.to_bytes(2, "little").hex())


def back(bits: int) -> bytes:
    return frame("01 01 02" + bits.to_bytes(2, "little").hex())


class Bus:
    """A master after its listening, and a virtual clock."""

    def __init__(self, listen: bool = False) -> None:
        self.now = 0
        self.master = Master(1, 16, 16, VALVES, CHARACTER_NS, 0)
        if not listen:
            self.now = LISTEN_NS

    def send(self, later_ms: float = 3) -> bytes | None:
        self.now += round(later_ms * MS)
        return self.master.send(self.now)

    def hear(self, data: bytes, later_ms: float = 20) -> None:
        self.now += round(later_ms * MS)
        self.master.receive(data, self.now)

    def cycle(self, coils: int, bits: int = 0, read_back: int | None = None, echo: bool = False) -> None:
        self.master.want(coils)
        for answer in (WRITTEN, inputs(bits), back(coils if read_back is None else read_back)):
            request = self.send()
            assert request is not None
            self.hear((request if echo else b"") + answer)


def test_a_cycle_writes_reads_and_reads_back() -> None:
    bus = Bus()
    bus.cycle(0x0005)
    bus.master.want(0x8005)
    sent = []
    for answer in (WRITTEN, inputs(0x0309), back(0x8005)):
        sent.append(bus.send())
        asked_ns = bus.now
        bus.hear(answer)
    assert sent == [write(0x8005), READ_INPUTS, READ_BACK]
    assert bus.master.inputs == 0x0309
    assert bus.master.confirmed_ns == asked_ns
    assert bus.master.inputs_ns is not None
    assert bus.master.inputs_ns < asked_ns
    assert bus.send() is None  # nothing before it is wanted again


def test_a_cycle_fits_into_a_scan_at_19200() -> None:
    bus = Bus()
    bus.master.want(0)
    start, free = bus.now, []
    for answer in (WRITTEN, inputs(0), back(0)):
        while (request := bus.master.send(bus.now)) is None:
            bus.now += MS // 10
        on_wire = (len(request) + len(answer)) * CHARACTER_NS
        # 3.5 characters of silence, and an adapter that hands over what it has each 16 ms at the worst
        bus.now += on_wire + 2_005_000 + 16 * MS
        bus.master.receive(answer, bus.now)
        free.append(bus.now)
    # 49 characters (28 ms), 6 silences (12 ms) and 3 adapters (48 ms): 88 ms
    assert free[-1] - start < 100 * MS


def test_nothing_is_sent_for_ten_seconds() -> None:
    bus = Bus(listen=True)
    bus.master.want(0)
    assert bus.master.send(LISTEN_NS - 1) is None
    assert bus.master.send(LISTEN_NS) == write(0)


def test_a_spike_while_listening_starts_the_ten_seconds_again() -> None:
    bus = Bus(listen=True)
    bus.master.want(0)
    bus.hear(b"\x00", later_ms=9_000)
    assert bus.master.send(LISTEN_NS) is None
    assert bus.master.send(9_000 * MS + LISTEN_NS) == write(0)


# a frame of a plant's line; and what its bytes look like to a port with other settings
@pytest.mark.parametrize("heard", [frame("0B 03 0064 0003"), bytes.fromhex("F0 1C 88 F8")])
def test_a_stranger_before_the_first_byte_means_never(heard: bytes) -> None:
    bus = Bus(listen=True)
    bus.master.want(0)
    bus.hear(heard, later_ms=5_000)
    assert bus.master.stranger is not None
    assert all(bus.send(60_000) is None for _ in range(10))
    assert bus.master.counts.requests == 0


def test_a_stranger_in_the_place_of_an_answer_means_never_again() -> None:
    bus = Bus()
    bus.cycle(1)
    bus.master.want(1)
    assert bus.send() == write(1)
    bus.hear(frame("0B 03 0064 0003"), later_ms=5)
    assert bus.send(100) is None
    assert bus.master.stranger is not None
    assert "another talker" in bus.master.stranger


def test_a_stranger_between_cycles_means_never_again() -> None:
    bus = Bus()
    bus.cycle(1)
    bus.hear(frame("0D 04 0008 0004"), later_ms=15)
    bus.master.want(1)
    assert bus.send(21) is None
    assert bus.master.stranger is not None


def test_unasked_garbage_three_times_means_never_again_and_once_does_not() -> None:
    bus = Bus()
    for n in range(3):
        assert bus.master.stranger is None
        bus.cycle(1)
        bus.hear(b"\x7f\x1c\x88\xf8\x00", later_ms=1_000)
        bus.send(30)
        assert bus.master.counts.unasked == n + 1
    assert bus.master.stranger is not None


def test_an_unasked_answer_of_our_module_is_no_excuse_for_another_master() -> None:
    bus = Bus()
    for _ in range(3):
        bus.cycle(1)
        bus.hear(READ_INPUTS, later_ms=1_000)  # someone else asks our module
        bus.send(30)
    assert bus.master.stranger is not None


def test_a_late_answer_is_no_stranger() -> None:
    bus = Bus()
    for _ in range(5):
        bus.master.want(0)
        for _ in range(3):
            assert bus.send(60) is not None
        bus.now += 60 * MS
        bus.master.send(bus.now)
        bus.hear(back(0), later_ms=30)
        bus.send(30)
    assert bus.master.stranger is None
    assert bus.master.counts.missing == 15


def test_acceptance_40_exactly_the_echo_is_discarded() -> None:
    bus = Bus()
    bus.cycle(0x8005, echo=True)
    bus.cycle(5, bits=0x1234, echo=True)
    assert bus.master.inputs == 0x1234
    assert bus.master.confirmed_ns is not None
    assert bus.master.counts.echoes == 6


def test_acceptance_40_an_echo_alone_is_no_answer() -> None:
    bus = Bus()
    bus.master.want(5)
    for _ in range(3):
        request = bus.send(60)
        assert request is not None
        bus.hear(request, later_ms=10)
    bus.send(60)
    assert bus.master.inputs_ns is None
    assert bus.master.confirmed_ns is None
    assert bus.master.counts.missing == 3


def test_an_echo_in_pieces_with_its_answer() -> None:
    bus = Bus()
    bus.master.want(5)
    request = bus.send()
    assert request is not None
    whole = request + WRITTEN
    for byte in whole:
        bus.hear(bytes([byte]), later_ms=0.5)
    assert bus.send() == READ_INPUTS
    assert bus.master.counts.answers == 1


def test_a_relay_that_does_not_follow_is_not_confirmed() -> None:
    bus = Bus()
    bus.cycle(5, read_back=0)
    assert bus.master.confirmed_ns is None
    assert bus.master.inputs_ns is not None
    bus.cycle(5)
    bus.cycle(0x8005)
    assert bus.master.confirmed_ns is not None


def test_a_module_stuck_at_what_it_was_told_once_is_not_confirmed() -> None:
    bus = Bus()
    bus.cycle(0x8005)
    for n in range(10):  # the watchdog's coil changes, the module does not: every second read-back is as written
        bus.cycle(0x8005 if n % 2 else 0x0005, read_back=0x8005)
    bus.cycle(0x8005)
    assert bus.master.confirmed_ns is None


def test_a_closing_overtakes_what_waits() -> None:
    bus = Bus()
    bus.cycle(1)
    bus.master.want(1)
    assert bus.send() == write(1)
    bus.hear(WRITTEN)
    assert bus.send() == READ_INPUTS  # this one is out; the read-back waits
    bus.master.want(0)
    assert not bus.master.closing_is_out
    bus.hear(inputs(0))
    assert bus.send() == write(0)
    assert bus.master.closing_is_out


def test_a_closing_overtakes_while_a_write_is_out() -> None:
    bus = Bus()
    bus.master.want(1)
    assert bus.send() == write(1)
    bus.master.want(0)
    bus.hear(WRITTEN)
    assert bus.send() == write(0)


def test_a_closing_overtakes_between_two_requests() -> None:
    bus = Bus()
    bus.master.want(1)
    assert bus.send() == write(1)
    bus.hear(WRITTEN)
    bus.master.want(0)
    assert bus.send() == write(0)


def test_a_closing_waits_for_no_longer_than_a_missing_answer() -> None:
    bus = Bus()
    bus.cycle(1)
    bus.master.want(1)
    assert bus.send() == write(1)
    bus.master.want(0)
    due = bus.master.next_due_ns
    assert due is not None
    assert due - bus.now <= 11 * CHARACTER_NS + ANSWER_NS
    bus.now = due
    assert bus.send(3) == write(0)


def test_an_opening_waits_for_the_cycle_to_end_and_is_not_lost() -> None:
    bus = Bus()
    bus.master.want(0)
    assert bus.send() == write(0)
    bus.master.want(1)
    bus.hear(WRITTEN)
    assert bus.send() == READ_INPUTS
    bus.hear(inputs(0))
    assert bus.send() == READ_BACK
    bus.hear(back(0))
    assert bus.send() == write(1)


def test_a_toggling_watchdog_does_not_overtake() -> None:
    bus = Bus()
    bus.master.want(0x8001)
    assert bus.send() == write(0x8001)
    bus.master.want(0x0001)
    bus.hear(WRITTEN)
    assert bus.send() == READ_INPUTS


def test_reads_off_only_after_a_read_back_since_the_write() -> None:
    bus = Bus()
    bus.cycle(1)
    assert not bus.master.reads_off(VALVES)
    bus.cycle(0, read_back=1)
    assert not bus.master.reads_off(VALVES)
    bus.cycle(0)
    assert bus.master.reads_off(VALVES)


def test_an_exception_is_an_answer_and_confirms_nothing() -> None:
    bus = Bus()
    bus.master.want(1)
    for function in ("8F", "82", "81"):
        assert bus.send() is not None
        bus.hear(frame(f"01 {function} 02"))  # application protocol, 7: code 2
    assert bus.master.counts.exceptions == 3
    assert bus.master.confirmed_ns is None
    assert bus.master.inputs_ns is None


@pytest.mark.parametrize(
    "answer",
    [
        frame("02 02 02 FFFF"),  # another device
        frame("01 01 02 FFFF"),  # another function
        frame("01 02 01 FF"),  # another length
        inputs(0xFFFF)[:-1] + b"\x00",  # a wrong check
        inputs(0xFFFF)[:-1],  # cut
    ],
)
def test_what_is_not_the_answer_gives_no_inputs(answer: bytes) -> None:
    bus = Bus()
    bus.master.want(0)
    bus.send()
    bus.hear(WRITTEN)
    assert bus.send() == READ_INPUTS
    bus.hear(answer)
    bus.send(60)
    assert bus.master.inputs_ns is None


@pytest.mark.parametrize("spikes", [b"\x00", b"\xff\x00", b"\x00\x00\x00"])
def test_a_spike_before_an_answer_does_no_harm(spikes: bytes) -> None:
    bus = Bus()
    bus.master.want(0)
    bus.send()
    bus.hear(spikes + WRITTEN)
    assert bus.send() == READ_INPUTS


def test_the_silence_between_frames_is_kept() -> None:
    # MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters, 2005 µs at 19200
    bus = Bus()
    bus.master.want(0)
    bus.send()
    bus.hear(WRITTEN)
    assert bus.send(2.0) is None
    assert bus.send(0.01) == READ_INPUTS


def test_a_burst_of_held_back_bytes_is_answered_at_once() -> None:
    bus = Bus()
    bus.cycle(1)
    bus.master.want(1)
    bus.send()
    bus.hear(bytes(range(256)) * 200)
    assert bus.master.stranger is not None
    assert bus.master.send(bus.now + NS_PER_S) is None
