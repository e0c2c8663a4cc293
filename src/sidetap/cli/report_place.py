"""Where a report may go."""

from collections.abc import Sequence
from pathlib import Path

from sidetap.errors import BadInput


def check_report_place(report: Path, inputs: Sequence[Path | None]) -> None:
    """Refuse a place where no report can go, before a long recording is worked on."""
    if report.is_dir() or not report.parent.is_dir():
        raise BadInput(
            str(report), "no file can be written there", "Give the name of a file in a folder that exists."
        )
    if report.exists() and any(given is not None and given.exists() and report.samefile(given) for given in inputs):
        raise BadInput(str(report), "the report would replace a file it is made from", "Give it a name of its own.")
