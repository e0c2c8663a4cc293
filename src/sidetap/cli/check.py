"""`sidetap check`: a site file -> every problem with its place, and the hashes that bind verification and papers."""

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from sidetap.errors import printable
from sidetap.site import Loaded, Problem, Severity, load, site_hash
from sidetap.site.cause_effect import compile_site


def check(
    site: Annotated[Path, typer.Argument(help="The site file.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Check a site file: cross-references, ranges and physical sense. Exit 1 when there is an error."""
    loaded = load(site)
    if as_json:
        sys.stdout.write(json.dumps(_document(loaded), allow_nan=False) + "\n")
    else:
        sys.stdout.write(_text(site, loaded))
    if loaded.site is None:
        raise typer.Exit(1)


def _document(loaded: Loaded) -> dict[str, object]:
    """Return the contract's document; the hashes are null when there is no site to hash."""
    site = loaded.site
    return {
        "ok": site is not None,
        "scheme_hash": None if site is None else compile_site(site).digest,
        "site_hash": None if site is None else site_hash(site),
        "problems": [_entry(problem) for problem in loaded.problems],
    }


def _entry(problem: Problem) -> dict[str, object]:
    return {
        "severity": str(problem.severity),
        "file": problem.file,
        "line": problem.line,
        "column": problem.column,
        "where": problem.where,
        "problem": problem.problem,
        "remedy": problem.remedy,
    }


def _text(path: Path, loaded: Loaded) -> str:
    errors = sum(problem.severity is Severity.ERROR for problem in loaded.problems)
    warnings = len(loaded.problems) - errors
    lines = [str(problem) for problem in loaded.problems]
    counts = f"{_count(errors, 'error')}, {_count(warnings, 'warning')}"
    lines.append(f"{printable(str(path))}: {counts}")
    if loaded.site is not None:
        site = loaded.site
        things = ((site.vessels, "vessel"), (site.bays, "bay"), (site.valves, "valve"))
        lines.append(", ".join(_count(len(found), word) for found, word in things))
        lines.append(f"scheme {compile_site(site).digest}")
        lines.append(f"site   {site_hash(site)}")
    return "\n".join(lines) + "\n"


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
