"""The demo's folder: its recording, a copy of the example's site with the demo's ports, and the station's state.

Only a folder that is new, empty, or made by an earlier demo is written to; nothing else is ever emptied.
"""

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit

from sidetap.errors import BadInput

EXAMPLE = Path(__file__).parents[3] / "examples" / "tarn-hollow"
BAY_B = "bay-b.toml"  # what the demo runs
_MARK = "made-by-sidetap-demo"


@dataclass(frozen=True, slots=True)
class DemoFolder:
    """Where the parts of a demo are."""

    root: Path

    @property
    def site(self) -> Path:
        """The site file with the demo's ports."""
        return self.root / "site" / "site.toml"

    @property
    def state(self) -> Path:
        """The station's state directory."""
        return self.root / "state"

    @property
    def line(self) -> Path:
        """The tapped line's terminal, in a live demo."""
        return self.root / "line"

    @property
    def module(self) -> Path:
        """The module's terminal, in a live demo."""
        return self.root / "module"

    def keep(self, name: str, document: dict[str, Any]) -> None:
        """Write a document beside the rest, for who wants to look closer."""
        (self.root / name).write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


def prepare(root: Path, example: Path = EXAMPLE) -> DemoFolder:
    """Make the folder ready for a fresh demo; BadInput when it holds something else."""
    root = root.absolute()
    if root.exists() and not root.is_dir():
        raise BadInput(str(root), "it is not a folder", "Name a folder for the demo with --folder.")
    if root.exists() and any(root.iterdir()) and not (root / _MARK).exists():
        raise BadInput(str(root), "it holds files that no demo made", "Name another folder with --folder.")
    if not (example / BAY_B).is_file():
        raise BadInput(str(example), "the example's site file is not there", "Run the demo from a clone.")
    root.mkdir(parents=True, exist_ok=True)
    (root / _MARK).touch()
    folder = DemoFolder(root)
    for made in (folder.site.parent, folder.state):
        shutil.rmtree(made, ignore_errors=True)
    # what somebody verified or ran there is none of the demo's
    shutil.copytree(example, folder.site.parent, ignore=shutil.ignore_patterns("verified", "state"))
    (folder.site.parent / BAY_B).replace(folder.site)
    document = tomlkit.parse(folder.site.read_text(encoding="utf-8"))
    for table, port in (("line", folder.line), ("module", folder.module)):
        for row in document[table]:  # arrays of tables, as the example has them
            row["port"] = f"pty:{port}"
            del row["serial"]  # a pseudo-terminal has none
    folder.site.write_text(tomlkit.dumps(document), encoding="utf-8")
    return folder
