"""The bytes of the devices, against frames worked out by hand and against other people's code."""

import struct

import pytest
from fastcrc import crc16
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from yard_tools import NS, recorded

from sidetap.quantity import to_si
from sidetap.yard import Yard, frames


@given(st.binary(max_size=300))
def test_check_bytes_are_those_of_fastcrc(data: bytes) -> None:
    assert frames.crc(data) == crc16.modbus(data)


def test_check_bytes_of_the_serial_line_guide() -> None:
    # MODBUS over Serial Line V1.02, p. 39: frame 02 07, CRC 0x1241, on the wire 41 12
    assert frames.frame(2, bytes((7,))).hex() == "02074112"


def test_encodings() -> None:
    # 123.456 as IEEE 754 binary32 is 42F6E979 (worked by the standard library's struct too)
    assert frames.float32_high_first(123.456) == (0x42F6, 0xE979)
    assert frames.float32_low_first(123.456) == (0xE979, 0x42F6)
    assert frames.uint32_low_first(43210) == (0xA8CA, 0)
    assert frames.uint32_low_first(0x12345678) == (0x5678, 0x1234)
    assert frames.int16(-0.6) == (0xFFFF,)
    assert frames.uint16(-3) == (0,)
    assert frames.uint16(70000) == (0xFFFF,)
    assert (frames.uint16(2.49), frames.uint16(2.5)) == ((2,), (3,))


def answer_of(yard: Yard, address: int, request: str) -> str:
    pdu = yard.devices[address].answer(bytes.fromhex(request), yard.now_ns)
    return frames.frame(address, pdu).hex(" ").upper()


def test_acceptance_10_golden_frames() -> None:
    """The demo yard's frames to check by hand; their check bytes were worked out outside this project's code."""
    yard = Yard()
    yard.set_level("T1", 3480)
    assert answer_of(yard, 11, "0300640003") == "0B 03 06 0D 98 00 01 00 B7 6E A2"
    yard.set_level("T2", 4321)
    assert answer_of(yard, 12, "0300000003") == "0C 03 06 A8 CA 00 00 00 01 39 DD"
    density_kg_m3 = float(to_si(1, "lb/gal")) * 11.65
    yard.set_level("T3", 420 + 27.10e6 / (density_kg_m3 * 9.80665))
    assert answer_of(yard, 13, "0400080004") == "0D 04 08 41 D8 CC CD 41 93 33 33 0A 44"
    yard.set_level("T6", 3.20 * 304.8)
    assert answer_of(yard, 16, "0300140002") == "10 03 04 CC CD 40 4C 65 A8"
    assert answer_of(yard, 16, "0300280002") == "10 83 02 90 F4"


def test_other_registers() -> None:
    yard = Yard()
    yard.set_level("T4", 3500)  # flange at 5620 mm
    assert answer_of(yard, 14, "04001E0002")[:20].startswith("0E 04 04 08 48 00 57")  # 2120 mm, echo 87 %
    yard.set_level("T5", 1710)
    assert answer_of(yard, 15, "0300040001").startswith("0F 03 02 1A B8")  # 68.40 %
    assert answer_of(yard, 15, "0600C80007").startswith("0F 06 00 C8 00 07")
    assert yard.devices[15].written == {200: 7}


@pytest.mark.parametrize(
    ("address", "request_pdu", "answer"),
    [
        (11, "0300000001", "8302"),  # the scan of a night's end: no register 0 here
        (12, "0300000001", "0302A8CA"),
        (13, "0300000001", "8301"),  # this one knows no function 03
        (11, "0300640004", "8302"),  # a register more than there is
        (11, "0300640000", "8303"),
        (11, "03006400", "8303"),
        (15, "0600C90001", "8602"),
        (11, "0600C80001", "8601"),
        (11, "2B0E0100", "AB01"),
    ],
)
def test_what_a_device_refuses(address: int, request_pdu: str, answer: str) -> None:
    # exception codes: MODBUS Application Protocol V1.1b3, section 7
    assert Yard().devices[address].answer(bytes.fromhex(request_pdu), 0).hex().upper() == answer


