"""Levels of the example yard made up by hand: vessels that stand still, or fall as bays draw from them.

T1 is an upright cylinder of 9.144 m, so that a flow of 400 gpm (0.025236 m³/s) takes 0.3843 mm/s off it; T5 a box of
6 m x 4 m. Levels jitter by up to a step of their register, as real ones do.
"""

import math
import random
from collections.abc import Iterable
from pathlib import Path

from sidetap.hindsight import Series
from sidetap.quantity import NS_PER_S
from sidetap.site import Site, load_or_refuse

EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "site.toml"
START_S = 1_773_237_600  # 2026-03-11 09:00:00 at the yard
GAL_M3 = 231 * 0.0254**3  # a US gallon is 231 cubic inches (NIST Handbook 44, appendix C)
AREA_M2 = {"T1": math.pi / 4 * 9.144**2, "T5": 24.0}
STANDS_M = {"T1": 4.0, "T2": 4.0, "T3": 2.0, "T4": 4.0, "T5": 2.0, "T6": 1.2}


def example() -> Site:
    """Return the whole yard."""
    return load_or_refuse(EXAMPLE)


def at_ns(second: float) -> int:
    """Return a second of the record on its clock."""
    return round((START_S + second) * NS_PER_S)


def levels(
    seconds: int,
    flows: dict[str, list[tuple[float, float, float]]] | None = None,
    stands_m: dict[str, float] | None = None,
    silent: Iterable[tuple[str, float, float]] = (),
) -> dict[str, Series]:
    """Return every vessel's series, a level a second.

    flows: of T1 and T5, (from, to, gpm) in seconds of the record, below 0 for a draw. silent: (vessel, from, to).
    """
    dice = random.Random(6)
    gaps = list(silent)
    made = {}
    for tag, stood_m in (STANDS_M | (stands_m or {})).items():
        series = made[tag] = Series()
        for second in range(seconds):
            if any(tag == who and start <= second < end for who, start, end in gaps):
                continue
            moved_m3 = sum(
                gpm * GAL_M3 / 60 * max(0.0, min(second, end) - start)
                for start, end, gpm in (flows or {}).get(tag, [])
            )
            level_mm = 1000 * (stood_m + (moved_m3 / AREA_M2[tag] if moved_m3 else 0.0)) + dice.uniform(-0.5, 0.5)
            series.good_ns.append(at_ns(second))
            series.level_01mm.append(10 * round(level_mm))
    return made
