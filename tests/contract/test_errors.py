"""Every verb given something it can't use: one line that helps, exit status 2, and the files as they were.

Written from the command-line contract alone: `error: PLACE: PROBLEM. REMEDY`, control characters escaped, nothing
else on stderr, nothing on stdout, no traceback, a FIFO or device refused at once.
"""

import contextlib
import json
import os
import pty
import re
import shlex
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from documents import CHECK, parse_document

from sidetap.cli.main import run

EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow"
ANSWER_WITHIN_S = 10  # the contract's bound for any hostile file
# Frames of the demo yard by hand: T1 at 3480 mm, asked once a second (the response's bytes are an acceptance number).
LINE_CSV = "time_s,hex\n" + "".join(
    f"{second}.000,0b030064000344be\n{second}.030,0b03060d98000100b76ea2\n" for second in range(5)
)
READINGS_CSV = "time_s,name,value,unit\n1,T1,3.480,m\n4,T1,3.480,m\n"

Folder = dict[str, tuple[int, bytes]]


@pytest.fixture(autouse=True)
def _no_hang() -> Iterator[None]:
    """A verb that waits for a FIFO's other end, or reads a device for ever, fails the test instead of the suite."""

    def too_long(_signal: int, _frame: object) -> None:
        pytest.fail(f"no answer within {ANSWER_WITHIN_S} s")

    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(ANSWER_WITHIN_S)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with good inputs, and the working directory of the verb."""
    monkeypatch.setenv("COLUMNS", "40")  # a narrow terminal must not fold the line
    shutil.copytree(EXAMPLE, tmp_path / "site")
    (tmp_path / "site" / "bay-b.toml").replace(tmp_path / "site" / "site.toml")
    (tmp_path / "line.csv").write_text(LINE_CSV)
    (tmp_path / "readings.csv").write_text(READINGS_CSV)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def contents(folder: Path) -> Folder:
    """Every file below `folder` with its time of change and bytes; FIFOs and links by their name alone."""
    return {
        str(path.relative_to(folder)): (path.stat().st_mtime_ns, path.read_bytes() if path.is_file() else b"")
        for path in sorted(folder.rglob("*"))
    }


def the_one_line(stderr: str) -> str:
    """The error line, held to the contract's form."""
    assert re.fullmatch(r"error: \S[^\n]*?: [^\n]+\. [^\n]+\n", stderr), stderr
    line = stderr[:-1]
    assert line.isprintable(), "a control character was not escaped"
    assert "Traceback" not in line
    return line


def refused(capfd: pytest.CaptureFixture[str], arguments: list[str], folder: Path) -> str:
    """Run the verb, hold it to the contract of exit status 2, and hand back its line."""
    before = contents(folder)
    status = run(arguments)
    out, err = capfd.readouterr()
    line = the_one_line(err)
    assert (status, out) == (2, ""), (status, line)
    assert contents(folder) == before
    return line


def make_bad(kind: str, path: Path) -> None:
    """Put something at `path` that is no recording, no readings, no site and no store."""
    if kind == "directory":
        path.mkdir()
    elif kind == "fifo":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "empty":
        path.write_bytes(b"")
    elif kind == "text":
        path.write_text("the quick brown fox,jumps\nover = = the lazy dog\n" * 20)
    elif kind == "binary":
        path.write_bytes(bytes((7 * index * index + index) % 256 for index in range(4096)))


# What each verb is given, BAD standing for the unfit file; the suffix is the one that verb would like best.
WITH_A_FILE = {
    "transactions": ["transactions", "BAD.csv"],
    "transactions-pcapng": ["transactions", "BAD.pcapng", "--format", "csv"],
    "survey": ["survey", "BAD.csv", "--json"],
    "survey-pcapng": ["survey", "BAD.pcapng"],
    "survey-events": ["survey", "line.csv", "--events", "BAD.csv", "--json"],
    "match-recording": ["match", "BAD.csv", "readings.csv", "--json"],
    "match-readings": ["match", "line.csv", "BAD.csv", "--json"],
    "match-site": ["match", "line.csv", "readings.csv", "--site", "BAD.toml", "--json"],
    "level-site": ["level", "BAD.toml", "line.csv", "--json"],
    "level-recording": ["level", "site/site.toml", "BAD.csv", "--json"],
    "verify": ["verify", "BAD.toml", "--json"],
    "replay-site": ["replay", "BAD.toml", "line.csv", "--json"],
    "replay-recording": ["replay", "site/site.toml", "BAD.csv"],
    "replay-loads": ["replay", "site/site.toml", "line.csv", "--loads", "BAD.db"],
    "matrix": ["matrix", "BAD.toml", "--csv"],
    "panel": ["panel", "BAD.toml"],
    "journal": ["journal", "BAD.db"],
    "journal-audit": ["journal", "BAD.db", "--audit", "--json"],
}


