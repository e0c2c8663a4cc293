"""Bays and valves: permissives, supervision, and what an open limit lets into a vehicle."""

from __future__ import annotations

from sidetap.quantity import NS_PER_S, format_duration
from sidetap.site import model
from sidetap.site.checks.rows import Rows
from sidetap.site.limits import limit_problem
from sidetap.site.rows import Row

LEAST_STOP_LETTERS = 10  # "red button" has nine and doesn't say what it opens


def check_bays(rows: Rows) -> None:
    """Note what can't be right about a bay or a valve."""
    for bay in rows.bays:
        _permissives(bay, rows)
        _words(bay)
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
    drafts = [other.draft for other in rows.bays]
    elsewhere = {
        tag: f"bay {other.tag}'s {what}"
        for other in drafts
        if other is not b
        for tag, what in ((other.auto_input, "AUTO"), (other.stop_input, "stop circuit"), (other.hose_input, "hose"))
    }
    for member, tag in enumerate(b.run_permissives):
        if tag in nevers and tag not in [must for _, must, _ in musts]:
            t.error("run_permissives", f"{tag} is a key, a limit switch or HAND", "Leave it out.", member)
        elif tag in elsewhere:
            remedy = "Name a contact of this bay, so that bays stay independent."
            t.warning("run_permissives", f"{tag} is {elsewhere[tag]}", remedy, member)
        if tag in b.run_permissives[:member]:
            t.error("run_permissives", f"{tag} stands there twice", "Name each once.", member)


def _words(row: Row[model.Bay]) -> None:
    b, t = row.draft, row.table
    if row.fine("hard_wired_stop") and sum(letter.isalpha() for letter in b.hard_wired_stop) < LEAST_STOP_LETTERS:
        problem = f"{b.hard_wired_stop!r} is no hard-wired stop that anybody could find"
        t.error("hard_wired_stop", problem, t.remedy("hard_wired_stop"))
    if row.fine("flow.tolerance") and b.flow_tolerance == 0:
        problem = "no flow is exact, and open limits are worked out with this one"
        t.warning("flow.tolerance", problem, "Write what the pump and its measurement allow for, 10 % say.")


def _valve(row: Row[model.Valve], rows: Rows) -> None:
    v, t = row.draft, row.table
    if row.fine("stroke", "supervise") and v.supervise_ns <= v.stroke_ns:
        problem = f"{format_duration(v.supervise_ns)} is no longer than the stroke"
        t.error("supervise", problem, "Allow the stroke and 2 s more.")
    elif row.fine("stroke", "supervise") and not 2 * NS_PER_S <= v.supervise_ns - v.stroke_ns <= 10 * NS_PER_S:
        problem = f"{format_duration(v.supervise_ns)} for a stroke of {format_duration(v.stroke_ns)}"
        t.warning("supervise", problem, "The stroke and 2 s more is usual: sooner is a false alarm, later is late.")
    bay_row = rows.bay(v.bay) if row.fine("bay", "stroke") else None
    if bay_row is not None and bay_row.fine("restart_wait") and bay_row.draft.restart_wait_ns < v.stroke_ns:
        problem = f"shorter than {row.tag}'s stroke of {format_duration(v.stroke_ns)}"
        bay_row.table.warning("restart_wait", problem, "Wait until the valve is shut.")
    if row.fine("stroke", "open_limit") and v.open_limit_ns < 2 * v.stroke_ns:
        problem = f"{format_duration(v.open_limit_ns)} is shorter than opening and closing"
        t.warning("open_limit", problem, "Such a valve never comes open; check limit and stroke.")
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
        problem_here = limit_problem(bay.draft, v, vessel.draft, rows.show)
        if problem_here is not None:
            t.error("open_limit", *problem_here)
