"""Votes of trips and quiet hours: rules that keep bays closed for what is not their own vessel's level.

Facts of the site -> for each bay what stands against it, and the promises of these rules. A vote counts trips as they
are shown: that what is shown is right is promised of each vessel, so that a vote of many stays a small question.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from sidetap.promises.bays import BayFacts
from sidetap.promises.model import Clause, Promise, Scene
from sidetap.scheme.expression import Expr, any_of, count_of
from sidetap.site.model import QuietHours, Rule, Site, TripVote


def carried(scene: Scene) -> dict[str, Expr]:
    """Return by vote whether at least so many of its vessels show a trip that nobody bypasses."""
    bypassable = scene.site.bypass.trips if scene.site.bypass else ()
    counted = {}
    for vessel in scene.site.vessels:
        tripped = scene.output(f"{vessel.tag}.tripped")
        set_aside = vessel.tag in bypassable
        counted[vessel.tag] = tripped & ~scene.output(f"{vessel.tag}.bypassed") if set_aside else tripped
    return {rule.tag: _at_least(rule.at_least, [counted[tag] for tag in rule.vessels]) for rule in votes(scene.site)}


def _at_least(wanted: int, terms: Sequence[Expr]) -> Expr:
    return any_of(*terms) if wanted == 1 else count_of(terms) >= wanted


def votes(site: Site) -> list[TripVote]:
    """Return the site's votes."""
    return [rule for rule in site.rules if isinstance(rule, TripVote)]


def quiet(scene: Scene) -> dict[str, Expr]:
    """Return by rule whether its quiet hours are on in this scan."""
    rules = [rule for rule in scene.site.rules if isinstance(rule, QuietHours)]
    return {rule.tag: scene.input(f"{rule.tag}.quiet") for rule in rules}


def vote_promises(scene: Scene, bays: Mapping[str, BayFacts], carries: Mapping[str, Expr]) -> Iterator[Promise]:
    """Yield what is promised by each vote."""
    for rule in votes(scene.site):
        clauses = tuple(
            Clause(
                f"valve {v.tag} is open though {_words(rule)} tripped",
                ~v.command | ~carries[rule.tag],
                near=(tag, rule.tag),
            )
            for tag in rule.bays
            for v in bays[tag].valves
        )
        yield Promise(rule.kind, rule.tag, clauses)


def _words(rule: TripVote) -> str:
    names = ", ".join(rule.vessels)
    return f"at least one of {names} has" if rule.at_least == 1 else f"at least {rule.at_least} of {names} have"


def quiet_promises(scene: Scene, bays: Mapping[str, BayFacts], is_quiet: Mapping[str, Expr]) -> Iterator[Promise]:
    """Yield what is promised of quiet hours: nothing opens, and old levels raise no alarm."""
    rules: dict[str, Rule] = {rule.tag: rule for rule in scene.site.rules}
    for tag, on in is_quiet.items():
        clauses = [
            Clause(f"valve {v.tag} opens in quiet hours", ~v.rises | ~on, near=(bay, tag))
            for bay, facts in bays.items()
            for v in facts.valves
        ]
        for vessel in scene.site.vessels:
            alarms = [scene.output(f"alarm.{vessel.tag}-{word}") for word in ("late", "old")]
            clauses.append(
                Clause(
                    f"an alarm tells in quiet hours that {vessel.tag} is old",
                    ~(on & any_of(*alarms)),
                    near=(vessel.tag, tag),
                )
            )
        yield Promise(rules[tag].kind, tag, tuple(clauses))
