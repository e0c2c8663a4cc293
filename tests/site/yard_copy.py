"""A yard's files in a folder of the test's own, to be changed at will."""

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

from sidetap.site import Loaded, load

EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow"
Planter: TypeAlias = Callable[..., Loaded]


def copy_yard(folder: Path) -> Path:
    """Return the folder of a copy of the example, cut down to bay B."""
    yard = Path(shutil.copytree(EXAMPLE, folder / "yard"))
    (yard / "bay-b.toml").replace(yard / "site.toml")
    return yard


def planter(yard: Path) -> Planter:
    """Return what loads the copy with texts replaced: planted(old, new, ...); each old text stands exactly once."""

    def planted(*replacements: str, file: str = "site.toml") -> Loaded:
        path = yard / file
        text = path.read_text()
        for old, new in zip(replacements[::2], replacements[1::2], strict=True):
            assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
            text = text.replace(old, new)
        path.write_text(text)
        return load(yard / "site.toml")

    return planted
