"""A scheme that says whatever a test tells it to: judges are tried without any compiler, by what they see alone.

A site -> its model around a program whose outputs are inputs of their own. A test gives raw inputs and outputs scan
by scan, and is told which promises the scan has broken.
"""

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from types import MappingProxyType

from yards import made_yard

from sidetap.promises.build import build_model
from sidetap.promises.model import Model
from sidetap.quantity import NS_PER_S
from sidetap.scheme import Expr, GeneratedRunner, Input, Op, Program, Type, Value
from sidetap.site.model import QuietHours, Site

SAID = "said."
AGE_MS = 3_600_000
CLOSES, ONLY_STARTS = "limit", "no-time"  # a cause that closes, and one that only keeps from opening


def yard() -> Site:
    """Return two bays: B1 draws from T1 T2 T3, B2 from T3 T4 T1.

    T1 serves one bay at a time (R-3), T3 both only at or above 1.500 m, apart under 1.450 m (R-4); any trip closes
    both bays (R-5); T1 and T3 can be bypassed. Means of 3 s, delays of 2 s, trips at 0.600 m, resets at 0.700 m;
    limits of 25 s, strokes of 1 s, supervision of 3 s, one restart after 5 s; a start holds for 2 s.
    """
    return replace(made_yard(4, 2, "any", quick=True), start_hold_ns=2 * NS_PER_S)


def uneven_yard() -> Site:
    """Return the same, B1-1's stroke 2 s, B1-2's limit 40 s; a fall of 15 mm is a draw from T1, elsewhere 20 mm."""
    site = yard()
    strokes_s, limits_s = {"B1-1": 2}, {"B1-2": 40}
    valves = tuple(
        replace(v, stroke_ns=strokes_s.get(v.tag, 1) * NS_PER_S, open_limit_ns=limits_s.get(v.tag, 25) * NS_PER_S)
        for v in site.valves
    )
    frozen = {v.tag: replace(v.frozen, expected_01mm=150) for v in site.vessels if v.frozen and v.tag == "T1"}
    return replace(site, valves=valves, vessels=tuple(replace(v, frozen=frozen.get(v.tag)) for v in site.vessels))


def scheme_of_words(site: Site, causes: tuple[str, ...]) -> Program:
    """Return a program with the inputs and outputs that every scheme has, its outputs given from outside.

    causes: what it can name against a valve; the rest is as if it could never stand.
    """
    inputs: dict[str, Input] = {}
    outputs: dict[str, Type] = {}

    def takes(kind: Type, *names: str, high: int = 1) -> None:
        inputs.update({name: Input(name, kind, 0, high) for name in names})

    takes(Type.BOOL, *(i.tag for i in site.inputs), *(f"{m.tag}.live" for m in site.modules))
    takes(Type.BOOL, *(f"{rule.tag}.quiet" for rule in site.rules if isinstance(rule, QuietHours)))
    for v in site.vessels:
        takes(Type.INT, f"{v.tag}.level", high=300_000)
        takes(Type.INT, f"{v.tag}.age", high=AGE_MS)
        takes(Type.BOOL, *(f"{v.tag}.{word}" for word in ("new", "bad", "reset", "stored_trip")))
        alarms = (f"alarm.{v.tag}-{word}" for word in ("late", "old", "bad", "trip", "drawn"))
        outputs |= dict.fromkeys((f"{v.tag}.tripped", *alarms), Type.BOOL)
    outputs |= dict.fromkeys((f"alarm.{alarm.tag}" for alarm in site.alarms), Type.BOOL)
    for tag in site.bypass.trips if site.bypass else ():
        takes(Type.BOOL, *(f"{tag}.bypass_{word}" for word in ("ask", "approve", "end")))
        takes(Type.INT, "site.bypass_ms", high=60_000)
        outputs |= {
            f"{tag}.bypassed": Type.BOOL,
            f"{tag}.bypass_left_ms": Type.INT,
            f"alarm.{tag}-bypassed": Type.BOOL,
        }
    for bay in site.bays:
        words = ("panel_open", "panel_close", "ticket_open", "ticket_end", "ticket_resume", "lockout_reset")
        takes(Type.BOOL, *(f"{bay.tag}.{word}" for word in (*words, "stored_ticket")))
        takes(Type.INT, f"{bay.tag}.panel_age", high=AGE_MS)
        takes(Type.INT, *(f"{bay.tag}.{word}" for word in ("choice", "stored_openings", "stored_last")), high=9)
        takes(Type.INT, f"{bay.tag}.stored_account", high=10**9)
        alarms = (f"alarm.{bay.tag}-{word}" for word in ("stuck-key", "hose-left", "panel", "hand"))
        shown = (f"{bay.tag}.{word}" for word in ("ticket", "ticket_refused", "pump"))
        outputs |= dict.fromkeys((*shown, *alarms), Type.BOOL)
        outputs |= {f"{bay.tag}.{word}": Type.INT for word in ("account", "openings", "last")}
    for valve in site.valves:
        takes(Type.BOOL, f"{valve.tag}.on_ticket")
        named = [f"{valve.tag}.block.{cause}" for cause in causes]
        names = (f"{valve.tag}.command", f"{valve.tag}.locked_out", f"alarm.{valve.tag}-mismatch", *named)
        outputs |= dict.fromkeys(names, Type.BOOL)
    outputs |= {"site.horn": Type.BOOL, "site.watchdog": Type.BOOL}
    inputs |= {SAID + name: Input(SAID + name, kind, 0, 10**9) for name, kind in outputs.items()}
    said = {name: Expr(Op.INPUT, kind, (), SAID + name) for name, kind in outputs.items()}
    return Program(MappingProxyType(inputs), MappingProxyType({}), MappingProxyType(said))


