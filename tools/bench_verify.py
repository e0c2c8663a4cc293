"""Verification of made-up yards, from 4 vessels and 2 bays up: how its cost grows, beside proving without memory.

Each yard is verified from nothing, goals and proofs, in this process. The peer is the same yard proved once more
with what was found out about its slices: what is left then is laying out, cutting and comparing, no solver. CPU
seconds; the targets are 30 s for like bays at 64 x 32 (5 aimed at), 15 for bays that all differ, 60 where any vessel
trips any bay.
"""

import argparse
import time

from yards import KINDS, Kind, made_yard

from sidetap.promises.build import build_model
from sidetap.site.cause_effect import compile_site
from sidetap.verify import Memory, verify_model
from sidetap.verify.prover import prove

SIZES = ((4, 2), (8, 4))
WHOLE = (*SIZES, (16, 8), (32, 16), (64, 32))


def main() -> None:
    """Print one line a yard."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--full", action="store_true", help="up to 64 vessels and 32 bays, every kind: many minutes")
    full = options.parse_args().full
    print(f"{'yard':<22} {'promises':>9} {'hold':>6} {'goals':>6} {'CPU s':>8} {'again s':>8}")
    for kind in KINDS if full else KINDS[:1]:
        for vessels, bays in WHOLE if full else SIZES:
            print(line(vessels, bays, kind), flush=True)


def line(vessels: int, bays: int, kind: Kind) -> str:
    """Verify one yard and return what came of it."""
    site = made_yard(vessels, bays, kind)
    program, memory = compile_site(site).program, Memory()
    started = time.process_time()
    result = verify_model(site, program, memory=memory)
    took_s = time.process_time() - started
    started = time.process_time()
    prove(build_model(site, program), memory)
    again_s = time.process_time() - started
    hold = sum(v.verdict == "holds" for v in result.promises)
    reached = sum(r.reached for r in result.reachable)
    name = f"{vessels} x {bays} {kind}"
    return f"{name:<22} {len(result.promises):>9} {hold:>6} {reached:>6} {took_s:>8.1f} {again_s:>8.1f}"


if __name__ == "__main__":
    main()
