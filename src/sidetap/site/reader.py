"""site.toml and the files it names -> a checked ``Site``, or every problem with its place.

Reads the site file, the people's file and strapping tables, and nothing else.
"""

from __future__ import annotations

import os
import zoneinfo
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import TypeVar

from sidetap.errors import BadInput
from sidetap.site import model, rows
from sidetap.site.checks import Rows, check
from sidetap.site.document import Document, document_of, read_document
from sidetap.site.keys import FORMAT, KEYS
from sidetap.site.migrating import format_of
from sidetap.site.problem import Problem, Severity
from sidetap.site.rows import Row
from sidetap.site.table import Table, shorten

_US = model.Display("ft-in", "gal", "gpm", "lb")  # where the site's own can't be read
_SITE_KEYS = {path.split(".")[0] for path in KEYS}  # of a site file; those of other files lead with the file's name
ACTING = ("module", "watchdog", "horn", "input", "bay", "valve")
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


def load_text(text: str, path: Path) -> Loaded:
    """Check a text as if it stood in the file at path; what it names is looked for beside that."""
    loaded, _ = _loaded(document_of(text, str(path)), path)
    return loaded


def load_with_keys(path: Path) -> tuple[Loaded, frozenset[str]]:
    """Return what ``load`` does, and the keys that were looked for on the way ("vessel.trip.below")."""
    return _loaded(read_document(path, str(path)), path)


def _loaded(document: Document, path: Path) -> tuple[Loaded, frozenset[str]]:
    if document.places is None:
        return Loaded(None, tuple(document.problems)), frozenset()
    site = _read(document, path)
    problems = tuple(sorted(document.problems, key=lambda p: (p.file != str(path), p.file, p.line, p.column)))
    if any(p.severity is Severity.ERROR for p in problems):
        site = None
    return Loaded(site, problems), frozenset(document.asked)


def _read(document: Document, path: Path) -> model.Site | None:
    top, folder = Table.root(document), path.parent
    if document.values and not _SITE_KEYS & document.values.keys():
        remedy = "Name the site file; people and secrets stand in files of their own."
        top.error("", "this is none: nothing of a site stands in it", remedy)
        return None
    older = format_of(document.values)
    if older is not None and 0 <= older < FORMAT:
        remedy = f"sidetap site migrate {shorten(str(path))}"
        if top.has("format"):
            top.error("format", f"format {older}, an older one", f"Run {remedy}.")
            return None  # what is missing by the newer form is for the migration to say
        top.error("format", "missing", f"Write format = {FORMAT}; or, for an older file, run {remedy}.")
    elif top.whole("format") > FORMAT and not top.failed:
        remedy = f"This one reads format = {FORMAT}; take a newer sidetap."
        top.error("format", "a format that this version can't read", remedy)
    people, secrets_path, secrets = _people(top, folder), *_secrets(top, folder)
    site = top.table("site")
    name, zone = site.text("name"), _time_zone(site)
    show, scan_ns = rows.read_display(site.table("show")), site.duration_ns("scan")
    hold_ns = site.duration_ns("start_hold")
    site.finish()

    acting = [key for key in ACTING if top.has(key)]  # each is asked for
    acts = bool(acting)
    compatible = top.table("compatible") if top.has("compatible") or acts else None
    if not acts:
        problem = "it only listens: no module, input, bay or valve, so that levels are shown and nothing is guarded"
        top.warning("", problem, "Add them when the site is to act.")
    found = Rows(
        top=top,
        site=site,
        show=_US if any(key.startswith("show") for key in site.wrong) else show,
        scan_ns=0 if "scan" in site.wrong else scan_ns,
        lines=[rows.read_line(t) for t in top.tables("line")],
        points=[rows.read_point(t) for t in top.tables("point")],
        vessels=[rows.read_vessel(t, folder) for t in top.tables("vessel")],
        modules=[rows.read_module(t) for t in top.tables("module", acts)],
        watchdog=rows.read_watchdog(top.table("watchdog")) if acts else None,
        horn=rows.read_horn(top.table("horn")) if acts else None,
        inputs=[rows.read_input(t) for t in top.tables("input", acts)],
        bays=[rows.read_bay(t) for t in top.tables("bay", acts)],
        valves=[rows.read_valve(t) for t in top.tables("valve", acts)],
        rules=[rows.read_rule(t) for t in top.tables("rule")],
        alarms=[rows.read_alarm(t) for t in top.tables("alarm")],
        promises=[rows.read_promise(t) for t in top.tables("promise")],
        bypass=rows.read_bypass(top.table("bypass")) if top.has("bypass") else None,
        compatible_table=compatible,
        compatible=() if compatible is None else rows.read_compatible(compatible),
        people=people,
        secrets=secrets,
    )
    top.finish()
    check(found)
    if top.failed:
        return None
    return model.Site(
        path=path,
        name=name,
        time_zone=zone,
        show=show,
        scan_ns=0 if "scan" in site.wrong else scan_ns,
        lines=_values(found.lines),
        points=_values(found.points),
        vessels=_values(found.vessels),
        modules=_values(found.modules),
        watchdog=None if found.watchdog is None else found.watchdog.value,
        horn=None if found.horn is None else found.horn.value,
        inputs=_values(found.inputs),
        bays=_values(found.bays),
        valves=_values(found.valves),
        rules=_values(found.rules),
        compatible=found.compatible,
        alarms=_values(found.alarms),
        promises=_values(found.promises),
        people=_values(people or []),
        bypass=None if found.bypass is None else found.bypass.value,
        start_hold_ns=hold_ns,
        secrets=secrets_path,
    )


