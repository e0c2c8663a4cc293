"""Write the tables of docs/site-file.md from the keys that the reader reads: `python tools/site_docs.py`.

Between ``<!-- keys: NAME -->`` and ``<!-- /keys -->`` stand the keys whose first name is NAME.
The rest is left alone.
"""

from __future__ import annotations

import re
from pathlib import Path

from sidetap.site.keys import GROUPS, Inner, Key, Many
from sidetap.site.keys.words import allowed, belongs, may_be_left_out

DOCS = Path(__file__).parents[1] / "docs" / "site-file.md"
_BLOCK = re.compile(r"(<!-- keys: ([^>]+?) -->\n).*?(<!-- /keys -->)", re.DOTALL)


def with_tables(text: str) -> str:
    """Return the document with its tables made anew."""
    return _BLOCK.sub(lambda m: f"{m[1]}{_table(m[2].split())}{m[3]}", text)


def _table(names: list[str]) -> str:
    rows = [_row(key) for group in GROUPS for key in group if _name(key) in names]
    return "| key | example | allowed | meaning |\n|---|---|---|---|\n" + "".join(rows)


def _name(key: Key) -> str:
    file, colon, _ = key.path.partition(": ")
    return f"{file}-file" if colon else key.path.split(".")[0]


def _row(key: Key) -> str:
    example = "" if isinstance(key.form, Inner | Many) else f"`{key.example}`"
    meaning = "; ".join(part for part in (may_be_left_out(key), belongs(key), key.meaning) if part)
    cells = (f"`{key.path}`", example, allowed(key.form), meaning)
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells).replace("|  |", "| |").rstrip() + " |\n"


if __name__ == "__main__":
    DOCS.write_text(with_tables(DOCS.read_text()))
