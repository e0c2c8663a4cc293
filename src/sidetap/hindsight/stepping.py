"""The scheme stepped over a record: levels as they came, hands as they were, everything else at its best.

Levels and tickets -> what would have become of each draw. Scans come a second apart, the most that leaves the filters
alone, and at every moment at which hands act; a second in which a valve closes by itself is done again in scans as
short as the station's. Switches follow their valves a stroke later, permissives are healthy, panels are there.

What was refused or closed early still shows in the levels, since the record is what it is: see the caller's cautions.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from functools import partial
from zoneinfo import ZoneInfo

import numpy as np

from sidetap.hindsight.hands import Hands, Outcome
from sidetap.hindsight.levels import Series
from sidetap.hindsight.loads import Ticket
from sidetap.quantity import CALENDAR_FROM_NS, NS_PER_MS, NS_PER_S
from sidetap.scheme import ListRunner, Program, Type, Value
from sidetap.site.cause_effect import AGE_LIMIT_MS, CompiledScheme
from sidetap.site.model import QuietHours, Site, Valve

LONGEST_NS = NS_PER_S  # a scan that comes later empties the filters
SILENCE_NS = 60 * NS_PER_S  # so long after the last answer nothing is left in them; a night is one scan then

Values = dict[str, Value]


def step_over(
    site: Site,
    scheme: CompiledScheme,
    levels: Mapping[str, Series],
    tickets: list[Ticket],
    progress: Callable[[float], None] = lambda share: None,
) -> list[Outcome]:
    """Return what would have become of each ticket's draws, in order of bay and time; progress: the share done."""
    start_ns = min((series.good_ns[0] for series in levels.values() if series.good_ns), default=0)
    start_ns -= start_ns % NS_PER_MS
    hands = [
        Hands(bay, scheme.bay(bay.tag), [ticket for ticket in tickets if ticket.bay == bay.tag], start_ns)
        for bay in site.bays
    ]
    world = _World(site, scheme.program, levels, start_ns)
    runner = ListRunner(scheme.program, [*world.commands, *(f"{vessel}.tripped" for vessel in levels)])
    states = runner.first_states()
    outputs: Mapping[str, Value] = dict.fromkeys(world.commands, False)
    shortest_ns = site.scan_ns
    last_ns = max((ticket.draws[-1].end_ns for ticket in tickets), default=start_ns)
    scans, fine_until_ns = 0, start_ns
    while (due_ns := min(hand.next_ns for hand in hands)) < 2**62:
        at_most_ns = shortest_ns if world.now_ns < fine_until_ns else LONGEST_NS
        due_ns += -due_ns % NS_PER_MS
        later_ns = world.now_ns + at_most_ns
        if not any(outputs[command] for command in world.commands):
            later_ns = max(later_ns, world.end_of_silence())
        now_ns = max(world.now_ns + NS_PER_MS, min(due_ns, later_ns))
        elapsed_ms = (now_ns - world.now_ns) // NS_PER_MS
        inputs = world.inputs(now_ns)
        for hand in hands:
            inputs |= hand.inputs(now_ns)
        given = [inputs[name] for name in runner.inputs]
        next_states, said = runner.step(states, given, elapsed_ms)
        now_outputs = _Said(zip(runner.outputs, said, strict=True), partial(runner.others, states, given, elapsed_ms))
        closes = any(outputs[command] and not now_outputs[command] for command in world.commands)
        if closes and now_ns - world.now_ns > shortest_ns and now_ns < due_ns:
            fine_until_ns = now_ns  # the same second again, in scans of the station
            continue
        states, outputs = next_states, now_outputs
        world.saw(now_ns, outputs)
        for hand in hands:
            hand.saw(now_ns, outputs)
        scans += 1
        if scans % 200 == 0:
            progress(min(1.0, (now_ns - start_ns) / max(1, last_ns - start_ns)))
    return [outcome for hand in hands for outcome in hand.outcomes]


class _Said(dict[str, Value]):
    """The outputs of one scan; those that are wanted now and then, such as causes, are worked out when asked for."""

    def __init__(self, said: Iterable[tuple[str, Value]], more: Callable[[], Mapping[str, Value]]) -> None:
        super().__init__(said)
        self._more = more

    def __missing__(self, name: str) -> Value:
        self.update(self._more())
        return self[name]


