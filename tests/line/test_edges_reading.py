"""Captures of edges as files: csv and value change dumps (IEEE 1364), good ones and such as mean harm."""

import contextlib
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidetap.errors import BadInput
from sidetap.line.edges import Edges, identify, read

# the sections in the order in which IEEE 1364-2001, 18.2, has them (from memory)
VCD_HEAD = """$date
    today
$end
$version hand $end
$comment a line $end
$timescale 1 us $end
$scope module probe $end
$var wire 1 ! rx $end
$upscope $end
$enddefinitions $end
"""


def written(tmp_path: Path, text: str | bytes, name: str = "edges.csv") -> Path:
    path = tmp_path / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def seen(edges: Edges) -> list[tuple[int, int]]:
    return [(t_ns, edges.first_level ^ n & 1) for n, t_ns in enumerate(edges.t_ns.tolist())]


# -- csv -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("start", ["", "\ufeff"], ids=["plain", "BOM"])
@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["LF", "CRLF"])
def test_csv_rows_are_changes(tmp_path: Path, start: str, end: str) -> None:
    rows = ["time_s,level", "-0.5,0", "-0.499999999,1", " 0.0 , 0 ", "", "1e-3,1", "2,0", ""]
    edges = read(written(tmp_path, start + end.join(rows)))
    assert edges.format == "csv"
    assert seen(edges) == [(0, 0), (1, 1), (500_000_000, 0), (501_000_000, 1), (2_500_000_000, 0)]
    assert (edges.truncated, edges.clock_steps) == (False, 0)


def test_times_are_exact_also_as_dates(tmp_path: Path) -> None:
    """A float holds a date in seconds to 0.2 µs only."""
    edges = read(written(tmp_path, "time_s,level\n1773219600.000000001,0\n1773219600.000000003,1\n"))
    assert edges.t_ns.tolist() == [0, 2]


def test_rows_that_change_nothing_are_no_edges(tmp_path: Path) -> None:
    edges = read(written(tmp_path, "time_s,level\n0,1\n1,1\n2,0\n3,0\n4,1\n"))
    assert seen(edges) == [(0, 1), (2_000_000_000, 0), (4_000_000_000, 1)]


def test_a_level_that_lasts_no_time_is_none(tmp_path: Path) -> None:
    edges = read(written(tmp_path, "time_s,level\n0,1\n0,0\n1,1\n2,0\n2,1\n3,0\n"))
    assert seen(edges) == [(0, 0), (1_000_000_000, 1), (3_000_000_000, 0)]


def test_a_clock_that_steps_back_is_told_and_bridged(tmp_path: Path) -> None:
    edges = read(written(tmp_path, "time_s,level\n5,1\n6,0\n2,1\n2.5,0\n"))
    assert edges.clock_steps == 1
    assert seen(edges) == [(0, 1), (1_000_000_000, 0), (2_000_000_000, 1), (2_500_000_000, 0)]


@pytest.mark.parametrize("torn", ["0.0", "0.002,", "0.002,x", "nan,1", "0.002,1,"])
def test_a_torn_last_row_is_left_out_and_told(tmp_path: Path, torn: str) -> None:
    edges = read(written(tmp_path, f"time_s,level\n0,1\n0.001,0\n{torn}"))
    assert edges.truncated
    assert seen(edges) == [(0, 1), (1_000_000, 0)]


