"""`sidetap journal` for people: one line a record, with no words of Python or JSON in it."""

import json
from typing import Any

from sidetap.cli.journal import _line
from sidetap.station.store import Record


def line(**what: Any) -> str:
    return _line(Record(7, 0, 0, "ask", "B", "panel", json.dumps(what), "", ""))


def test_values_are_told_as_people_write_them() -> None:
    told = line(ok=True, text="", vessels=["T1", "T2"], volume_m3=None, late=False, restarts=0)
    assert told.endswith("ok yes, vessels T1 and T2, volume_m3 unknown, late no, restarts 0")
