"""What panels ask: a message in, a reply out. Every ask but the heartbeat is journalled, with its answer.

A panel shows and asks, and decides nothing; nor does this module: what may be is found by trying the scheme's own
step on the inputs as they would be, and the words for "no" are the scheme's causes. Closing is never refused, not
even to a message that is wrong in every other way.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeAlias

from sidetap.measure import WatchState
from sidetap.site.keys import APPROVES_BYPASS, ASKS_FOR_BYPASS
from sidetap.station import snapshots
from sidetap.station.bypasses import Asked
from sidetap.station.desk import BayDesk
from sidetap.station.loads import Load
from sidetap.station.people import AT_THE_BAY

if TYPE_CHECKING:
    from sidetap.station.engine import Engine

Message: TypeAlias = Mapping[str, Any]
MS_PER_MINUTE = 60_000
LONGEST_SHOWN = 60  # characters of what a panel sent that go into the journal, each


class _No(Exception):
    """The answer is no, and why, as a sentence without a full stop."""


def answer(engine: Engine, message: Message, now_ns: int) -> dict[str, Any]:
    """Return the reply to a panel's message, and let the engine know what was asked.

    A message may carry a whole number ``n`` of the panel's; the reply carries it back, so that no reply can be taken
    for that to another ask.
    """
    reply = _answer(engine, message, now_ns)
    number = message.get("n")
    return {**reply, "n": number} if isinstance(number, int) else reply


def _answer(engine: Engine, message: Message, now_ns: int) -> dict[str, Any]:
    ask = message.get("ask")
    ask = ask if isinstance(ask, str) else ""
    if ask == "alive":
        desk = engine.desks.get(_text(message, "bay"))
        if desk is not None:
            desk.panel_heard_ns = now_ns
        return _reply(ask, "" if desk is not None else "no such bay")
    problem = ""
    try:
        if ask not in _ASKS:
            raise _No(f"the station does not know {ask!r}" if ask else "the message asks for nothing")
        _ASKS[ask](engine, message, now_ns)
    except _No as no:
        problem = str(no)
    at = engine.moment(now_ns)
    told = ("bay", "valve", "vessel", "vessels", "minutes")
    asked = {key: _shown(value) for key, value in message.items() if key in told}
    what = {"ask": _shown(ask), **asked, "ok": not problem, "text": problem}
    subject = str(asked.get("valve", asked.get("bay", asked.get("vessel", "station"))))
    engine.ledger.note([at.entry("ask", subject, str(_shown(message.get("person", "panel"))), what)])
    return _reply(ask, problem)


# -- the asks ----------------------------------------------------------------------------------------------------


def _choose(engine: Engine, message: Message, _now_ns: int) -> None:
    desk = _bay(engine, message)
    if engine.outputs.get(f"{desk.bay.tag}.pump"):
        raise _No("a valve of the bay is open")
    desk.choice = _choice(desk, message)


def _open(engine: Engine, message: Message, now_ns: int) -> None:
    desk = _bay(engine, message)
    tag, choice = desk.bay.tag, _choice(desk, message)
    valve = desk.valve_of(choice)
    assert valve is not None, "a choice names a valve"  # noqa: S101
    outputs = engine.trial(now_ns, {f"{tag}.choice": choice, f"{tag}.panel_open": True})
    if not outputs[f"{valve.tag}.command"] or engine.outputs.get(f"{valve.tag}.command"):
        stand = "; ".join(why.text for why in snapshots.blocks(engine, desk, valve, outputs, now_ns))
        raise _No(f"{valve.tag} can't open: {stand or 'the key was pressed just now; press it again'}")
    desk.choice = choice
    engine.press(f"{tag}.panel_open")


def _close(engine: Engine, message: Message, _now_ns: int) -> None:
    # a bay that is not known can't be closed alone, so all are: better one too many
    desk = engine.desks.get(_text(message, "bay"))
    for tag in engine.desks if desk is None else (desk.bay.tag,):
        engine.press(f"{tag}.panel_close")


def _ticket(engine: Engine, message: Message, now_ns: int) -> None:
    desk = _bay(engine, message)
    tag = desk.bay.tag
    person = _person(engine, message, AT_THE_BAY)
    vessels = message.get("vessels")
    here = [valve.vessel for valve in desk.compiled.valves]
    if not isinstance(vessels, list) or not vessels or any(vessel not in here for vessel in vessels):
        raise _No(f"a ticket of bay {tag} names at least one of {', '.join(here)}")
    if desk.load is not None or desk.asked is not None:
        raise _No(f"bay {tag} has an open ticket")
    if engine.ledger.failed is not None:
        raise _No("the journal can't be written")
    if not engine.trial(now_ns, {f"{tag}.ticket_open": True})[f"{tag}.ticket"]:
        raise _No("a new ticket needs the hose seen off first")
    asked = [other.asked.ticket for other in engine.desks.values() if other.asked is not None]
    number = max([engine.next_ticket, *(n + 1 for n in asked)])
    named = tuple(vessel for vessel in here if vessel in vessels)
    desk.asked = Load(number, tag, person, named, engine.utc_ns(now_ns))
    engine.press(f"{tag}.ticket_open")


def _end_ticket(engine: Engine, message: Message, _now_ns: int) -> None:
    desk = _bay(engine, message)
    _person(engine, message, AT_THE_BAY)
    _has_ticket(desk)
    engine.press(f"{desk.bay.tag}.ticket_end")


def _resume(engine: Engine, message: Message, now_ns: int) -> None:
    desk = _bay(engine, message)
    tag = desk.bay.tag
    _person(engine, message, (desk.bay.resume_role,))
    _has_ticket(desk)
    if not engine.outputs.get(f"{tag}.interrupted"):
        raise _No("the ticket is not interrupted")
    if engine.trial(now_ns, {f"{tag}.ticket_resume": True})[f"{tag}.interrupted"]:
        raise _No("the ticket can't be resumed now")
    engine.press(f"{tag}.ticket_resume")


def _reset_trip(engine: Engine, message: Message, now_ns: int) -> None:
    tag = _vessel(engine, message)
    _person(engine, message, AT_THE_BAY)
    drawn = engine.outputs.get(f"alarm.{tag}-drawn")  # the same reset ends it, at any level
    if not engine.outputs.get(f"{tag}.tripped") and not drawn:
        raise _No(f"{tag} is not tripped")
    if not drawn and engine.trial(now_ns, {f"{tag}.reset": True})[f"{tag}.tripped"]:
        level = snapshots.reset_level_text(engine, engine.site.vessel(tag))
        raise _No(f"{tag} can be reset once its mean level is at {level} or more")
    engine.press(f"{tag}.reset")


def _level_checked(engine: Engine, message: Message, now_ns: int) -> None:
    tag = _vessel(engine, message)
    _person(engine, message, AT_THE_BAY)
    if engine.level(tag, now_ns).watch is not WatchState.FROZEN:
        raise _No(f"{tag}'s level is not held to be frozen")
    engine.trust_level(tag)


def _reset_lockout(engine: Engine, message: Message, now_ns: int) -> None:
    desk = _bay(engine, message)
    tag = desk.bay.tag
    _person(engine, message, AT_THE_BAY)
    locked = [f"{valve.tag}.locked_out" for valve in desk.compiled.valves]
    if not any(engine.outputs.get(name) for name in locked):
        raise _No("nothing is locked out")
    engine.press(f"{tag}.lockout_reset")


def _bypass(engine: Engine, message: Message, _now_ns: int) -> None:
    tag = _bypassable(engine, message)
    person = _person(engine, message, ASKS_FOR_BYPASS)
    most = engine.bypasses.most_ms // MS_PER_MINUTE
    minutes = message.get("minutes")
    if minutes is not None and (type(minutes) is not int or not 1 <= minutes <= most):
        raise _No(f"a bypass lasts 1 to {most} whole minutes")
    if engine.bypasses.approved is not None:
        raise _No("a bypass begins just now")
    _none_runs(engine)
    lasts_ms = engine.bypasses.usual_ms if minutes is None else minutes * MS_PER_MINUTE
    engine.bypasses.asked[tag] = Asked(person, lasts_ms)
    engine.press(f"{tag}.bypass_ask")


def _approve_bypass(engine: Engine, message: Message, now_ns: int) -> None:
    tag = _bypassable(engine, message)
    person = _person(engine, message, APPROVES_BYPASS)
    asked = engine.bypasses.asked.get(tag)
    if asked is None:
        raise _No(f"nobody has asked for a bypass of {tag}")
    if asked.asked_by == person:
        raise _No(f"{person} has asked for it; another person approves it")
    if engine.bypasses.approved is not None:
        raise _No("a bypass begins just now")
    _none_runs(engine)
    if engine.ledger.failed is not None:
        raise _No("the journal can't be written")
    approval = {f"{tag}.bypass_approve": True, "site.bypass_ms": asked.lasts_ms}
    if not engine.trial(now_ns, approval)[f"{tag}.bypassed"]:
        raise _No(f"{asked.asked_by}'s ask has lapsed, or came just now; ask again, or press again")
    engine.bypasses.asked[tag] = replace(asked, approved_by=person)
    engine.bypasses.approved = tag
    engine.press(f"{tag}.bypass_approve")


def _end_bypass(engine: Engine, message: Message, _now_ns: int) -> None:
    tag = _bypassable(engine, message)
    person = _person(engine, message, tuple(dict.fromkeys(ASKS_FOR_BYPASS + APPROVES_BYPASS)))
    if not engine.outputs.get(f"{tag}.bypassed"):
        raise _No(f"no bypass of {tag} runs")
    engine.bypasses.ended_by[tag] = person
    engine.press(f"{tag}.bypass_end")


_ASKS: dict[str, Callable[[Engine, Message, int], None]] = {
    "choose": _choose,
    "open": _open,
    "close": _close,
    "ticket": _ticket,
    "end-ticket": _end_ticket,
    "resume": _resume,
    "reset-trip": _reset_trip,
    "level-checked": _level_checked,
    "reset-lockout": _reset_lockout,
    "bypass": _bypass,
    "approve-bypass": _approve_bypass,
    "end-bypass": _end_bypass,
}

# -- parts of a message ------------------------------------------------------------------------------------------


def _text(message: Message, key: str) -> str:
    value = message.get(key)
    return value if isinstance(value, str) else ""


def _bay(engine: Engine, message: Message) -> BayDesk:
    desk = engine.desks.get(_text(message, "bay"))
    if desk is None:
        raise _No("no such bay")
    return desk


def _vessel(engine: Engine, message: Message) -> str:
    tag = _text(message, "vessel")
    if not any(vessel.tag == tag for vessel in engine.site.vessels):
        raise _No("no such vessel")
    return tag


def _bypassable(engine: Engine, message: Message) -> str:
    tag = _vessel(engine, message)
    if tag not in engine.bypasses.vessels:
        raise _No(f"the trip of {tag} can't be bypassed")
    return tag


def _none_runs(engine: Engine) -> None:
    for tag in engine.bypasses.vessels:
        if engine.outputs.get(f"{tag}.bypassed"):
            raise _No(f"a bypass of {tag} runs; one at a time")


def _choice(desk: BayDesk, message: Message) -> int:
    tag = _text(message, "valve")
    for valve in desk.compiled.valves:
        if valve.tag == tag:
            return valve.choice
    raise _No(f"bay {desk.bay.tag} has no such valve")


def _person(engine: Engine, message: Message, roles: tuple[str, ...]) -> str:
    name = _text(message, "person")
    objection = engine.people.objection(name, roles)
    if objection is not None:
        raise _No(objection)
    return name


def _has_ticket(desk: BayDesk) -> None:
    if desk.load is None:
        raise _No("no ticket is open")


def _shown(value: Any) -> str | list[str]:
    if isinstance(value, list):
        return [str(item)[:LONGEST_SHOWN] for item in value[:20]]
    return str(value)[:LONGEST_SHOWN]


def _reply(ask: str, problem: str) -> dict[str, Any]:
    return {"kind": "reply", "ask": ask[:LONGEST_SHOWN], "ok": not problem, "text": problem}
