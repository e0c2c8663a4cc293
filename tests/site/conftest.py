"""A yard's files in a folder of the test's own, to be changed at will."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from sidetap.site import Loaded, load

EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow"


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    """A copy of the example's folder."""
    return Path(shutil.copytree(EXAMPLE, tmp_path / "yard"))


@pytest.fixture
def planted(yard: Path) -> Callable[..., Loaded]:
    """Load the example with texts replaced: planted(old, new, ...); each old text must be there exactly once."""

    def load_with(*replacements: str, file: str = "site.toml") -> Loaded:
        path = yard / file
        text = path.read_text()
        for old, new in zip(replacements[::2], replacements[1::2], strict=True):
            assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
            text = text.replace(old, new)
        path.write_text(text)
        return load(yard / "site.toml")

    return load_with
