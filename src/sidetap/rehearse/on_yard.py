"""What became of a counter-example on the simulated yard, for people: when it broke there, and what came of it.

A broken verdict in; out when the promise broke, what the yard did, and how much later than it should a valve was
shut. A promise speaks of commands; "should" is what stands beside it: that scan, then the output, then the stroke.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from sidetap.promises.bounds import OUTPUT_NS
from sidetap.promises.model import Model, Promise
from sidetap.quantity import NS_PER_MS, NS_PER_S, Rounding, Texts, format_duration
from sidetap.rehearse.acts import has_late_scans
from sidetap.rehearse.playing import Rehearsal, rehearse
from sidetap.rehearse.stage import Scan
from sidetap.scheme import Value
from sidetap.site.cause_effect import CompiledScheme
from sidetap.site.model import Site, Valve
from sidetap.verify import Verdict
from sidetap.verify.story import clock

_SHUT = 1e-9  # a position is a float that moves by shares of a stroke


@dataclass(frozen=True, slots=True)
class AtThePipe:
    """A valve that had a command in the scan that broke the promise, and what came through it.

    due_ns: when it had been shut, had that scan closed it. shut_ns: when it was shut, None if not within a minute.
    since_m3: what came through its bay since that scan.
    """

    valve: str
    due_ns: int
    shut_ns: int | None
    since_m3: Fraction


@dataclass(frozen=True, slots=True)
class Did:
    """One thing that the yard did."""

    t_ns: int
    what: str


@dataclass(frozen=True, slots=True)
class OnYard:
    """What became of one counter-example. verdict: "breaks", "does not break", or "can't be played".

    at_ns, clause, valves: of a promise that breaks. did: what the yard did. nearly: what hands could do only nearly,
    or not at all. told: all that in a sentence. scans: every scan of the station. Times are since the yard's start.
    """

    promise: str
    subject: str
    verdict: str
    told: str
    at_ns: int | None = None
    clause: str = ""
    valves: tuple[AtThePipe, ...] = ()
    did: tuple[Did, ...] = ()
    nearly: tuple[str, ...] = ()
    scans: tuple[Scan, ...] = ()

    def document(self) -> dict[str, object]:
        """Return it as JSON values."""
        return {
            "promise": self.promise,
            "subject": self.subject,
            "verdict": self.verdict,
            "told": self.told,
            "t_s": None if self.at_ns is None else self.at_ns / NS_PER_S,
            "clause": self.clause,
            "valves": [
                {
                    "valve": v.valve,
                    "due_s": v.due_ns / NS_PER_S,
                    "shut_s": None if v.shut_ns is None else v.shut_ns / NS_PER_S,
                    "since_m3": round(float(v.since_m3), 4),
                }
                for v in self.valves
            ],
            "did": [{"t_s": d.t_ns / NS_PER_S, "what": d.what} for d in self.did],
            "nearly": list(self.nearly),
        }


def play(model: Model, scheme: CompiledScheme, verdict: Verdict) -> OnYard:
    """Play a broken verdict's counter-example in the yard, with a station that runs scheme.

    model: what was verified, scheme's program and the judges of it. The site must be one of the simulated yard's.
    """
    (promise,) = (p for p in model.promises if (p.name, p.subject) == (verdict.promise, verdict.subject))
    if promise.independent is not None or verdict.course is None:
        told = "it can't be played: it compares two courses of events, and a yard has one"
        return OnYard(promise.name, promise.subject, "can't be played", told)
    seen, before = rehearse(model, scheme, verdict.course, promise.clauses, told=verdict.clause), ""
    if seen.broken is None and has_late_scans(verdict.course):
        # a scan that is late by more than an input's age closes, and so does the module that hears nothing meanwhile
        before = "with its late scan it does not break there, as inputs grow too old; with scans in time, "
        seen = rehearse(model, scheme, verdict.course, promise.clauses, told=verdict.clause, stalls=False)
    did = tuple(_did(model.site, seen.scans))
    if seen.broken is None or seen.clause is None:
        told = f"{before}it does not break there, up to {_clock(seen.scans[-1].t_ns)}; {_unlike(verdict, seen)}"
        return OnYard(
            promise.name, promise.subject, "does not break", told, did=did, nearly=seen.nearly, scans=seen.scans
        )
    at_ns, valves = seen.scans[seen.broken].t_ns, tuple(_at_the_pipe(model.site, promise, seen, seen.broken))
    too = "it breaks there too" if verdict.clause in ("", seen.clause.text) else "it breaks there in another way"
    told = f"{before}{too}, at {_clock(at_ns)}: {seen.clause.text}"
    return OnYard(
        promise.name,
        promise.subject,
        "breaks",
        "; ".join([told, *(_told(valve, Texts(model.site.show)) for valve in valves)]),
        at_ns=at_ns,
        clause=seen.clause.text,
        valves=valves,
        did=did,
        nearly=seen.nearly,
        scans=seen.scans,
    )


def _unlike(verdict: Verdict, seen: Rehearsal) -> str:
    """Return what the station had otherwise at the end of the story: often that is what has kept the promise."""
    there, here = verdict.scans[-1].inputs, seen.scans[seen.ended].inputs
    differ = [
        f"{name} {_value(here[name])} (there {_value(value)})"
        for name, value in there.items()
        if name in here and here[name] != value and not name.endswith((".new", ".age", ".level", ".panel_age"))
    ]
    if differ:
        return f"at the end of the story the station has {', '.join(differ)}"
    return "at the end of the story its contacts are as there, but what led to it was not quite"


def _value(value: Value) -> str:
    return str(value) if not isinstance(value, bool) else "on" if value else "off"


def _at_the_pipe(site: Site, promise: Promise, seen: Rehearsal, broken: int) -> Iterator[AtThePipe]:
    """Yield the valves that the promise speaks of and that had a command in the scan that broke it."""
    after = seen.scans[broken:]
    for valve in _spoken_of(site, promise.subject):
        if not after[0].outputs[f"{valve.tag}.command"]:
            continue
        due_ns = after[0].t_ns + OUTPUT_NS + valve.stroke_ns
        # one that was only just commanded is on its seat for another moment
        off_seat = next((n for n, s in enumerate(after) if s.positions[valve.tag] >= _SHUT), len(after))
        shut_ns = next((s.t_ns for s in after[off_seat:] if s.positions[valve.tag] < _SHUT), None)
        since_m3 = after[-1].loaded_m3[valve.bay] - after[0].loaded_m3[valve.bay]
        yield AtThePipe(valve.tag, due_ns, after[0].t_ns if off_seat == len(after) else shut_ns, since_m3)


def _told(valve: AtThePipe, texts: Texts) -> str:
    """Return what came through a valve, beside what stands with the promise."""
    due, came = f"{valve.valve} had to be shut by {_clock(valve.due_ns)}", texts.volume(valve.since_m3, Rounding.UP)
    if valve.shut_ns is None:
        return f"{due} and is open a minute after the break; {came} came through since then"
    if valve.shut_ns > valve.due_ns:
        late = format_duration(valve.shut_ns - valve.due_ns)
        return f"{due} and was at {_clock(valve.shut_ns)}, {late} later; {came} came through since the break"
    return f"{due} and was, at {_clock(valve.shut_ns)}; {came} came through since the break"


def _clock(t_ns: int) -> str:
    return clock(t_ns // NS_PER_MS)


def _spoken_of(site: Site, subject: str) -> Sequence[Valve]:
    """Return the valves that a promise about a subject speaks of: all, where it is no valve, bay or vessel."""
    return [v for v in site.valves if subject in (v.tag, v.bay, v.vessel)] or site.valves


def _did(site: Site, scans: Sequence[Scan]) -> Iterator[Did]:
    """Yield what coils, valves and trips did, from scan to scan."""
    coils = {v.output.coil: v.tag for v in site.valves} | {b.pump_permit.coil: f"pump {b.tag}" for b in site.bays}
    for before, scan in pairwise(scans):
        told = []
        if scan.crashed:
            told.append("the station starts again")
        for coil, name in coils.items():
            if scan.coils[coil] != before.coils[coil]:
                told.append(f"coil {coil} ({name}) {'on' if scan.coils[coil] else 'off'}")
        for valve in site.valves:
            was, now = before.positions[valve.tag], scan.positions[valve.tag]
            if now >= 1 > was:
                told.append(f"{valve.tag} is open")
            if now < _SHUT <= was:
                told.append(f"{valve.tag} is shut")
        for vessel in site.vessels:
            was_tripped, tripped = before.outputs[f"{vessel.tag}.tripped"], scan.outputs[f"{vessel.tag}.tripped"]
            if tripped is not was_tripped:
                told.append(f"{vessel.tag} {'trips' if tripped else 'is reset'}")
        if told:
            yield Did(scan.t_ns, "; ".join(told))
