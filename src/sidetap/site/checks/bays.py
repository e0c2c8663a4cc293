"""Bays and valves: permissives, supervision, and what an open limit lets into a vehicle."""

from __future__ import annotations

from sidetap.quantity import format_duration
from sidetap.site import model
from sidetap.site.checks.rows import Rows
from sidetap.site.limits import limit_problem
from sidetap.site.rows import Row


def check_bays(rows: Rows) -> None:
    """Note what can't be right about a bay or a valve."""
    for bay in rows.bays:
        _permissives(bay, rows)
        if bay.fine("tag") and bay.tag and not any(v.table.values.get("bay") == bay.tag for v in rows.valves):
            bay.table.error("tag", f"bay {bay.tag} has no valve", "Add a [[valve]] with this bay.")
    for valve in rows.valves:
        _valve(valve, rows)


def _permissives(row: Row[model.Bay], rows: Rows) -> None:
    b, t = row.draft, row.table
    if not row.fine("run_permissives"):
        return
    musts = (
        ("selector.auto", b.auto_input, "AUTO"),
        ("stop_input", b.stop_input, "the stop circuit"),
        ("hose.input", b.hose_input, "the hose"),
    )
    for key, tag, what in musts:
        if row.fine(key) and tag not in b.run_permissives:
            t.error("run_permissives", f"{tag} is missing: {what} must hold all the time", f'Add "{tag}".')
    nevers = {
        *(s for v in rows.valves for s in (v.draft.closed_switch, v.draft.open_switch)),
        *(
            tag
            for other in rows.bays
            for tag in (other.draft.hand_input, other.draft.open_key, other.draft.close_key)
        ),
    }
    for member, tag in enumerate(b.run_permissives):
        if tag in nevers:
            t.error("run_permissives", f"{tag} is a key, a limit switch or HAND", "Leave it out.", member)
        if tag in b.run_permissives[:member]:
            t.error("run_permissives", f"{tag} stands there twice", "Name each once.", member)


def _valve(row: Row[model.Valve], rows: Rows) -> None:
    v, t = row.draft, row.table
    if row.fine("stroke", "supervise") and v.supervise_ns <= v.stroke_ns:
        problem = f"{format_duration(v.supervise_ns)} is no longer than the stroke"
        t.error("supervise", problem, "Allow the stroke and 2 s more.")
    if not row.fine("bay", "from"):
        return
    for other in rows.ways(v.vessel):
        if other is row:
            break
        if other.draft.bay == v.bay:
            t.error("from", f"{other.tag} leads from {v.vessel} to bay {v.bay} too", "One valve for each way.")
            break
    bay, vessel = rows.bay(v.bay), rows.vessel(v.vessel)
    if bay is None or vessel is None or not row.fine("open_limit", "stroke"):
        return
    if bay.fine("flow", "vehicle") and vessel.fine("density.value"):
        problem_here = limit_problem(bay.draft, v, vessel.draft)
        if problem_here is not None:
            t.error("open_limit", *problem_here)
