"""The one document that a panel draws, and the sentences in it.

The engine's state in, plain JSON values out. Unknown is null here and never 0 nor the last number; a level that was
once known stands under ``was`` with its time, so that nobody takes it for the present one.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import UTC, datetime
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from sidetap.measure import WatchState, level_entry
from sidetap.quantity import EIGHTHS, NS_PER_MS, NS_PER_S, Rounding, Texts
from sidetap.site.cause_effect import Cause, CompiledValve
from sidetap.site.model import QuietHours
from sidetap.station.desk import BayDesk, Why

if TYPE_CHECKING:
    from collections.abc import Mapping

    from sidetap.measure import LevelReading
    from sidetap.scheme import Value
    from sidetap.site.model import Vessel
    from sidetap.station.engine import Engine

PRIORITIES = ("high", "low")
# causes told by wires: while the module is not live they are true for that reason alone
WIRED = frozenset({"close-key", "other-valve", "own-valve", "selector"})


def snapshot(engine: Engine, now_ns: int) -> dict[str, Any]:
    """Return the document; ``seq`` is the number of scans, so it stands still when they do."""
    utc_ns = engine.utc_ns(now_ns)
    alarms = sorted(engine.alarms.values(), key=lambda a: (PRIORITIES.index(a.priority), a.since_utc_ns))
    ports = [line.port for line in engine.site.lines] + [module.port for module in engine.site.modules]
    return {
        "kind": "snapshot",
        "seq": engine.scans,
        "utc": _utc_text(utc_ns),
        "local": engine.local(utc_ns),
        "site": engine.site.name,
        "scheme_hash": engine.scheme_hash,
        "simulated": any(port.startswith("pty:") for port in ports),
        "override": None if engine.override is None else asdict(engine.override),
        "vessels": [_vessel(engine, vessel, now_ns) for vessel in engine.site.vessels],
        "levels": [_level(engine, vessel.tag, now_ns) for vessel in engine.site.vessels],
        "bays": [_bay(engine, desk, now_ns) for desk in engine.desks.values()],
        "alarms": [
            {"tag": a.tag, "priority": a.priority, "text": a.text, "since_local": engine.local(a.since_utc_ns)}
            for a in alarms
        ],
        "headline": alarms[0].text if alarms else None,
        "people": [{"name": person.name, "role": person.role} for person in engine.site.people],
    }


def blocks(
    engine: Engine, desk: BayDesk, valve: CompiledValve, outputs: Mapping[str, Value], now_ns: int
) -> list[Why]:
    """Return why valve can't open, what matters most first; empty when a press would open it."""
    own = engine.own_reason(now_ns)
    if not outputs:
        return [Why("starting", "the station is starting", "wait a moment") if own is None else own]
    causes = [cause for cause in valve.causes if outputs[cause.output]]
    names = {cause.name for cause in causes}
    hidden: set[str] = set()
    if own is not None:
        hidden |= WIRED | set(desk.bay.run_permissives)
    if "ticket" in names:
        hidden |= {"not-on-ticket", "interrupted", "restarts", "wait", "no-time"}
    if "old" in names or "bad" in names:
        hidden |= {"late", "window"}
    if any(isinstance(rule, QuietHours) and rule.tag in names for rule in engine.site.rules):
        hidden |= {"old", "late", "window"}  # nobody polls: that says it all
    if "open" in names:
        hidden |= {"own-valve", "other-valve", "wait"}
    told = [why(engine, valve, cause, now_ns) for cause in causes if cause.name not in hidden]
    return told if own is None else [own, *told]


def why(engine: Engine, valve: CompiledValve, cause: Cause, now_ns: int) -> Why:
    """Return a cause as people are told it."""
    return Why(cause.name, sentence(engine, valve, cause, now_ns), cause.remedy)


def sentence(engine: Engine, valve: CompiledValve, cause: Cause, now_ns: int) -> str:
    """Return a cause's words, with the number that tells how far away its end is where there is one."""
    if cause.name in ("late", "old"):
        age_ns = engine.level(valve.vessel, now_ns).age_ns
        return cause.text if age_ns is None else f"{cause.text} ({age_ns / NS_PER_S:.1f} s)"
    if cause.name == "bad" and (reason := engine.level(valve.vessel, now_ns).reason):
        return f"{cause.text}: {reason}"
    if cause.name == "window":
        vessel = engine.scheme.vessel(valve.vessel)
        return f"{cause.text} ({engine.states[vessel.filled]} of {vessel.needed_s} s)"
    if cause.name == "wait":
        bay = engine.site.bay(engine.site.valve(valve.tag).bay)
        left_ms = bay.restart_wait_ns // NS_PER_MS - int(engine.states[f"{bay.tag}.closed_for.ms"])
        return f"{cause.text} ({max(1, -(-left_ms // 1000))} s to go)"
    return cause.text


