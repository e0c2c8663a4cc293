"""`sidetap site`: what differs between two site files, what a key is for, a schema for editors, an older format."""

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table

from sidetap.cli.kept import replace_keeping
from sidetap.cli.paragraphs import page, paragraph
from sidetap.errors import BadInput, printable
from sidetap.quantity import Texts
from sidetap.site import Severity, load, load_or_refuse
from sidetap.site.differences import Comparison, Difference, compare
from sidetap.site.document import read_document
from sidetap.site.explaining import find, listed, told
from sidetap.site.files import MOST_BYTES
from sidetap.site.keys import FORMAT
from sidetap.site.migrating import format_of
from sidetap.site.migrating import migrate as migrated
from sidetap.site.schema import schema as site_schema
from sidetap.vessel import Residual, Shifted, Strapping, residuals

_HASH = 12  # digits shown
_LABEL = 12  # columns before what is said of a key

site = typer.Typer(help="Compare, explain and bring up to date site files.")
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]


@site.command()
def diff(
    was: Annotated[Path, typer.Argument(metavar="A", help="The site file as it was.")],
    now: Annotated[Path, typer.Argument(metavar="B", help="The site file as it is.")],
    as_json: Json = False,
) -> None:
    """Tell in words what differs between two site files. Exit 1 when something does."""
    found = compare(was, now)
    if as_json:
        _write_json(_comparison(found))
    else:
        _print(was, now, found)
    if not found.equal:
        raise typer.Exit(1)


@site.command()
def explain(
    key: Annotated[str, typer.Argument(help="A key, a table, or a place that check prints; without it, all.")] = "",
    as_json: Json = False,
) -> None:
    """Tell what a key of a site file is for: form, units, bounds, example, and with what it belongs."""
    found = find(key)
    if as_json:
        _write_json({"keys": [told(one) for one in found]})
        return
    console = page()
    for number, one in enumerate(found):
        if not key:
            paragraph(console, f"{one.path}: {listed(one)}", hang=2)
            continue
        if number:
            console.print()
        paragraph(console, one.path, style="bold")
        for label, words in _sentences(told(one)):
            paragraph(console, words, _LABEL, label=f"  {label}")


@site.command()
def schema() -> None:
    """Print a JSON Schema of site files, for an editor that completes and marks."""
    sys.stdout.write(json.dumps(site_schema(), indent=1, ensure_ascii=False) + "\n")


@site.command()
def migrate(
    path: Annotated[Path, typer.Argument(metavar="SITE", help="The site file.")],
    as_json: Json = False,
) -> None:
    """Bring a site file of an older format up to today's; the old one is kept beside it."""
    document = read_document(path, str(path))
    if document.places is None:
        raise document.problems[0].as_error()
    number = format_of(document.values)
    if number is None or not 0 <= number <= FORMAT:
        problem = "no site file" if number is None else f"format {number}, and this version knows {FORMAT} at most"
        raise BadInput(str(path), problem, "Name a site file; a newer one needs a newer sidetap.")
    kept: str | None = None
    changes: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    if number != FORMAT:
        try:
            new = migrated(path.read_bytes().decode())
        except ValueError as refusal:
            raise BadInput(str(path), str(refusal), "Write it as docs/site-file.md shows, then migrate.") from None
        changes, left, data = new.changes, new.left, new.text.encode()
        if len(data) > MOST_BYTES:
            problem = f"a site file of {len(data)} bytes would come of it, over {MOST_BYTES}"
            raise BadInput(str(path), problem, "Take comments out first.")
        kept = str(replace_keeping(path, data, f"format-{number}"))
    if as_json:
        _write_json({"from": number, "to": FORMAT, "changes": list(changes), "left": list(left), "kept": kept})
        return
    name = printable(str(path))
    if kept is None:
        sys.stdout.write(f"{name}: format {FORMAT} already, nothing to do\n")
        return
    errors = sum(problem.severity is Severity.ERROR for problem in load(path).problems)
    sys.stdout.write(f"{name}: from format {number} to {FORMAT}\nThe old file is kept as {printable(kept)}\n")
    console = page()
    for line in changes:
        paragraph(console, printable(line), 2, hang=2)
    if left:
        paragraph(console, "Left for you:")
    for line in left:
        paragraph(console, printable(line), 2, hang=2)
    more = f"it finds {errors} error{'' if errors == 1 else 's'}" if errors else "it finds no error"
    sys.stdout.write(f"Now run sidetap check {name}: {more}.\n")


