"""The process on real descriptors: ptys for the line and the module, its Unix socket, signals.

One station is started for the whole module and ended at its end; the tests are stages of its life, in order.
"""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import stat
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from stamped import stamp_as_verified
from station_bench import OPERATOR, SITE, Bench, Module, quick_site

from sidetap.cli.main import run as command
from sidetap.errors import BadInput
from sidetap.station import read_journal
from sidetap.station.client import Connection, snapshot

PATIENCE_S = 90.0  # of a condition that comes within seconds on a machine that is not busy
NEVER_LOADED = ("numba", "z3", "matplotlib", "uvicorn", "starlette", "pymodbus", "sidetap.verify", "sidetap.panel")
PROGRAM = f"""
import sys
from sidetap.cli.main import run
status = run(sys.argv[1:])
loaded = [name for name in {(*NEVER_LOADED, "sidetap.yard", "sidetap.rehearse")!r} if name in sys.modules]
print("loaded:", loaded, flush=True)
sys.exit(status)
"""


class Yard(threading.Thread):
    """The far side of both ptys: a controller and transmitters that talk each second, and the module."""

    def __init__(self, folder: Path) -> None:
        super().__init__(daemon=True)
        self.line, line_slave = pty.openpty()
        self.wire, wire_slave = pty.openpty()
        for descriptor in (line_slave, wire_slave):
            tty.setraw(descriptor)
        self.slaves = (line_slave, wire_slave)
        self.paths = [os.ttyname(slave) for slave in self.slaves]
        self.module = Module(quick_site())
        self.module.bits |= dict.fromkeys(("HS-B-AUTO", "XS-B", "LSH-B", "PB-B-CLOSE"), True)
        self.bytes = Bench(folder).line_bytes()
        self.heard_on_the_line = 0
        self.done = threading.Event()

    def run(self) -> None:
        due = time.monotonic()
        while not self.done.is_set():
            now = time.monotonic()
            if now >= due:
                due = now + 0.5
                os.write(self.line, self.bytes)
            self.module.advance(time.monotonic_ns())
            ready, _, _ = select.select([self.line, self.wire], [], [], 0.005)
            if self.line in ready:
                self.heard_on_the_line += len(os.read(self.line, 4096))
            if self.wire in ready:
                # on a busy machine two may have come: the master has given the first one up
                request = last_request(os.read(self.wire, 4096))
                os.write(self.wire, self.module.receive(request, time.monotonic_ns()))

    def close(self) -> None:
        self.done.set()
        self.join()
        for descriptor in (self.line, self.wire, *self.slaves):
            os.close(descriptor)


def last_request(heard: bytes) -> bytes:
    """Return the last of the requests in heard: 11 bytes for a write of 16 coils, 8 for a read."""
    while len(rest := heard[11 if heard[1] == 15 else 8 :]) > 0:
        heard = rest
    return heard


