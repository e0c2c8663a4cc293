"""Our rows against two readings of the same frames by others: tshark's dissector and scapy's layers."""

from collections import defaultdict
from pathlib import Path

import pytest
from judge.damage import CLEAN, Delivery, damaged, delivered
from judge.sender import send
from outside_oracles import dissect, layered

from sidetap.line import Noise, Outcome, Transaction, listen

SEEDS = range(300, 316)
EACH = 12  # rows of each function
PUBLIC = {1, 2, 3, 4, 5, 6, 7, 8, 11, 12, 15, 16, 17, 20, 21, 22, 23, 24, 43}
NOT_IN_TSHARK = (7, 11, 12, 17)
SCAPY_ADDRESS = ("startAddr", "readStartingAddr", "outputAddr", "registerAddr", "refAddr")
SCAPY_COUNT = ("quantity", "quantityOutput", "quantityRegisters", "readQuantityRegisters")


@pytest.fixture(scope="module")
def rows() -> list[Transaction]:
    """Rows of made-up lines, some of each function, in order."""
    found: dict[tuple[int, Outcome], list[Transaction]] = defaultdict(list)
    for seed in SEEDS:
        sent = send(seed, 250)
        batch = delivered(sent, damaged(sent, CLEAN), Delivery.EXACT)
        for part in listen([batch], sent.settings):
            for row in part.select(Outcome.ANSWERED).tolist() + part.select(Outcome.EXCEPTION).tolist():
                event = part.event(row)
                assert not isinstance(event, Noise)
                found[event.function, event.outcome].append(event)
    return [event for events in found.values() for event in events[:EACH]]


def framed(row: Transaction) -> tuple[bytes, bytes]:
    """Return both frames as they travelled, cut by the lengths the row says."""
    assert row.request is not None
    assert row.response is not None
    ends = row.raw.find(row.request) + len(row.request) + 2
    starts = row.raw.find(row.response, ends)
    return row.raw[ends - len(row.request) - 2 : ends], row.raw[starts : starts + len(row.response) + 2]


def test_there_is_something_to_compare(rows: list[Transaction]) -> None:
    functions = {row.function for row in rows}
    assert functions >= PUBLIC
    assert len(rows) > 150


def test_tshark_reads_the_same(rows: list[Transaction], tmp_path: Path) -> None:
    rows = [row for row in rows if row.function in PUBLIC and row.function not in NOT_IN_TSHARK]
    frames = [frame for row in rows for frame in framed(row)]
    read = dissect(frames, tmp_path)
    assert len(read) == len(frames)
    registers = 0
    for row, asked, answered, request, response in zip(
        rows, read[::2], read[1::2], frames[::2], frames[1::2], strict=True
    ):
        assert asked.crc_good, row
        assert answered.crc_good, row
        assert (asked.length, answered.length) == (len(request), len(response))
        assert (asked.unit, asked.function) == (row.device, row.function)
        assert (answered.unit, answered.function) == (row.device, row.function)
        assert (answered.exception is not None) == (row.outcome is Outcome.EXCEPTION)
        if answered.exception is not None:
            assert answered.exception == row.exception_code
            continue
        if asked.way == "Query" and row.register is not None:
            assert asked.reference == row.register
            assert row.count in (asked.words, asked.bits)
        if answered.registers and row.words is not None:
            assert answered.registers == row.words
            registers += len(row.words)
    assert registers > 100


def test_scapy_reads_the_same(rows: list[Transaction]) -> None:
    values = 0
    for row in rows:
        assert row.request is not None
        assert row.response is not None
        name, asked = layered(row.request, answer=False)
        if name == "Raw":  # scapy's lists end at 100 items or so
            assert len(row.request) > 100, row
            continue
        assert "Request" in name, (name, row)
        assert asked["funcCode"] == row.function
        if row.register is not None:
            assert next(asked[key] for key in SCAPY_ADDRESS if key in asked) == row.register
        counted = [asked[key] for key in SCAPY_COUNT if key in asked]
        if row.count is not None and counted:
            assert counted[0] == row.count
        name, answer = layered(row.response, answer=True)
        if row.outcome is Outcome.EXCEPTION:
            if row.function in PUBLIC:
                assert name.endswith("Error")
                assert (answer["funcCode"], answer["exceptCode"]) == (row.function | 0x80, row.exception_code)
            continue
        if name == "Raw":  # nor does it read every answer to 17, whose length is the maker's
            assert len(row.response) > 100 or row.function == 17, row
            continue
        assert answer["funcCode"] == row.function, (name, row)
        if row.words is not None:
            assert tuple(answer["registerVal"]) == row.words
            values += len(row.words)
        if row.bits is not None:
            octets = answer["coilStatus" if row.function == 1 else "inputStatus"]
            assert tuple(bool(octets[n // 8] >> n % 8 & 1) for n in range(row.count or 0)) == row.bits
        if row.written is not None and row.function in (6, 16, 23):
            place = {6: "registerValue", 16: "outputsValue", 23: "writeRegistersValue"}[row.function]
            wrote = asked[place]
            assert row.written[1] == (tuple(wrote) if isinstance(wrote, list) else (wrote,))
        if row.function == 24:
            assert answer["FIFOCount"] == len(answer["FIFOVal"])
            assert len(row.response) == 6 + 2 * answer["FIFOCount"]
    assert values > 100
