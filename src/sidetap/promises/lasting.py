"""How long something has been so: the one clock that judges count a delay with."""

from __future__ import annotations

from sidetap.promises.model import Scene
from sidetap.scheme.expression import Expr, choose, elapsed, minimum


def lasting(scene: Scene, name: str, so: Expr, for_ms: int) -> Expr:
    """Return whether something has been so for a time, counted from the scan that first found it so."""
    if for_ms == 0:
        return so
    was = scene.since_start(name)
    lasted_ms = scene.since_start(f"{name}_ms", 0, for_ms)
    scene.keep(name, so)
    lasted_ms = scene.keep(f"{name}_ms", choose(so & was, minimum(lasted_ms + elapsed(), for_ms), 0))
    return so & (lasted_ms >= for_ms)