class Running:
    """The station's process, its yard and its files."""

    def __init__(self, folder: Path) -> None:
        (folder / "bench").mkdir()
        self.yard = Yard(folder / "bench")
        self.site = site_copy(folder, self.yard.paths)
        self.state = folder / "state"
        self.process = subprocess.Popen(
            [sys.executable, "-W", "error", "-c", PROGRAM, "run", str(self.site)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.yard.start()
        assert self.process.stdout is not None
        self.ready = self.process.stdout.readline()

    def until(self, condition: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """Take snapshots until condition holds for one, and return it; say that the panel is there meanwhile."""
        end = time.monotonic() + PATIENCE_S
        with Connection(self.state / "station.sock", timeout_s=PATIENCE_S) as panel:
            while True:
                assert panel.ask("alive", bay="B")["ok"]
                shown = panel.snapshot()
                if condition(shown):
                    return shown
                assert time.monotonic() < end, json.dumps(shown)[:2000]

    def ask(self, ask: str, **more: Any) -> dict[str, Any]:
        with Connection(self.state / "station.sock", timeout_s=PATIENCE_S) as panel:
            return panel.ask(ask, **more)


def site_copy(folder: Path, ports: list[str]) -> Path:
    """The example's site on two ptys, with means of 5 s, and a stamp."""
    for name in ("people.toml", "t2-strapping.csv"):
        (folder / name).write_text((SITE.parent / name).read_text())
    text = SITE.read_text().replace('mean = "15 s"', 'mean = "5 s"')
    given = [line for line in text.splitlines() if line.startswith("port = ")]
    for line, port in zip(given, ports, strict=True):
        text = text.replace(line, f'port = "pty:{port}"')
    site = folder / "site.toml"
    site.write_text("\n".join(line for line in text.splitlines() if not line.startswith("serial = ")))
    stamp_as_verified(site)
    return site


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    running = Running(tmp_path_factory.mktemp("station"))
    yield running
    if running.process.poll() is None:
        running.process.kill()
    running.process.communicate()
    running.yard.close()


def test_it_says_when_it_is_ready(station: Running) -> None:
    assert station.ready.startswith("station: Tarn Hollow")
    mode = (station.state / "station.sock").stat().st_mode
    assert stat.S_ISSOCK(mode)
    assert stat.S_IMODE(mode) == 0o600


def test_levels_of_real_bytes_come_to_a_panel(station: Running) -> None:
    shown = station.until(lambda s: all(v["quality"] == "simulated" for v in s["vessels"]))
    assert [v["level_01mm"] for v in shown["vessels"]] == [34800, 43210, pytest.approx(23800, abs=1)]
    assert shown["simulated"] is True
    assert snapshot(station.site)["levels"][0]["volume_gal"] == pytest.approx(60_371, abs=2)


def test_level_asks_the_running_station(station: Running, capsys: pytest.CaptureFixture[str]) -> None:
    assert command(["level", str(station.site), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["levels"][0]["level_mm"] == 3480.0


def test_a_second_station_on_the_same_state_is_refused(station: Running, capsys: pytest.CaptureFixture[str]) -> None:
    assert command(["run", str(station.site)]) == 1
    error = capsys.readouterr().err
    assert error.startswith(f"error: {station.state}: a station runs on this state directory. ")
    assert error.count("\n") == 1


def test_a_tap_is_not_shared(station: Running, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert command(["run", str(station.site), "--state", str(tmp_path / "other")]) == 2
    assert f"pty:{station.yard.paths[0]}: another program uses this port" in capsys.readouterr().err


def test_the_module_has_one_master(station: Running, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    master, slave = os.openpty()
    try:
        site = site_copy(tmp_path, [os.ttyname(slave), station.yard.paths[1]])
        assert command(["run", str(site), "--state", str(tmp_path / "other")]) == 2
    finally:
        os.close(slave)
        os.close(master)
    assert f"pty:{station.yard.paths[1]}: another program uses this port" in capsys.readouterr().err


def test_panels_that_talk_nonsense_or_do_not_listen_do_no_harm(station: Running) -> None:
    with Connection(station.state / "station.sock") as deaf, Connection(station.state / "station.sock") as rude:
        for nonsense in (b"\n", b"[]\n", b"{}\n", b"\xff\xfe\n", b'{"ask": 7}\n', b"[" * 60_000 + b"\n"):
            rude._socket.sendall(nonsense)
        rude._socket.sendall(b'{"ask": "alive", "bay": "B"}\n')
        assert any(rude._next("reply")["ok"] for _ in range(7))
        before = deaf.snapshot()["seq"]
        station.until(lambda s: s["seq"] > before + 30)
        # what waits in the socket's own buffer aside, the deaf one gets the newest and not all that it missed
        station.until(lambda s: s["seq"] > before + 35)
    with Connection(station.state / "station.sock") as endless:
        assert hung_up_on(endless)
    assert station.ask("alive", bay="B")["ok"]


def hung_up_on(endless: Connection) -> bool:
    """Send a line without an end until the station hangs up."""
    try:
        for _ in range(200):
            endless._socket.sendall(b"x" * 10_000)
            endless.snapshot()
    except (OSError, BadInput):
        return True
    return False


def test_a_valve_opens_and_a_signal_closes_it(station: Running) -> None:
    station.until(lambda s: s["bays"][0]["selector"] == "AUTO")
    assert station.ask("ticket", bay="B", person=OPERATOR, vessels=["T1"])["ok"]
    station.yard.module.bits["HC-B"] = True
    station.until(lambda s: s["bays"][0]["valves"][0]["may_open"])
    assert station.ask("open", bay="B", valve="B1")["ok"]
    station.until(lambda s: s["bays"][0]["state"] == "open")
    assert station.yard.module.coils & 0b111 == 1
    station.process.send_signal(signal.SIGTERM)
    out, err = station.process.communicate(timeout=PATIENCE_S)
    assert (station.process.returncode, err) == (0, "")
    assert station.yard.module.coils & 0b1_0000_0111 == 0
    assert "loaded: []" in out
    records, audit = read_journal(station.state / "station.db")
    assert audit.ok
    assert [r.kind for r in records if r.kind in ("start", "open", "close", "stop")] == [
        "start",
        "open",
        "close",
        "stop",
    ]
    assert '"cause": "stopped"' in next(r.what for r in records if r.kind == "close")
    assert json.loads(records[-1].what) == {"read_back_closed": True}
    assert not (station.state / "station.sock").exists()


def test_not_one_byte_went_to_the_tapped_line(station: Running) -> None:
    assert station.yard.heard_on_the_line == 0


def test_the_journal_can_be_printed_and_audited(station: Running, capsys: pytest.CaptureFixture[str]) -> None:
    store = str(station.state / "station.db")
    assert command(["journal", store, "--audit", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document == {"ok": True, "records": document["records"], "first_bad": None}
    assert command(["journal", store]) == 0
    printed = capsys.readouterr().out.splitlines()
    assert len(printed) == document["records"]
    assert any("open B1 (Tobias Quell)" in line for line in printed)
    data = Path(store).read_bytes()
    at = data.index(b'"read_back_closed": true')
    altered = station.state / "altered.db"
    altered.write_bytes(data[:at] + b"'" + data[at + 1 :])
    assert command(["journal", str(altered), "--audit", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["first_bad"] == document["records"]


@pytest.mark.parametrize(
    ("old", "new", "status", "told"),
    [
        ("transmitter = ", "# transmitter = ", 1, "transmitter"),
        ("released = ", "# released = ", 1, "valve B1: point LT-1 of T1 is not released for control"),
        ('open_limit = "9 min 35 s"', 'open_limit = "10 min 35 s"', 2, "open_limit"),
        ('port = "pty:', 'port = "pty:/nowhere', 2, "/nowhere"),
        ("[site]", "[site", 2, "site.toml"),
        ('delay = "2 s"', 'delay = "3 s"', 1, "its scheme has never been verified. Run sidetap verify"),
    ],
)
def test_run_refuses(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, status: int, told: str
) -> None:
    site = site_copy(tmp_path, ["/dev/pts/one", "/dev/pts/two"])
    site.write_text(site.read_text().replace(old, new, 1))
    assert command(["run", str(site)]) == status
    error = capsys.readouterr().err
    assert error.startswith("error: ")
    assert error.count("\n") == 1
    assert told in error


@pytest.mark.parametrize("arguments", [["run"], ["journal"], ["journal", "/nowhere/station.db"], ["journal", "/tmp"]])
def test_bad_arguments_are_one_line(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert command(arguments) == 2
    error = capsys.readouterr().err
    assert error.startswith("error: ")
    assert error.count("\n") == 1


def test_a_wrong_adapter_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from sidetap.station import process
    from sidetap.station.ports.identity import Identity

    monkeypatch.setattr(process, "identity", lambda port: Identity(port, "IO0002", "swapped at a reboot"))
    for name in (SITE.name, "people.toml", "t2-strapping.csv"):
        (tmp_path / name).write_text((SITE.parent / name).read_text())
    stamp_as_verified(tmp_path / SITE.name)
    assert command(["run", str(tmp_path / SITE.name)]) == 1
    assert "serial number IO0002, not RX0001" in capsys.readouterr().err
