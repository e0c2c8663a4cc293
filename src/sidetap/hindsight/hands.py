"""The hands at one bay: they load what was loaded, with a ticket before it, a press at its start, a close at its end.

Moments and what the scheme answered come in; the bay's inputs go out. Between two calls of ``saw`` the inputs of a
moment are always the same, so that a scan can be done again in smaller steps. Hands have no opinion: they do what the
record shows, and note what became of it.

In the life of a load the hands are *away*, hose off; then *ready*, with hose on, ticket open and valve chosen; then
the valve is *open*. Refused, they try again every second or so, and give up after ten: valves stroke, and the moment
of a draw is known to a few seconds only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, auto

from sidetap.hindsight.loads import Draw, Ticket
from sidetap.quantity import NS_PER_S
from sidetap.scheme import Value
from sidetap.site.cause_effect import CompiledBay, CompiledValve
from sidetap.site.model import Bay

LEAD_NS = 3 * NS_PER_S  # from the ticket to the first press
AWAY_NS = NS_PER_S  # the hose is off for so long, at the least, between two tickets
AGAIN_NS = 3 * NS_PER_S // 2  # longer than a scan, which thus sees the key released in between
PATIENCE_NS = 10 * NS_PER_S
# a closing so shortly before the end is the end: draws are seen in levels to a few seconds, tickets to a scan or two
NEAR_END_NS = {True: 5 * NS_PER_S, False: NS_PER_S}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What would have become of a draw.

    verdict: "same", "refused" or "closed-early". at_ns: when it would have opened; of a refusal the last press; of an
    early closing the closing. cause, why: name and words of the first cause that stood in the way, or closed; "" with
    the same at once. opened_late_ns: by how much the valve would have opened later. less_m3: what it would have
    loaded less.
    """

    ticket: Ticket
    draw: Draw
    verdict: str
    at_ns: int
    cause: str = ""
    why: str = ""
    opened_late_ns: int = 0
    less_m3: float = 0.0


class _Hold(Enum):
    AWAY = auto()
    READY = auto()
    OPEN = auto()
    ENDING = auto()
    DONE = auto()


