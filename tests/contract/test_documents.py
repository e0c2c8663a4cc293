"""What the verbs print, held to the command-line contract and to the demo yard as it was written down.

Sources: the contract (keys, types, closed lists, sums), the description of the demo yard (devices, registers, golden
readings, second master; all invented), the pcapng format of the IETF draft for how a recording is cut. The yard's
record is read here by a reader of its own, so that it can't share a mistake with the one behind the verbs.
"""

import csv
import io
import json
import shutil
import sqlite3
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import documents
import fastcrc
import pytest
from demo_run import DemoRun
from documents import parse_document

from sidetap.cli.main import run

EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow"
SITE = str(EXAMPLE / "bay-b.toml")
SECOND_MASTER_S = datetime(2026, 3, 11, 10, 20, tzinfo=ZoneInfo("America/Chicago")).timestamp()
RECORD_STARTS_S = SECOND_MASTER_S - 80 * 60  # 09:00 by the yard's clock
CYCLES = 4 * 3600
# Device, function, register, count, table: what the controller asks once a second, in its order.
POLLS = [
    *((11, 3, 100, 3), (12, 3, 0, 3), (13, 4, 8, 4), (14, 4, 30, 2), (15, 3, 4, 1), (15, 6, 200, 1)),
    *((16, 3, 20, 2), (16, 3, 40, 2), (31, 4, 0, 22)),
]
OF_THE_SECOND_MASTER = [(11, 3, 100, 1), (13, 4, 8, 2)]
# (device, register) -> encodings that are true on every answer of the record. Where a value never leaves the range
# in which two encodings agree, both are; T2's high word is 0 at every level of that vessel.
TRUE_ENCODINGS: dict[tuple[int, int], set[str]] = {
    (11, 100): {"uint16", "int16"},
    (11, 101): {"uint16", "int16", "bits16"},
    (11, 102): {"uint16", "int16"},
    (12, 0): {"uint16", "uint32-low-word-first"},
    (12, 2): {"uint16", "int16", "bits16"},
    (13, 8): {"float32-high-word-first"},
    (13, 10): {"float32-high-word-first"},
    (14, 30): {"uint16", "int16"},
    (14, 31): {"uint16", "int16"},
    (15, 4): {"uint16", "int16"},
    (15, 200): {"uint16", "int16"},
    (16, 20): {"float32-low-word-first"},
    **{(31, register): {"float32-high-word-first"} for register in range(0, 22, 2)},
}
# Reading in m = decoded × scale + offset, and the span of the vessel in m. T3's rests on its true density,
# 11.65 lb/US gal = 1.396 kg/L, and g = 9.80665 m/s²: 1 kPa is 73.05 mm, from a nozzle at 0.42 m.
TRUE_MATCHES: dict[str, tuple[int, int, float, float, float]] = {
    "T1": (11, 100, 0.001, 0.0, 7.315),
    "T2": (12, 0, 0.0001, 0.0, 6.096),
    "T3": (13, 8, 1 / (1.39599 * 9.80665), 0.42, 3.048),
    "T4": (14, 30, -0.001, 5.62, 5.4),
    "T5": (15, 4, 2.50 / 10_000, 0.0, 2.5),
    "T6": (16, 20, 0.3048, 0.0, 1.5),
}


def framed(body: str) -> str:
    data = bytes.fromhex(body)
    return (data + fastcrc.crc16.modbus(data).to_bytes(2, "little")).hex()


