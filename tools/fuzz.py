"""Fuzzing without end: coverage-guided inputs for one target until something falls out, or the seconds are over.

`NUMBA_DISABLE_JIT=1 python tools/fuzz.py TARGET [SECONDS] [FOLDER]`; without a target it lists them. The coverage is
that of Python's own code, so the compiled kernels must be off. An input that fails is left in FOLDER, and goes into
the suite.
"""

import os
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["sidetap"]):
    from judge.anything import targets
    from judge.samples import samples


LONGEST = {"line": 600}


def main() -> None:
    """Fuzz one target."""
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as work:  # noqa: S108
        known = targets(Path(work))
        if len(sys.argv) < 2 or sys.argv[1] not in known:
            print("targets:", *known)
            return
        if os.environ.get("NUMBA_DISABLE_JIT") != "1":
            sys.exit("error: NUMBA_DISABLE_JIT: compiled code can't be watched. Set it to 1.")
        name = sys.argv[1]
        seconds = int(sys.argv[2]) if len(sys.argv) > 2 else 0
        folder = Path(sys.argv[3]) if len(sys.argv) > 3 else Path("build/fuzz") / name
        folder.mkdir(parents=True, exist_ok=True)
        for number, sample in enumerate(samples(Path(work))[name]):
            (folder / f"sample-{number}").write_bytes(sample)
        limits = [f"-max_total_time={seconds}", "-timeout=20", "-rss_limit_mb=2000", f"-artifact_prefix={folder}/"]
        atheris.Setup([sys.argv[0], str(folder), f"-max_len={LONGEST.get(name, 4096)}", *limits], known[name])
        atheris.Fuzz()


if __name__ == "__main__":
    main()
