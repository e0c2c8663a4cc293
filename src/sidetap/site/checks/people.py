"""People: one entry each, and somebody for every role that the site needs."""

from __future__ import annotations

from sidetap.quantity import odd_characters
from sidetap.site import model
from sidetap.site.checks.rows import Rows
from sidetap.site.keys import APPROVES_BYPASS, ASKS_FOR_BYPASS
from sidetap.site.rows import Row
from sidetap.site.table import names

# letters of the Cyrillic and the Greek script that look like Latin ones
_LOOK_ALIKES = str.maketrans(
    "\u0430\u0435\u043e\u0440\u0441\u0443\u0445\u0456\u0410\u0412\u0415\u041a\u041c\u041d\u041e\u0420\u0421\u0422\u0425\u03bf\u0391\u0392\u0395\u0397\u0399\u039a\u039c\u039d\u039f\u03a1\u03a4\u03a7",
    "aeopcyxiABEKMHOPCTXoABEHIKMNOPTX",
)


def check_people(rows: Rows) -> None:
    """Note people who are there twice, roles nobody holds, secrets of nobody."""
    if rows.people is None:
        return
    seen: dict[str, str] = {}  # a name without case and blanks -> as it is written
    for row in rows.people:
        if not row.fine("name"):
            continue
        name = row.draft.name
        same = "".join(name.split()).casefold()
        if same in seen:
            written = f", as {seen[same]!r}" if seen[same] != name else ""
            row.table.error("name", f"{name!r} is there twice{written}", "One person, one entry.")
        seen.setdefault(same, name)
    _look_alikes(rows.people)
    names_here = sorted(seen.values())
    holders: set[str] = set()
    for secret in rows.secrets:
        if not secret.fine("person"):
            continue
        if secret.draft in holders:
            secret.table.error("person", "it has two secrets", "One person, one secret.")
        holders.add(secret.draft)
        if secret.draft not in names_here and all(p.fine("name") for p in rows.people):
            remedy = f"Names there: {names(names_here)}."
            secret.table.error("person", "no person of the people's file", remedy)
    if rows.people and all(row.fine("name", "role") for row in rows.people):
        _roles(rows)


def _look_alikes(people: list[Row[model.Person]]) -> None:
    """Warn of names that differ only by letters that look the same in two scripts."""
    first: dict[str, str] = {}
    for row in people:
        if not row.fine("name"):
            continue
        name = row.draft.name
        before = first.setdefault(name.translate(_LOOK_ALIKES), name)
        if before != name:
            odd = odd_characters(name) or odd_characters(before)
            row.table.warning("name", f"it looks like {before!r}: {odd}", "One person, one entry, in one script.")


def _roles(rows: Rows) -> None:
    roles = [row.draft.role for row in rows.people or ()]
    held = f"Roles held there: {names(sorted(set(roles)))}."
    unheld: dict[str, list[str]] = {}
    for bay in rows.bays:
        if bay.fine("resume_by") and bay.draft.resume_role not in roles:
            unheld.setdefault(bay.draft.resume_role, []).append(bay.tag)
    for role, bays in unheld.items():
        first = rows.found["bay"][bays[0]]
        of_bays = f" (bays {', '.join(bays)})" if len(bays) > 1 else ""
        first.table.error("resume_by", f"nobody of the people's file is {role}{of_bays}", held)
    asks, approves = (
        [n for n, role in enumerate(roles) if role in may] for may in (ASKS_FOR_BYPASS, APPROVES_BYPASS)
    )
    if rows.bypass is not None and not any(one != other for one in asks for other in approves):
        may = f"one asks for it ({' or '.join(ASKS_FOR_BYPASS)}), another approves ({' or '.join(APPROVES_BYPASS)})"
        rows.bypass.table.error("", f"a bypass takes two people, and they aren't there: {may}", held)
