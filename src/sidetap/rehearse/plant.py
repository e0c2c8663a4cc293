"""The simulated yard and the station's engine on one virtual clock, in one process.

Virtual time in, nothing out but what the two did to each other: the line's bytes as the adapter delivers them, the
module's requests and answers at the speed of their wire, the panel's asks. The engine is the one that runs in the
station's process; it can't tell this clock from a real one, and ages are judged by this clock.
"""

from collections import deque
from typing import Any

from sidetap.line import Chunk, Settings
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.rehearse.module_server import ModuleServer
from sidetap.site import Site
from sidetap.site.cause_effect import CompiledScheme
from sidetap.station.engine import Engine
from sidetap.station.store import Store
from sidetap.yard import Yard

STEP_NS = 10 * NS_PER_MS  # a tenth of a scan
MODULE_THINKS_NS = 4 * NS_PER_MS  # from the end of a request to the start of its answer (no source; usual)
ALIVE_EVERY_NS = NS_PER_S  # how often the page says that it is there


class Plant:
    """Yard and engine, joined.

    absent_panels: bays whose page doesn't tell any more that it is there. module_cut: nothing that the station says
    reaches the module. stalled: the station's process gets no time; what comes in waits.
    """

    def __init__(self, yard: Yard, site: Site, scheme: CompiledScheme, store: Store) -> None:
        self.yard = yard
        self.absent_panels: set[str] = set()
        self.module_cut = False
        self.stalled = False
        self._site = site
        self._scheme = scheme
        self._module = ModuleServer(yard.module)
        self._module_settings = Settings(site.modules[0].baud, site.modules[0].framing)
        self._alive_due_ns = yard.now_ns
        self.start_engine(store)

    def start_engine(self, store: Store) -> None:
        """Start the engine anew on a store, as after a power cut: the one before is gone with all it knew."""
        now_ns = self.yard.now_ns
        self.store = store
        self.engine = Engine(self._site, self._scheme, store, now_ns, self.yard.clock.start_epoch_ns + now_ns)
        self.engine_runs = True
        self._to_module: deque[tuple[int, bytes]] = deque()
        self._from_module: deque[tuple[int, bytes]] = deque()
        self._from_line: list[Chunk] = []

    def kill_engine(self) -> None:
        """Cut the engine's power: nothing is said, written or closed any more."""
        self.engine_runs = False

    def stop(self) -> None:
        """Stop the engine as a station is stopped: valves closed, last records written."""
        self.engine.stop()
        self.run(1.0)
        self.engine.end(self.yard.now_ns)

    def ask(self, **message: Any) -> dict[str, Any]:
        """Ask as the panel does, and return the reply."""
        return self.engine.receive_panel(message, self.yard.now_ns)

    def snapshot(self) -> dict[str, Any]:
        """Return what the panel would show now."""
        return self.engine.snapshot(self.yard.now_ns)

    def run(self, seconds: float) -> None:
        """Let so much time pass."""
        self.advance(self.yard.now_ns + round(seconds * NS_PER_S))

    def advance(self, to_ns: int) -> None:
        """Let time run to to_ns."""
        while self.yard.now_ns < to_ns:
            now_ns = min(self.yard.now_ns + STEP_NS, to_ns)
            self._deliver_to_module(now_ns)
            self.yard.advance(now_ns)
            chunks = self.yard.tap.take(now_ns)
            if not self.engine_runs:
                continue
            self._from_line += [Chunk(t_ns, data, flags) for t_ns, data, flags in chunks]
            if self.stalled:
                continue
            for chunk in self._from_line:
                self.engine.receive_line(chunk)
            self._from_line.clear()
            while self._from_module and self._from_module[0][0] <= now_ns:
                self.engine.receive_module(self._from_module.popleft()[1], now_ns)
            if now_ns >= self._alive_due_ns:
                self._alive_due_ns = now_ns + ALIVE_EVERY_NS
                for bay in self._site.bays:
                    if bay.tag not in self.absent_panels:
                        self.ask(ask="alive", bay=bay.tag)
            self.engine.advance(now_ns)
            if request := self.engine.module_bytes(now_ns):
                self._to_module.append((now_ns + self._wire_ns(request), request))

    def _deliver_to_module(self, now_ns: int) -> None:
        """Let requests that are whole by now_ns reach the module, each at its own time."""
        while self._to_module and self._to_module[0][0] <= now_ns:
            arrives_ns, request = self._to_module.popleft()
            self.yard.advance(max(arrives_ns, self.yard.now_ns))
            answer = b"" if self.module_cut else self._module.receive(request, arrives_ns)
            if answer:
                self._from_module.append((arrives_ns + MODULE_THINKS_NS + self._wire_ns(answer), answer))

    def _wire_ns(self, data: bytes) -> int:
        return len(data) * self._module_settings.character_ns
