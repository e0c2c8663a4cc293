"""The station's start and its pulse: nothing opens for a while, and the watchdog's output never stands still."""

from __future__ import annotations

from sidetap.promises.model import Clause, Promise, Scene
from sidetap.quantity import NS_PER_MS
from sidetap.scheme.expression import TRUE, Expr, choose, elapsed, minimum


def holding(scene: Scene) -> Expr:
    """Return whether the start hold isn't over: counted from the first scan, whose own time doesn't count."""
    hold_ms = scene.site.start_hold_ns // NS_PER_MS
    started = scene.since_start("site.started")
    since_ms = scene.since_start("site.since_start_ms", 0, hold_ms)
    scene.keep("site.started", TRUE)
    return scene.keep("site.since_start_ms", choose(started, minimum(since_ms + elapsed(), hold_ms), 0)) < hold_ms


def watchdog_promise(scene: Scene) -> Promise:
    """Return the promise that the watchdog's output alternates with every scan, from true in the first one."""
    before = scene.since_start("site.watchdog")
    now = scene.keep("site.watchdog", scene.output("site.watchdog"))
    clause = Clause(
        "the watchdog's output is the same in two scans, or false in the first", now.equals(~before), near=("site",)
    )
    return Promise("watchdog-alternates", "site", (clause,))
