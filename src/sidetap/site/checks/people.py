"""People: one entry each, and somebody for every role that the site needs."""

from __future__ import annotations

from sidetap.site.checks.rows import Rows
from sidetap.site.table import names, shorten


def check_people(rows: Rows) -> None:
    """Note people who are there twice, roles nobody holds, secrets of nobody."""
    if rows.people is None:
        return
    seen: set[str] = set()
    for row in rows.people:
        if not row.fine("name"):
            continue
        if row.draft.name in seen:
            row.table.error("name", f"{row.draft.name!r} is there twice", "One person, one entry.")
        seen.add(row.draft.name)
    if rows.people and all(row.fine("name", "role") for row in rows.people):
        _roles(rows)
    for secret in rows.secrets:
        if secret.fine("person") and secret.draft not in seen and all(p.fine("name") for p in rows.people):
            remedy = f"Names there: {names(sorted(seen))}."
            secret.table.error("person", f"{shorten(secret.draft)!r} is not in the people's file", remedy)


def _roles(rows: Rows) -> None:
    roles = [row.draft.role for row in rows.people or ()]
    held = f"Roles held there: {names(sorted(set(roles)))}."
    for bay in rows.bays:
        if bay.fine("resume_by") and bay.draft.resume_role not in roles:
            bay.table.error("resume_by", f"nobody of the people's file is {bay.draft.resume_role}", held)
    if rows.bypass is not None and (roles.count("lead") + roles.count("approver") < 2 or "approver" not in roles):
        problem = "a bypass needs two people, one of them an approver"
        rows.bypass.table.error("", problem, held)