@site.command()
def strapping(
    path: Annotated[Path, typer.Argument(metavar="SITE", help="The site file.")],
    tag: Annotated[str, typer.Argument(metavar="VESSEL", help="A vessel with a strapping and a drawing.")],
    as_json: Json = False,
) -> None:
    """Tell by height how a vessel's strapping table and its shape as drawn differ."""
    loaded = load_or_refuse(path)
    tags = [vessel.tag for vessel in loaded.vessels]
    if tag not in tags:
        raise BadInput(str(path), f"no vessel {tag!r}", f"Vessels are {', '.join(tags)}.")
    vessel = loaded.vessel(tag)
    table = vessel.geometry.shape if isinstance(vessel.geometry, Shifted) else vessel.geometry
    if not isinstance(table, Strapping) or vessel.drawing is None:
        raise BadInput(str(path), f"{tag} has no strapping with a drawing beside it", "Add drawing to the vessel.")
    rows = residuals(vessel.drawing, table)
    if as_json:
        _write_json({"vessel": tag, "rows": [_residual(row) for row in rows]})
        return
    texts = Texts(loaded.show)
    sys.stdout.write(f"{tag} {vessel.name}, as drawn less as strapped; levels from the table's zero\n")
    shown = Table(box=None, pad_edge=False)
    for header in ("level", "table", "drawing", "differs", "%", "worth"):
        shown.add_column(header, justify="right", no_wrap=True)
    for row in rows:
        shown.add_row(*_residual_cells(row, texts, vessel.top_01mm / 10_000))
    page().print(shown)


def _residual_cells(row: Residual, texts: Texts, top_m: float) -> tuple[str, ...]:
    measured = (texts.level(row.level_m, top_m), texts.volume(row.strapping_m3))
    difference, worth = row.difference_m3, row.worth_m
    if row.geometry_m3 is None or difference is None or worth is None:
        return (*measured, "-", "-", "-", "-")
    share = "-" if row.share is None else f"{row.share * 100:+.2f}"
    return (*measured, texts.volume(row.geometry_m3), texts.volume(difference), share, f"{worth * 1000:+.1f} mm")


def _residual(row: Residual) -> dict[str, float | None]:
    return {
        "level_mm": round(row.level_m * 1000, 1),
        "strapping_L": round(row.strapping_m3 * 1000, 1),
        "drawing_L": None if row.geometry_m3 is None else round(row.geometry_m3 * 1000, 1),
        "worth_mm": None if row.worth_m is None else round(row.worth_m * 1000, 1),
    }


def _print(was: Path, now: Path, found: Comparison) -> None:
    if found.equal:
        sys.stdout.write(f"{printable(str(was))} and {printable(str(now))} mean the same\n")
    console = page()
    for difference in found.site:
        paragraph(console, printable(difference.words), hang=2)
    if found.people:
        paragraph(console, "People and secrets, in no hash:")
    for difference in found.people:
        paragraph(console, printable(difference.words), 2, hang=2)
    holds = "a verification of one holds for the other"
    if found.promises_differ:
        holds = "but a verification of one says nothing about the promises of the other"
    scheme = holds, "a verification of the first doesn't hold for the second"
    papers = "papers of one are right for the other", "papers of the first are not right for the second"
    paragraph(console, _hashes("scheme_hash", found.scheme_hashes, scheme), hang=2)
    paragraph(console, _hashes("site_hash", found.site_hashes, papers), hang=2)


def _hashes(name: str, hashes: tuple[str, str], words: tuple[str, str]) -> str:
    first, second = (digest[:_HASH] for digest in hashes)
    if hashes[0] == hashes[1]:
        return f"{name} {first}, the same: {words[0]}"
    return f"{name} was {first}, is {second}: {words[1]}"


def _comparison(found: Comparison) -> dict[str, Any]:
    return {
        "equal": found.equal,
        "differences": [_difference(difference) for difference in found.site],
        "people": [_difference(difference) for difference in found.people],
        "scheme_hash": list(found.scheme_hashes),
        "site_hash": list(found.site_hashes),
    }


def _difference(difference: Difference) -> dict[str, str | None]:
    return {
        "where": difference.where,
        "was": difference.was or None,
        "now": difference.now or None,
        "words": difference.words,
    }


def _sentences(about: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what there is to say of a key, each with its label."""
    within = f", {about['lowest']} to {about['highest']}" if about["lowest"] else ""
    units = f"; in {' '.join(about['units'])}" if about["units"] else ""
    name = about["key"].rpartition(".")[2].rpartition(": ")[2]
    leave = f"without it: {about['default']}" if about["default"] else "may be left out"
    lines = [
        ("", about["meaning"]),
        ("form", f"{about['form']}{within}{units}"),
        ("example", f"{name} = {about['example']}" if about["example"] else ""),
        ("optional", leave if about["optional"] else ""),
        ("with", ", ".join(about["with"])),
        ("also at", ", ".join(about["also"])),
    ]
    return [(label, words) for label, words in lines if words]


def _write_json(document: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(document, allow_nan=False) + "\n")
