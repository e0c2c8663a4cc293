"""A course of events played by hands in the simulated yard, with the real station: whether a promise breaks there.

A model, its compiled scheme and a course in; every scan of the station out, what the yard did in it, and the first
clause that breaks. Theory of operation: hands follow the course's clock from the start of the station. Three things
take longer than in a story, and what comes after waits: a level moves no faster than is believed; contacts and keys
come to nothing before the station hears its module, which takes it some ten seconds after each start; and acts that
had to wait keep their distance, up to a second. After a break the yard goes on until everything is shut.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from sidetap.promises.model import Clause, Model
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.rehearse.acts import Act, Acts, acts_of, first_levels
from sidetap.rehearse.stage import Scan, Stage
from sidetap.rehearse.watching import Watching
from sidetap.site.cause_effect import CompiledScheme
from sidetap.verify.course import Course

AFTER_STORY_NS = 3 * NS_PER_S  # a poll, a scan, and what a filter rounds
FOLLOWED_NS = NS_PER_S
AFTER_BREAK_NS = 60 * NS_PER_S
_DEAF_NS = 30 * NS_PER_S  # a station that hears no module for so long won't
_SCANS_HEARD = 3  # of inputs that are believed, before hands go on
_APART_MS = 1000


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What became of a course: every scan, and the first one in which a clause broke, with it; None where none did.

    ended: the scan at the end of the story, where none broke. nearly: what hands could do only nearly, or not at all,
    in words.
    """

    scans: tuple[Scan, ...]
    broken: int | None
    clause: Clause | None
    ended: int
    nearly: tuple[str, ...]


def rehearse(
    model: Model,
    scheme: CompiledScheme,
    course: Course,
    clauses: Iterable[Clause],
    *,
    told: str = "",
    stalls: bool = True,
) -> Rehearsal:
    """Play a course in the yard, with a station that runs scheme, and watch these clauses of the model.

    told: the text of the one that a story is about; others count only where that one doesn't break. stalls: whether
    the station gets no time where the course has a late scan; else it scans on.
    """
    with TemporaryDirectory() as folder:
        stage = Stage(model.site, scheme, Path(folder), first_levels(model.site, course))
        try:
            return _Play(stage, Watching(model, clauses), told).play(
                course, acts_of(model.site, course, stalls=stalls)
            )
        finally:
            stage.close()


class _Play:
    def __init__(self, stage: Stage, watching: Watching, told: str) -> None:
        self._stage = stage
        self._watching = watching
        self._told = told
        self._watched = 0
        self._broken: int | None = None  # as told
        self._clause: Clause | None = None
        self._other: tuple[int, Clause] | None = None  # broken first, of those that no story tells of
        self._shifted_ns = 0  # by how much hands are behind the course, for good
        self._last: Act | None = None
        self._late_ns: int | None = None  # when the last act was done, where that was late

    def play(self, course: Course, found: Acts) -> Rehearsal:
        stage = self._stage
        for act in found.acts:
            if act.at_ms > 0 or act.asked:
                self._until_due(act)
            if self._broken is not None:
                break
            act.do(stage)
            self._watch()
        self._levels_there()
        end_ms = course.end_ms + sum(tail.elapsed_ms for tail in course.tail)
        end_ns = self._shifted_ns + end_ms * NS_PER_MS
        self._until(end_ns)
        ended = len(stage.scans) - 1
        self._until(end_ns + AFTER_STORY_NS)
        if self._broken is None and self._other is not None:
            self._broken, self._clause = self._other
        if self._broken is not None:
            self._afterwards()
        return Rehearsal(tuple(stage.scans), self._broken, self._clause, ended, (*found.left_out, *stage.notes))

    def _until_due(self, act: Act) -> None:
        """Let time go by until an act is due and can be done, or a clause has broken."""
        stage, scan_ns = self._stage, self._stage.site.scan_ns
        if self._last is not None and act.at_ms > self._last.at_ms:
            self._levels_there()
        due_ns = apart_ns = self._shifted_ns + act.at_ms * NS_PER_MS
        if self._late_ns is not None and self._last is not None:
            apart_ns = self._late_ns + min(act.at_ms - self._last.at_ms, _APART_MS) * NS_PER_MS
        # what comes after a scan is seen by the next one
        self._until(max(due_ns, apart_ns) - scan_ns)
        if act.heard and stage.is_deaf and not stage.plant.module_cut:
            self._until_heard()
        if act.asked and self._broken is None:
            stage.before_next_scan()
        self._late_ns = stage.now_ns if stage.now_ns > due_ns + scan_ns else None
        self._last = act

    def _until_heard(self) -> None:
        stage, from_ns = self._stage, self._stage.now_ns
        while stage.is_deaf and stage.now_ns < from_ns + _DEAF_NS and self._broken is None:
            self._scan()
        for _ in range(_SCANS_HEARD):
            self._until(stage.last_ns + 1)

    def _levels_there(self) -> None:
        """Let levels arrive; all that follows comes later by so much."""
        from_ns = self._stage.now_ns
        while self._stage.is_ramping and self._broken is None:
            self._scan()
        self._shifted_ns += self._stage.now_ns - from_ns

    def _until(self, due_ns: int) -> None:
        """Scan until a scan has come at due_ns or later, or a clause has broken."""
        while self._stage.last_ns < due_ns and self._broken is None:
            self._scan()

    def _scan(self) -> None:
        self._stage.next_scan()
        self._watch()

    def _watch(self) -> None:
        """Let the judges see the scans that are new."""
        scans = self._stage.scans
        while self._watched < len(scans) and self._broken is None:
            for clause in self._watching.broken(scans[self._watched]):
                if not self._told or clause.text == self._told:
                    self._broken, self._clause = self._watched, clause
                    break
                self._other = self._other or (self._watched, clause)
            self._watched += 1

    def _afterwards(self) -> None:
        """Let the yard go on until the coils have followed and everything is shut, for a while."""
        stage, valves = self._stage, self._stage.site.valves
        from_ns = stage.now_ns
        while stage.now_ns < from_ns + AFTER_BREAK_NS:
            stage.next_scan()
            last = stage.scans[-1]
            shut = not any(last.positions.values()) and not any(last.outputs[f"{v.tag}.command"] for v in valves)
            if shut and not stage.is_deaf and stage.now_ns >= from_ns + FOLLOWED_NS:
                break
