"""A counter-example in words: when, what a person or the plant did, what the valves did, and what is wrong with it.

A replayed course -> at most a dozen steps that name tags, minutes, volumes and levels in the site's units. People
think in clock times, so a story starts at six in the morning on the site's clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from sidetap.promises.model import CRASH, Clause
from sidetap.quantity import NS_PER_MS, Texts, format_duration
from sidetap.scheme import Value
from sidetap.site.cause_effect.words import on_paper
from sidetap.site.model import Bay, Site, Valve
from sidetap.verify.course import DIFFERS, INSTEAD, LATE, LOOK, SCAN_MS, STRIDE_MS, Course, Event, Tail, polled
from sidetap.verify.replay import Replayed

MOST_STEPS = 12
STARTS_AT_H = 6


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a story: ms since the start, and a sentence."""

    t_ms: int
    what: str


def clock(t_ms: int) -> str:
    """Return a moment of a story as the time on the site's clock: every story starts at six in the morning.

    >>> clock(750_000), clock(1_234_500)
    ('06:12:30', '06:20:34.5')
    """
    seconds, ms = divmod(t_ms, 1000)
    fraction = f".{ms:03d}".rstrip("0") if ms else ""
    return f"{STARTS_AT_H + seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{fraction}"


def tell(site: Site, course: Course, scans: Sequence[Replayed], clause: Clause) -> tuple[Step, ...]:
    """Return the story of a course whose last scan breaks the clause."""
    words = Sentences(site)
    told: dict[int, list[str]] = {}
    for event in course.events:
        scan = next((s for s in scans if s.now_ms >= event.at_ms), None)
        if scan is not None:
            told.setdefault(scan.now_ms, []).extend(words.event(event, scan))
        if event.lasts_ms is not None and event.lasts_ms > SCAN_MS:
            end_ms = event.at_ms + event.lasts_ms
            back = words.back(event)
            if back and end_ms < scans[-1].now_ms:
                told.setdefault(end_ms, []).append(back)
    for tail, scan in zip(course.tail, scans[-len(course.tail) :] if course.tail else (), strict=False):
        told.setdefault(scan.now_ms, []).extend(words.tail(tail, scan))
    for before, scan in pairwise(scans):
        if course.stride_ms > STRIDE_MS and scan.elapsed_ms > STRIDE_MS:
            told.setdefault(scan.now_ms, []).append(f"no scan for {format_duration(scan.elapsed_ms * NS_PER_MS)}")
        told.setdefault(scan.now_ms, []).extend(words.outcomes(before, scan))
    last = scans[-1]
    told.setdefault(last.now_ms, []).append(clause.text + _so_far(site, scans))
    steps = [Step(at_ms, "; ".join(dict.fromkeys(texts))) for at_ms, texts in sorted(told.items()) if texts]
    return _at_most(steps)


def _at_most(steps: list[Step]) -> tuple[Step, ...]:
    """Join the neighbours that are nearest in time until there are few enough; the last step stays alone."""
    while len(steps) > MOST_STEPS:
        gaps = [b.t_ms - a.t_ms for a, b in pairwise(steps[:-1])]
        i = gaps.index(min(gaps))
        steps[i : i + 2] = [Step(steps[i].t_ms, f"{steps[i].what}; then {steps[i + 1].what}")]
    return tuple(steps)


def _so_far(site: Site, scans: Sequence[Replayed]) -> str:
    """Return for how long each valve has been open since its bay's last ticket began, in time and volume."""
    parts = []
    for bay in site.bays:
        for valve in site.valves_of(bay.tag):
            open_ms = openings = 0
            for before, scan in pairwise(scans):
                begins = scan.outputs[f"{bay.tag}.ticket"] and not before.outputs[f"{bay.tag}.ticket"]
                if begins and not scan.inputs[CRASH]:
                    open_ms = openings = 0
                was, now = before.outputs[f"{valve.tag}.command"], scan.outputs[f"{valve.tag}.command"]
                open_ms += scan.elapsed_ms if was else 0
                openings += bool(now and not was)
            if open_ms:
                parts.append(_opened(bay, valve, open_ms, openings, site))
    return "".join(parts)


