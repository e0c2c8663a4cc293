"""`sidetap journal`: the records of a station, or whether they are as they were written."""

import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from sidetap.errors import printable
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.station.store import Audit, Record, read_journal


def journal(
    store: Annotated[Path, typer.Argument(help="The station.db of a station's state directory.")],
    audit: Annotated[bool, typer.Option("--audit", help="Walk along the chain and say whether it holds.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Print a station's journal, or audit it; exit 1 when a record is not as it was written."""
    records, found = read_journal(store)
    if audit and as_json:
        _write(json.dumps({"ok": found.ok, "records": found.records, "first_bad": found.first_bad}))
    elif audit:
        _write(_verdict(found))
    elif as_json:
        _write(json.dumps({"records": [_document(record) for record in records]}, allow_nan=False))
    else:
        for record in records:
            _write(_line(record))
    if audit and not found.ok:
        raise typer.Exit(1)


def _verdict(found: Audit) -> str:
    if found.ok:
        return f"{found.records:,} records, each as it was written; the chain shows accidents, it is no signature"
    return f"record {found.first_bad} of {found.records:,} is not as it was written"


def _document(record: Record) -> dict[str, Any]:
    return {
        "seq": record.seq,
        "utc": _utc(record.utc_ns),
        "kind": record.kind,
        "subject": record.subject,
        "who": record.who,
        "what": _what(record),
    }


def _line(record: Record) -> str:
    what = _what(record)
    if isinstance(what, dict):
        told = ", ".join(f"{key} {_told(value)}" for key, value in what.items() if value not in ("", []))
    else:
        told = str(what)
    return f"{record.seq:>6}  {_utc(record.utc_ns)}  {record.kind} {record.subject} ({record.who})  {told}".rstrip()


def _told(value: Any) -> str:
    """Return a value of a record as people write it."""
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return " and ".join(map(_told, value)) if isinstance(value, list) else str(value)


def _what(record: Record) -> Any:
    try:
        return json.loads(record.what, parse_constant=_no_number)
    except ValueError:
        return record.what  # an altered record is shown as it stands


def _no_number(text: str) -> None:
    raise ValueError(text)


def _utc(utc_ns: int) -> str:
    try:
        moment = datetime.fromtimestamp(utc_ns // NS_PER_S, UTC)
    except (OverflowError, OSError, ValueError):
        return str(utc_ns)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{utc_ns % NS_PER_S // NS_PER_MS:03d}Z"


def _write(text: str) -> None:
    sys.stdout.write(f"{printable(text)}\n")
