"""Rules between bays that draw from one vessel: what keeps a valve closed because of another bay's valve.

A bay looks at the others' commands and lock-outs of the scan before, at their switches, and at what asks for their
valves in this scan. When two bays ask in the same scan, the one that comes first in the order of tags goes first,
whether or not it succeeds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from sidetap.scheme import Expr, any_of
from sidetap.site.cause_effect.draft import Draft
from sidetap.site.cause_effect.posts import Post
from sidetap.site.cause_effect.reasons import Reason
from sidetap.site.cause_effect.vessels import Level
from sidetap.site.cause_effect.words import below_words, listed, on_screen
from sidetap.site.model import ExclusiveVessel, SharedOnlyAbove, Valve, in_order


@dataclass(frozen=True, slots=True)
class _Rival:
    """A valve of another bay from the same vessel; earlier: its bay comes first in order."""

    post: Post
    valve: Valve
    earlier: bool

    def claims(self) -> Expr:
        """Return whether it had a command in the scan before, or is asked for in this one and goes first."""
        was_open = self.post.was_open[self.valve.tag]
        return was_open | self.post.asked[self.valve.tag] if self.earlier else was_open


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two valves of two bays under one rule, the earlier bay's first, and which one opened first while both are open.

    state, second_led: the state that says that the second one did, and its value before this scan.
    """

    first: Valve
    second: Valve
    first_was_open: Expr
    second_was_open: Expr
    state: str
    second_led: Expr

    def led_by_other(self, valve: Valve) -> Expr:
        """Return whether both were open in the scan before, and the other valve had opened before this one."""
        both_were_open = self.first_was_open & self.second_was_open
        return both_were_open & (self.second_led if valve is self.first else ~self.second_led)


class Sharing:
    """All rules between bays of a site, once all its posts are read."""

    def __init__(self, draft: Draft, posts: Sequence[Post], levels: Mapping[str, Level]) -> None:
        self._draft = draft
        self._posts = posts
        self._levels = levels
        rules = in_order(draft.site.rules)
        self._exclusive = [rule for rule in rules if isinstance(rule, ExclusiveVessel)]
        self._shared = [rule for rule in rules if isinstance(rule, SharedOnlyAbove)]
        self._pairs = {rule.tag: self._pairs_of(rule) for rule in self._shared}

    def closing(self, post: Post, valve: Valve) -> list[Reason]:
        """Return what closes a valve because of other bays: of two that share, the one that opened later."""
        level = self._levels[valve.vessel]
        reasons = []
        for rule in self._shared:
            led = [p.led_by_other(valve) for p in self._pairs[rule.tag] if valve in (p.first, p.second)]
            if led:
                when = any_of(*led) & level.is_below(rule.close_below_01mm)
                text = f"{valve.vessel} is too low for two bays, and another opened first"
                limit = below_words(self._draft.site, level.vessel, rule.close_below_01mm)
                remedy, exactly = self._wait_for(rule, post), f"{limit}; the bay that opened later"
                reasons.append(Reason(f"{rule.tag}-low", when, text, remedy, exactly))
        return reasons

    def keeping(self, post: Post, valve: Valve) -> list[Reason]:
        """Return what keeps a valve from opening because of other bays."""
        rivals = self._rivals(post, valve)
        if not rivals:
            return []
        reasons = [self._one_at_a_time(r.tag, valve, rivals) for r in self._exclusive if r.vessel == valve.vessel]
        for rule in self._shared:
            others = [r for r in rivals if r.post.bay.tag in rule.bays]
            if rule.vessel == valve.vessel and post.bay.tag in rule.bays and others:
                reasons.append(self._enough_for_two(rule, post, others))
        locked = any_of(*(r.post.was_locked[r.valve.tag] for r in rivals))
        text = f"a valve of another bay from {valve.vessel} did not follow its command"
        remedy = "reset the lock-out at that bay once its valve's switches agree with its command"
        return [*reasons, Reason("vessel-locked", locked, text, remedy)]

    def remember(self, commands: Mapping[str, Expr]) -> None:
        """Keep who of two opened first, as long as both stay open; commands: of this scan, by valve."""
        for pair in (p for pairs in self._pairs.values() for p in pairs):
            both = commands[pair.first.tag] & commands[pair.second.tag]
            overtakes = pair.second_was_open & ~pair.first_was_open
            self._draft.b.assign(pair.state, both & (pair.second_led | overtakes))

    def _one_at_a_time(self, rule: str, valve: Valve, rivals: Sequence[_Rival]) -> Reason:
        taken = any_of(*(r.claims() | ~r.post.shown_closed[r.valve.tag] for r in rivals))
        others = [r.valve.tag for r in rivals]
        text = f"{valve.vessel} serves one bay at a time, and another has it"
        remedy = f"have {listed(others, 'and')} closed and shown so by switches"
        return Reason(rule, taken, text, remedy, f"{listed(others, 'or')} not shown closed, or asked for first")

    def _enough_for_two(self, rule: SharedOnlyAbove, post: Post, rivals: Sequence[_Rival]) -> Reason:
        level = self._levels[rule.vessel]
        when = any_of(*(r.claims() for r in rivals)) & ~level.is_at(rule.level_01mm)
        text = f"{rule.vessel} is below {self._enough(rule, post)}, and another bay draws from it"
        limit = f"{below_words(self._draft.site, level.vessel, rule.level_01mm)}, or not full"
        bays = listed([r.post.bay.tag for r in rivals], "or")
        exactly = f"{limit}, while bay {bays} draws from {rule.vessel}"
        return Reason(rule.tag, when, text, self._wait_for(rule, post), exactly)

    def _enough(self, rule: SharedOnlyAbove, post: Post) -> str:
        return on_screen(self._draft.site, post.bay, self._levels[rule.vessel].vessel, rule.level_01mm)

    def _wait_for(self, rule: SharedOnlyAbove, post: Post) -> str:
        return f"wait until {rule.vessel} stands at {self._enough(rule, post)} or more, or the other bay has closed"

    def _rivals(self, post: Post, valve: Valve) -> list[_Rival]:
        before = True
        rivals = []
        for other in self._posts:
            if other is post:
                before = False
                continue
            rivals += [_Rival(other, v, before) for v in other.valves if v.vessel == valve.vessel]
        return rivals

    def _pairs_of(self, rule: SharedOnlyAbove) -> list[_Pair]:
        posts = [post for post in self._posts if post.bay.tag in rule.bays]
        pairs = []
        for one, other in combinations(posts, 2):
            for first in (v for v in one.valves if v.vessel == rule.vessel):
                for second in (v for v in other.valves if v.vessel == rule.vessel):
                    state = f"{rule.tag}.{second.tag}-before-{first.tag}"
                    were_open = one.was_open[first.tag], other.was_open[second.tag]
                    pairs.append(_Pair(first, second, *were_open, state, self._draft.b.state_bool(state)))
        return pairs
