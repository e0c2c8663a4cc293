"""What a timing diagram shows of a course, and in which words: one row a signal.

A replayed course and the names of its signals -> rows with their values, scan by scan. A row says in words what its
line means, as the story does, and a level in the site's units; nothing is drawn here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sidetap.scheme import Value
from sidetap.site.cause_effect.words import on_paper
from sidetap.site.model import SharedOnlyAbove, Site
from sidetap.verify.replay import Replayed
from sidetap.verify.story import Sentences, time_words

STARTING_MS = 1000  # what the scheme says before the first levels have come is of the start, and of no story
_UNTOLD = (".total", ".account", ".bypass_left_ms", ".left_ms", ".full", ".openings", ".last")
_AT_WORK = (".command", ".pump")  # shown even where they never change: what is open or runs matters in any story


@dataclass(frozen=True, slots=True)
class Mark:
    """A level that is drawn, with its words. is_limit: something happens at it."""

    level_01mm: int
    words: str
    is_limit: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a picture. texts: each value in words; empty where it is on or off.

    marks: of a level's row, its values and limits, from the lowest up.
    """

    name: str
    words: str
    values: tuple[Value, ...]
    texts: tuple[str, ...] = ()
    marks: tuple[Mark, ...] = ()


def rows_in(site: Site, scans: Sequence[Replayed], names: Sequence[str]) -> list[Row]:
    """Return the rows of these inputs, and of the levels that valves draw from: what is enough may never change."""
    drawn = {v.vessel for v in site.valves if any(scan.outputs[f"{v.tag}.command"] for scan in scans)}
    shown = {*names, *(f"{tag}.level" for tag in drawn)}
    sentences = Sentences(site)
    return [
        _input(site, sentences, name, tuple(scan.inputs[name] for scan in scans))
        for name in scans[0].inputs
        if name in shown
    ]


def rows_out(site: Site, scans: Sequence[Replayed], names: Sequence[str]) -> list[Row]:
    """Return the rows of those outputs that change once the start is over, reasons and counts left out."""
    started = next((n for n, scan in enumerate(scans) if scan.now_ms > STARTING_MS), 0)
    rows = []
    for name in scans[0].outputs:
        values = tuple(scan.outputs[name] for scan in scans)
        if name.endswith(_AT_WORK):
            shown = any(values)
        else:
            detail = ".block." in name or name.endswith(_UNTOLD)  # which the words beside a picture tell better
            shown = name in names and not detail and any(value != values[-1] for value in values[started:])
        if shown:
            rows.append(_row(name, _output_words(site, name), values))
    return rows


def _input(site: Site, sentences: Sentences, name: str, values: tuple[Value, ...]) -> Row:
    tag, _, word = name.rpartition(".")
    if word == "level":
        return Row(name, f"level of {tag}", values, marks=tuple(_marks(site, tag, values)))
    if word == "choice":
        valves = ["none", *(valve.tag for valve in site.valves_of(tag))]
        return Row(name, f"valve chosen at bay {tag}", values, tuple(valves[int(value)] for value in values))
    if word == "panel_age":
        return Row(name, f"the panel of bay {tag} was last heard before", values, tuple(map(time_words, values)))
    if name == "site.bypass_ms":
        return Row(name, "bypasses are asked for", values, tuple(map(time_words, values)))
    on, off = sentences.known(name, True), sentences.known(name, False)
    return _row(name, on or (f"off: {off}" if off else sentences.value(name, True)), values)


def _output_words(site: Site, name: str) -> str:
    tag, _, word = name.rpartition(".")
    return {
        "command": f"valve {tag} (on: open)",
        "pump": f"pump of bay {tag} is permitted",
        "ticket": f"bay {tag} has a ticket",
        "ticket_refused": f"bay {tag} refuses a ticket",
        "interrupted": f"the load at bay {tag} was interrupted",
        "locked_out": f"{tag} is locked out",
        "tripped": f"{tag} has tripped",
        "bypassed": f"the trip of {tag} is bypassed",
        "horn": "the horn sounds",
    }.get(word, f"alarm {word}" if tag == "alarm" else name)


def _row(name: str, words: str, values: tuple[Value, ...]) -> Row:
    number = not all(isinstance(value, bool) for value in values)
    return Row(name, words, values, tuple(map(str, values)) if number else ())


def _marks(site: Site, tag: str, values: Sequence[Value]) -> Iterator[Mark]:
    limits: dict[int, list[str]] = {int(value): [] for value in values}
    for level_01mm, words in _limits(site, tag):
        limits.setdefault(level_01mm, []).append(words)
    for level_01mm, named in sorted(limits.items()):
        level = on_paper(site, site.vessel(tag), level_01mm)
        yield Mark(level_01mm, f"{', '.join(named)} {level}" if named else level, bool(named))


def _limits(site: Site, tag: str) -> Iterator[tuple[int, str]]:
    """Yield the levels of a vessel at which the scheme does something, or a promise of the site's own looks."""
    trip = site.vessel(tag).trip
    yield trip.below_01mm, "trip"
    yield trip.reset_above_01mm, "reset"
    for rule in site.rules:
        if isinstance(rule, SharedOnlyAbove) and rule.vessel == tag:
            yield rule.level_01mm, f"{rule.tag} opens"
            yield rule.close_below_01mm, f"{rule.tag} closes"
    for promise in site.promises:
        for fact in (*promise.when, *promise.then):
            if fact.subject == tag and fact.state in ("below", "above"):
                yield fact.level_01mm, f"{promise.tag} {fact.state}"
