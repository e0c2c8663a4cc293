"""The station's process: devices, sockets and the clock around one engine, in one thread.

A site file and a state directory in; a running station until SIGTERM or SIGINT. One loop waits for whatever comes
first: bytes of a tap or of the module, a panel, a signal, or the moment at which the engine has something to do. It
decides nothing. A port that is lost is opened again, its adapter checked again, the module's listened to again.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import selectors
import signal
import socket
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TypeVar

from sidetap.errors import BadInput, Refused
from sidetap.line import Settings
from sidetap.promises.stamp import StampedVerdict
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.site import Site, load_or_refuse
from sidetap.site.cause_effect import CompiledScheme, compile_site
from sidetap.station.clearance import Override, clearance
from sidetap.station.engine import Engine
from sidetap.station.ports.identity import identity
from sidetap.station.ports.module_port import ModulePort, open_module_port
from sidetap.station.ports.panels import MOST_PANELS, Panel, PanelDoor, encode
from sidetap.station.ports.signals import signalled
from sidetap.station.ports.tap import Tap, open_tap
from sidetap.station.store import Store

SHOW_EVERY_NS = 200 * NS_PER_MS
REOPEN_EVERY_NS = NS_PER_S
STOP_WITHIN_NS = NS_PER_S  # a module that does not confirm can't hold up a stop for longer
MOST_READS = 64  # of one port before the others get their turn

P = TypeVar("P", Tap, ModulePort)


def default_state(site_path: Path) -> Path:
    """Return the state directory of a site whose user names none: ``state`` beside the site file."""
    return site_path.parent / "state"


def run(
    site_path: Path,
    state_dir: Path,
    ready: Callable[[str], None],
    wanted: Override | None,
    verify_few: Callable[[], Iterable[StampedVerdict]],
) -> None:
    """Run a station until it is told to stop.

    ready: told one line once everything is open. wanted: who would answer for running a scheme whose promises are not
    all verified, None for nobody. verify_few: as ``clearance`` says.

    Refused when nobody has stated that a tap's transmitter is disabled, a valve draws from a vessel whose point no
    two dips have released, the scheme is not verified and nobody may or will answer for that, an adapter is not the
    one named, or a station runs on this state directory; BadInput when the site has an error, or a port or a file
    can't be used.
    """
    site = _checked(site_path)
    scheme = compile_site(site)
    override = clearance(site, scheme, wanted, verify_few)
    with contextlib.ExitStack() as stack:
        stack.enter_context(_only_one(state_dir))
        woken = stack.enter_context(signalled(signal.SIGTERM, signal.SIGINT))
        store = Store.open(state_dir / "station.db")
        stack.callback(store.close)
        station = _Station(site, scheme, store, state_dir / "station.sock", override)
        stack.callback(station.close)
        unverified = f" NOT VERIFIED, overridden by {override.by};" if override is not None else ""
        ready(f"station: {site.name} runs,{unverified} state in {state_dir}; not a safety system")
        station.serve(woken)


class _Station:
    """The loop and what it holds open."""

    def __init__(
        self, site: Site, scheme: CompiledScheme, store: Store, socket_path: Path, override: Override | None
    ) -> None:
        self._site = site
        self._selector = selectors.DefaultSelector()
        self._taps: dict[str, Tap | None] = {line.tag: None for line in site.lines}
        self._module: ModulePort | None = None
        self._door: PanelDoor | None = None
        self._panels: list[Panel] = []
        self._reopen_ns = self._show_ns = 0
        try:
            self._open_ports()
            self._door = PanelDoor(socket_path)
        except BaseException:
            self.close()
            raise
        self._selector.register(self._door, selectors.EVENT_READ, self._welcome)
        now_ns = time.monotonic_ns()
        self._engine = Engine(site, scheme, store, now_ns, time.time_ns(), override)

    def serve(self, woken: socket.socket) -> None:
        """Run until a signal comes, then close everything and return."""
        signals: list[int] = []
        self._selector.register(woken, selectors.EVENT_READ, lambda: signals.extend(woken.recv(64)))
        while not signals:
            self._turn()
        self._engine.stop()
        deadline_ns = time.monotonic_ns() + STOP_WITHIN_NS
        while not self._engine.is_closed and time.monotonic_ns() < deadline_ns:
            self._turn()
        self._engine.end(time.monotonic_ns())

    def close(self) -> None:
        """Let go of every device and socket."""
        for thing in (*self._taps.values(), self._module, self._door, *self._panels):
            if thing is not None:
                thing.close()
        self._selector.close()

    def _turn(self) -> None:
        """Wait for what comes first and do it; what is to be sent goes out before anything is shown."""
        engine = self._engine
        due_ns = min(engine.next_due_ns, self._show_ns)
        wait_s = max(0.0, (due_ns - time.monotonic_ns()) / NS_PER_S)
        for key, _ in self._selector.select(wait_s):
            key.data()
        engine.advance(time.monotonic_ns())
        self._send()
        now_ns = time.monotonic_ns()
        if now_ns >= self._reopen_ns:
            self._reopen_ns = now_ns + REOPEN_EVERY_NS
            self._reopen_lost()
            engine.set_clock(time.monotonic_ns(), time.time_ns())
        if now_ns >= self._show_ns:
            self._show_ns = now_ns + SHOW_EVERY_NS
            self._show(now_ns)

    def _send(self) -> None:
        data = self._engine.module_bytes(time.monotonic_ns())
        if data is None or self._module is None:
            return
        try:
            self._module.write(data)
        except BadInput:
            self._lose_module()

    # -- ports ---------------------------------------------------------------------------------------------------

    def _open_ports(self) -> None:
        for line in self._site.lines:
            if self._taps[line.tag] is None:
                _check_adapter(line.port, line.serial)
                tap = open_tap(line.port, Settings(line.baud, line.framing), time.monotonic_ns)
                self._taps[line.tag] = tap
                self._selector.register(tap, selectors.EVENT_READ, lambda tag=line.tag: self._hear(tag))
        if self._module is None:
            module = self._site.modules[0]
            _check_adapter(module.port, module.serial)
            self._module = open_module_port(module.port, Settings(module.baud, module.framing))
            self._selector.register(self._module, selectors.EVENT_READ, self._answer)

    def _reopen_lost(self) -> None:
        had_module = self._module is not None
        # one port that stays away must not keep the others from coming back, nor the station from running
        with contextlib.suppress(BadInput, Refused):
            self._open_ports()
        if not had_module and self._module is not None:
            self._engine.reopened_module(time.monotonic_ns())

    def _hear(self, tag: str) -> None:
        """Take all that a tap has, so that bytes held back are seen together."""
        tap = self._taps[tag]
        try:
            for _ in range(MOST_READS):
                chunk = tap.read() if tap is not None else None
                if chunk is None:
                    return
                self._engine.receive_line(chunk, tag)
        except BadInput:
            self._forget(tap)
            self._taps[tag] = None

    def _answer(self) -> None:
        try:
            data = self._module.read() if self._module is not None else b""
        except BadInput:
            self._lose_module()
            return
        self._engine.receive_module(data, time.monotonic_ns())

    def _lose_module(self) -> None:
        self._forget(self._module)
        self._module = None

    def _forget(self, thing: Tap | ModulePort | Panel | None) -> None:
        if thing is not None:
            self._selector.unregister(thing)
            thing.close()

    # -- panels --------------------------------------------------------------------------------------------------

    def _welcome(self) -> None:
        panel = self._door.accept() if self._door is not None else None
        if panel is None:
            return
        if len(self._panels) >= MOST_PANELS:
            panel.close()
            return
        self._panels.append(panel)
        self._selector.register(panel, selectors.EVENT_READ, lambda: self._ask(panel))

    def _ask(self, panel: Panel) -> None:
        for message in panel.read():
            panel.reply(self._engine.receive_panel(message, time.monotonic_ns()))
        if panel.gone:
            self._hang_up(panel)

    def _show(self, now_ns: int) -> None:
        if not self._panels:
            return
        line = encode(self._engine.snapshot(now_ns))
        for panel in list(self._panels):
            panel.flush()
            panel.show(line)
            if panel.gone:
                self._hang_up(panel)

    def _hang_up(self, panel: Panel) -> None:
        self._panels.remove(panel)
        self._forget(panel)


def _checked(site_path: Path) -> Site:
    site = load_or_refuse(site_path)
    for line in site.lines:
        if line.transmitter is None:
            raise Refused(
                str(site_path),
                f"line {line.tag}: nobody has stated that the tap's transmitter is disabled in hardware",
                "Have it checked, and enter transmitter = { state, checked_by, on } with the line.",
            )
    for valve in site.valves:
        point = site.point(site.vessel(valve.vessel).level.point)
        if point.released is None:
            raise Refused(
                str(site_path),
                f"valve {valve.tag}: point {point.tag} of {valve.vessel} is not released for control by two dips",
                "Dip the vessel twice, compare with sidetap doctor, and enter who releases it.",
            )
    if not site.bays:
        raise Refused(
            str(site_path), "no bay: there is nothing to guard", "Add bays and valves, or use sidetap level."
        )
    return site


def _check_adapter(port: str, serial: str | None) -> None:
    """Refuse a port whose adapter is not the one named: names move when adapters are plugged in anew."""
    if serial is None or port.startswith(("pty:", "tcp:")):
        return
    found = identity(port)
    if found is None:
        raise BadInput(port, "no such serial port", "Plug the adapter in, or correct the port.")
    if found.serial != serial:
        raise Refused(
            port,
            f"the adapter there has serial number {found.serial or 'none'}, not {serial}",
            "Put each adapter where the site file says, or correct the site file.",
        )


@contextlib.contextmanager
def _only_one(state_dir: Path) -> Iterator[None]:
    """Hold the state directory: two stations on one would undo each other."""
    try:
        state_dir.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(state_dir / "station.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as problem:
        reason = (problem.strerror or "it failed").lower()
        raise BadInput(str(state_dir), f"it can't hold a station's state: {reason}", "Use --state.") from None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise Refused(str(state_dir), "a station runs on this state directory", "End it, or use --state.") from None
    try:
        yield
    finally:
        os.close(descriptor)