def reset_level_text(engine: Engine, vessel: Vessel) -> str:
    """Return from which level on a trip can be reset, rounded up: at the level shown it is possible.

    Whoever asks may stand at any screen, so it is told in the units of all.
    """
    reset_m, top_m = _metres(vessel.trip.reset_above_01mm), _metres(vessel.top_01mm)
    shows = [engine.site.show, *(bay.panel_show for bay in engine.site.bays if bay.panel_show is not None)]
    first, *others = dict.fromkeys(Texts(show, EIGHTHS).level(reset_m, top_m, Rounding.UP) for show in shows)
    return f"{first} ({', '.join(others)})" if others else first


def _vessel(engine: Engine, vessel: Vessel, now_ns: int) -> dict[str, Any]:
    reading = engine.level(vessel.tag, now_ns)
    level = reading.level_01mm
    return {
        "tag": vessel.tag,
        "name": vessel.name,
        "product": vessel.product,
        "level_01mm": level,
        **_texts(engine, vessel, reading, Texts(engine.site.show, EIGHTHS)),
        "share": None if level is None else _share(level, vessel.top_01mm),
        "quality": str(reading.quality),
        "reason": reading.reason,
        "age_ms": None if reading.age_ns is None else reading.age_ns // NS_PER_MS,
        "rate": None if reading.rate is None else asdict(reading.rate),
        "to_trip_ms": None if reading.to_trip_ns is None else reading.to_trip_ns // NS_PER_MS,
        "watch_text": reading.watch_text,
        "frozen": reading.watch is WatchState.FROZEN,
        "high_share": _share(vessel.high_01mm, vessel.top_01mm),
        "low_share": _share(vessel.low_01mm, vessel.top_01mm),
        "trip_share": _share(vessel.trip.below_01mm, vessel.top_01mm),
        "tripped": bool(engine.outputs.get(f"{vessel.tag}.tripped")),
        "drawn": bool(engine.outputs.get(f"alarm.{vessel.tag}-drawn")),
        "bypass_ms": engine.bypasses.usual_ms if vessel.tag in engine.bypasses.vessels else None,
        "bypass": engine.bypasses.shown(vessel.tag, engine.states, engine.outputs),
    }


def _texts(engine: Engine, vessel: Vessel, reading: LevelReading, texts: Texts) -> dict[str, Any]:
    """Return what of a vessel is written in units of a screen."""
    top_m, level_m, last = _metres(vessel.top_01mm), reading.level_m, reading.last_good
    was = volume = None
    if reading.volume_m3 is not None and reading.uncertainty_m3 is not None:
        volume = texts.volume_with(reading.volume_m3, reading.uncertainty_m3)
    if level_m is None and last is not None:
        was = {"level_text": texts.level(_metres(last[0]), top_m), "local": engine.local(engine.utc_ns(last[1]))}
    return {
        "level_text": None if level_m is None else texts.level(level_m, top_m),
        "volume_text": volume,
        "was": was,
        "top_text": texts.level(top_m, top_m),
    }


def _metres(level_01mm: int) -> Fraction:
    return Fraction(level_01mm, 10_000)


def _level(engine: Engine, vessel: str, now_ns: int) -> dict[str, Any]:
    """Return the entry that ``sidetap level`` prints; its times are seconds since 1970."""
    reading = engine.level(vessel, now_ns)
    if reading.last_good is not None:
        level_01mm, t_ns = reading.last_good
        reading = replace(reading, last_good=(level_01mm, engine.utc_ns(t_ns)))
    return level_entry(engine.site, reading)