@pytest.mark.parametrize(
    ("text", "problem", "line"),
    [
        ("", "the header is ''", 1),
        ("time_s,hex\n0,0b\n", "the header is 'time_s,hex'", 1),
        ("time_s,level,more\n0,1,2\n", "the header is", 1),
        ("time_s,level\nnan,1\n1,0\n", "'nan' is no time", 2),
        ("time_s,level\n0,1\ninf,0\n1,0\n", "'inf' is no time", 3),
        ("time_s,level\n0,1\n0.1,2\n1,0\n", "'2' is no level", 3),
        ("time_s,level\n0,1\n0.1\n1,0\n", "a row of 1 fields", 3),
        ("time_s,level\n0,1\n1e99,0\n1,0\n", "'1e99' is no time", 3),
        ("time_s,level\n0,1\n0x1,0\n1,0\n", "'0x1' is no time", 3),
        ("time_s,level\n-9999999999,1\n9999999999,0\n1,0\n", "too far", 3),
        ("time_s,level\n0,1\n" + "1" * 60 + ",0\n1,0\n", "is no time", 3),
        ("time_s,level\n0,1\n0." + "1" * (1 << 20) + ",0\n1,0\n", "over 1 MiB", 3),
        (b"time_s,level\n0,1\n" + b"\xff\xfe,0\n1,1\n", "no UTF-8", 3),
        ("time_s,level\n0,1\n".encode("utf-16"), "no UTF-8", 1),
    ],
)
def test_broken_csv_has_a_place(tmp_path: Path, text: str | bytes, problem: str, line: int) -> None:
    path = written(tmp_path, text)
    with pytest.raises(BadInput, match=problem) as raised:
        read(path)
    assert raised.value.place == f"{path}:{line}"


def test_a_header_alone_holds_no_edge(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="not one edge"):
        read(written(tmp_path, "time_s,level\n"))


# -- value change dumps ----------------------------------------------------------------------------------------------


def test_vcd_changes_at_times_in_its_unit(tmp_path: Path) -> None:
    body = "$dumpvars\n1!\n$end\n#10\n0!\n#12 1! #15\n0!\n#20\n"
    edges = read(written(tmp_path, VCD_HEAD + body, "edges.vcd"))
    assert edges.format == "vcd"
    assert seen(edges) == [(0, 1), (10_000, 0), (12_000, 1), (15_000, 0)]
    assert not edges.truncated


@pytest.mark.parametrize(
    ("scale", "t_ns"),
    [("1 s", 7_000_000_000), ("10ms", 70_000_000), ("100 us", 700_000), ("1ns", 7), ("100 ps", 1), ("10 fs", 0)],
)
def test_vcd_time_scales(tmp_path: Path, scale: str, t_ns: int) -> None:
    text = VCD_HEAD.replace("1 us", scale) + "#0 1!\n#7 0!\n#7000000 1!\n"
    assert read(written(tmp_path, text, "edges.vcd")).t_ns.tolist()[-2:][0] == t_ns


def test_vcd_is_told_by_content(tmp_path: Path) -> None:
    assert read(written(tmp_path, VCD_HEAD + "#0\n1!\n#1\n0!\n", "edges.csv")).format == "vcd"
    assert read(written(tmp_path, "time_s,level\n0,1\n1,0\n", "edges.vcd")).format == "csv"


def test_levels_that_nobody_knows_are_bridged(tmp_path: Path) -> None:
    body = "#0 x!\n#5 1!\n#6 0!\n#7 1!\n$dumpoff\nx!\n$end\n#50\n$dumpon 1! $end\n#51\n0!\n#60 z!\n#61 0!\n#62 1!\n"
    edges = read(written(tmp_path, VCD_HEAD + body, "edges.vcd"))
    second = 1_000_000_000
    assert seen(edges) == [
        *((0, 1), (1_000, 0), (2_000, 1)),
        (2_000 + second + 1_000, 0),
        (2_000 + 2 * second + 2_000, 1),
    ]
    assert edges.clock_steps == 0


@pytest.mark.parametrize("torn", ["#", "1", "$comment never ended", "$en"])
def test_a_torn_end_of_a_vcd(tmp_path: Path, torn: str) -> None:
    edges = read(written(tmp_path, VCD_HEAD + f"#0 1!\n#1 0!\n{torn}", "edges.vcd"))
    assert edges.truncated
    assert len(edges.t_ns) == 2


HEAD_LINES = VCD_HEAD.count("\n")


