"""Six vessels of six shapes, from frames that can be checked by hand to the gallons that were worked out for them."""

import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from polled import EPOCH_S, EXAMPLE, MS, S, framed

from sidetap.cli.main import run
from sidetap.line import Chunk, Settings
from sidetap.line.recording import write_csv, write_pcapng

SITE = str(EXAMPLE / "site.toml")

# request, answer with its check bytes; the level that the answer means, worked by hand; gallons, good to 2
GOLDEN = {
    "T1": ("0B0300640003", "0B03060D98000100B76EA2", 3480.0, 60_371.0),  # 3480 mm
    "T2": ("0C0300000003", "0C0306A8CA0000000139DD", 4321.0, 84_760.0),  # 0.1 mm, low word first
    "T3": ("0D0400080004", "0D040841D8CCCD419333330A44", 2399.6, 21_576.0),  # 27.10 kPa of 1396 kg/m³ above 0.42 m
    "T4": ("0E04001E0002", None, 3500.0, 7_594.5),  # ullage 2120 mm below 5.62 m
    "T5": ("0F0300040001", None, 1710.0, 10_842.0),  # 68.40 % of 2.50 m
    "T6": ("100300140002", "100304CCCD404C65A8", 975.4, 2_571.0),  # 3.20 ft
}
UNFRAMED = {"T4": "0E040408480057", "T5": "0F03021AB8"}  # 2120 mm and an echo of 87 %; 6840
ALWAYS_REFUSED = ("100300280002", "10830290F4")  # device 16, register 40: exception 02


def cycle(start_ns: int) -> list[Chunk]:
    asked = [
        (request, framed(UNFRAMED[tag]) if answer is None else bytes.fromhex(answer))
        for tag, (request, answer, *_) in GOLDEN.items()
    ]
    asked.append((ALWAYS_REFUSED[0], bytes.fromhex(ALWAYS_REFUSED[1])))
    made = []
    for number, (request, answer) in enumerate(asked):
        t_ns = start_ns + number * 100 * MS
        made += [Chunk(t_ns, framed(request)), Chunk(t_ns + 30 * MS, answer)]
    return made


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("golden") / "line.pcapng"
    write_pcapng(path, [c for second in range(2) for c in cycle((EPOCH_S + second) * S)], Settings.parse("19200 8E1"))
    return path


def document(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, dict[str, Any]]:
    assert run(["level", SITE, *arguments, "--json"]) == 0
    return {entry["vessel"]: entry for entry in json.loads(capsys.readouterr().out)["levels"]}


def test_acceptance_12_golden_readings_within_two_gallons(
    capsys: pytest.CaptureFixture[str], recording: Path
) -> None:
    found = document(capsys, str(recording))
    assert list(found) == list(GOLDEN)
    for tag, (_, _, level_mm, gallons) in GOLDEN.items():
        entry = found[tag]
        assert (tag, entry["quality"], entry["level_mm"]) == (tag, "good", level_mm)
        assert abs(entry["volume_gal"] - gallons) <= 2, tag
        assert entry["volume_L"] == pytest.approx(entry["volume_gal"] * 3.785411784, abs=0.3)
        assert 0 < entry["uncertainty_gal"] < 0.02 * gallons
    assert found["T1"]["level_text"] == "11 ft 5 in"


def test_the_table_says_the_same_gallons(capsys: pytest.CaptureFixture[str], recording: Path) -> None:
    assert run(["level", SITE, str(recording)]) == 0
    text = capsys.readouterr().out
    for tag, (_, _, _, gallons) in GOLDEN.items():
        (shown,) = re.findall(rf"^{tag} .*? ([\d,]+) ± +\d+ ", text, re.MULTILINE)
        assert abs(float(shown.replace(",", "")) - gallons) <= 2, tag
    assert max(map(len, text.splitlines())) <= 80


def test_acceptance_15_a_weak_echo_is_dashes_and_what_it_was(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """+120 mm within 2 s while the echo falls from 87 to 22 %; and 0.28 m of ullage is above the range."""
    start = cycle(0)
    request = framed(GOLDEN["T4"][0])
    weak = [Chunk(2 * S, request), Chunk(2 * S + 30 * MS, framed("0E040407D00016"))]
    write_csv(tmp_path / "weak.csv", [*start, *weak], None)
    t4 = document(capsys, str(tmp_path / "weak.csv"))["T4"]
    assert (t4["quality"], t4["level_mm"], t4["volume_gal"]) == ("bad", None, None)
    assert t4["last_good"] == {"level_mm": 3500.0, "t_s": 0.33}
    assert run(["level", SITE, str(tmp_path / "weak.csv")]) == 0
    text = capsys.readouterr().out.splitlines()
    place = next(n for n, line in enumerate(text) if line.startswith("T4 "))
    assert re.fullmatch(r"T4 Spindle +-- +-- +-- +bad +1\.7 s", text[place])
    assert "22" in text[place + 1]
    told = " ".join(" ".join(text[place + 1 : place + 4]).split())
    assert "was 11 ft 5 13/16 in, 7,59" in told
    near = [Chunk(0, request), Chunk(30 * MS, framed("0E040401180057"))]
    write_csv(tmp_path / "near.csv", near, None)
    t4 = document(capsys, str(tmp_path / "near.csv"))["T4"]
    assert (t4["quality"], t4["level_mm"], t4["volume_gal"], t4["last_good"]) == ("above-range", None, None, None)


@pytest.mark.parametrize(
    ("show", "level", "volume"),
    [
        ('{ level = "%", volume = "bbl", flow = "gpm", mass = "lb" }', "68.4 %", "258.1 ± 1.1"),
        ('{ level = "cm", volume = "L", flow = "L/min", mass = "kg" }', "171.0 cm", "41,040 ± 173"),
        ('{ level = "in", volume = "m3", flow = "m3/h", mass = "t" }', "67.3 in", "41.04 ± 0.18"),
    ],
)
def test_a_site_shows_its_own_units(
    capsys: pytest.CaptureFixture[str], recording: Path, tmp_path: Path, show: str, level: str, volume: str
) -> None:
    """T5 is a box of 6 × 4 × 2.5 m: 68.40 % are 1.710 m, 41.04 m³, 258.1 bbl of 42 gal."""
    site = Path(shutil.copytree(EXAMPLE, tmp_path / "yard")) / "site.toml"
    text = site.read_text()
    usual = '{ level = "ft-in", volume = "gal", flow = "gpm", mass = "lb" }'
    assert text.count(usual) == 1
    site.write_text(text.replace(usual, show))
    assert run(["level", str(site), str(recording)]) == 0
    (t5,) = (line for line in capsys.readouterr().out.splitlines() if line.startswith("T5 "))
    assert re.fullmatch(rf"T5 Cistern +{re.escape(level)} +{re.escape(volume)} +68\.4  good +\S+ s", t5), t5
