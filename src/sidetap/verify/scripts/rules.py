"""Courses along the rules of a site: quiet hours, votes, bypasses and promises of its own."""

from __future__ import annotations

from collections.abc import Iterator

from sidetap.quantity import NS_PER_MS
from sidetap.site.model import Bay, Bypass, Fact, OwnPromise, QuietHours, Site, TripVote, Vessel
from sidetap.verify.course import SCAN_MS, Course, polled
from sidetap.verify.scripts.script import Script, at_and_before, ready_ms
from sidetap.verify.scripts.single import against

_PENDING_MS = 60_000  # for so long an ask waits for its approval
_HORN_MS = 10_000  # for so long the horn tells that a bypass has ended
_DAY_MS = 24 * 3600 * 1000


def rules_of_the_site(site: Site, bay: Bay, choice: int) -> Iterator[Course]:
    """Yield courses along quiet hours, bypasses, votes and own promises, as far as they touch the valve."""
    vessel = site.vessel(site.valves_of(bay.tag)[choice - 1].vessel)
    opened = Script(site).load(bay, choice).wait(3_000)
    for rule in site.rules:
        if isinstance(rule, QuietHours):
            quiet = Script(site).set(f"{rule.tag}.quiet", True, 30_000)
            yield quiet.load(bay, choice).course(2_000)
            night = opened.copy().set(f"{rule.tag}.quiet", True).set(polled(vessel.tag), False)
            yield night.wait(10_000).press(bay).course(1_000)
        elif isinstance(rule, TripVote) and bay.tag in rule.bays:
            yield from _votes(site, rule, bay, opened)
    for promise in site.promises:
        yield from _own(site, promise, opened)
    if site.bypass is not None:
        yield from _bypasses(site, site.bypass, bay, choice)


def _votes(site: Site, rule: TripVote, bay: Bay, opened: Script) -> Iterator[Course]:
    """Yield courses in which as many vessels trip as are needed, in turn, one of them bypassed, and are reset."""
    voters = [v for v in site.vessels if v.tag in rule.vessels]
    bypass = site.bypass
    for turn in range(len(voters)):
        turned = (voters[turn:] + voters[:turn])[: rule.at_least]
        yield _sunk(opened.copy(), turned).course(1_000)
        for vessel in turned:
            if bypass is not None and vessel.tag in bypass.trips:
                aside = opened.copy().bypass(vessel, bypass.at_most_ns // NS_PER_MS)
                yield _sunk(aside, turned).course(1_000)
    if len(voters) >= rule.at_least:
        last = _sunk(opened.copy(), voters[: rule.at_least])
        for vessel in voters[: rule.at_least]:
            last.rise(vessel)
        yield last.press(bay).course(1_000)


def _sunk(script: Script, vessels: list[Vessel]) -> Script:
    for vessel in vessels:
        script.sink(vessel)
    return script


def _bypasses(site: Site, bypass: Bypass, bay: Bay, choice: int) -> Iterator[Course]:
    """Yield courses in which a bypass is asked for, approved, used, ended by hand or by its time, and asked twice."""
    valve = site.valves_of(bay.tag)[choice - 1]
    vessel = site.vessel(valve.vessel)
    most_ms = bypass.at_most_ns // NS_PER_MS
    named = [v for v in site.vessels if v.tag in bypass.trips]
    tag = vessel.tag
    low = Script(site).set(f"{tag}.level", vessel.trip.below_01mm - 100).ticket(bay, choice)
    low.until(ready_ms(site, vessel) + vessel.trip.delay_ns // NS_PER_MS + 1_000)
    # also where nobody may: the panel has no such key, and the scheme must not hear it
    running = low.copy().bypass(vessel, most_ms).press(bay).wait(3_000)
    yield running.course(1_000)
    # a bypass of another trip sets this one aside no more than that
    opened = Script(site).load(bay, choice).wait(3_000)
    for other in named:
        if other is not vessel:
            yield opened.copy().bypass(other, most_ms).sink(vessel).course(1_000)
    if vessel not in named:
        return
    yield running.copy().pulse(f"{tag}.bypass_end").wait(1_000).press(bay).course(2_000)
    yield running.copy().set(polled(tag), False).course(10_000)
    yield running.copy().crash().wait(ready_ms(site, vessel)).press(bay).course(2_000)
    for name, value in against(site, bay, valve):
        yield running.copy().set(name, value, 500).course(1_000)
    # ended by its time, at the most there is and by a short one, and what the horn does then
    short_ms = bypass.time_ns // NS_PER_MS // 2
    started = low.copy().bypass(vessel, short_ms)
    over_ms = started.now_ms - SCAN_MS + short_ms
    for moment_ms in (over_ms, over_ms + _HORN_MS):
        for script in at_and_before(started, moment_ms):
            yield script.look().course(1_000, sketch=True)
    yield started.copy().wait(500).press(bay).course(short_ms + 1_000, sketch=True)
    yield running.copy().wait(most_ms // 2).bypass(vessel, most_ms).course(most_ms, sketch=True)
    yield low.copy().bypass(vessel, _DAY_MS).press(bay).course(1_000)
    # both acts in one scan, an approval without an ask, and one that comes when the ask is just too old
    yield low.copy().pulse(f"{tag}.bypass_ask").pulse(f"{tag}.bypass_approve").wait(500).press(bay).course(2_000)
    yield low.copy().pulse(f"{tag}.bypass_approve").wait(500).press(bay).course(2_000)
    asked = low.copy().set("site.bypass_ms", most_ms).pulse(f"{tag}.bypass_ask")
    for script in at_and_before(asked, asked.now_ms + _PENDING_MS):
        yield script.pulse(f"{tag}.bypass_approve").wait(500).press(bay).course(1_000, sketch=True)
    for other in named:
        if other is not vessel:
            second = running.copy().bypass(other, most_ms)
            yield second.sink(other).pulse(f"{tag}.bypass_end").course(2_000)
            at_once = asked.copy().pulse(f"{other.tag}.bypass_ask").wait(1_000)
            yield at_once.pulse(f"{tag}.bypass_approve").pulse(f"{other.tag}.bypass_approve").course(2_000)


def _own(site: Site, promise: OwnPromise, opened: Script) -> Iterator[Course]:
    """Yield a course in which all that an own promise speaks of comes about while a valve is open."""
    script = opened.copy()
    for fact in promise.when:
        _make(script, site, fact)
    yield script.course(promise.for_ns // NS_PER_MS + 3_000)


def _make(script: Script, site: Site, fact: Fact) -> None:
    """Make a fact so, as far as people and plant can."""
    if fact.state in ("on", "off"):
        script.set(fact.subject, fact.state == "on")
    elif fact.state in ("below", "above", "tripped"):
        vessel = next((v for v in site.vessels if v.tag == fact.subject), None)
        if vessel is not None:
            wanted = {"below": fact.level_01mm - 1, "above": fact.level_01mm}
            script.sink(vessel, wanted.get(fact.state))
    elif fact.state == "bad":
        script.set(f"{fact.subject}.bad", True)
    elif fact.state == "old":
        script.set(polled(fact.subject), False).wait(10_000)
