"""One run of the demo in fast time, shared by all tests that look at what it prints and leaves."""

import fcntl
import json
import os
import subprocess
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

import pytest


@dataclass(frozen=True)
class DemoRun:
    """What the demo left in its folder, what it printed, and how it ended."""

    place: str
    status: int
    printed: str
    complained: str

    @property
    def folder(self) -> Path:
        return Path(self.place) / "demo"


@pytest.fixture(scope="session")
def demo_once(tmp_path_factory: pytest.TempPathFactory) -> DemoRun:
    """Run `sidetap demo --once` once for all workers, as a newcomer would: an empty home, a plain terminal."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    result = shared / "demo-once.json"
    with (shared / "demo-once.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # the first worker runs it, the others wait for its result
        if not result.exists():
            result.write_text(json.dumps(asdict(_run(shared / "newcomer"))))
    return DemoRun(**json.loads(result.read_text()))


def _run(place: Path) -> DemoRun:
    place.mkdir()
    environment = {"HOME": str(place), "PATH": os.environ["PATH"], "LANG": "C.UTF-8"}
    done = subprocess.run(
        [sys.executable, "-m", "sidetap", "demo", "--once"],
        cwd=place,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    return DemoRun(str(place), done.returncode, done.stdout, done.stderr)