def _values(found: list[Row[R]]) -> tuple[R, ...]:
    return tuple(row.value for row in found if row.value is not None)


def _time_zone(site: Table) -> str:
    name = site.text("time_zone")
    if name:
        try:
            zoneinfo.ZoneInfo(name)
        except (OSError, ValueError, zoneinfo.ZoneInfoNotFoundError):
            like = site.example("time_zone")
            known = {zone.rpartition("/")[2].casefold(): zone for zone in sorted(zoneinfo.available_timezones())}
            nearest = get_close_matches(name.rpartition("/")[2].casefold()[:40], known, 1, 0.75)
            meant = f"Did you mean {known[nearest[0]]}? " if nearest else ""
            remedy = f"{meant}Write the IANA name of an area and a city, like {like}."
            site.error("time_zone", f"{shorten(name)!r} is no time zone", remedy)
    return name


def _people(top: Table, folder: Path) -> list[Row[model.Person]] | None:
    """Read the people's file; None when it can't be read. Its problems join those of the site."""
    document = _other_file(top, folder, "people")
    if document is None or document.places is None:
        return None
    root = Table.root(document)
    if document.values and "person" not in document.values:
        root.error("", "no people's file: it has no [[person]]", "Name the file of the people, or write [[person]].")
        return None
    found = [rows.read_person(t) for t in root.tables("person")]
    root.finish()
    top.document.asked.update(document.asked)
    return found


def _secrets(top: Table, folder: Path) -> tuple[Path | None, list[Row[str]]]:
    """Read the secrets' file, where there is one, to see that it can be used; nothing of it is kept."""
    if not top.has("secrets"):
        return None, []
    document = _other_file(top, folder, "secrets")
    if document is None or document.places is None:
        return None, []
    path = folder / top.text("secrets")
    if os.name == "posix" and path.stat().st_mode & 0o077:
        problem = f"{shorten(path.name)!r} can be read by other users of this machine"
        top.warning("secrets", problem, "Take their rights away: chmod 600.")
    root = Table.root(document)
    found = [rows.read_secret(t) for t in root.tables("secret")]
    root.finish()
    top.document.asked.update(document.asked)
    return path, found


def _other_file(top: Table, folder: Path, key: str) -> Document | None:
    """Read a file that a key names; keys there are declared behind the key's own name."""
    name = top.file_name(key)
    if not name:
        return None
    path = folder / name
    try:
        document = read_document(path, str(path), f"{key}: ")
        if path.samefile(top.document.file):
            top.error(key, "this file itself", "Name a file of its own.")
            return None
    except BadInput as problem:
        top.error(key, f"{shorten(name)!r}: {problem.problem}", problem.remedy)
        return None
    top.document.problems.extend(document.problems)
    document.problems = top.document.problems  # what is found out later about it joins them
    return document