def test_acceptance_15_weak_echo_in_the_blocking_distance() -> None:
    yard = Yard()
    yard.set_level("T4", 5340)  # ullage 0.28 m, blocking 0.30 m
    assert answer_of(yard, 14, "04001E0002").startswith("0E 04 04 01 2C 00 16")


def test_a_bad_value_is_told_in_each_device_s_own_way() -> None:
    yard = Yard()
    for address in (11, 12, 13, 14, 15, 16):
        yard.faults.bad(address)
    assert answer_of(yard, 11, "0300640003")[15:20] == "00 04"
    assert answer_of(yard, 12, "0300000003")[21:26] == "00 04"
    assert answer_of(yard, 13, "0400080002").startswith("0D 04 04 7F C0 00 00")
    assert answer_of(yard, 14, "04001E0002")[15:20] == "00 16"
    assert answer_of(yard, 15, "0300040001").startswith("0F 03 02 FF FF")
    assert answer_of(yard, 16, "0300140002").startswith("10 03 04 00 00 7F C0")
    yard.restore(11)
    assert answer_of(yard, 11, "0300640003")[15:20] == "00 01"


def test_acceptance_08_meter_fits_together() -> None:
    yard = Yard()
    energies = []
    for minute in range(10):
        yard.advance(minute * 60 * NS)
        answer = yard.devices[31].answer(bytes.fromhex("0400000016"), yard.now_ns)
        v1, v2, v3, i1, i2, i3, kw, kvar, pf, hz, kwh = struct.unpack(">11f", answer[2:])
        assert abs((v1 * i1 + v2 * i2 + v3 * i3) * pf / 1000 - kw) < 0.001 * kw
        assert (kw**2 + kvar**2) ** 0.5 * pf == pytest.approx(kw, rel=1e-4)
        assert all(abs(v - 277) < 3 for v in (v1, v2, v3))
        assert all(abs(i - 42) < 3 for i in (i1, i2, i3))
        assert abs(hz - 60) < 0.1
        energies.append(kwh)
    assert sorted(set(energies)) == energies
    assert energies[-1] - energies[0] == pytest.approx(9 / 60 * 30.4, rel=0.05)  # 3 × 277 V × 42 A × 0.87 = 30.4 kW


def test_pymodbus_reads_every_frame() -> None:
    """A peer's decoder takes each frame of two minutes, a second master's included, as what it was sent as."""
    yard = Yard(second_master_at="2026-03-11T09:00", noise=True)
    record = recorded(yard)
    yard.advance(120 * NS)
    decoders = {True: DecodePDU(False), False: DecodePDU(True)}  # of answers, of requests
    exceptions = 0
    for burst in record.bursts:
        decoder = decoders[burst.talker.startswith("device")]
        used, address, _, pdu = FramerRTU(decoder).decode(burst.data)
        assert (used, address) == (len(burst.data), burst.data[0])
        decoded = decoder.decode(pdu)
        assert isinstance(decoded, ModbusPDU)
        exceptions += isinstance(decoded, ExceptionResponse)
        if decoded.function_code in (3, 4) and burst.talker.startswith("device"):
            words = struct.unpack(f">{pdu[1] // 2}H", pdu[2:])
            assert decoded.registers == list(words)
    assert len(record.bursts) > 2 * 9 * 100
    assert exceptions >= 100  # register 40, once a second but for garbled ones


def test_no_echo_below_the_lowest_level_of_t4() -> None:
    yard = Yard()
    yard.set_level("T4", 349)
    assert answer_of(yard, 14, "04001E0002")[15:20] == "00 16"
    yard.set_level("T4", 350)
    assert answer_of(yard, 14, "04001E0002")[15:20] == "00 57"
