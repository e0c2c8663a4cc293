"""The rows of `transactions`, from columns: against json and csv of single events, and across the file formats."""

import csv
import io
import json
import re
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import fastcrc
import numpy as np
import pytest

from sidetap.cli import rows
from sidetap.cli.main import run
from sidetap.line import Columns, Mode, Outcome, Transaction
from sidetap.line.columns import NO_TIME, NOISE, NONE, OUTCOMES
from sidetap.line.recording import read, write_csv
from sidetap.quantity import NS_PER_S
from sidetap.rehearse.working_day import record_working_day

TIMES_NS = (0, 1, -1, 999_999_999, -1_000_000_000, 1_500_000_000, -1_773_241_200_123_456_789, 2**63 - 1, NO_TIME)


def rtu(text: str) -> bytes:
    data = bytes.fromhex(text)
    return data + fastcrc.crc16.modbus(data).to_bytes(2, "little")


def ascii_frame(text: str) -> bytes:
    """Return a frame of the ASCII mode; its LRC by the worked rule of MODBUS over Serial Line V1.02, 6.2.1."""
    check = -sum(bytes.fromhex(text)) & 0xFF
    return f":{text}{check:02X}\r\n".upper().encode()


class Made:
    """Columns put together row by row."""

    def __init__(self, mode: Mode) -> None:
        self.mode = mode
        self.data = b""
        self.rows: list[tuple[Any, ...]] = []

    def add(
        self,
        asked: tuple[int, int, int, int],
        request: bytes,
        response: bytes,
        outcome: Outcome | None,
        bits: tuple[int, int] = (NONE, NONE),
        retry: bool = False,
    ) -> None:
        start = len(self.data)
        middle, end = start + len(request), start + len(request) + len(response)
        self.data += request + response
        spans = (start, middle) if request else (NONE, NONE), (middle, end) if response else (NONE, NONE)
        mended = tuple(NONE if bit == NONE else 8 * at + bit for bit, at in zip(bits, (start, middle), strict=True))
        t_ns = TIMES_NS[len(self.rows) % len(TIMES_NS)]
        number = NOISE if outcome is None else OUTCOMES.index(outcome)
        self.rows.append((end, number, *asked, *spans, *mended, t_ns, retry))

    def columns(self) -> Columns:
        ends, outcome, device, function, register, count, request, response, *bits, t_ns, retry = zip(
            *self.rows, strict=True
        )
        wide, narrow = np.int64, np.int32
        return Columns(
            mode=self.mode,
            data=np.frombuffer(self.data, dtype=np.uint8),
            ends=np.array(ends, dtype=wide),
            outcome=np.array(outcome, dtype=np.uint8),
            device=np.array(device, dtype=narrow),
            function=np.array(function, dtype=narrow),
            register=np.array(register, dtype=narrow),
            count=np.array(count, dtype=narrow),
            request=np.array(request, dtype=wide),
            response=np.array(response, dtype=wide),
            request_bit=np.array(bits[0], dtype=wide),
            response_bit=np.array(bits[1], dtype=wide),
            t_ns=np.array(t_ns, dtype=wide),
            t_end_ns=np.array(t_ns, dtype=wide),
            retry=np.array(retry, dtype=np.bool_),
            backlog=np.zeros(len(ends), dtype=np.bool_),
        )


def of_all_kinds(mode: Mode) -> Columns:
    frame = rtu if mode is Mode.RTU else ascii_frame
    made = Made(mode)
    read_3, answer_3 = frame("0B0300640003"), frame("0B03060D98000100B7")
    for _ in range(2):
        made.add((11, 3, 100, 3), read_3, answer_3, Outcome.ANSWERED)
        made.add((NONE, NONE, NONE, NONE), b"\x77\xc3", b"", None)
        made.add((11, 3, 100, 3), read_3, b"", Outcome.UNANSWERED, retry=True)
        made.add((1, 6, 65535, 1), frame("0106FFFF0000"), b"", Outcome.DAMAGED)
        made.add((0, 6, 0, 1), frame("000600000000"), b"", Outcome.BROADCAST)
        made.add((16, 4, 40, 2), frame("100400280002"), frame("108402"), Outcome.EXCEPTION)
        made.add((200, 0x41, NONE, NONE), frame("C84100FF"), frame("C841AA"), Outcome.ANSWERED)
        made.add((11, 3, NONE, NONE), b"", answer_3, Outcome.UNPAIRED_RESPONSE)
        made.add((11, 3, 100, 3), read_3, answer_3, Outcome.ANSWERED, bits=(16, NONE))
        made.add((11, 3, 100, 3), read_3, answer_3, Outcome.ANSWERED, bits=(NONE, 24), retry=True)
        made.add((11, 3, 100, 3), read_3, answer_3, Outcome.ANSWERED, bits=(33, 40))
    return made.columns()