class Hands:
    """The hands at one bay. outcomes: what became of each draw so far."""

    def __init__(self, bay: Bay, compiled: CompiledBay, tickets: list[Ticket], start_ns: int) -> None:
        self.outcomes: list[Outcome] = []
        self._bay, self._tag = bay, bay.tag
        self._valves = {valve.tag: valve for valve in compiled.valves}
        self._draws: list[tuple[Ticket, Draw, bool]] = [
            (ticket, draw, draw is ticket.draws[-1]) for ticket in tickets for draw in ticket.draws
        ]
        self._ticket: Ticket | None = None
        self._hold = _Hold.AWAY
        self._free_ns = start_ns
        self._press_ns = self._opened_ns = 0
        self._refusal: tuple[str, str] = ("", "")
        self.next_ns = 0  # the next moment at which these hands do something
        self._plan()

    # -- in and out --------------------------------------------------------------------------------------------------

    def inputs(self, now_ns: int) -> dict[str, Value]:
        """Return what these hands make of the bay's inputs in a scan at now_ns."""
        acts, hold = now_ns >= self.next_ns, self._hold
        there = hold in (_Hold.READY, _Hold.OPEN, _Hold.ENDING) or (hold is _Hold.AWAY and acts)
        inputs: dict[str, Value] = {self._bay.hose_input: there}
        if there:
            _, draw, _ = self._draws[0]
            inputs[f"{self._tag}.choice"] = self._valves[draw.valve].choice
            inputs |= {f"{tag}.on_ticket": True for tag in self._valves}
        if acts:
            if hold is _Hold.AWAY:
                inputs[f"{self._tag}.ticket_open"] = True
            elif hold is _Hold.READY:
                inputs[self._bay.open_key] = True
            elif hold is _Hold.OPEN:
                inputs[f"{self._tag}.panel_close"] = True
            elif hold is _Hold.ENDING:
                inputs[f"{self._tag}.ticket_end"] = True
        return inputs

    def saw(self, now_ns: int, outputs: Mapping[str, Value]) -> None:
        """Take what the scheme said in a scan at now_ns, to which ``inputs`` of that moment were given."""
        acts, hold = now_ns >= self.next_ns, self._hold
        if hold is _Hold.DONE:
            return
        _, draw, _ = self._draws[0]
        valve = self._valves[draw.valve]
        is_open = bool(outputs[f"{valve.tag}.command"])
        if hold is _Hold.OPEN and not is_open:
            self._closed(now_ns, valve, outputs, asked=acts)
        elif not acts:
            return
        elif hold is _Hold.AWAY:
            self._hold, self._press_ns = _Hold.READY, max(draw.start_ns, now_ns + LEAD_NS // 3)
            self.next_ns = self._press_ns
        elif hold is _Hold.READY and is_open:
            self._hold, self._opened_ns = _Hold.OPEN, now_ns
            self.next_ns = now_ns + max(draw.end_ns - draw.start_ns, 1)
        elif hold is _Hold.READY:
            self._refused(now_ns, valve, outputs)
        elif hold is _Hold.ENDING:
            self._free_ns = now_ns
            self._next_draw()

    # -- inside ------------------------------------------------------------------------------------------------------

    def _plan(self) -> None:
        """Settle when the ticket of the next draw is opened, or its key pressed."""
        if not self._draws:
            self._hold, self.next_ns = _Hold.DONE, 2**62
            return
        ticket, draw, _ = self._draws[0]
        if ticket is self._ticket:
            self._hold, self._press_ns = _Hold.READY, max(draw.start_ns, self._free_ns + AGAIN_NS)
            self.next_ns = self._press_ns
            return
        self._ticket, self._hold = ticket, _Hold.AWAY
        self.next_ns = max(draw.start_ns - LEAD_NS, self._free_ns + AWAY_NS)

    def _next_draw(self) -> None:
        self._draws.pop(0)
        self._refusal = ("", "")
        self._plan()

    def _refused(self, now_ns: int, valve: CompiledValve, outputs: Mapping[str, Value]) -> None:
        self._refusal = next(((c.name, c.text) for c in valve.causes if outputs[c.output]), ("", "nobody knows why"))
        if now_ns - self._press_ns < PATIENCE_NS:
            self.next_ns = now_ns + AGAIN_NS
            return
        _, draw, _ = self._draws[0]
        self._note(Outcome(self._now, draw, "refused", now_ns, *self._refusal, less_m3=draw.volume_m3), now_ns)

    def _closed(self, now_ns: int, valve: CompiledValve, outputs: Mapping[str, Value], asked: bool) -> None:
        _, draw, _ = self._draws[0]
        late_ns = max(0, self._opened_ns - draw.start_ns)
        meant_ns = max(draw.end_ns - draw.start_ns, 1)
        left_ns = max(0, self._opened_ns + meant_ns - now_ns)
        if asked or left_ns <= NEAR_END_NS[self._now.number is None]:
            self._note(Outcome(self._now, draw, "same", self._opened_ns, *self._refusal, late_ns), now_ns)
            return
        name, text = next((c.name, c.text) for c in valve.causes if c.closes and outputs[c.output])
        less_m3 = draw.volume_m3 * left_ns / meant_ns
        self._note(Outcome(self._now, draw, "closed-early", now_ns, name, text, late_ns, less_m3), now_ns)

    @property
    def _now(self) -> Ticket:
        return self._draws[0][0]

    def _note(self, outcome: Outcome, now_ns: int) -> None:
        self.outcomes.append(outcome)
        _, _, last = self._draws[0]
        if last:
            self._hold, self.next_ns = _Hold.ENDING, now_ns + NS_PER_S // 5
        else:
            self._free_ns = now_ns
            self._next_draw()
