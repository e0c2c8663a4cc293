"""`sidetap level SITE` without a recording: what comes out of the station's socket, in the same table."""

import json
import shutil
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from polled import EXAMPLE

from sidetap.cli.main import run
from sidetap.measure import Meter, level_entry
from sidetap.site import load_or_refuse

Serve = Callable[[bytes], str]


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Serve]:
    """A socket where the station's would be; whoever connects gets what it was told to say, and is hung up on."""
    site = Path(shutil.copytree(EXAMPLE, tmp_path / "yard")) / "site.toml"
    (site.parent / "state").mkdir()
    threads = []

    def start(said: bytes) -> str:
        listening = socket.socket(socket.AF_UNIX)
        listening.bind(str(site.parent / "state" / "station.sock"))
        listening.listen()

        def talk() -> None:
            with listening:
                peer, _ = listening.accept()
                with peer:
                    peer.sendall(said)

        threads.append(threading.Thread(target=talk, daemon=True))
        threads[-1].start()
        return str(site)

    yield start
    for thread in threads:
        thread.join(5)


def snapshot(**changes: Any) -> dict[str, Any]:
    """Of a station that has not heard anything yet."""
    site = load_or_refuse(EXAMPLE / "site.toml")
    readings = [Meter(site).level(vessel.tag, 0) for vessel in site.vessels]
    beside = {"level_01mm": None, "rate": None, "to_trip_ms": None, "watch_text": ""}
    return {
        "kind": "snapshot",
        "utc": "2026-03-11T15:00:00.250Z",
        "vessels": [{"tag": vessel.tag, **beside} for vessel in site.vessels],
        "levels": [level_entry(site, reading) for reading in readings],
        **changes,
    }


def test_a_station_that_has_heard_nothing_shows_nothing(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    document = snapshot()
    site = serve(json.dumps({"kind": "reply"}).encode() + b"\n" + json.dumps(document).encode() + b"\n")
    assert run(["level", site]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    text = out.splitlines()
    assert text[0] == "Tarn Hollow Growers' Co-op, 2026-03-11 10:00:00 CDT"
    assert text[3].split() == ["T1", "North", "Round", "--", "--", "--", "old", "--"]
    assert "no whole answer yet" in " ".join(text[4].split())


def test_the_document_is_that_of_the_contract(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    document = snapshot()
    assert run(["level", serve(json.dumps(document).encode() + b"\n"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"levels": document["levels"]}


@pytest.mark.parametrize(
    ("said", "problem"),
    [
        (b"", "does not answer"),
        (b'{"kind": "snapshot"', "does not answer"),
        (b"hello\n", "no station"),
        (b"\xff\xfe\n", "no station"),
        (b"[1]\n", "no station"),
        (b"{}\n", "no station"),
        (b"[" * 100_000 + b"\n", "no station"),
        (json.dumps(snapshot(vessels=[{"tag": "T9"}])).encode() + b"\n", "has other vessels"),
    ],
)
def test_what_is_no_station_of_this_site_is_one_line(
    capsys: pytest.CaptureFixture[str], serve: Serve, said: bytes, problem: str
) -> None:
    assert run(["level", serve(said)]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert problem in err
