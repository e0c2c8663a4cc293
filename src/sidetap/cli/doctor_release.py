"""What `sidetap doctor --release NAME` does: enter in the site file which points the dips have released.

The file is replaced in one step, and only by one that reads as the same site with nothing but those entries changed.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from sidetap.errors import BadInput, Refused
from sidetap.measure.doctor import Diagnosis
from sidetap.quantity import CALENDAR_FROM_NS, NS_PER_S
from sidetap.site import Signature, Site, load
from sidetap.site.releasing import Released, with_released
from sidetap.site.table import LONGEST_TEXT


def check_name(name: str) -> None:
    """Refuse what a site file couldn't hold as a person's name."""
    if not name.strip() or not name.isprintable() or len(name) > LONGEST_TEXT:
        raise BadInput("--release", "no readable name", 'Give the name of who vouches for it: "R. Achterberg".')


def enter_releases(site: Site, found: Sequence[Diagnosis], name: str) -> list[str]:
    """Write the releases into the site file and return them in words; Refused, with the reasons, for none."""
    entries = _entries(site, found, name)
    if not entries:
        reasons = [f"{d.point.tag}: {d.release.why_not or 'another vessel uses it'}" for d in found]
        more = f"; and {len(reasons) - 3} more" if len(reasons) > 3 else ""
        raise Refused(
            str(site.path), f"no point is released ({'; '.join(reasons[:3])}{more})", "Nothing was changed."
        )
    path = site.path.resolve()
    text = path.read_bytes().decode()
    written = with_released(text, {[p.tag for p in site.points].index(tag): entry for tag, entry in entries.items()})
    _replace(path, written, _expected(site, entries))
    return [
        f"{tag} ({entry.dips} dips, {entry.by}, {entry.on}{_before(site, tag)})" for tag, entry in entries.items()
    ]


def _before(site: Site, tag: str) -> str:
    """Return whose statement stood there, as words; "" for none."""
    before = site.point(tag).released
    return "" if before is None else f"; before: {before.by}, {before.on}"


def _entries(site: Site, found: Sequence[Diagnosis], name: str) -> dict[str, Released]:
    """Return what to enter, by the point's tag. A point of several vessels needs the dips of each."""
    entries: dict[str, Released] = {}
    for each in found:
        users = {v.tag for v in site.vessels if v.level.point == each.point.tag}
        if users == {d.vessel.tag for d in found if d.point.tag == each.point.tag and d.release.released}:
            entries[each.point.tag] = Released(each.release.dips, name, _day_of_last_dip(site, each))
    return entries


def _day_of_last_dip(site: Site, diagnosis: Diagnosis) -> date:
    """Return its day at the site; today's where the recording's clock knows no date."""
    zone = ZoneInfo(site.time_zone)
    last_ns = max(each.comparison.noted.reading.t_ns for each in diagnosis.dips)
    dated = last_ns >= CALENDAR_FROM_NS
    return (datetime.fromtimestamp(last_ns // NS_PER_S, zone) if dated else datetime.now(zone)).date()


def _expected(site: Site, entries: dict[str, Released]) -> Site:
    points = tuple(
        replace(p, released=Signature(entries[p.tag].by, entries[p.tag].on), released_dips=entries[p.tag].dips)
        if p.tag in entries
        else p
        for p in site.points
    )
    return replace(site, points=points)


def _replace(path: Path, text: str, expected: Site) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    new = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(text.encode())
            file.flush()
            os.fsync(file.fileno())
        read_back = load(new).site
        if read_back is None or replace(read_back, path=expected.path) != expected:
            raise BadInput(str(path), "it was changed meanwhile", "Run doctor again.")
        shutil.copymode(path, new)
        new.replace(path)
    finally:
        new.unlink(missing_ok=True)
