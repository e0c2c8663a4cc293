"""`sidetap new`: a survey's and a match's document -> a first site file, with the evidence in comments."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from sidetap.errors import BadInput, printable
from sidetap.line.recording.beside import written_beside
from sidetap.site.files import MOST_BYTES, NotText, read_small_text
from sidetap.site.first_file import first_site_file, read_match, read_survey

_MOST_DOCUMENT_BYTES = 10_000_000  # sixty devices of 125 registers take a third of it
_UTF8 = "Save it as UTF-8; some shells write UTF-16 when output is sent to a file."


def new(
    site: Annotated[Path, typer.Argument(help="The site file to write; it must not be there yet.")],
    survey: Annotated[Path, typer.Option("--from", metavar="SURVEY.json", help="What survey --json printed.")],
    match: Annotated[
        Path | None,
        typer.Option(metavar="MATCH.json", help="What match --json printed; without it no vessel is named."),
    ] = None,
) -> None:
    """Write a first site file from what was heard and read; what nobody can know is left to be filled in."""
    _check_place(site)
    told = read_survey(_text(survey), str(survey))
    matched = None if match is None else read_match(_text(match), str(match), told)
    first = first_site_file(told, matched)
    data = first.text.encode()
    if len(data) > MOST_BYTES:
        problem = f"a site file of {len(data)} bytes would come of it, over {MOST_BYTES}"
        raise BadInput(str(survey), problem, "Survey a shorter record.")
    with written_beside(site) as file:
        _check_place(site)
        file.write(data)
    name, count = printable(str(site)), len(first.open_names)
    points = f"{first.points} point{'' if first.points == 1 else 's'}"
    sys.stdout.write(
        f"{name}: {points} from settled readings, {count} name{'' if count == 1 else 's'} open\n"
        f"Nothing in it is confirmed. Fill in what has a question mark; sidetap check {name} says what is missing.\n"
    )


def _check_place(site: Path) -> None:
    """Refuse a place where something is already, or where no file can be."""
    if site.is_symlink() or site.exists():
        raise BadInput(str(site), "it is there already", "Give another name: nothing is ever overwritten.")
    if not site.parent.is_dir():
        raise BadInput(str(site), f"there is no folder {site.parent}", "Make the folder first.")


def _text(path: Path) -> str:
    try:
        return read_small_text(path, _MOST_DOCUMENT_BYTES)
    except NotText as problem:
        raise BadInput(f"{path}:{problem.line}:{problem.column}", "this byte is no UTF-8", _UTF8) from None
