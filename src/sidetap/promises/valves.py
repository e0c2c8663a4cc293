"""A valve as the judges see it: its command, its open time, its switches, and whether these follow the command.

Outputs and switches of a valve -> facts of this scan, and the promises that speak of one valve alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sidetap.promises.bounds import limit_bound, mismatch_bound
from sidetap.promises.lasting import lasting
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.quantity import NS_PER_MS
from sidetap.scheme.expression import Expr, choose, elapsed, minimum
from sidetap.site.model import Bay, Valve


@dataclass(frozen=True, slots=True)
class ValveFacts:
    """number: as a bay's choice names it. was: its command in the scan before (since the start).

    asked: a fresh press of an open key while it is chosen. at_limit: it has been open for its limit. outlasts: and
    stays open. locked: out, in this scan; locked_before: in the scan before. mismatched: its switches have been
    against one command for the supervision time.
    """

    valve: Valve
    number: int
    command: Expr
    was: Expr
    rises: Expr
    asked: Expr
    at_limit: Expr
    outlasts: Expr
    closed_switch: Expr
    both_switches: Expr
    shown_closed: Expr
    locked: Expr
    locked_before: Expr
    against: Expr
    mismatched: Expr

    @property
    def tag(self) -> str:
        """The tag of the valve."""
        return self.valve.tag


def valve_facts(scene: Scene, bay: Bay, valve: Valve, number: int, fresh_press: Expr) -> ValveFacts:
    """Return what the judge knows of a valve; fresh_press: of its bay's open keys."""
    tag = valve.tag
    command = scene.output(f"{tag}.command")
    was = scene.since_start(f"{tag}.was")
    scene.keep(f"{tag}.was", command)
    limit_ms = valve.open_limit_ns // NS_PER_MS
    open_ms = minimum(scene.kept(f"{tag}.open_ms", 0, limit_ms) + elapsed(), limit_ms)
    scene.keep(f"{tag}.open_ms", choose(command & was, open_ms, 0))

    is_closed, is_open = scene.energised(valve.closed_switch), scene.energised(valve.open_switch)
    shown_open, shown_closed = is_open & ~is_closed, is_closed & ~is_open
    against = ~choose(command, shown_open, shown_closed)
    # each command has the whole time: a valve that turns back half-way is no fault; nor is a switch that nobody hears
    heard = scene.live(valve.closed_switch) & scene.live(valve.open_switch)
    watched = heard & ~scene.energised(bay.hand_input) & command.equals(was)
    mismatched = lasting(scene, f"{tag}.against", against & watched, valve.supervise_ns // NS_PER_MS)
    locked_before = scene.since_start(f"{tag}.locked")
    locked = scene.keep(f"{tag}.locked", scene.output(f"{tag}.locked_out"))
    return ValveFacts(
        valve=valve,
        number=number,
        command=command,
        was=was,
        rises=command & ~was,
        asked=fresh_press & scene.input(f"{bay.tag}.choice").equals(number),
        at_limit=was & (open_ms >= limit_ms),
        outlasts=command & was & (open_ms >= limit_ms),
        closed_switch=is_closed,
        both_switches=is_closed & is_open,
        shown_closed=shown_closed,
        locked=locked,
        locked_before=locked_before,
        against=against,
        mismatched=mismatched,
    )


def valve_promises(scene: Scene, bay: Bay, f: ValveFacts) -> Iterator[Promise]:
    """Yield what is promised of one valve."""
    limit = Clause(f"valve {f.tag} is still open when its limit is over", ~f.outlasts, near=(bay.tag,))
    yield Promise("open-time-bound", f.tag, (limit,), bound=limit_bound(scene.site, f.valve))
    clauses = tuple(Clause(text, holds, near=(bay.tag,)) for text, holds in _mismatch_clauses(scene, bay, f))
    yield Promise("mismatch-alarms", f.tag, clauses, bound=mismatch_bound(scene.site, f.valve))


def _mismatch_clauses(scene: Scene, bay: Bay, f: ValveFacts) -> Iterator[tuple[str, Expr]]:
    reset = scene.input(f"{bay.tag}.lockout_reset") & ~f.against
    yield (
        f"valve {f.tag} is not locked out though its switches have been against its command for too long",
        ~f.mismatched | f.locked,
    )
    yield f"the lock-out of valve {f.tag} is gone though nobody has reset it", ~f.locked_before | reset | f.locked
    yield (
        f"valve {f.tag} is locked out though its switches have not been against its command for so long",
        ~f.locked | f.locked_before | f.mismatched,
    )
    yield (
        f"valve {f.tag} stays locked out though a person has reset it and its switches are right",
        ~(f.locked_before & reset) | f.mismatched | ~f.locked,
    )
    told = scene.output(f"alarm.{f.tag}-mismatch")
    yield f"valve {f.tag} is locked out without an alarm", ~f.locked | told
    yield f"an alarm tells that valve {f.tag} is locked out, which is not so", f.locked | ~told
