"""site.toml and the files it names -> a checked ``Site``, or every problem with its place.

Reads the site file, the people's file and strapping tables, and nothing else.
"""

from __future__ import annotations

import zoneinfo
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from sidetap.errors import BadInput
from sidetap.site import model, rows
from sidetap.site.check import Rows, check
from sidetap.site.document import Document, read_document
from sidetap.site.problem import Problem, Severity
from sidetap.site.rows import Row
from sidetap.site.table import Table, shorten

FORMAT = 1
R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class Loaded:
    """What became of a site file: the site, unless a problem is an error; problems in the order of the file."""

    site: model.Site | None
    problems: tuple[Problem, ...]


def load(path: Path) -> Loaded:
    """Read and check a site file; BadInput only when the file itself can't be read at all."""
    loaded, _ = load_with_keys(path)
    return loaded


def load_or_refuse(path: Path) -> model.Site:
    """Return the site; BadInput with the first error when there is one."""
    loaded = load(path)
    for problem in loaded.problems:
        if problem.severity is Severity.ERROR:
            raise problem.as_error()
    assert loaded.site is not None  # noqa: S101  # no error, so there is a site
    return loaded.site


def load_with_keys(path: Path) -> tuple[Loaded, frozenset[str]]:
    """Return what ``load`` does, and the keys that were looked for on the way ("vessel.trip.below")."""
    document = read_document(path, str(path))
    if document.places is None:
        return Loaded(None, tuple(document.problems)), frozenset()
    site = _read(document, path)
    problems = tuple(sorted(document.problems, key=lambda p: (p.file != str(path), p.file, p.line, p.column)))
    if any(p.severity is Severity.ERROR for p in problems):
        site = None
    return Loaded(site, problems), frozenset(document.asked)


def _read(document: Document, path: Path) -> model.Site | None:
    top, folder = Table.root(document), path.parent
    if top.whole("format", 0, 10_000, FORMAT) != FORMAT and not top.failed:
        top.error("format", "a format that this version can't read", f"Write format = {FORMAT}.")
    people = _people(top, folder)
    site = top.table("site", '{ name = "...", time_zone = "America/Chicago", ... }')
    name, zone = site.text("name", "the yard's name"), _time_zone(site)
    show = rows.read_display(site.table("show", '{ level = "ft-in", volume = "gal", flow = "gpm", mass = "lb" }'))
    scan_ns = site.duration_ns("scan", "20 ms", "1 s", "100 ms")
    site.finish()

    found = Rows(
        top=top,
        scan_ns=scan_ns,
        lines=[rows.read_line(t) for t in _many(top, "line")],
        points=[rows.read_point(t) for t in _many(top, "point")],
        vessels=[rows.read_vessel(t, folder) for t in _many(top, "vessel")],
        modules=[rows.read_module(t) for t in _many(top, "module")],
        watchdog=rows.read_watchdog(top.table("watchdog", _WATCHDOG)),
        horn=rows.read_horn(top.table("horn", '{ module = "IO-1", coil = 14 }')),
        inputs=[rows.read_input(t) for t in _many(top, "input")],
        bays=[rows.read_bay(t) for t in _many(top, "bay")],
        valves=[rows.read_valve(t) for t in _many(top, "valve")],
        rules=[rows.read_rule(t) for t in _many(top, "rule", required=False)],
        alarms=[rows.read_alarm(t) for t in _many(top, "alarm", required=False)],
        compatible_table=(compatible := top.table("compatible", '{ "32-0-0" = ["32-0-0"] }')),
        compatible=rows.read_compatible(compatible),
        people=people,
    )
    top.finish()
    check(found)
    if found.watchdog.value is None or found.horn.value is None or top.failed:
        return None
    return model.Site(
        path=path,
        name=name,
        time_zone=zone,
        show=show,
        scan_ns=scan_ns,
        lines=_values(found.lines),
        points=_values(found.points),
        vessels=_values(found.vessels),
        modules=_values(found.modules),
        watchdog=found.watchdog.value,
        horn=found.horn.value,
        inputs=_values(found.inputs),
        bays=_values(found.bays),
        valves=_values(found.valves),
        rules=_values(found.rules),
        compatible=found.compatible,
        alarms=_values(found.alarms),
        people=_values(people),
    )


_WATCHDOG = '{ module = "IO-1", coil = 15, kind = "transistor", relay_time = "2 s" }'


def _many(top: Table, key: str, required: bool = True) -> list[Table]:
    return top.tables(key, f"[[{key}]] tables", required)


def _values(found: list[Row[R]]) -> tuple[R, ...]:
    return tuple(row.value for row in found if row.value is not None)


def _time_zone(site: Table) -> str:
    name = site.text("time_zone", "America/Chicago")
    if name:
        try:
            zoneinfo.ZoneInfo(name)
        except (OSError, ValueError, zoneinfo.ZoneInfoNotFoundError):
            site.error("time_zone", f"{shorten(name)!r} is no time zone", 'Write it like "America/Chicago".')
    return name


def _people(top: Table, folder: Path) -> list[Row[model.Person]]:
    """Read the people's file; its problems join those of the site."""
    name = top.text("people", "people.toml")
    if not name:
        return []
    try:
        document = read_document(folder / name, str(folder / name))
    except BadInput as problem:
        top.error("people", f"{shorten(name)!r}: {problem.problem}", problem.remedy)
        return []
    top.document.problems.extend(document.problems)
    document.problems = top.document.problems  # what is found out later about people joins them
    found: list[Row[model.Person]] = []
    if document.places is not None:
        root = Table.root(document)
        found = [rows.read_person(t) for t in root.tables("person", '[[person]] with name and role = "lead"')]
        root.finish()
    top.document.asked.update(f"people: {key}" for key in document.asked)
    return found