def _opened(bay: Bay, valve: Valve, open_ms: int, openings: int, site: Site) -> str:
    texts = Texts(site.show)
    volume = texts.volume(bay.flow_m3_per_s * Fraction(open_ms, 1000))
    times = "" if openings == 1 else f" in {openings} openings"
    return (
        f"; valve {valve.tag} has been open {format_duration(open_ms * NS_PER_MS)}{times}: "
        f"{volume} at {texts.flow(bay.flow_m3_per_s)}"
    )


class Sentences:
    """What is said of inputs and valves, by their names."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._events: dict[tuple[str, Value], str] = {
            (CRASH, True): "the station crashes and starts again",
        }
        self._back: dict[str, str] = {}
        for bay in site.bays:
            self._name_bay(bay)
        for vessel in site.vessels:
            tag = vessel.tag
            self._events[polled(tag), False] = f"{tag} is not polled any more"
            self._back[polled(tag)] = f"{tag} is polled again"
            self._events[f"{tag}.bad", True] = f"{tag}'s value turns bad"
            self._back[f"{tag}.bad"] = f"{tag}'s value is good again"
            self._events[f"{tag}.reset", True] = f"a person resets the trip of {tag}"
            self._events[f"{tag}.bypass_ask", True] = f"a person asks to bypass the trip of {tag}"
            self._events[f"{tag}.bypass_approve", True] = f"another person approves the bypass of {tag}"
            self._events[f"{tag}.bypass_end", True] = f"a person ends the bypass of {tag}"
        for rule in site.rules:
            self._events[f"{rule.tag}.quiet", True] = f"the quiet hours {rule.tag} begin"
            self._back[f"{rule.tag}.quiet"] = f"the quiet hours {rule.tag} are over"
        for module in site.modules:
            self._events[f"{module.tag}.live", False] = f"module {module.tag} is not heard"
            self._back[f"{module.tag}.live"] = f"module {module.tag} is heard again"
        for wired in site.inputs:
            if wired.when_off:
                self._events.setdefault((wired.tag, False), f"{wired.when_off} ({wired.tag})")

    def _name_bay(self, bay: Bay) -> None:
        tag = bay.tag
        for name, sentence in (
            (f"{tag}.ticket_open", f"a person opens a ticket for bay {tag}"),
            (f"{tag}.ticket_end", f"a person ends the ticket of bay {tag}"),
            (f"{tag}.ticket_resume", f"a lead resumes the interrupted ticket of bay {tag}"),
            (f"{tag}.lockout_reset", f"a person resets the lock-out of bay {tag}"),
            (f"{tag}.panel_open", f"the open key of bay {tag}'s panel is pressed"),
            (f"{tag}.panel_close", f"the close key of bay {tag}'s panel is pressed"),
            (bay.open_key, f"the open key {bay.open_key} is pressed"),
        ):
            self._events[name, True] = sentence
        self._events[bay.close_key, False] = f"the close key {bay.close_key} is pressed"
        self._events[bay.hose_input, False] = f"the hose is taken off ({bay.hose_input})"
        self._events[bay.hose_input, True] = f"the hose is on ({bay.hose_input})"
        self._events[bay.hand_input, True] = f"the selector of bay {tag} is turned to HAND ({bay.hand_input})"
        self._back[bay.hand_input] = f"the selector of bay {tag} is not in HAND any more"
        self._back[bay.hose_input] = f"the hose is on ({bay.hose_input})"
        self._back[bay.open_key] = ""
        self._back[bay.close_key] = f"the close key {bay.close_key} is released"
        for choice, valve in enumerate(self._site.valves_of(tag), 1):
            self._events[f"{tag}.choice", choice] = f"valve {valve.tag} is chosen"
            for switch, side in ((valve.closed_switch, "closed"), (valve.open_switch, "open")):
                self._events[switch, True] = f"{switch} shows valve {valve.tag} {side}"
                self._events[switch, False] = f"{switch} does not show valve {valve.tag} {side}"
                self._back[switch] = f"{switch} follows valve {valve.tag} again"
        self._events[f"{tag}.choice", 0] = "no valve is chosen"

    def event(self, event: Event, scan: Replayed) -> list[str]:
        """Return the sentences for an event, first seen in a scan."""
        if event.name == LOOK:
            return []
        if event.name == LATE:
            return [f"the next scan comes {time_words(event.value)} late"]
        return self.given(event.name, event.value, scan)

    def given(self, name: str, value: Value, scan: Replayed) -> list[str]:
        """Return the sentences for what a course gives an input in a scan, or a second course beside it."""
        if name.startswith(INSTEAD):
            return []
        if not name.startswith(DIFFERS):
            return [self.value(name, value)]
        plain = name.removeprefix(DIFFERS)
        first = scan.inputs[plain]
        if not value or not isinstance(first, bool):
            return [f"in a second course {plain} is another"] if value else []
        return [f"in a second course {self.value(plain, not first)}"]

    def known(self, name: str, value: Value) -> str | None:
        """Return the sentence for an input that takes a value where that is an event, None where it is none."""
        return self._events.get((name, value))

    def value(self, name: str, value: Value) -> str:
        """Return the sentence for an input that takes a value."""
        known = self.known(name, value)
        if known is not None:
            return known
        word = name.rsplit(".", 1)
        if len(word) == 2 and word[1] == "level":
            return f"{word[0]} stands at {on_paper(self._site, self._site.vessel(word[0]), int(value))}"
        if len(word) == 2 and word[1] == "age":
            return f"{word[0]}'s level is {time_words(value)} old"
        if len(word) == 2 and word[1] == "panel_age":
            return f"the panel of bay {word[0]} was last heard {time_words(value)} ago"
        if name == "site.bypass_ms":
            return f"bypasses are asked for {time_words(value)}"
        if len(word) == 2 and word[1] == "on_ticket":
            return f"the ticket {'names' if value else 'does not name'} what valve {word[0]} draws from"
        if len(word) == 2 and word[1] == "new":
            return f"{word[0]} brings {'a' if value else 'no'} new level"
        if isinstance(value, bool):
            return f"{name} is {'energised' if value else 'not energised'}"
        return f"{name} is {value}"

    def back(self, event: Event) -> str:
        """Return the sentence for the end of an event, empty when there is nothing to say."""
        if event.name in self._back:
            return self._back[event.name]
        return "" if (event.name, event.value) in self._events else f"{event.name} is as before"

    def tail(self, tail: Tail, scan: Replayed) -> list[str]:
        """Return what one of the last scans brings that the plant alone would not."""
        told = (
            [f"this scan comes {time_words(tail.elapsed_ms)} after the one before"]
            if tail.elapsed_ms > SCAN_MS
            else []
        )
        return told + [text for n, v in tail.inputs.items() for text in self.given(n, v, scan)]

    def outcomes(self, before: Replayed, scan: Replayed) -> list[str]:
        """Return what valves and trips did in a scan."""
        told = []
        for valve in self._site.valves:
            was, now = before.outputs[f"{valve.tag}.command"], scan.outputs[f"{valve.tag}.command"]
            if was != now:
                told.append(f"valve {valve.tag} {'opens' if now else 'closes'}")
        for vessel in self._site.vessels:
            was, now = before.outputs[f"{vessel.tag}.tripped"], scan.outputs[f"{vessel.tag}.tripped"]
            if was != now:
                told.append(f"{vessel.tag} {'trips' if now else 'is reset'}")
        return told


def time_words(ms: Value) -> str:
    """Return what a number of ms is called."""
    return format_duration(int(ms) * NS_PER_MS)