def _bay(engine: Engine, desk: BayDesk, now_ns: int) -> dict[str, Any]:
    bay = desk.bay
    wires = engine.wiring.inputs(now_ns)
    live = engine.wiring.live(now_ns)
    valves = [_valve(engine, desk, valve, wires, now_ns) for valve in desk.compiled.valves]
    chosen = desk.valve_of(desk.choice)
    last = desk.last_close
    heard_ns = desk.panel_heard_ns
    return {
        "tag": bay.tag,
        "name": bay.name,
        "state": _state(desk, valves, live and wires[bay.hand_input], live),
        "choice": None if chosen is None else chosen.tag,
        "ticket": _ticket(engine, desk),
        "valves": valves,
        "last_close": None
        if last is None
        else {
            "valve": last.valve,
            "local": engine.local(last.utc_ns),
            "cause": last.cause.text,
            "remedy": last.cause.remedy,
        },
        "selector": _selector(wires[bay.auto_input], wires[bay.hand_input]) if live else "unknown",
        "hose": wires[bay.hose_input] if live else None,
        "panel_age_ms": None if heard_ns is None else (now_ns - heard_ns) // NS_PER_MS,
        "texts": _own_texts(engine, desk, now_ns),
    }


def _own_texts(engine: Engine, desk: BayDesk, now_ns: int) -> dict[str, Any] | None:
    """Return the texts of the bay's vessels in units of its own screen; None where they are the site's."""
    show = desk.bay.panel_show
    if show is None:
        return None
    texts = Texts(show, EIGHTHS)
    vessels = [engine.site.vessel(valve.vessel) for valve in desk.compiled.valves]
    return {v.tag: _texts(engine, v, engine.level(v.tag, now_ns), texts) for v in vessels}


def _valve(
    engine: Engine, desk: BayDesk, valve: CompiledValve, wires: Mapping[str, bool], now_ns: int
) -> dict[str, Any]:
    site = engine.site.valve(valve.tag)
    outputs, tag = engine.outputs, desk.bay.tag
    command = bool(outputs.get(f"{valve.tag}.command"))
    stand = blocks(engine, desk, valve, outputs, now_ns)
    account = int(outputs.get(f"{tag}.account", 0)) if desk.load is not None else 0
    restart = not command and desk.load is not None and int(outputs.get(f"{tag}.openings", 0)) >= 1
    if restart:
        account += valve.weight * valve.stroke_ms  # a further opening pays for one stroke in advance
    opened_ns = desk.opened_ns if command else None
    return {
        "tag": valve.tag,
        "vessel": valve.vessel,
        "command": command,
        "locked_out": bool(outputs.get(f"{valve.tag}.locked_out")),
        "closed": wires[site.closed_switch],
        "open": wires[site.open_switch],
        "on_ticket": desk.load is not None and valve.vessel in desk.load.vessels,
        "may_open": not stand,
        "blocks": [] if command else [{"text": why.text, "remedy": why.remedy} for why in stand],
        "open_ms": 0 if opened_ns is None else (now_ns - opened_ns) // NS_PER_MS,
        "left_ms": desk.compiled.left_ms(valve, account),
        "limit_ms": valve.limit_ms,
    }


def _ticket(engine: Engine, desk: BayDesk) -> dict[str, Any] | None:
    load, tag = desk.load, desk.bay.tag
    if load is None:
        return None
    openings = int(engine.outputs.get(f"{tag}.openings", 0))
    return {
        "number": load.ticket,
        "person": load.person,
        "opened_local": engine.local(load.started_utc_ns),
        "vessels": list(load.vessels),
        "interrupted": bool(engine.outputs.get(f"{tag}.interrupted", True)),
        "account_share": _share(int(engine.outputs.get(f"{tag}.account", 0)), desk.compiled.full),
        "openings": openings,
        "openings_left": 1 + desk.bay.restarts - openings,
    }


def _state(desk: BayDesk, valves: list[dict[str, Any]], hand: bool, live: bool) -> str:
    if hand:
        return "hand"
    for valve in valves:
        if valve["command"]:
            return "open" if valve["open"] else "opening"
    if live and not all(valve["closed"] for valve in valves):
        return "closing"
    if not live or (desk.load is not None and not any(v["may_open"] for v in valves if v["on_ticket"])):
        return "blocked"
    return "closed"


def _selector(auto: bool, hand: bool) -> str:
    return {(True, False): "AUTO", (False, True): "HAND", (False, False): "OFF"}.get((auto, hand), "unknown")


def _share(part: int, whole: int) -> float:
    return round(part / whole, 4)


def _utc_text(utc_ns: int) -> str:
    moment = datetime.fromtimestamp(utc_ns // NS_PER_S, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{utc_ns % NS_PER_S // NS_PER_MS:03d}Z"
