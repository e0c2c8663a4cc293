"""Whether a site is the simulated yard's: only such a site can be played there.

A site file in, nothing or one error out. The yard in steel is the one that the example's whole site file describes;
limits, rules, promises and people may be others, but not what is wired, piped or read.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sidetap.errors import BadInput
from sidetap.rehearse.folder import EXAMPLE
from sidetap.site import load_or_refuse
from sidetap.site.model import Site

_YARD = "site.toml"


def refuse_other_yards(site: Site) -> None:
    """Raise BadInput for a site of which something stands otherwise in the simulated yard."""
    path = EXAMPLE / _YARD
    if not path.is_file():
        raise BadInput(str(path), "the example's site file is not there", "Run this from a clone.")
    yard = {(kind, tag): what for kind, tag, what in _in_steel(load_or_refuse(path))}
    for kind, tag, what in _in_steel(site):
        if yard.get((kind, tag)) != what:
            raise BadInput(
                str(site.path),
                f"{kind} {tag} is not as in the simulated yard, where counter-examples are played",
                f"Leave --rehearse out; it is for {path.parent.name} as it is piped and wired.",
            )


def _in_steel(site: Site) -> Iterator[tuple[str, str, tuple[Any, ...]]]:
    """Yield all of a site that a simulation can't change: kind, tag and what matters of it."""
    for line in site.lines:
        yield "line", line.tag, (line.baud, line.framing)
    for point in site.points:
        number = (point.encoding, point.scale, point.offset, point.unit, point.good_when)
        yield "point", point.tag, (point.line, point.device, point.table, point.register, number)
    for vessel in site.vessels:
        yield "vessel", vessel.tag, (vessel.level, vessel.top_01mm)
    for module in site.modules:
        yield "module", module.tag, (module.baud, module.framing, module.device, module.drops_out_after_ns)
    for wired in site.inputs:
        yield "input", wired.tag, (wired.module, wired.bit)
    for bay in site.bays:
        keys = (bay.auto_input, bay.hand_input, bay.stop_input, bay.hose_input, bay.open_key, bay.close_key)
        yield "bay", bay.tag, (bay.flow_m3_per_s, bay.pump_permit, keys)
    for valve in site.valves:
        switches = (valve.closed_switch, valve.open_switch)
        yield "valve", valve.tag, (valve.bay, valve.vessel, valve.output, valve.stroke_ns, switches)
    for name, output in (("watchdog", site.watchdog), ("horn", site.horn)):
        yield name, "of the site", (output,)
