"""That a bay is its own: which inputs of other bays may change nothing here, and through what they do.

A site and a scheme's names -> one statement per bay, for a proof that compares two runs. Bays touch each other only
where they draw from one vessel: through lock-outs, and, where a rule says so, through commands, switches and asks.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from sidetap.promises.model import Independence, Promise, Scene
from sidetap.site.model import Bay, ExclusiveVessel, SharedOnlyAbove, Site, Valve, in_order

ALARM = "alarm."


def independence_promises(scene: Scene) -> Iterator[Promise]:
    """Yield for each bay that others change nothing in it but through what they share."""
    site = scene.site
    bays = in_order(site.bays)
    wired = {bay.tag: _wired(site, bay) for bay in bays}
    named = _names_by_bay(site, scene.input_names)
    shown = _names_by_bay(site, scene.output_names)
    for bay in bays:
        channels: list[str] = []
        foreign: list[str] = []
        for other in bays:
            if other is bay:
                continue
            through, seen = _touching(site, bay, other, bays.index(other) < bays.index(bay))
            channels += through
            theirs = dict.fromkeys((*named[other.tag], *wired[other.tag]))
            foreign += [name for name in theirs if name not in seen and name not in wired[bay.tag]]
        yield Promise(
            "bays-independent", bay.tag, (), Independence(tuple(shown[bay.tag]), tuple(foreign), tuple(channels))
        )


def _wired(site: Site, bay: Bay) -> dict[str, None]:
    """Return the wired inputs that a bay reads."""
    own = (*bay.run_permissives, bay.auto_input, bay.hand_input, bay.stop_input, bay.hose_input, bay.open_key)
    switches = [s for v in site.valves_of(bay.tag) for s in (v.closed_switch, v.open_switch)]
    return dict.fromkeys((*own, bay.close_key, *switches))


def _names_by_bay(site: Site, names: Collection[str]) -> dict[str, list[str]]:
    """Return by bay the names that begin with its tag or a valve's, alarms among them."""
    owner = {bay.tag: bay.tag for bay in site.bays} | {v.tag: v.bay for v in site.valves}
    tags = {*owner, *(v.tag for v in site.vessels), *(a.tag for a in site.alarms)}
    found: dict[str, list[str]] = {bay.tag: [] for bay in site.bays}
    for name in names:
        tag = name.split(".")[0]
        if name.startswith(ALARM):
            words = name.removeprefix(ALARM).split("-")
            beginnings = ["-".join(words[:n]) for n in range(len(words), 0, -1)]
            tag = next((b for b in beginnings if b in tags), "")
        if tag in owner:
            found[owner[tag]].append(name)
    return found


def _touching(site: Site, bay: Bay, other: Bay, earlier: bool) -> tuple[list[str], set[str]]:
    """Return the outputs of another bay that may matter here, and those of its inputs that may.

    earlier: it comes first in order, so that what it asks for in a scan goes first.
    """
    channels: list[str] = []
    inputs: set[str] = set()
    vessels = {v.vessel for v in site.valves_of(bay.tag)}
    for valve in site.valves_of(other.tag):
        if valve.vessel not in vessels:
            continue
        channels.append(f"{valve.tag}.locked_out")
        exclusive = any(isinstance(r, ExclusiveVessel) and r.vessel == valve.vessel for r in site.rules)
        if exclusive:
            inputs |= {valve.closed_switch, valve.open_switch}
        if exclusive or _shared(site, valve, bay):
            channels.append(f"{valve.tag}.command")
            if earlier:
                inputs |= {other.open_key, f"{other.tag}.panel_open", f"{other.tag}.choice"}
    return channels, inputs


def _shared(site: Site, valve: Valve, bay: Bay) -> bool:
    """Return whether a rule lets the valve's bay and this one have the vessel together only above a level."""
    rules = [r for r in site.rules if isinstance(r, SharedOnlyAbove) and r.vessel == valve.vessel]
    return any(valve.bay in r.bays and bay.tag in r.bays for r in rules)