@pytest.mark.parametrize("kind", ["missing", "directory", "fifo", "device", "empty", "text", "binary"])
@pytest.mark.parametrize("arguments", WITH_A_FILE.values(), ids=WITH_A_FILE)
def test_an_unfit_file_is_one_line(
    desk: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], kind: str
) -> None:
    bad = next(argument for argument in arguments if argument.startswith("BAD"))
    make_bad(kind, desk / bad)
    assert bad in refused(capfd, arguments, desk), "the line doesn't name the file"


@pytest.mark.parametrize("kind", ["missing", "directory", "fifo", "device"])
@pytest.mark.parametrize("arguments", [["check", "BAD.toml", "--json"], ["run", "BAD.toml"]], ids=["check", "run"])
def test_a_site_that_is_no_file_is_one_line(
    desk: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], kind: str
) -> None:
    make_bad(kind, desk / "BAD.toml")
    assert "BAD.toml" in refused(capfd, arguments, desk)


@pytest.mark.parametrize("kind", ["empty", "text"])
def test_check_of_a_faulty_site_is_a_document_and_exit_1(
    desk: Path, capfd: pytest.CaptureFixture[str], kind: str
) -> None:
    make_bad(kind, desk / "BAD.toml")
    before = contents(desk)
    assert run(["check", "BAD.toml", "--json"]) == 1
    out, err = capfd.readouterr()
    document = parse_document(out)
    CHECK(document, "check")
    assert (document["ok"], err) == (False, "")
    assert contents(desk) == before


# -- Usage --------------------------------------------------------------------------------------------------------

WRONG_USAGE = {
    **{f"{verb}-nothing": [verb] for verb in ("transactions", "survey", "match", "check", "level", "verify")},
    **{f"{verb}-nothing": [verb] for verb in ("journal", "record", "run", "panel", "matrix")},
    **{
        f"{arguments[0]}-option": [*arguments, "--no-such-option"]
        for arguments in (
            *(["transactions", "line.csv"], ["survey", "line.csv"], ["match", "line.csv", "readings.csv"]),
            *(["check", "site/site.toml"], ["level", "site/site.toml"], ["verify", "site/site.toml"]),
            *(["run", "site/site.toml"], ["panel", "site/site.toml"], ["journal", "x.db"]),
            *(["record", "pty:/dev/pts/0", "out.pcapng"], ["demo"]),
        )
    },
    "no-such-verb": ["brew"],
    "no-such-option": ["--brew"],
    "too-many": ["transactions", "line.csv", "line.csv"],
    "format": ["transactions", "line.csv", "--format", "xml"],
    "format-alone": ["transactions", "line.csv", "--format"],
    "match-one-file": ["match", "line.csv"],
    "at-nonsense": ["level", "site/site.toml", "line.csv", "--at", "yesterday", "--json"],
    "at-nan": ["level", "site/site.toml", "line.csv", "--at", "nan", "--json"],
    "at-infinity": ["level", "site/site.toml", "line.csv", "--at", "inf", "--json"],
    "record-out-missing": ["record", "pty:/dev/pts/0"],
    "record-seconds": ["record", "pty:/dev/pts/0", "out.pcapng", "--seconds", "-1"],
    "record-seconds-word": ["record", "pty:/dev/pts/0", "out.pcapng", "--seconds", "soon"],
    "record-settings": ["record", "pty:/dev/pts/0", "out.pcapng", "--settings", "fast 9X9"],
    "record-no-port": ["record", "no-such-port", "out.pcapng", "--seconds", "0"],
    "record-no-pty": ["record", "pty:/no/such/pty", "out.pcapng", "--seconds", "0"],
    "record-a-file": ["record", "line.csv", "out.pcapng", "--seconds", "0"],
    "record-a-directory": ["record", "site", "out.pcapng", "--seconds", "0"],
    "record-tcp-no-port": ["record", "tcp:127.0.0.1", "out.pcapng", "--seconds", "0"],
    "record-tcp-port-word": ["record", "tcp:127.0.0.1:brew", "out.pcapng", "--seconds", "0"],
    "record-tcp-port-high": ["record", "tcp:127.0.0.1:99999", "out.pcapng", "--seconds", "0"],
    "record-tcp-refused": ["record", "tcp:127.0.0.1:1", "out.pcapng", "--seconds", "0"],
    "panel-port": ["panel", "site/site.toml", "--port", "70000"],
    "panel-no-such-bay": ["panel", "site/site.toml", "--bay", "Z"],
    "demo-seed": ["demo", "--once", "--seed", "brew"],
    "demo-port": ["demo", "--once", "--port", "-1"],
    "demo-folder-is-a-file": ["demo", "--once", "--folder", "line.csv"],
    "demo-folder-is-in-use": ["demo", "--once", "--folder", "site"],
    "level-of-no-station": ["level", "site/site.toml", "--json"],
}