def printed(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> str:
    """What the verb printed to stdout; on stderr, where no terminal is, at most notes of a line each."""
    assert run(list(arguments)) == status
    out, err = capsys.readouterr()
    assert all(line.startswith("note: ") for line in err.splitlines()), err
    return out


def rows_of(capsys: pytest.CaptureFixture[str], recording: Path) -> list[dict[str, Any]]:
    rows = [parse_document(line) for line in printed(capsys, "transactions", str(recording)).splitlines()]
    documents.check_transactions(rows)
    return rows


def survey_of(capsys: pytest.CaptureFixture[str], recording: Path) -> dict[str, Any]:
    found: dict[str, Any] = parse_document(printed(capsys, "survey", str(recording), "--json"))
    documents.SURVEY(found, "survey")
    return found


def levels_of(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, dict[str, Any]]:
    found = parse_document(printed(capsys, "level", *arguments, "--json"))
    documents.LEVEL(found, "level")
    return {level["vessel"]: level for level in found["levels"]}


# -- The record, and pieces of it ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Record:
    """A pcapng in blocks as they stand in the file; packets also with their time and bytes."""

    header: bytes
    packets: list[tuple[int, bytes, bytes]]  # time in ns, delivered bytes, the whole block

    def between(self, from_s: float, to_s: float) -> list[tuple[int, bytes, bytes]]:
        return [packet for packet in self.packets if from_s * 1e9 <= packet[0] < to_s * 1e9]

    def cut(self, path: Path, from_s: float, to_s: float) -> Path:
        path.write_bytes(self.header + b"".join(block for _, _, block in self.between(from_s, to_s)))
        return path


def read_blocks(content: bytes) -> Iterator[tuple[int, bytes]]:
    """Block type and whole block, little-endian as the section header says (IETF draft pcapng, section 3.1)."""
    at = 0
    while at < len(content):
        length = int.from_bytes(content[at + 4 : at + 8], "little")
        yield int.from_bytes(content[at : at + 4], "little"), content[at : at + length]
        at += length


@pytest.fixture(scope="session")
def record(demo_once: DemoRun) -> Record:
    """The demo's recording, read by the format's rules and held to the contract's native form."""
    header, packets = b"", []
    for kind, block in read_blocks((demo_once.folder / "line.pcapng").read_bytes()):
        if kind == 6:  # enhanced packet
            high, low, captured = (int.from_bytes(block[at : at + 4], "little") for at in (12, 16, 20))
            packets.append(((high << 32) + low, block[28 : 28 + captured], block))
        else:
            header += block
    assert header[8:12] == bytes.fromhex("4d3c2b1a")
    interface = header[int.from_bytes(header[4:8], "little") :]
    assert int.from_bytes(interface[:4], "little") == 1
    assert int.from_bytes(interface[8:10], "little") == 147  # USER0
    assert b"\x09\x00\x01\x00\x09" in interface  # if_tsresol: 10^-9 s
    assert b"19200 8E1" in interface  # if_description
    return Record(header, packets)


@pytest.fixture
def around_second_master(record: Record, tmp_path: Path) -> Path:
    """Four minutes, from a minute before the second master on."""
    return record.cut(tmp_path / "four.pcapng", SECOND_MASTER_S - 60, SECOND_MASTER_S + 180)


@pytest.fixture
def quiet(record: Record, tmp_path: Path) -> Path:
    """A minute in which only the controller asks."""
    return record.cut(tmp_path / "quiet.pcapng", RECORD_STARTS_S + 600, RECORD_STARTS_S + 660)


# -- transactions -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def all_rows(demo_once: DemoRun) -> list[dict[str, Any]]:
    """The four hours, once."""
    with pytest.MonkeyPatch.context() as patch:
        out = io.StringIO()
        patch.setattr("sys.stdout", out)
        assert run(["transactions", str(demo_once.folder / "line.pcapng")]) == 0
    return [parse_document(line) for line in out.getvalue().splitlines()]


def test_rows_obey_the_contract(all_rows: list[dict[str, Any]]) -> None:
    documents.check_transactions(all_rows)
    times = [row["t_s"] for row in all_rows]
    assert times == sorted(times)
    assert times[0] >= RECORD_STARTS_S
    assert times[-1] <= RECORD_STARTS_S + CYCLES + 0.016
    assert not any(row["repaired"] for row in all_rows), "no bit was ever flipped on this line"


def test_rows_are_what_the_controller_and_the_second_master_asked(all_rows: list[dict[str, Any]]) -> None:
    """Frames that overlap garble both, so a few requests near the second master's 180 are lost; elsewhere none is."""
    tries = Counter(
        (row["device"], row["function"], row["register"], row["count"])
        for row in all_rows
        if row["outcome"] != "unpaired-response" and not row["retry"]
    )
    assert set(tries) == set(POLLS) | set(OF_THE_SECOND_MASTER)
    for poll in POLLS:
        slack = 0 if poll[0] in (15, 31) else 20
        assert abs(tries[poll] - CYCLES) <= slack, poll
    for poll in OF_THE_SECOND_MASTER:
        assert 90 <= tries[poll] <= 190, poll
    away = [row for row in all_rows if not SECOND_MASTER_S - 1 <= row["t_s"] <= SECOND_MASTER_S + 92]
    assert {row["outcome"] for row in away} == {"answered", "exception"}
    refused = Counter(
        (row["device"], row["register"], row["response"]) for row in away if row["outcome"] == "exception"
    )
    assert set(refused) == {(16, 40, "108302"), (16, 20, "108306")}
    assert refused[16, 40, "108302"] == sum(row["register"] == 40 for row in away)
    assert 0.01 <= refused[16, 20, "108306"] / CYCLES <= 0.03  # about 2 %


def test_csv_has_the_same_rows(capsys: pytest.CaptureFixture[str], around_second_master: Path) -> None:
    rows = rows_of(capsys, around_second_master)
    assert {row["outcome"] for row in rows} >= {"answered", "exception", "unanswered", "damaged"}
    assert any(row["retry"] for row in rows)
    table = printed(capsys, "transactions", str(around_second_master), "--format", "csv")
    assert [documents.row_of_csv(fields) for fields in csv.DictReader(io.StringIO(table))] == rows


def write_csv(path: Path, record: Record, from_s: float, to_s: float, first_line: str = "", end: str = "\n") -> Path:
    rows = [f"{t_ns // 10**9}.{t_ns % 10**9:09d},{data.hex()}" for t_ns, data, _ in record.between(from_s, to_s)]
    path.write_bytes(end.join([*([first_line] if first_line else []), "time_s,hex", *rows, ""]).encode())
    return path


def test_every_form_of_a_recording_has_the_same_rows(
    capsys: pytest.CaptureFixture[str], record: Record, around_second_master: Path, tmp_path: Path
) -> None:
    """The same chunks as csv, as csv with BOM and CRLF, under a name that says nothing; and as bytes alone."""
    span = (SECOND_MASTER_S - 60, SECOND_MASTER_S + 180)
    rows = rows_of(capsys, around_second_master)
    plain = write_csv(tmp_path / "four.csv", record, *span)
    assert rows_of(capsys, plain) == rows
    windows = write_csv(tmp_path / "windows.csv", record, *span, "# settings 19200 8E1", "\r\n")
    windows.write_bytes(b"\xef\xbb\xbf" + windows.read_bytes())
    assert rows_of(capsys, windows) == rows
    assert rows_of(capsys, Path(shutil.copy(around_second_master, tmp_path / "four.csv.old"))) == rows
    quiet_span = (RECORD_STARTS_S + 600, RECORD_STARTS_S + 660)
    timed = rows_of(capsys, record.cut(tmp_path / "quiet.pcapng", *quiet_span))
    (tmp_path / "quiet.bin").write_bytes(b"".join(data for _, data, _ in record.between(*quiet_span)))
    assert rows_of(capsys, tmp_path / "quiet.bin") == [{**row, "t_s": None} for row in timed]


# One exchange of every function that the contract names, as address + PDU, with what its row says of the place.
EXCHANGES: list[tuple[str, str | None, tuple[int, str, int, int], str]] = [
    ("0b0100000008", "0b010155", (1, "coil", 0, 8), "answered"),
    ("0b02000a0003", "0b020105", (2, "discrete-input", 10, 3), "answered"),
    ("0b0300640003", "0b03060d98000100b7", (3, "holding-register", 100, 3), "answered"),
    ("0b0400080002", "0b040441d8cccd", (4, "input-register", 8, 2), "answered"),
    ("0b050005ff00", "0b050005ff00", (5, "coil", 5, 1), "answered"),
    ("0b0600c80007", "0b0600c80007", (6, "holding-register", 200, 1), "answered"),
    ("0b0f000000080155", "0b0f00000008", (15, "coil", 0, 8), "answered"),
    ("0b10000100020400010002", "0b1000010002", (16, "holding-register", 1, 2), "answered"),
    ("0b16000400f20025", "0b16000400f20025", (22, "holding-register", 4, 1), "answered"),
    ("0b17000300020010000102abcd", "0b170400fe0acd", (23, "holding-register", 3, 2), "answered"),
    ("0b17000300020011000102abcd", "0b9702", (23, "holding-register", 3, 2), "exception"),
    ("0c0300000002", None, (3, "holding-register", 0, 2), "unanswered"),
    ("0006000a0001", None, (6, "holding-register", 10, 1), "broadcast"),
]


def test_every_function_has_its_row(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Hand-made, 20 rounds: the row of each exchange, and a survey whose counts agree with the rows."""
    rounds, rows = 20, []
    for number in range(rounds * len(EXCHANGES)):
        request, response, _, _ = EXCHANGES[number % len(EXCHANGES)]
        rows.append(f"{number / 8:.3f},{framed(request)}")
        if response:
            rows.append(f"{number / 8 + 0.03:.3f},{framed(response)}")
    path = tmp_path / "functions.csv"
    path.write_text("\n".join(["time_s,hex", *rows, ""]))
    expected = [
        {"request": request, "response": response, "outcome": outcome, "function": function}
        | {"table": table, "register": register, "count": count, "retry": False, "repaired": False}
        for request, response, (function, table, register, count), outcome in EXCHANGES
    ]
    found = [{key: row[key] for key in expected[0]} for row in rows_of(capsys, path)]
    assert found == expected * rounds
    survey = survey_of(capsys, path)
    assert [device["device"] for device in survey["devices"]] == [0, 11, 12]
    assert [device["answers"] for device in survey["devices"]] == [False, True, False]
    keys = ("requests", "answered", "exceptions", "damaged", "unanswered")
    assert [survey["line"][key] for key in keys] == [13 * rounds, 10 * rounds, rounds, 0, rounds]
    silent = [each for each in survey["findings"] if each["finding"] == "unanswered-device"]
    assert [each["device"] for each in silent] == [12]


# -- survey -------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def survey(demo_once: DemoRun) -> dict[str, Any]:
    """The document of the four hours that the demo keeps."""
    found: dict[str, Any] = parse_document((demo_once.folder / "survey.json").read_text())
    documents.SURVEY(found, "survey.json")
    return found


def test_survey_agrees_with_the_rows(survey: dict[str, Any], all_rows: list[dict[str, Any]], record: Record) -> None:
    line = survey["line"]
    assert line["settings"] == {"baud": 19200, "framing": "8E1", "inverted": False, "source": "stated"}
    assert (line["mode"], line["flag_rates"]) == ("rtu", None)
    assert line["bytes"] == sum(len(data) for _, data, _ in record.packets)
    assert line["explained_bytes"] >= 0.999 * line["bytes"]
    tries = [row for row in all_rows if row["outcome"] != "unpaired-response"]
    retries = count_retries(tries)
    assert retries > sum(row["retry"] for row in tries)
    assert line["requests"] == len(tries) - retries
    assert line["answered"] == sum(row["outcome"] == "answered" for row in tries)
    assert line["exceptions"] == sum(row["outcome"] == "exception" for row in tries)
    assert sum(poll["retries"] for device in survey["devices"] for poll in device["polls"]) == retries


def count_retries(tries: list[dict[str, Any]]) -> int:
    """The controller's time-out is 100 ms, the second master asks again after 0.5 s; whoever asks in between."""
    count = 0
    latest: dict[str, dict[str, Any]] = {}
    for row in tries:
        before = latest.get(row["request"])
        if before is not None and before["outcome"] in ("unanswered", "damaged"):
            count += row["t_s"] - before["t_s"] < 0.2
        latest[row["request"]] = row
    return count


def test_survey_finds_the_devices_and_their_polls(survey: dict[str, Any]) -> None:
    assert [device["device"] for device in survey["devices"]] == [11, 12, 13, 14, 15, 16, 31]
    assert all(device["answers"] for device in survey["devices"])
    polls = {
        (device["device"], poll["function"], poll["register"], poll["count"]): poll
        for device in survey["devices"]
        for poll in device["polls"]
    }
    assert set(polls) == set(POLLS) | set(OF_THE_SECOND_MASTER)
    assert all(polls[poll]["period_s"] == pytest.approx(1.0, abs=0.02) for poll in POLLS)
    assert all(polls[poll]["period_s"] == pytest.approx(0.5, abs=0.1) for poll in OF_THE_SECOND_MASTER)
    assert polls[16, 3, 40, 2]["exceptions"] == polls[16, 3, 40, 2]["requests"] == CYCLES
    # a request that is garbled is none; none of them counts twice
    assert all(CYCLES - 20 <= polls[poll]["requests"] <= CYCLES for poll in POLLS)


def test_an_outage_is_five_polls_long(survey: dict[str, Any]) -> None:
    """Each device is polled once a second: five polls without an answer last at least four seconds."""
    outages = [each for each in survey["findings"] if each["finding"] == "device-outage"]
    assert [each["device"] for each in outages] == [14]
    for each in outages:
        assert each["to_s"] - each["from_s"] >= 3.9, each


def test_acceptance_9_nothing_settled_is_wrong(survey: dict[str, Any]) -> None:
    seen: dict[tuple[int, int], dict[str, Any]] = {}
    for device in survey["devices"]:
        for value in device["values"]:
            key = (device["device"], value["register"])
            if value["status"] == "settled":
                assert value["encoding"] in TRUE_ENCODINGS[key], (key, value)
            seen.setdefault(key, value)
    for key, true in TRUE_ENCODINGS.items():
        value = seen[key]
        assert {value["encoding"], *(each["encoding"] for each in value["alternatives"])} & true, (key, value)
        if key[0] in (13, 16, 31) or key == (12, 0):
            assert value["encoding"] in true, (key, value)
    assert seen[12, 0]["valid_below"] == 65536
    assert seen[16, 20]["first"] == pytest.approx(3.20, abs=0.01)
    assert seen[16, 20]["status"] == "settled"
    assert seen[31, 20]["kind"] == seen[15, 200]["kind"] == "counter"
    assert all(seen[key]["kind"] == "constant" for key in ((11, 101), (12, 2)))
    levels = [(11, 100), (12, 0), (13, 8), (14, 30), (15, 4), (16, 20)]
    assert all(seen[key]["kind"] == "measurement" for key in levels)


def test_survey_finds_what_happened_at_the_yard(survey: dict[str, Any]) -> None:
    found = survey["findings"]
    masters = [each for each in found if each["finding"] == "second-master"]
    assert sorted(each["device"] for each in masters) == [11, 13]
    for each in masters:
        assert each["from_s"] == pytest.approx(SECOND_MASTER_S, abs=2)
        assert each["to_s"] == pytest.approx(SECOND_MASTER_S + 90, abs=2)
    exceptions = {(each["device"], each["register"]) for each in found if each["finding"] == "exceptions"}
    assert exceptions == {(16, 40), (16, 20)}
    assert [each["device"] for each in found if each["finding"] == "not-a-level"] == [31]
    # What the second master may bring with it; nothing else happened that day.
    named = {each["finding"] for each in found}
    assert named <= {"second-master", "exceptions", "not-a-level", "device-outage", "damaged-answers"}
    for each in found:
        if each["finding"] in ("device-outage", "damaged-answers"):
            assert SECOND_MASTER_S - 2 <= each["from_s"] <= each["to_s"] <= SECOND_MASTER_S + 92


def test_acceptance_4_the_second_master_shows_in_a_short_record(
    capsys: pytest.CaptureFixture[str], record: Record, around_second_master: Path, tmp_path: Path
) -> None:
    """Printed by the verb itself; also where the record is cut 30 s after the second master came."""
    short = record.cut(tmp_path / "short.pcapng", SECOND_MASTER_S - 60, SECOND_MASTER_S + 30)
    for path, ends_s in ((around_second_master, SECOND_MASTER_S + 90), (short, SECOND_MASTER_S + 30)):
        masters = [each for each in survey_of(capsys, path)["findings"] if each["finding"] == "second-master"]
        assert sorted(each["device"] for each in masters) == [11, 13]
        for each in masters:
            assert each["from_s"] == pytest.approx(SECOND_MASTER_S, abs=2)
            assert each["to_s"] == pytest.approx(ends_s, abs=2)


def test_a_torn_end_is_a_finding_and_no_error(
    capsys: pytest.CaptureFixture[str], record: Record, quiet: Path, tmp_path: Path
) -> None:
    whole = rows_of(capsys, quiet)
    torn = tmp_path / "torn.pcapng"
    torn.write_bytes(quiet.read_bytes()[:-9])
    assert "truncated-recording" not in {each["finding"] for each in survey_of(capsys, quiet)["findings"]}
    assert "truncated-recording" in {each["finding"] for each in survey_of(capsys, torn)["findings"]}
    kept = rows_of(capsys, torn)
    assert len(whole) - 2 <= len(kept) <= len(whole)
    assert kept[:-1] == whole[: len(kept) - 1]
    table = write_csv(tmp_path / "torn.csv", record, RECORD_STARTS_S + 600, RECORD_STARTS_S + 660)
    table.write_bytes(table.read_bytes()[:-2])  # half a byte's hex and the line's end
    assert "truncated-recording" in {each["finding"] for each in survey_of(capsys, table)["findings"]}


def test_times_may_be_negative_and_a_step_back_is_a_finding(
    capsys: pytest.CaptureFixture[str], record: Record, tmp_path: Path
) -> None:
    packets = record.between(RECORD_STARTS_S + 600, RECORD_STARTS_S + 660)
    start_ns = packets[0][0]
    for name, step_ns in (("even", 0), ("stepped", 3600 * 10**9)):
        rows = [
            f"{(t_ns - start_ns - 30 * 10**9 - step_ns * (number >= len(packets) // 2)) / 1e9:.9f},{data.hex()}"
            for number, (t_ns, data, _) in enumerate(packets)
        ]
        path = tmp_path / f"{name}.csv"
        path.write_text("\n".join(["time_s,hex", *rows, ""]))
        found = survey_of(capsys, path)
        assert (name == "stepped") == ("clock-stepped" in {each["finding"] for each in found["findings"]})
        assert found["line"]["requests"] == found["line"]["answered"] + found["line"]["exceptions"]
        assert rows_of(capsys, path)[0]["t_s"] < 0


def test_flags_give_rates(capsys: pytest.CaptureFixture[str], record: Record, tmp_path: Path) -> None:
    """Every hundredth byte or so flagged with a parity error: the rate is counted, the document stays whole."""
    packets = record.between(RECORD_STARTS_S + 600, RECORD_STARTS_S + 660)
    rows, flagged, total = [], 0, 0
    for number, (t_ns, data, _) in enumerate(packets):
        flags = "p" + "." * (len(data) - 1) if number % 5 == 0 else "." * len(data)
        flagged, total = flagged + flags.count("p"), total + len(data)
        rows.append(f"{t_ns / 1e9:.6f},{data.hex()},{flags}")
    path = tmp_path / "flags.csv"
    path.write_text("\n".join(["time_s,hex,flags", *rows, ""]))
    rates = survey_of(capsys, path)["line"]["flag_rates"]
    assert rates["parity"] == pytest.approx(flagged / total, rel=0.01)
    assert (rates["framing"], rates["break"]) == (0, 0)


# -- Hand-made lines ----------------------------------------------------------------------------------------------


def hand_made(path: Path, exchanges: list[tuple[str, str]], start_s: float = 0.0) -> Path:
    """One exchange after another within each second: (second's requests and responses), address + PDU in hex."""
    rows = []
    for number, (request, response) in enumerate(exchanges):
        t_s = start_s + number
        rows += [f"{t_s:.3f},{framed(request)}", f"{t_s + 0.03:.3f},{framed(response)}"]
    path.write_text("\n".join(["time_s,hex", *rows, ""]))
    return path


def test_acceptance_9_a_high_word_that_moves_is_uint32(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """2 words, low first, that rise from 60,000 past 65,536 and fall back, by steps that are no pattern."""
    exchanges, value = [], 60_000
    for second in range(1200):
        value += (37, -11, 53, 5)[second * second % 4] * (1 if second < 700 else -1)
        exchanges.append(("0c0300000002", f"0c0304{value & 0xFFFF:04x}{value >> 16:04x}"))
    assert value != 60_000
    (device,) = survey_of(capsys, hand_made(tmp_path / "moves.csv", exchanges))["devices"]
    first = device["values"][0]
    assert (first["register"], first["encoding"]) == (0, "uint32-low-word-first")
    assert first["max"] > 65_536
    assert first["valid_below"] is None


def golden_line(path: Path) -> Path:
    """A minute of the three answers of the demo yard that are given with their check bytes, steady."""
    rows = []
    for second in range(60):
        for number, (request, response) in enumerate(
            [
                ("0b0300640003", "0B 03 06 0D 98 00 01 00 B7 6E A2"),
                ("0c0300000003", "0C 03 06 A8 CA 00 00 00 01 39 DD"),
                ("0d0400080004", "0D 04 08 41 D8 CC CD 41 93 33 33 0A 44"),
            ]
        ):
            t_s = second + 0.06 * number
            rows += [f"{t_s:.3f},{framed(request)}", f"{t_s + 0.03:.3f},{bytes.fromhex(response).hex()}"]
    path.write_text("\n".join(["time_s,hex", *rows, ""]))
    return path


def test_acceptance_12_golden_readings_by_the_verb(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    levels = levels_of(capsys, SITE, str(golden_line(tmp_path / "golden.csv")))
    assert list(levels) == ["T1", "T2", "T3"]
    for vessel, gallons in (("T1", 60_371), ("T2", 84_760), ("T3", 21_576)):
        assert levels[vessel]["quality"] == "good"
        assert levels[vessel]["volume_gal"] == pytest.approx(gallons, abs=2)
    assert (levels["T1"]["level_mm"], levels["T1"]["level_text"]) == (3480, "11 ft 5 in")
    assert levels["T2"]["level_mm"] == pytest.approx(4321.0, abs=0.05)
    for vessel, pounds_a_gallon in (("T1", 11.06), ("T2", 10.67), ("T3", 11.65)):
        weight = levels[vessel]["volume_gal"] * pounds_a_gallon
        assert levels[vessel]["mass_lb"] == pytest.approx(weight, rel=1e-5)


def test_acceptance_10_the_register_is_100_and_shown_as_400101(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """One still reading of 3,480 ± 5 mm: never settled, and where it names a register, never 101, which reads 1."""
    golden = golden_line(tmp_path / "golden.csv")
    (row, *_) = rows_of(capsys, golden)
    assert (row["table"], row["register"], row["count"]) == ("holding-register", 100, 3)
    values = {value["register"]: value for value in survey_of(capsys, golden)["devices"][0]["values"]}
    assert (values[100]["first"], values[101]["first"]) == (3480, 1)
    assert "400101" in printed(capsys, "survey", str(golden))
    readings = tmp_path / "readings.csv"
    readings.write_text("time_s,name,value,unit,tolerance\n30,T1,3480,mm,5\n")
    found = parse_document(printed(capsys, "match", str(golden), str(readings), "--json"))
    documents.MATCH(found, "match")
    (answer,) = found["answers"]
    assert answer["status"] != "settled"
    named = [answer, *(answer["rivals"] or [])]
    assert not any(each["register"] == 101 and each["scale"] in (0.001, 1) for each in named)


# -- match --------------------------------------------------------------------------------------------------------


def test_match_finds_every_vessel(demo_once: DemoRun, survey: dict[str, Any]) -> None:
    """Settled, and right within 0.5 % of the vessel's span over the whole record, judged at both ends of it."""
    found = parse_document((demo_once.folder / "match.json").read_text())
    documents.MATCH(found, "match.json")
    assert sorted(answer["name"] for answer in found["answers"]) == sorted(TRUE_MATCHES)
    values = {
        (device["device"], value["register"]): value for device in survey["devices"] for value in device["values"]
    }
    for answer in found["answers"]:
        device, register, scale, offset, span_m = TRUE_MATCHES[answer["name"]]
        assert (answer["status"], answer["unit"]) == ("settled", "m")
        assert (answer["device"], answer["register"]) == (device, register)
        assert answer["encoding"] in TRUE_ENCODINGS[device, register]
        assert answer["confidence"] >= 0.99
        assert answer["suspect_readings"] == []
        for end in ("min", "max"):
            decoded = values[device, register][end]
            wrong_m = decoded * answer["scale"] + answer["offset"] - (decoded * scale + offset)
            assert abs(wrong_m) <= 0.005 * span_m, (answer["name"], end, wrong_m)
    (south,) = (answer for answer in found["answers"] if answer["name"] == "T2")
    assert south["valid_below"] == pytest.approx(6.5536, rel=1e-6)


def test_match_prints_its_document(
    capsys: pytest.CaptureFixture[str], record: Record, demo_once: DemoRun, tmp_path: Path
) -> None:
    """Half an hour with its own readings and one that is a lie; whatever the answers are, the document is whole."""
    half = record.cut(tmp_path / "half.pcapng", RECORD_STARTS_S, RECORD_STARTS_S + 600)
    with (demo_once.folder / "readings.csv").open() as stream:
        readings = [row for row in csv.DictReader(stream) if float(row["time_s"]) < RECORD_STARTS_S + 600]
    path = tmp_path / "few.csv"
    rows = [f"{row['time_s']},{row['name']},{row['value']},{row['unit']}" for row in readings]
    lie = f"{RECORD_STARTS_S + 300:.0f},Pond,123.456,m"
    path.write_text("\n".join(["time_s,name,value,unit", *rows, lie, ""]))
    found = parse_document(printed(capsys, "match", str(half), str(path), "--site", SITE, "--json"))
    documents.MATCH(found, "match")
    answers = {answer["name"]: answer for answer in found["answers"]}
    assert set(answers) == {row["name"] for row in readings} | {"Pond"}
    assert answers["Pond"]["status"] != "settled"
    assert answers["T1"]["status"] != "settled"  # one reading alone


def falling_level(path: Path) -> Path:
    """Half an hour of device 11 at the demo's 09:00: still for 5 min, 1,080 mm down in 20 min, then still again."""
    rows = []
    for second in range(1800):
        level_mm = 3480 - 9 * min(max(second - 300, 0), 1200) // 10
        for late_s, frame in ((0.0, "0b0300640003"), (0.03, f"0b0306{level_mm:04x}000100b7")):
            rows.append(f"{RECORD_STARTS_S + second + late_s:.3f},{framed(frame)}")
    path.write_text("\n".join(["time_s,hex", *rows, ""]))
    return path


def match_of(capsys: pytest.CaptureFixture[str], recording: Path, rows: list[str], *more: str) -> dict[str, Any]:
    path = recording.with_name("typed.csv")
    path.write_text("\n".join([*rows, ""]))
    found = parse_document(printed(capsys, "match", str(recording), str(path), *more, "--json"))
    documents.MATCH(found, "match")
    (answer,) = found["answers"]
    assert isinstance(answer, dict)
    return answer


def test_readings_in_feet_and_by_the_yards_clock(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """3480, 2940 and 2400 mm as a person would type them; `unit` is that of the first, ft-in as ft."""
    answer = match_of(
        capsys,
        falling_level(tmp_path / "falls.csv"),
        [
            "time,name,value,unit,device,tolerance,kind",
            "2026-03-11T09:00:10,North,11 ft 5 in,ft-in,,,",
            "2026-03-11T09:15:00,North,294,cm,11,1,dip",
            "2026-03-11T09:29:00,North,7.87,ft,,,display",
        ],
        *("--site", SITE),
    )
    assert [answer[key] for key in ("status", "device", "register", "unit")] == ["settled", 11, 100, "ft"]
    assert answer["scale"] == pytest.approx(1 / 304.8, rel=0.005)  # exact: ft = 304.8 mm (NIST)
    assert answer["offset"] == pytest.approx(0, abs=0.02)


def test_the_next_reading_settles_what_one_left_open(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """One reading alone is never settled; the true reading at the moment that was named settles it."""
    falls = falling_level(tmp_path / "falls.csv")
    rows = ["time_s,name,value,unit", f"{RECORD_STARTS_S + 10:.0f},North,3.480,m"]
    first = match_of(capsys, falls, rows)
    assert first["status"] == "ambiguous"
    assert first["next_at_s"] is not None
    second = first["next_at_s"] - RECORD_STARTS_S
    level_mm = 3480 - 9 * min(max(int(second) - 300, 0), 1200) // 10
    answer = match_of(capsys, falls, [*rows, f"{first['next_at_s']:.3f},North,{level_mm / 1000:.3f},m"])
    assert [answer[key] for key in ("status", "device", "register", "unit")] == ["settled", 11, 100, "m"]


def test_a_still_line_names_no_moment_that_would_settle_it(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """`next_at_s` is a moment of this record that would have settled it, or null; nothing moves on this line."""
    golden = golden_line(tmp_path / "golden.csv")
    answer = match_of(capsys, golden, ["time_s,name,value,unit", "30,T1,3.480,m"])
    assert answer["status"] != "settled"
    assert answer["next_at_s"] is None
    assert "readings lie" not in answer["next"]  # there is but one


def test_no_rival_is_more_probable_than_the_answer(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    golden = golden_line(tmp_path / "golden.csv")
    answer = match_of(capsys, golden, ["time_s,name,value,unit", "10,Pond,3.48,m"])
    assert answer["rivals"]
    assert all(rival["confidence"] <= answer["confidence"] for rival in answer["rivals"])


# -- check and verify ---------------------------------------------------------------------------------------------


def test_check_and_verify_speak_of_one_scheme(
    capsys: pytest.CaptureFixture[str], demo_once: DemoRun, tmp_path: Path
) -> None:
    shutil.copytree(EXAMPLE, tmp_path / "site")
    site = tmp_path / "site" / "bay-b.toml"
    first = parse_document(printed(capsys, "check", str(site), "--json"))
    documents.CHECK(first, "check")
    assert first["ok"] is True
    verification = parse_document((demo_once.folder / "verification.json").read_text())
    assert verification["scheme_hash"] == first["scheme_hash"]
    site.write_text("# a comment\n" + site.read_text())
    assert parse_document(printed(capsys, "check", str(site), "--json")) == first
    site.write_text(site.read_text().replace('name = "North Round"', 'name = "North  Round"', 1))
    second = parse_document(printed(capsys, "check", str(site), "--json"))
    assert (second["scheme_hash"] == first["scheme_hash"], second["site_hash"] == first["site_hash"]) == (True, False)
    site.write_text(site.read_text().replace('"9 min 35 s"', '"9 min 30 s"', 1))
    third = parse_document(printed(capsys, "check", str(site), "--json"))
    assert third["scheme_hash"] != first["scheme_hash"]


def test_every_promise_of_the_bay_holds(demo_once: DemoRun) -> None:
    found = parse_document((demo_once.folder / "verification.json").read_text())
    documents.VERIFY(found, "verification.json")
    assert found["ok"] is True
    held = {(each["promise"], each["subject"]) for each in found["promises"] if each["verdict"] == "holds"}
    of_the_bay = (
        *("ticket-time-bound", "fresh-press-only", "close-wins", "start-up-closed", "permissive-closes"),
        *("one-valve-per-bay", "opens-when-asked", "stays-open"),
    )
    assert held >= {(promise, "B") for promise in of_the_bay}
    assert held >= {("open-time-bound", valve) for valve in ("B1", "B2", "B3")}
    assert held >= {(promise, f"T{n}") for promise in ("trip-closes", "bad-or-old-closes") for n in (1, 2, 3)}
    reached = {(each["goal"], each["subject"]) for each in found["reachable"] if each["reached"]}
    assert reached >= {(goal, "B") for goal in ("can-open", "can-reach-limit", "can-trip-and-reopen")}
    assert ("can-use-all-restarts", "B") in reached


# -- level --------------------------------------------------------------------------------------------------------


def test_levels_are_what_people_dipped(
    capsys: pytest.CaptureFixture[str], record: Record, demo_once: DemoRun, tmp_path: Path
) -> None:
    """T1 to T3 within 5 mm of every dip, from half a minute of record around it. A level may move 2 mm in 5 s."""
    with (demo_once.folder / "readings.csv").open() as stream:
        dips = [row for row in csv.DictReader(stream) if row["kind"] == "dip" and row["name"] in ("T1", "T2", "T3")]
    assert sorted(row["name"] for row in dips) == ["T1", "T1", "T2", "T2", "T3", "T3"]
    for number, dip in enumerate(dips):
        t_s = float(dip["time_s"])
        piece = record.cut(tmp_path / f"{number}.pcapng", t_s - 25, t_s + 5)
        level = levels_of(capsys, SITE, str(piece), "--at", dip["time_s"])[dip["name"]]
        assert level["quality"] == "good"
        assert level["age_s"] <= 1.1
        assert level["level_mm"] == pytest.approx(float(dip["value"]) * 1000, abs=5)
        local = datetime.fromtimestamp(t_s, ZoneInfo("America/Chicago")).replace(tzinfo=None).isoformat()
        assert levels_of(capsys, SITE, str(piece), "--at", local)[dip["name"]] == level


def test_old_data_has_no_level(capsys: pytest.CaptureFixture[str], quiet: Path) -> None:
    """Warn at 3 s, old at 5 s after the last answer: the number goes, its last good value and time stay."""
    ends_s = RECORD_STARTS_S + 660
    levels = {late: levels_of(capsys, SITE, str(quiet), "--at", f"{ends_s + late:.0f}") for late in (0, 4, 7)}
    for vessel in ("T1", "T2", "T3"):
        assert [levels[late][vessel]["quality"] for late in (0, 4, 7)] == ["good", "warn", "old"]
        assert levels[7][vessel]["level_mm"] is None
        assert levels[7][vessel]["volume_gal"] is None
        assert levels[7][vessel]["last_good"]["t_s"] <= ends_s
        assert levels[7][vessel]["reason"] != ""


# -- journal ------------------------------------------------------------------------------------------------------


def audit(capsys: pytest.CaptureFixture[str], store: Path, status: int) -> dict[str, Any]:
    before = store.read_bytes()
    found: dict[str, Any] = parse_document(printed(capsys, "journal", str(store), "--audit", "--json", status=status))
    documents.AUDIT(found, "audit")
    assert store.read_bytes() == before
    return found


def test_the_journal_holds_and_an_altered_byte_is_located(
    capsys: pytest.CaptureFixture[str], demo_once: DemoRun, tmp_path: Path
) -> None:
    """Acceptance 37's last sentence, on a copy: one character of the site's name in the first record."""
    shutil.copytree(demo_once.folder / "state", tmp_path / "state", ignore=shutil.ignore_patterns("*.sock"))
    store = tmp_path / "state" / "station.db"
    folded = sqlite3.connect(store)
    folded.execute("pragma wal_checkpoint(truncate)")
    folded.close()
    good = audit(capsys, store, status=0)
    assert good["ok"] is True
    assert good["records"] > 10
    content = store.read_bytes()
    assert content.count(b"Tarn Hollow Growers") == 1
    store.write_bytes(content.replace(b"Tarn Hollow Growers", b"Tarn Hollow Growerz"))
    bad = audit(capsys, store, status=1)
    assert (bad["ok"], bad["first_bad"]) == (False, 1)


# -- The shapes themselves ----------------------------------------------------------------------------------------


def spoilt(value: Any) -> Iterator[Any]:
    """The document with one thing wrong in it: a key gone, a key more, a word or a number that is neither."""
    if isinstance(value, dict):
        yield {**value, "one_more": 1}
        for key in value:
            yield {other: value[other] for other in value if other != key}
            yield from ({**value, key: each} for each in spoilt(value[key]))
    elif isinstance(value, list):
        yield {"a": "list no more"}
        if value:
            yield from ([each, *value[1:]] for each in spoilt(value[0]))
    else:
        yield ["not", "this"]
        yield float("nan")


def test_a_spoilt_document_is_seen(demo_once: DemoRun, all_rows: list[dict[str, Any]]) -> None:
    """The shapes can fail: every single fault planted in a true document is caught."""
    shapes = {"survey.json": documents.SURVEY, "match.json": documents.MATCH, "verification.json": documents.VERIFY}
    cases = [(shape, json.loads((demo_once.folder / name).read_text())) for name, shape in shapes.items()]
    for shape, document in [*cases, (documents.TRANSACTION, all_rows[0])]:
        shape(document, "document")
        faults = list(spoilt(document))
        assert len(faults) > 20
        for fault in faults:
            with pytest.raises(AssertionError):
                shape(fault, "document")
