"""`sidetap transactions`: a recording -> one row per request tried, in order, as JSON lines or csv."""

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from sidetap.cli.progress import watched_batches
from sidetap.cli.rows import CSV, JSONL, lines
from sidetap.line import listen
from sidetap.line.recording import read


class Format(StrEnum):
    """How the rows are written."""

    JSONL = "jsonl"
    CSV = "csv"


def transactions(
    recording: Annotated[Path, typer.Argument(help="The recording: .pcapng, .csv or .bin.")],
    form: Annotated[Format, typer.Option("--format", help="One JSON object a line, or csv.")] = Format.JSONL,
) -> None:
    """List what was asked on the line and what became of it, one row per try."""
    source = read(recording)
    written = JSONL if form is Format.JSONL else CSV
    sys.stdout.write(written.header)
    for columns in listen(watched_batches(source), source.settings):
        sys.stdout.writelines(lines(columns, written))
    if source.truncated:
        sys.stderr.write("note: truncated-recording: the last block or row is torn; read up to the last whole one\n")