@cache
def judged(site: Site, causes: tuple[str, ...]) -> tuple[Model, GeneratedRunner]:
    """Return the model of a scheme that says what it is told, and its runner: made once, for they keep nothing."""
    model = build_model(site, scheme_of_words(site, causes))
    return model, GeneratedRunner(model.program)


class Puppet:
    """Runs the judges. Values stay as they were set until they are set again.

    Unless told otherwise the scheme lets the watchdog alternate, the pump follow the valves and alarms tell of trips.
    """

    def __init__(self, site: Site, causes: tuple[str, ...] = (CLOSES, ONLY_STARTS)) -> None:
        self.model, self._runner = judged(site, causes)
        self.states = self._runner.first_states()
        self._facts: dict[str, Value] = {
            name: False if i.type is Type.BOOL else i.low for name, i in self.model.program.inputs.items()
        }
        well = (*(i.tag for i in site.inputs), *(f"{m.tag}.live" for m in site.modules))
        well = (*well, *(f"{v.tag}.on_ticket" for v in site.valves), *(f"{v.tag}.new" for v in site.vessels))
        self.hold(dict.fromkeys(well, True))
        for bay in site.bays:
            self.hold({bay.hand_input: False, bay.open_key: False, f"{bay.tag}.choice": 1})
        self.hold({v.open_switch: False for v in site.valves})
        self.hold({f"{v.tag}.level": 30_000 for v in site.vessels})
        self._watchdog = False

    def hold(self, facts: Mapping[str, Value]) -> None:
        """Set inputs, or what the scheme says, from the next scan on."""
        for name, value in facts.items():
            self._facts[self._full(name)] = value

    def scan(self, facts: Mapping[str, Value] | None = None, ms: int = 100) -> set[tuple[str, str]]:
        """Do one scan, with some facts for it alone; return the promises that it breaks, as (name, subject)."""
        self._watchdog = not self._watchdog
        once = {self._full(name): value for name, value in (facts or {}).items()}
        now = {**self._facts, **once}
        site = self.model.site
        now[SAID + "site.watchdog"] = self._watchdog
        for bay in site.bays:
            now[f"{SAID}{bay.tag}.pump"] = any(now[f"{SAID}{v.tag}.command"] for v in site.valves_of(bay.tag))
        now |= {f"{SAID}alarm.{v.tag}-trip": now[f"{SAID}{v.tag}.tripped"] for v in site.vessels}
        now |= once
        self.states, outputs = self._runner.step(self.states, now, ms)
        self.outputs = outputs
        return {(p.name, p.subject) for p in self.model.promises if not all(outputs[c.output] for c in p.clauses)}

    def scans(self, count: int, ms: int = 100) -> set[tuple[str, str]]:
        """Do so many scans; return what any of them breaks."""
        return {broken for _ in range(count) for broken in self.scan(ms=ms)}

    def opened(self, valve: str, choice: int) -> None:
        """Go through a hose seen off, a ticket opened and a press, to a valve that is open, its switch made."""
        bay = valve.split("-")[0]
        self.hold({f"{bay}.choice": choice})
        self.scans(40)
        self.scan({f"HC-{bay}": False})
        self.hold({f"{bay}.ticket": True})
        self.scan({f"{bay}.ticket_open": True})
        self.hold({f"{valve}.command": True})
        self.scan({f"PB-{bay}-OPEN": True})
        self.hold({f"ZSC-{valve}": False, f"ZSO-{valve}": True})

    def _full(self, name: str) -> str:
        return name if name in self._facts else SAID + name