@pytest.mark.parametrize(
    ("text", "problem", "line"),
    [
        (VCD_HEAD[:60], "the header is torn", None),
        ("$timescale 1 us $end\n", "the header is torn", None),
        ("$timescale 3 us $end\n$var", "'3us' is no time scale", 1),
        (VCD_HEAD.replace("$timescale 1 us $end\n", ""), "names no time scale", 9),
        (VCD_HEAD.replace("$var wire 1 ! rx $end\n", ""), "names no signal", 9),
        (VCD_HEAD.replace("$upscope", '$var wire 1 " tx $end $upscope'), "a second signal", 9),
        (VCD_HEAD.replace("wire 1 !", "wire 8 !"), "not of one bit", 8),
        (VCD_HEAD.replace("$scope", "hello $scope"), "'hello' in the header", 7),
        (VCD_HEAD + '#0 1!\n1"\n#1 0!\n', "no signal", HEAD_LINES + 2),
        (VCD_HEAD + "#0 1!\nb101 !\n#1 0!\n", "'b101' is no time", HEAD_LINES + 2),
        (VCD_HEAD + "#0 1!\n#-5 0!\n#1 0!\n", "'#-5' is no time", HEAD_LINES + 2),
        (VCD_HEAD + "#0 1!\n#99999999999999999999 0!\n#1 0!\n", "too far", HEAD_LINES + 2),
        (VCD_HEAD.replace("today", "x " * 600_000), "over 1 MiB", 2),
        (VCD_HEAD.replace("1 us", "1 " * 2000), "over 1000 words", 6),
    ],
)
def test_broken_vcd_has_a_place(tmp_path: Path, text: str, problem: str, line: int | None) -> None:
    path = written(tmp_path, text, "edges.vcd")
    with pytest.raises(BadInput, match=problem) as raised:
        read(path)
    assert raised.value.place == (str(path) if line is None else f"{path}:{line}")


# -- files that mean harm --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["directory", "fifo", "socket", "device", "missing", "unreadable name"])
def test_what_is_no_plain_file_is_refused_at_once(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "edges.csv"
    if kind == "directory":
        path.mkdir()
    elif kind == "fifo":
        os.mkfifo(path)
    elif kind == "socket":
        with socket.socket(socket.AF_UNIX) as one:
            one.bind(str(path))
    elif kind == "device":
        path = Path("/dev/zero")
    elif kind == "unreadable name":
        path = Path("a\0b.csv")
    with pytest.raises(BadInput, match=r"no plain file|can't be opened"):
        read(path)


def test_unknown_files(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no capture of edges of a known form"):
        read(written(tmp_path, b"\x7fELF", "edges.bin"))


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(["edges.csv", "edges.vcd"]),
    st.sampled_from(["", "time_s,level\n", "time_s,level\n0,1\n", VCD_HEAD, VCD_HEAD + "#0 1!\n"]),
    st.one_of(
        st.binary(max_size=200),
        st.text("0123456789.,-+eE#!$xzb \n", max_size=200).map(str.encode),
        st.lists(st.sampled_from(["#1", "1!", "0!", "x!", "$end", "$dumpoff", "#0", "\n"])).map(
            lambda words: " ".join(words).encode()
        ),
    ),
)
def test_any_bytes_give_edges_or_a_place(
    tmp_path_factory: pytest.TempPathFactory, name: str, head: str, rest: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / name
    path.write_bytes(head.encode() + rest)
    with contextlib.suppress(BadInput):
        edges = read(path)
        assert (edges.t_ns[1:] > edges.t_ns[:-1]).all()
        assert 0.0 <= identify(edges).confidence <= 1.0


def test_hostile_files_stay_under_a_gigabyte(tmp_path: Path) -> None:
    """A file of one endless line, and one that is all levels: read by a process that may have 1 GB at most."""
    one = written(tmp_path, b"time_s,level\n0,1\n" + b"9" * (1 << 27), "one.csv")
    two = written(tmp_path, VCD_HEAD.encode() + b"1! 0! " * (1 << 18), "two.vcd")
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_AS, (1 << 30, 1 << 30))\n"
        "from sidetap.cli.main import run\n"
        "sys.exit(max(run(['line', path, '--json']) for path in sys.argv[1:]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(one), str(two)],
        capture_output=True,
        text=True,
        timeout=60,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )
    assert done.returncode == 2
    assert done.stderr.count("error: ") == done.stderr.count("\n") == 2, done.stderr
