"""`sidetap line`: edges of a line, as a probe or an oscilloscope saw them -> its settings, how sure, and why."""

import json
import sys
from pathlib import Path
from textwrap import wrap
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.text import Text

from sidetap.errors import printable
from sidetap.line.edges import Edges, Verdict, identify, read
from sidetap.line.edges.words import evidence, headline, remarks, rivals

_INDENT = 2


def line(
    edges: Annotated[Path, typer.Argument(help="The edges: .csv with time_s,level or .vcd with one signal.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Find baud, framing and polarity of a line from the moments at which its level changed."""
    capture = read(edges)
    verdict = identify(capture)
    if as_json:
        sys.stdout.write(json.dumps(_document(verdict), allow_nan=False) + "\n")
    else:
        _show(capture, verdict)


def _document(verdict: Verdict) -> dict[str, Any]:
    return {
        "baud": verdict.baud,
        "framing": verdict.framing,
        "inverted": verdict.inverted,
        "confidence": round(verdict.confidence, 6),
        "characters": 0 if verdict.evidence is None else verdict.evidence.characters,
    }


def _show(capture: Edges, verdict: Verdict) -> None:
    console = Console(highlight=False)
    console.print(Text(f"{printable(capture.path.name)}: {headline(verdict)}", style="bold"))
    for title, rows in (
        ("Evidence", evidence(capture, verdict)),
        ("Rivals", rivals(verdict)),
        ("Remarks", remarks(capture, verdict)),
    ):
        if rows:
            console.print(Text(f"\n{title}", style="bold"))
            for row in rows:
                for part in wrap(row, console.width - _INDENT):
                    console.print(Text(" " * _INDENT + part))
