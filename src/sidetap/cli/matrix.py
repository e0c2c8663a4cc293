"""`sidetap matrix`: a site file -> its cause and effect as a table that people can read, judge and sign."""

import csv
import json
import sys
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any

import typer

from sidetap.cli.matrix_view import show
from sidetap.errors import BadInput
from sidetap.site import Site, load_or_refuse, site_hash
from sidetap.site.matrix import Matrix, matrix_of


def matrix(
    site: Annotated[Path, typer.Argument(help="The site file.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print one row per cause, for a spreadsheet.")] = False,
) -> None:
    """Print what closes each valve, what keeps it from opening, what resets that, and room for signatures."""
    if as_json and as_csv:
        raise BadInput("sidetap matrix", "both --json and --csv", "Ask for one of them.")
    described = load_or_refuse(site)
    if not described.bays:
        raise BadInput(str(site), "no bay: it only listens, and nothing has an effect", "Add bays and valves.")
    found = matrix_of(described)
    if as_json:
        sys.stdout.write(json.dumps(_document(described, found), allow_nan=False) + "\n")
    elif as_csv:
        _write_csv(found)
    else:
        show(described, found)


def _document(site: Site, found: Matrix) -> dict[str, Any]:
    bypass = site.bypass
    return {
        "site": site.name,
        "scheme_hash": found.scheme_hash,
        "site_hash": site_hash(site),
        "file": site.path.name,
        "tool": f"sidetap {version('sidetap')}",
        "bays": [
            {
                "bay": of_bay.bay.tag,
                "hard_wired_stop": of_bay.bay.hard_wired_stop,
                "valves": [{"valve": valve.tag, "vessel": valve.vessel} for valve in of_bay.valves],
                "rows": [
                    {
                        "number": row.number,
                        "cause": row.name,
                        "text": row.text,
                        "exactly": row.exactly or None,
                        "effects": {v.tag: effect for v, effect in zip(of_bay.valves, row.effects, strict=True)},
                        "pump_permit": row.pump,
                        "set_aside_by_bypass": row.set_aside,
                        "remedies": list(row.remedies),
                    }
                    for row in of_bay.rows
                ],
            }
            for of_bay in found.bays
        ],
        "horn": list(found.horn),
        "alarms": [
            {"alarm": a.tag, "priority": a.priority, "text": a.text, "exactly": a.exactly or None}
            for a in found.alarms
        ],
        "compatible": [
            {"product": f.product, "may_follow": list(f.may), "refused": list(f.refused)} for f in found.followers
        ],
        "bypass": None
        if bypass is None
        else {
            "trips": list(bypass.trips),
            "time_s": bypass.time_ns / 1_000_000_000,
            "at_most_s": bypass.at_most_ns / 1_000_000_000,
        },
    }


def _write_csv(found: Matrix) -> None:
    """Write every bay's rows, with a column for each valve of the site; blank where a cause does nothing."""
    tags = [valve.tag for of_bay in found.bays for valve in of_bay.valves]
    out = csv.writer(sys.stdout, lineterminator="\n")
    out.writerow(["bay", "number", "cause", "words", *tags, "pump permit", "what lets it open again"])
    for of_bay in found.bays:
        for row in of_bay.rows:
            cells = {v.tag: effect or "" for v, effect in zip(of_bay.valves, row.effects, strict=True)}
            of_valves = [str(cells.get(tag, "")) for tag in tags]
            remedies = "; or ".join(row.remedies)
            out.writerow([of_bay.bay.tag, row.number, row.name, row.words, *of_valves, row.pump, remedies])