def cells(event: Transaction) -> dict[str, Any]:
    """Return a row as the contract tells it, from a single event."""
    return {
        "device": event.device,
        "function": event.function,
        "table": event.table,
        "register": event.register,
        "count": event.count,
        "request": None if event.request is None else event.request.hex(),
        "response": None if event.response is None else event.response.hex(),
        "outcome": event.outcome.value,
        "retry": event.retry,
        "repaired": event.repaired,
    }


def told(columns: Columns) -> list[Transaction]:
    return [event for event in columns.events() if isinstance(event, Transaction)]


@pytest.mark.parametrize("mode", Mode)
def test_json_lines_are_those_of_the_single_events(mode: Mode) -> None:
    columns = of_all_kinds(mode)
    lines = list(rows.lines(columns, rows.JSONL))
    assert len(lines) == len(told(columns)) == 20
    for line, event in zip(lines, told(columns), strict=True):
        assert line.endswith("}\n")
        row = json.loads(line, parse_float=Decimal, parse_int=Decimal)
        t_s = row.pop("t_s")
        assert t_s == (None if event.t_ns is None else Decimal(event.t_ns) / NS_PER_S)
        assert line == f'{{"t_s": {plain(event.t_ns)}, {json.dumps(cells(event))[1:]}\n'


@pytest.mark.parametrize("mode", Mode)
def test_csv_rows_are_those_of_the_single_events(mode: Mode) -> None:
    columns = of_all_kinds(mode)
    expected = io.StringIO()
    writer = csv.writer(expected, lineterminator="\n")
    writer.writerow(["t_s", *cells(told(columns)[0])])
    for event in told(columns):
        values = [str(cell).lower() if isinstance(cell, bool) else cell for cell in cells(event).values()]
        writer.writerow(["" if event.t_ns is None else plain(event.t_ns), *values])
    assert rows.CSV.header + "".join(rows.lines(columns, rows.CSV)) == expected.getvalue()


def plain(t_ns: int | None) -> str:
    """Return decimal seconds without an exponent and without zeros at the end."""
    return "null" if t_ns is None else format((Decimal(t_ns) / NS_PER_S).normalize(), "f")


def test_mended_bits_are_shown_mended() -> None:
    """Bits 16 and 33 of requests (bytes 2 and 4), bits 24 and 40 of answers (bytes 3 and 5)."""
    found = [json.loads(line) for line in rows.lines(of_all_kinds(Mode.RTU), rows.JSONL)]
    mended = [row for row in found if row["repaired"]]
    assert [row["request"] for row in mended[:3]] == ["0b0301640003", "0b0300640003", "0b0300640203"]
    assert [row["response"] for row in mended[:3]] == [
        "0b03060d98000100b7",
        "0b03060c98000100b7",
        "0b03060d98010100b7",
    ]


def test_rows_of_nothing() -> None:
    made = Made(Mode.RTU)
    made.add((NONE, NONE, NONE, NONE), b"\x77", b"", None)
    assert list(rows.lines(made.columns(), rows.JSONL)) == []


# -- the same line in every format -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def in_all_formats(tmp_path_factory: pytest.TempPathFactory) -> Sequence[Path]:
    """Return five minutes of the demo line as .pcapng, .csv and .bin."""
    folder = tmp_path_factory.mktemp("formats")
    record_working_day(folder, 3, 5 / 60)
    recording = read(folder / "line.pcapng")
    chunks = list(recording.chunks)
    write_csv(folder / "line.csv", chunks, recording.settings)
    (folder / "line.bin").write_bytes(b"".join(chunk.data for chunk in chunks))
    return [folder / "line.pcapng", folder / "line.csv", folder / "line.bin"]


@pytest.mark.parametrize("form", ["jsonl", "csv"])
def test_pcapng_csv_and_bin_of_one_line_agree(
    in_all_formats: Sequence[Path], capsys: pytest.CaptureFixture[str], form: str
) -> None:
    """All rows are the same, but that bare bytes have no time."""
    said = []
    for path in in_all_formats:
        assert run(["transactions", str(path), "--format", form]) == 0
        said.append(capsys.readouterr().out)
    pcapng, text, bare = said
    assert pcapng.count("\n") > 2500
    assert text == pcapng
    timed, untimed = (r'(?m)^\{"t_s": [0-9.]+,', '{"t_s": null,') if form == "jsonl" else (r"(?m)^[0-9.]+,", ",")
    assert re.sub(timed, untimed, pcapng) == bare
