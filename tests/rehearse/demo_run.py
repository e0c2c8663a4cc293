"""One run of the demo in fast time, shared by all tests that look at what it prints and leaves."""

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest


@dataclass(frozen=True)
class DemoRun:
    """What the demo left in its folder, what it printed, and how it ended."""

    folder: Path
    status: int
    printed: str
    complained: str


@pytest.fixture(scope="session")
def demo_once(tmp_path_factory: pytest.TempPathFactory) -> DemoRun:
    """Run `sidetap demo --once` as a newcomer would: an empty home, a plain terminal."""
    place = tmp_path_factory.mktemp("newcomer")
    environment = {"HOME": str(place), "PATH": os.environ["PATH"], "LANG": "C.UTF-8"}
    done = subprocess.run(
        [sys.executable, "-m", "sidetap", "demo", "--once"],
        cwd=place,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    return DemoRun(place / "demo", done.returncode, done.stdout, done.stderr)
