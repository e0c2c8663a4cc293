"""The chain line -> survey -> levels on bytes nobody here wrote: a minimalmodbus master, modbus_tk slaves, a pty hub.

The registers are those of the example site, so that its own points are tried; what they hold, and every byte on the
line, is made by the two libraries.
"""

import math
import struct
from dataclasses import dataclass, field
from pathlib import Path

import minimalmodbus
import pytest
import serial
from hub import PtyHub
from modbus_tk import defines, modbus_rtu

from sidetap.line import Batch, Chunk, Outcome, Parser, Settings, Transaction, listen
from sidetap.measure import Meter
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.rehearse.folder import EXAMPLE
from sidetap.site import load_or_refuse
from sidetap.station.ports.tap import open_tap
from sidetap.survey import survey

CYCLES = 180
MASTER, SLAVES, TAP = 0, 1, 2
SETTINGS = Settings.parse("19200 8E1")


@dataclass
class Told:
    """What the slaves were told to hold, cycle by cycle."""

    t1_mm: list[int] = field(default_factory=list)
    t2_01mm: list[int] = field(default_factory=list)
    t3_kpa: list[float] = field(default_factory=list)


def words_of(value: float) -> list[int]:
    return list(struct.unpack(">HH", struct.pack(">f", value)))


@pytest.fixture(scope="module")
def heard() -> tuple[list[Chunk], Told, int]:
    """Poll three slaves for three minutes of a clock of our own, and listen."""
    told, chunks, now_ns = Told(), [], [0]
    heard_bytes = 0
    with PtyHub(3) as hub:
        # a busy machine may deliver a request in two pieces: let the slaves wait longer for the rest of it
        port = serial.Serial(hub.path(SLAVES), SETTINGS.baud)
        server = modbus_rtu.RtuServer(port, interframe_multiplier=20, interchar_multiplier=20)
        tap = open_tap(f"pty:{hub.path(TAP)}", SETTINGS, clock=lambda: now_ns[0])
        server.start()
        try:
            slaves = {}
            for address, table, first, count in (
                (11, defines.HOLDING_REGISTERS, 100, 3),
                (12, defines.HOLDING_REGISTERS, 0, 3),
                (13, defines.ANALOG_INPUTS, 8, 4),
            ):
                slaves[address] = server.add_slave(address)
                slaves[address].add_block("level", table, first, count)
            masters = {address: minimalmodbus.Instrument(hub.path(MASTER), address) for address in slaves}
            for master in masters.values():
                master.serial.baudrate = SETTINGS.baud
                master.serial.timeout = 2.0
            for cycle in range(CYCLES):
                wobble = round(2 * math.sin(cycle))
                told.t1_mm.append(3480 - cycle + wobble)
                told.t2_01mm.append(43_210 - 7 * cycle + 3 * wobble)
                told.t3_kpa.append(struct.unpack(">f", struct.pack(">f", 27.1 - 0.0131 * cycle))[0])
                slaves[11].set_values("level", 100, [told.t1_mm[-1], 1, 183 + cycle // 60])
                slaves[12].set_values("level", 0, [told.t2_01mm[-1], 0, 1])
                slaves[13].set_values("level", 8, words_of(told.t3_kpa[-1]) + words_of(18.4 + cycle / 500))
                for address, first, count, function in ((11, 100, 3, 3), (12, 0, 3, 3), (13, 8, 4, 4)):
                    masters[address].read_registers(first, count, functioncode=function)
                    now_ns[0] += 300 * NS_PER_MS
                    # what the master has had may still be on its way to the tap
                    while heard_bytes < hub.said(MASTER) + hub.said(SLAVES):
                        if (chunk := tap.read()) is not None:
                            chunks.append(chunk)
                            heard_bytes += len(chunk.data)
                now_ns[0] += 100 * NS_PER_MS
            written = hub.said(TAP)
        finally:
            server.stop()
            for master in masters.values():
                master.serial.close()
            tap.close()
    return chunks, told, written


def transactions(chunks: list[Chunk]) -> list[Transaction]:
    parser, found = Parser(SETTINGS), []
    for chunk in chunks:
        parser.receive(chunk)
        while (event := parser.next_event()) is not None:
            found.append(event)
    parser.close()
    while (event := parser.next_event()) is not None:
        found.append(event)
    assert all(isinstance(event, Transaction) for event in found)  # not one byte is left unexplained
    return [event for event in found if isinstance(event, Transaction)]


def test_every_poll_is_heard_as_it_was(heard: tuple[list[Chunk], Told, int]) -> None:
    chunks, told, written = heard
    found = transactions(chunks)
    assert len(found) == 3 * CYCLES
    assert {t.outcome for t in found} == {Outcome.ANSWERED}
    assert [t.words[0] for t in found if t.device == 11 and t.words] == told.t1_mm
    assert [t.words[0] for t in found if t.device == 12 and t.words] == told.t2_01mm
    assert [list(t.words[:2]) for t in found if t.device == 13 and t.words] == [words_of(v) for v in told.t3_kpa]
    assert written == 0  # bytes from us, counted at the far side


def test_the_survey_says_what_the_registers_are(heard: tuple[list[Chunk], Told, int]) -> None:
    document = survey(listen([Batch.of(heard[0])], SETTINGS), SETTINGS).document()
    assert [d["device"] for d in document["devices"]] == [11, 12, 13]
    value = {(d["device"], v["register"]): v for d in document["devices"] for v in d["values"]}
    assert value[11, 100]["encoding"] == "uint16"
    assert value[11, 100]["kind"] == "measurement"
    assert value[12, 0]["encoding"] in ("uint16", "uint32-low-word-first")
    assert value[12, 0]["valid_below"] == 65536
    assert value[13, 8]["encoding"] == "float32-high-word-first"
    assert value[13, 8]["last"] == pytest.approx(heard[1].t3_kpa[-1])
    for found in value.values():
        assert found["status"] != "settled" or found["confidence"] >= 0.99


def test_the_levels_are_what_the_slaves_held(heard: tuple[list[Chunk], Told, int]) -> None:
    chunks, told, _ = heard
    site = load_or_refuse(Path(EXAMPLE / "site.toml"))
    meter = Meter(site)
    for transaction in transactions(chunks):
        meter.receive(transaction)
    now_ns = chunks[-1].t_ns
    assert now_ns is not None
    assert meter.level("T1", now_ns).level_01mm == 10 * told.t1_mm[-1]
    assert meter.level("T2", now_ns).level_01mm == told.t2_01mm[-1]
    # hydrostatics: p = ρ g h, over a nozzle 0.42 m above the datum; 11.65 lb/gal = 1395.98 kg/m³
    density = 11.65 * 0.45359237 / 0.003785411784
    expected_m = 0.42 + told.t3_kpa[-1] * 1000 / (density * 9.80665)
    level = meter.level("T3", now_ns).level_01mm
    assert level == math.floor(expected_m * 10_000)
    assert all(meter.level(tag, now_ns).age_ns <= NS_PER_S for tag in ("T1", "T2", "T3"))  # type: ignore[operator]