class _World:
    """What no hands do: levels, switches, time of day. now_ns: the moment of the scan before."""

    def __init__(self, site: Site, program: Program, levels: Mapping[str, Series], start_ns: int) -> None:
        self.now_ns = start_ns
        self.commands = [f"{valve.tag}.command" for valve in site.valves]
        self._site, self._levels = site, levels
        self._rest = _rest(site, program)
        self._zone = ZoneInfo(site.time_zone)
        self._quiet = {
            f"{rule.tag}.quiet": rule
            for rule in site.rules
            if isinstance(rule, QuietHours) and f"{rule.tag}.quiet" in program.inputs
        }
        self._tripped: set[str] = set()
        self._silences = _silences(levels)
        self._moved: dict[str, tuple[bool, int]] = {
            valve.tag: (False, start_ns - valve.stroke_ns) for valve in site.valves
        }

    def inputs(self, now_ns: int) -> Values:
        """Return every input of a scan at now_ns, with nobody at any bay."""
        inputs = dict(self._rest)
        for tag, series in self._levels.items():
            inputs |= level_inputs(tag, series, self.now_ns, now_ns)
        for valve in self._site.valves:
            inputs |= self._switches(valve, now_ns)
        for tag in self._tripped:
            inputs[f"{tag}.reset"] = True  # by a person, as soon as it can be
        for name, rule in self._quiet.items():
            inputs[name] = self._inside(rule, now_ns)
        return inputs

    def end_of_silence(self) -> int:
        """Return until when nothing is heard, where nothing has been heard for long; else now."""
        while self._silences and self._silences[0][1] <= self.now_ns:
            self._silences.popleft()
        within = self._silences and self._silences[0][0] <= self.now_ns
        return self._silences[0][1] if within else self.now_ns

    def saw(self, now_ns: int, outputs: Mapping[str, Value]) -> None:
        """Take what the scheme said at now_ns."""
        self.now_ns = now_ns
        self._tripped = {tag for tag in self._levels if outputs[f"{tag}.tripped"]}
        for valve in self._site.valves:
            command = bool(outputs[f"{valve.tag}.command"])
            if command is not self._moved[valve.tag][0]:
                self._moved[valve.tag] = command, now_ns

    def _switches(self, valve: Valve, now_ns: int) -> Values:
        command, since_ns = self._moved[valve.tag]
        there = now_ns - since_ns >= valve.stroke_ns
        return {valve.closed_switch: there and not command, valve.open_switch: there and command}

    def _inside(self, rule: QuietHours, now_ns: int) -> bool:
        """Return whether the site's clock is inside; a recording that counts from its own start tells no hours."""
        if now_ns < CALENDAR_FROM_NS:
            return False
        local = datetime.fromtimestamp(now_ns // NS_PER_S, UTC).astimezone(self._zone)
        minute = 60 * local.hour + local.minute
        if rule.from_minute <= rule.to_minute:
            return rule.from_minute <= minute < rule.to_minute
        return minute >= rule.from_minute or minute < rule.to_minute


def _silences(levels: Mapping[str, Series]) -> deque[tuple[int, int]]:
    """Return from when to when no vessel is heard of, without each silence's first minute and last second."""
    heard = np.unique(np.array([t_ns for s in levels.values() for t_ns in (*s.good_ns, *s.bad_ns)], dtype=np.int64))
    ends = np.flatnonzero(np.diff(heard) > SILENCE_NS + 2 * LONGEST_NS)
    return deque((int(heard[n]) + SILENCE_NS, int(heard[n + 1]) - LONGEST_NS) for n in ends)


def _rest(site: Site, program: Program) -> Values:
    """Return every input of the scheme while nobody does anything and all is well."""
    rest: Values = {name: False if i.type is Type.BOOL else i.low for name, i in program.inputs.items()}
    rest |= dict.fromkeys((wired.tag for wired in site.inputs), True)
    rest |= {f"{module.tag}.live": True for module in site.modules}
    for bay in site.bays:
        rest |= {bay.hand_input: False, bay.open_key: False, bay.hose_input: False}
    return {name: value for name, value in rest.items() if name in program.inputs}


def level_inputs(tag: str, series: Series, before_ns: int, now_ns: int) -> Values:
    """Return what the station would feed of a vessel at now_ns, with the scan before at before_ns."""
    good, good_before = bisect_right(series.good_ns, now_ns), bisect_right(series.good_ns, before_ns)
    bad, bad_before = bisect_right(series.bad_ns, now_ns), bisect_right(series.bad_ns, before_ns)
    last_good_ns = series.good_ns[good - 1] if good else None
    last_bad_ns = series.bad_ns[bad - 1] if bad else None
    still_bad = last_bad_ns is not None and (last_good_ns is None or last_bad_ns > last_good_ns)
    age_ms = AGE_LIMIT_MS if last_good_ns is None else -(-(now_ns - last_good_ns) // NS_PER_MS)
    return {
        f"{tag}.level": series.level_01mm[good - 1] if good else 0,
        f"{tag}.new": good != good_before,
        f"{tag}.bad": still_bad or bad != bad_before,
        f"{tag}.age": min(AGE_LIMIT_MS, age_ms),
    }
