"""The whole example yard's scheme, driven scan by scan: wires and people are a dictionary, valves move at once."""

from collections.abc import Mapping
from functools import cache
from pathlib import Path

from sidetap.scheme import GeneratedRunner, Type, Value
from sidetap.site import Site, load_or_refuse
from sidetap.site.cause_effect import CompiledScheme, CompiledValve, compile_site

EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "site.toml"
SECOND_MS = 1000
FULL_01MM = 30_000  # above every limit of the yard but T4's and T6's high ones, which are alarms


@cache
def whole_yard() -> Site:
    return load_or_refuse(EXAMPLE)


@cache
def _compiled(site: Site) -> tuple[CompiledScheme, GeneratedRunner]:
    scheme = compile_site(site)
    return scheme, GeneratedRunner(scheme.program)


class Scans:
    """One run of the scheme. held: what is put on an input until it is put otherwise.

    Everything is healthy, the hoses are off, no level moves. Limit switches follow the command of the scan before,
    but for the valves in stuck, which keep what is held.
    """

    def __init__(self, site: Site) -> None:
        self.site = site
        self.scheme, self._runner = _compiled(site)
        self.states: dict[str, Value] = dict(self._runner.first_states())
        self.outputs: Mapping[str, Value] = {}
        self.stuck: set[str] = set()
        self._choices = {v.tag: (b.tag, v.choice) for b in self.scheme.bays for v in b.valves}
        inputs = self.scheme.program.inputs.values()
        self.held: dict[str, Value] = {i.name: False if i.type is Type.BOOL else i.low for i in inputs}
        for bay in site.bays:
            for tag in (*bay.run_permissives, bay.close_key):
                self.held[tag] = True
            self.held[bay.hose_input] = False
        for valve in site.valves:
            self.held[f"{valve.tag}.on_ticket"] = self.held[valve.closed_switch] = True
        for module in site.modules:
            self.held[f"{module.tag}.live"] = True
        for vessel in site.vessels:
            self.held[f"{vessel.tag}.new"] = True
            self.held[f"{vessel.tag}.level"] = FULL_01MM

    def scan(self, *pulses: str, ms: int = 100) -> Mapping[str, Value]:
        """Run one scan with these Boolean inputs true in it alone."""
        for valve in self.site.valves:
            if valve.tag not in self.stuck:
                is_open = self.on(valve.tag)
                self.held[valve.closed_switch], self.held[valve.open_switch] = not is_open, is_open
        inputs = {**self.held, **dict.fromkeys(pulses, True)}
        states, self.outputs = self._runner.step(self.states, inputs, ms)
        self.states = dict(states)
        return self.outputs

    def run(self, seconds: int) -> None:
        for _ in range(seconds):
            self.scan(ms=SECOND_MS)

    def level(self, vessel: str, level_01mm: int) -> None:
        self.held[f"{vessel}.level"] = level_01mm

    def on(self, valve: str) -> bool:
        return bool(self.outputs.get(f"{valve}.command"))

    def alarm(self, tag: str) -> bool:
        return bool(self.outputs[f"alarm.{tag}"])

    def compiled(self, valve: str) -> CompiledValve:
        return next(v for b in self.scheme.bays for v in b.valves if v.tag == valve)

    def why(self, valve: str) -> list[str]:
        """Return the names of the causes that stand, in their order."""
        return [cause.name for cause in self.compiled(valve).causes if self.outputs[cause.output]]

    def ticket(self, bay: str) -> None:
        """Open a ticket at a bay and put the hose on."""
        hose = self.site.bay(bay).hose_input
        self.held[hose] = False
        self.scan()
        self.scan(f"{bay}.ticket_open")
        self.held[hose] = True
        self.scan()

    def choose(self, valve: str) -> str:
        """Choose a valve at its bay and return the name of the panel's open key there."""
        bay, number = self._choices[valve]
        self.held[f"{bay}.choice"] = number
        return f"{bay}.panel_open"

    def press(self, *valves: str) -> list[bool]:
        """Press open for these valves, each at its bay, in one scan; return which of them have a command after it."""
        keys = [self.choose(valve) for valve in valves]
        self.scan(*keys)
        return [self.on(valve) for valve in valves]


@cache
def _ready(site: Site) -> dict[str, Value]:
    scans = Scans(site)
    scans.run(16)
    for bay in site.bays:
        scans.ticket(bay.tag)
    return dict(scans.states)


def ready(site: Site | None = None) -> Scans:
    """Return a yard whose windows are full, with a ticket open and the hose on at every bay, for every vessel."""
    site = site or whole_yard()
    scans = Scans(site)
    scans.states = dict(_ready(site))
    for bay in site.bays:
        scans.held[bay.hose_input] = True
    return scans
