"""`sidetap transactions`: a recording -> one row per request tried, in order, as JSON lines or csv."""

import csv
import json
import sys
from collections.abc import Callable, Iterator
from decimal import Decimal
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from sidetap.cli.progress import watched
from sidetap.line import Parser, Transaction
from sidetap.line.recording import Recording, read
from sidetap.quantity import NS_PER_S

COLUMNS = (
    "t_s",
    "device",
    "function",
    "table",
    "register",
    "count",
    "request",
    "response",
    "outcome",
    "retry",
    "repaired",
)


class Form(StrEnum):
    """How the rows are written."""

    JSONL = "jsonl"
    CSV = "csv"


def transactions(
    recording: Annotated[Path, typer.Argument(help="The recording: .pcapng, .csv or .bin.")],
    form: Annotated[Form, typer.Option("--format", help="One JSON object a line, or csv.")] = Form.JSONL,
) -> None:
    """List what was asked on the line and what became of it, one row per try."""
    source = read(recording)
    write = _json_writer() if form is Form.JSONL else _csv_writer()
    for row in _rows(source):
        write(row)
    if source.truncated:
        sys.stderr.write("note: truncated-recording: the last block or row is torn; read up to the last whole one\n")


def _rows(source: Recording) -> Iterator[Transaction]:
    parser = Parser(source.settings)
    for chunk in watched(source):
        parser.receive(chunk)
        yield from _taken(parser)
    parser.close()
    yield from _taken(parser)


def _taken(parser: Parser) -> Iterator[Transaction]:
    while (event := parser.next_event()) is not None:
        if isinstance(event, Transaction):
            yield event


def _cells(row: Transaction) -> dict[str, Any]:
    return {
        "t_s": None if row.t_ns is None else _seconds(row.t_ns),
        "device": row.device,
        "function": row.function,
        "table": row.table,
        "register": row.register,
        "count": row.count,
        "request": None if row.request is None else row.request.hex(),
        "response": None if row.response is None else row.response.hex(),
        "outcome": row.outcome.value,
        "retry": row.retry,
        "repaired": row.repaired,
    }


def _seconds(t_ns: int) -> str:
    """Return decimal seconds, exact to the ns: a float could not hold them."""
    return format((Decimal(t_ns) / NS_PER_S).normalize(), "f")


def _json_writer() -> Callable[[Transaction], None]:
    def write(row: Transaction) -> None:
        cells = _cells(row)
        rest = json.dumps({name: cells[name] for name in COLUMNS[1:]})
        time = "null" if cells["t_s"] is None else cells["t_s"]
        sys.stdout.write(f'{{"t_s": {time}, {rest[1:]}\n')

    return write


def _csv_writer() -> Callable[[Transaction], None]:
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(COLUMNS)

    def write(row: Transaction) -> None:
        cells = _cells(row)
        writer.writerow([str(cell).lower() if isinstance(cell, bool) else cell for cell in cells.values()])

    return write
