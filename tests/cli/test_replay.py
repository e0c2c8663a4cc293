"""`sidetap replay`: from a recording's bytes to what the scheme would have done; the judging has tests of its own."""

import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from polled import EPOCH_S, EXAMPLE, POLLS, S, polled

from sidetap.cli.main import run
from sidetap.line import Chunk
from sidetap.line.recording import write_csv, write_pcapng
from sidetap.station.loads import Gauge, Load, Opening
from sidetap.station.store import Store, read_loads

FALL_MM_PER_S = 0.3843  # of T1 at 400 gpm: 0.025236 m³/s over a circle of 9.144 m (65.67 m²)
DRAWS_FROM, DRAWS_TO = 83, 203  # seconds of the record in which the level falls; the valve strokes for 6 s
NOBODY = Gauge(None, None)


def line(start_s: int = EPOCH_S, seconds: int = 260) -> list[Chunk]:
    """T1 polled each second: it stands at 3.480 m, and falls for two minutes as bay B draws from it."""
    request, _ = POLLS["T1"]
    made = []
    for second in range(seconds):
        level_mm = round(3480 - FALL_MM_PER_S * max(0, min(second, DRAWS_TO) - DRAWS_FROM))
        answer = f"0B0306{level_mm:04X}000100B7"
        made += polled([(request, answer)], (start_s + second) * S)
    return made


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("heard") / "line.pcapng"
    write_pcapng(path, line())
    return path


def replayed(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert run(["replay", str(EXAMPLE / "site.toml"), *arguments, "--json"]) == 0
    shown = capsys.readouterr()
    assert shown.err == ""
    document: dict[str, Any] = json.loads(shown.out)
    return document


def test_the_load_is_seen_and_judged(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = replayed(capsys, str(recording))
    (load,) = document["loads"]
    assert (load["bay"], load["valve"], load["vessel"], load["verdict"]) == ("B", "B1", "T1", "same")
    assert abs(load["start_s"] - EPOCH_S - (DRAWS_FROM - 3)) < 4
    assert abs(load["end_s"] - EPOCH_S - (DRAWS_TO - 3)) < 4
    assert abs(load["volume_gal"] - 800) < 30
    assert document["changes"] == []


def test_text_reads_at_80_columns(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["replay", str(EXAMPLE / "site.toml"), str(recording)]) == 0
    shown = capsys.readouterr()
    assert "1 load seen in its levels" in shown.out
    assert re.search(r"B1 from T1, (1 min 5\d s|2 min( \d s)?), \d{3} gal: the same\n", shown.out)
    assert "1 the same; 0 gal less in all" in shown.out
    assert "what the scheme would have done with the levels as they are" in " ".join(shown.out.split())
    assert max(map(len, shown.out.splitlines())) <= 80


def stored(path: Path, *openings: tuple[str, int, int]) -> Path:
    """A station's store with one ticket a valve's opening: (valve, second of the record, ms open)."""
    store = Store.open(path)
    for number, (valve, second, open_ms) in enumerate(openings, 1):
        opening = Opening(valve, (EPOCH_S + second) * S, NOBODY, open_ms, None, None, "close-key")
        store.write([], {}, [Load(number, valve[0], "Mara Odhiambo", ("T1",), EPOCH_S * S, openings=(opening,))])
    store.close()
    return path


def test_real_tickets_take_the_place_of_what_levels_tell(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Bay A opened from T1 at second 90 and was not heard in the levels; its ticket says so, and T1 is told then."""
    store = stored(tmp_path / "station.db", ("B1", 80, 120_000), ("A1", 100, 20_000))
    before = store.read_bytes()
    loads = replayed(capsys, str(recording), "--loads", str(store))["loads"]
    assert [(load["ticket"], load["valve"], load["verdict"]) for load in loads] == [
        (1, "B1", "same"),
        (2, "A1", "same"),
    ]
    assert loads[0]["end_s"] - loads[0]["start_s"] == 120
    assert abs(loads[0]["volume_gal"] - 800) < 0.1  # 400 gpm for two minutes
    assert store.read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["station.db"]


def test_a_ticket_outside_the_record_is_not_judged(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = stored(tmp_path / "station.db", ("B1", -500, 60_000), ("B1", 400, 60_000))
    loads = replayed(capsys, str(recording), "--loads", str(store))["loads"]
    assert [load["verdict"] for load in loads] == ["unknown", "unknown"]


def test_loads_are_read_as_they_were_written(tmp_path: Path) -> None:
    store = stored(tmp_path / "station.db", ("B1", 80, 120_000))
    (load,) = read_loads(store)
    assert (load.bay, load.openings[0].valve, load.openings[0].open_ms) == ("B", "B1", 120_000)


@pytest.mark.parametrize("kind", ["no times", "set back", "no level", "other valve", "no store", "listens only"])
def test_what_cannot_be_used_is_one_line(
    kind: str, recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site, heard, more = EXAMPLE / "site.toml", recording, []
    if kind == "no times":
        heard = tmp_path / "line.bin"
        heard.write_bytes(b"".join(chunk.data for chunk in line(seconds=10)))
    elif kind == "set back":
        heard = tmp_path / "line.csv"
        write_csv(heard, [*line(seconds=10), *line(seconds=10)])
    elif kind == "no level":
        heard = tmp_path / "line.csv"
        write_csv(heard, polled([("0F0300040001", "0F03020000")], EPOCH_S * S)[:1])
    elif kind == "other valve":
        more = ["--loads", str(stored(tmp_path / "station.db", ("X9", 80, 60_000)))]
    elif kind == "no store":
        more = ["--loads", str(site)]
    else:
        site = tmp_path / "site.toml"
        text = (EXAMPLE / "site.toml").read_text().split("# -- Outputs and inputs")[0]
        site.write_text(text)
        for name in ("people.toml", "t2-strapping.csv"):
            shutil.copy(EXAMPLE / name, tmp_path)
    assert run(["replay", str(site), str(heard), *more]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("error: ")
    assert shown.err.count("\n") == 1


def test_seconds_from_the_recordings_own_start(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "line.csv"
    write_csv(path, line(start_s=0))
    assert run(["replay", str(EXAMPLE / "site.toml"), str(path)]) == 0
    assert "0.0 s to 259.0 s" in " ".join(capsys.readouterr().out.split())