@pytest.mark.parametrize("arguments", WRONG_USAGE.values(), ids=WRONG_USAGE)
def test_wrong_usage_is_one_line(desk: Path, capfd: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    refused(capfd, arguments, desk)


def test_a_recording_is_not_written_over(desk: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The verb's help says: a new .pcapng file."""
    (desk / "out.pcapng").write_bytes(b"somebody's afternoon")
    master, slave = pty.openpty()
    try:
        refused(capfd, ["record", f"pty:{os.ttyname(slave)}", "out.pcapng", "--seconds", "0"], desk)
    finally:
        os.close(master)
        os.close(slave)


@pytest.mark.parametrize("verb", ["transactions", "survey", "check", "verify", "level", "journal", "panel"])
@pytest.mark.parametrize(
    "name", ["a\nb.csv", "a\x1b[31mred.csv", "a\rb\tc.csv", "a\x7f\x9b.csv", "a\u2028b\u202e.csv"]
)
def test_control_characters_in_names_are_escaped(
    desk: Path, capfd: pytest.CaptureFixture[str], verb: str, name: str
) -> None:
    refused(capfd, [verb, name], desk)
    (desk / name).write_text("")
    if verb != "check":
        refused(capfd, [verb, name], desk)


def test_a_name_that_is_no_utf_8_is_one_line(desk: Path, capfd: pytest.CaptureFixture[str]) -> None:
    refused(capfd, ["transactions", os.fsdecode(b"a\xffb.csv")], desk)


# -- Recordings, readings, sites and stores that are nearly right -------------------------------------------------

NEARLY_RECORDINGS = {
    "odd hex": "time_s,hex\n0,0b0\n1,0b03\n",
    "not hex": "time_s,hex\n0,zz\n1,0b03\n",
    "nan": "time_s,hex\nnan,0b03\n1,0b03\n",
    "infinite": "time_s,hex\n-inf,0b03\n1,0b03\n",
    "no time": "time_s,hex\n,0b03\n1,0b03\n",
    "flags of another length": "time_s,hex,flags\n0,0b03,.\n1,0b03,..\n",
    "unknown flag": "time_s,hex,flags\n0,0b03,.x\n1,0b03,..\n",
    "three fields": "time_s,hex\n0,0b03,\n1,0b03\n",
    "other header": "time,bytes\n0,0b03\n",
    "header alone": "time_s,hex\n",
    "settings": "# settings 19200 9X9\ntime_s,hex\n0,0b03\n1,0b03\n",
}


@pytest.mark.parametrize("verb", ["transactions", "survey"])
@pytest.mark.parametrize("content", NEARLY_RECORDINGS.values(), ids=NEARLY_RECORDINGS)
def test_a_row_that_can_not_be_read_is_placed(
    desk: Path, capfd: pytest.CaptureFixture[str], verb: str, content: str
) -> None:
    (desk / "nearly.csv").write_text(content)
    assert "nearly.csv" in refused(capfd, [verb, "nearly.csv"], desk)


@pytest.mark.parametrize("verb", ["transactions", "survey", "match", "level"])
def test_another_encoding_of_text_is_an_error(desk: Path, capfd: pytest.CaptureFixture[str], verb: str) -> None:
    (desk / "utf16.csv").write_bytes(LINE_CSV.encode("utf-16"))
    rest = {"match": ["utf16.csv", "readings.csv"], "level": ["site/site.toml", "utf16.csv"]}
    refused(capfd, [verb, *rest.get(verb, ["utf16.csv"])], desk)


@pytest.mark.parametrize("kept", [4, 12, 27])
def test_a_broken_header_of_a_pcapng_is_an_error(desk: Path, capfd: pytest.CaptureFixture[str], kept: int) -> None:
    header = bytes.fromhex("0a0d0d0a1c0000004d3c2b1a01000000ffffffffffffffff1c000000")
    (desk / "torn.pcapng").write_bytes(header[:kept])
    assert "torn.pcapng" in refused(capfd, ["transactions", "torn.pcapng"], desk)


def test_a_pcapng_of_another_link_is_an_error(desk: Path, capfd: pytest.CaptureFixture[str]) -> None:
    section = bytes.fromhex("0a0d0d0a1c0000004d3c2b1a01000000ffffffffffffffff1c000000")
    interface = bytes.fromhex("0100000014000000 0100 0000 00000000 14000000")  # link type 1: Ethernet
    packet = bytes.fromhex("0600000024000000 00000000 00000000 00000000 04000000 04000000 0b030064 24000000")
    (desk / "ethernet.pcapng").write_bytes(section + interface + packet)
    assert "ethernet.pcapng" in refused(capfd, ["transactions", "ethernet.pcapng"], desk)


NEARLY_READINGS = {
    "other header": "when,what\n1,T1\n",
    "no unit": "time_s,name,value\n1,T1,3.480\n",
    "unknown unit": "time_s,name,value,unit\n1,T1,3.480,cubit\n",
    "no number": "time_s,name,value,unit\n1,T1,high,m\n",
    "nan": "time_s,name,value,unit\n1,T1,nan,m\n",
    "infinite time": "time_s,name,value,unit\ninf,T1,3.480,m\n",
    "no name": "time_s,name,value,unit\n1,,3.480,m\n",
    "device 300": "time_s,name,value,unit,device\n1,T1,3.480,m,300\n",
    "tolerance": "time_s,name,value,unit,tolerance\n1,T1,3.480,m,-1\n",
    "kind": "time_s,name,value,unit,kind\n1,T1,3.480,m,guess\n",
    "header alone": "time_s,name,value,unit\n",
}


@pytest.mark.parametrize("content", NEARLY_READINGS.values(), ids=NEARLY_READINGS)
def test_a_reading_that_can_not_be_read_is_placed(
    desk: Path, capfd: pytest.CaptureFixture[str], content: str
) -> None:
    (desk / "nearly.csv").write_text(content)
    assert "nearly.csv" in refused(capfd, ["match", "line.csv", "nearly.csv", "--json"], desk)


@pytest.mark.parametrize("content", ["a,b\n1,pump\n", "time_s,name\nnan,pump\n", "time_s,name\nsoon,pump\n"])
def test_an_event_that_can_not_be_read_is_placed(desk: Path, capfd: pytest.CaptureFixture[str], content: str) -> None:
    (desk / "events.csv").write_text(content)
    assert "events.csv" in refused(capfd, ["survey", "line.csv", "--events", "events.csv", "--json"], desk)


FAULTY_SITES = {
    "syntax": ('trip = { below = "0.60 m"', 'trip = { below = = "0.60 m"'),
    "unit": ('diameter = "9.144 m"', 'diameter = "9.144 cubits"'),
    "unknown key": ('name = "North Round"', 'name = "North Round"\ncolour = "green"'),
    "missing key": ('name = "North Round"\n', ""),
    "unknown point": ('point = "LT-1"', 'point = "LT-9"'),
    "encoding": ('encoding = "uint16"', 'encoding = "uint17"'),
    "register": ("register = 100", "register = 65536"),
}


def faulty_site(desk: Path, name: str) -> None:
    path = desk / "site" / "site.toml"
    good, bad = FAULTY_SITES[name]
    content = path.read_text()
    assert good in content
    path.write_text(content.replace(good, bad, 1))


@pytest.mark.parametrize("name", FAULTY_SITES)
def test_a_faulty_site_is_a_document_for_check_and_a_line_for_the_others(
    desk: Path, capfd: pytest.CaptureFixture[str], name: str
) -> None:
    faulty_site(desk, name)
    assert run(["check", "site/site.toml", "--json"]) == 1
    document = parse_document(capfd.readouterr().out)
    CHECK(document, "check")
    first = next(problem for problem in document["problems"] if problem["severity"] == "error")
    assert first["line"] >= 1
    assert first["column"] >= 1
    for arguments in (
        *(["level", "site/site.toml", "line.csv", "--json"], ["verify", "site/site.toml", "--json"]),
        *(["match", "line.csv", "readings.csv", "--site", "site/site.toml"], ["panel", "site/site.toml"]),
        ["matrix", "site/site.toml"],
    ):
        line = refused(capfd, arguments, desk)
        assert f"site.toml:{first['line']}:{first['column']}: " in line


def test_a_strapping_table_that_falls_is_refused_with_its_line(desk: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Acceptance 12: the row 4.5 m (line 13 after the header) made less than the row before it."""
    table = desk / "site" / "t2-strapping.csv"
    rows = table.read_text().splitlines()
    fallen = next(index for index, row in enumerate(rows) if row.startswith("4.5,"))
    rows[fallen] = "4.5,78000"
    table.write_text("\n".join(rows) + "\n")
    assert run(["check", "site/site.toml", "--json"]) == 1
    problems = parse_document(capfd.readouterr().out)["problems"]
    placed = [problem for problem in problems if problem["file"].endswith("t2-strapping.csv")]
    assert [problem["line"] for problem in placed] == [fallen + 1]


def test_another_database_is_no_store(desk: Path, capfd: pytest.CaptureFixture[str]) -> None:
    store = sqlite3.connect(desk / "other.db")
    store.execute("create table recipes (name text)")
    store.commit()
    store.close()
    for rest in ([], ["--json"], ["--audit"], ["--audit", "--json"]):
        assert "other.db" in refused(capfd, ["journal", "other.db", *rest], desk)


# -- In a process of its own --------------------------------------------------------------------------------------


def sidetap(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "sidetap", *arguments]


def test_the_module_runs_and_says_one_line(desk: Path) -> None:
    done = subprocess.run(
        sidetap("survey", "none.csv", "--json"), cwd=desk, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert "none.csv" in the_one_line(done.stderr)


def test_a_reader_that_leaves_early_is_no_disaster(desk: Path) -> None:
    rows = "".join(f"{n}.000,0b030064000344be\n{n}.030,0b03060d98000100b76ea2\n" for n in range(3000))
    (desk / "long.csv").write_text("time_s,hex\n" + rows)
    verb = subprocess.Popen(
        sidetap("transactions", "long.csv"), cwd=desk, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert verb.stdout is not None
    assert verb.stderr is not None
    assert json.loads(verb.stdout.readline())["device"] == 11
    verb.stdout.close()
    complaint = verb.stderr.read()
    verb.stderr.close()
    verb.wait()
    assert "Traceback" not in complaint
    assert "Exception ignored" not in complaint


def test_ctrl_c_leaves_a_whole_recording_or_none(desk: Path) -> None:
    """The tap's own end: what was heard before Ctrl-C is kept whole, and nothing half-written stays beside it."""
    master, slave = pty.openpty()
    verb = subprocess.Popen(
        sidetap("record", f"pty:{os.ttyname(slave)}", "out.pcapng"),
        cwd=desk,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert verb.stderr is not None
        before = {path.name for path in desk.iterdir()}
        while {path.name for path in desk.iterdir()} == before and verb.poll() is None:
            os.write(master, bytes.fromhex("0b030064000344be"))
            with contextlib.suppress(subprocess.TimeoutExpired):
                verb.wait(0.05)
        verb.send_signal(signal.SIGINT)
        complaint = verb.communicate()[1]
    finally:
        os.close(master)
        os.close(slave)
    assert "Traceback" not in complaint
    left = {path.name for path in desk.iterdir()} - {"line.csv", "readings.csv", "site"}
    assert left <= {"out.pcapng"}
    if left:
        assert run(["transactions", "out.pcapng"]) in (0, 2)


@pytest.mark.parametrize("kind", ["empty", "text", "binary"])
def test_run_of_a_faulty_site_exits_2(desk: Path, capfd: pytest.CaptureFixture[str], kind: str) -> None:
    """Every command but `check`, given a faulty site, exits 2 with its first problem as the line."""
    make_bad(kind, desk / "BAD.toml")
    assert "BAD.toml" in refused(capfd, ["run", "BAD.toml"], desk)


@pytest.mark.parametrize("name", FAULTY_SITES)
def test_run_of_a_nearly_right_site_exits_2(desk: Path, capfd: pytest.CaptureFixture[str], name: str) -> None:
    faulty_site(desk, name)
    refused(capfd, ["run", "site/site.toml"], desk)


def test_a_panel_without_an_address_is_one_line(desk: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """No caution comes before the error line: on exit 2 the line stands alone."""
    refused(capfd, ["panel", "site/site.toml", "--host", "not an address"], desk)


def test_a_recording_in_no_folder_is_one_line(desk: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The output's folder is looked at before the port is touched."""
    master, slave = pty.openpty()
    try:
        refused(capfd, ["record", f"pty:{os.ttyname(slave)}", "no-such-folder/out.pcapng", "--seconds", "0"], desk)
    finally:
        os.close(master)
        os.close(slave)


def test_a_closed_stdout_is_no_traceback(desk: Path) -> None:
    """`sidetap survey line.csv --json >&-` is the caller's wish."""
    command = f"exec {shlex.join(sidetap('survey', 'line.csv', '--json'))} >&-"
    done = subprocess.run(["/bin/sh", "-c", command], cwd=desk, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
    assert done.returncode in (0, 2)
