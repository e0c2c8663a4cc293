"""Site files that nobody means well with: a place, no traceback, in bounded time and memory."""

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from yard_copy import Planter, copy_yard, planter

from sidetap.errors import BadInput
from sidetap.site import Severity, load
from sidetap.site.places import Places


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    return copy_yard(tmp_path)


@pytest.fixture
def planted(yard: Path) -> Planter:
    return planter(yard)


BIG = 990_000
HOSTILE: dict[str, tuple[bytes, tuple[int, int]]] = {
    "empty": (b"", (1, 1)),
    "utf-16": ("format = 1\n".encode("utf-16"), (1, 1)),
    "latin-1": (b'format = 1\nname = "caf\xe9"', (2, 12)),
    "zero-byte": (b"format = 1\nx = \x00", (2, 5)),
    "unfinished-text": (b'format = "1', (1, 12)),
    "unfinished-long-text": (b'a = 1\nformat = """1\n2', (3, 2)),
    "deep-arrays": (b"a = " + b"[" * 900, (1, 25)),
    "deep-arrays-over-lines": (b"a = [\n" + b"[\n" * 100_000, (21, 1)),
    "deep-inline-tables": (b"a = " + b"{a=" * 300, (1, 65)),
    "endless-number": (b"a = " + b"9" * BIG, (1, 1001)),
    "long-number": (b"format = " + b"9" * 900, (1, 10)),
    "huge-exponent": (b"format = 1e999999999", (1, 10)),
    "not-a-number": (b"format = nan", (1, 10)),
    "endless-key": (b"a." * 450_000 + b"a = 1", (1, 1001)),
    "dotted-keys": (b"".join(b"k%d." % n + b"a." * 400 + b"a = 1\n" for n in range(1200)), (1, 1)),
    "quoted-dotted-keys": (b"".join(b'"k%d".' % n + b'"a" . ' * 150 + b"a = 1\n" for n in range(900)), (1, 1)),
    "long-words": ((b"a" * 990 + b"\n") * 1000, (1, 991)),
    "long-header": (b"[" + b"a." * 400 + b"a]\n" + b"".join(b"x%d=1\n" % n for n in range(90_000)), (1, 2)),
    "endless-lines": (b"\n" * BIG, (1, 1)),
    "endless-comments": (b"#\n" * (BIG // 2), (1, 1)),
    "many-keys": (b"".join(b"k%d = 1\n" % n for n in range(80_000)), (1, 1)),
    "many-tables": (b"[[point]]\n" * 90_000, (1001, 1)),
    "many-quotes": (b'a = "' + b'\\"' * 480 + b'"\n', (1, 1)),
    "quotes-in-long-text": (b'a = """' + b'""a\n' * 200_000 + b'"""\n', (1, 1)),
    "bad-date": (b"format = 2026-02-31", (1, 10)),
    "array-for-root": (b"[[format]]\n", (1, 1)),
    "bare-carriage-return": (b"format = 1\rx = 2", (1, 11)),
}


IN_A_GIGABYTE = """
import json, resource, sys, time
from pathlib import Path
from sidetap.site import Severity, load
resource.setrlimit(resource.RLIMIT_AS, (10**9, 10**9))
for path in sys.argv[1:]:
    start = time.process_time()
    loaded = load(Path(path))
    took_s = time.process_time() - start
    assert loaded.site is None
    assert all(p.line >= 1 and p.column >= 1 and p.problem and p.remedy for p in loaded.problems)
    print(json.dumps([took_s, [(p.line, p.column) for p in loaded.problems if p.severity is Severity.ERROR]]))
"""


def test_hostile_site_files_get_a_place_in_time_and_in_a_gigabyte(tmp_path: Path) -> None:
    for name, (data, _) in HOSTILE.items():
        (tmp_path / name).write_bytes(data)
    paths = [str(tmp_path / name) for name in HOSTILE]
    done = subprocess.run([sys.executable, "-c", IN_A_GIGABYTE, *paths], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    for (name, (_, place)), line in zip(HOSTILE.items(), done.stdout.splitlines(), strict=True):
        took_s, places = json.loads(line)
        assert took_s < 10, name
        assert list(place) in places, name


def test_a_file_that_is_too_large_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(b"#" * 1_000_001)
    with pytest.raises(BadInput, match="1000001 bytes"):
        load(path)


@pytest.mark.parametrize("make", [Path.mkdir, os.mkfifo], ids=["directory", "fifo"])
def test_what_is_no_file_is_refused_at_once(tmp_path: Path, make: Callable[[Path], None]) -> None:
    make(tmp_path / "site.toml")
    with pytest.raises(BadInput, match="not a file"):
        load(tmp_path / "site.toml")


def test_a_device_for_a_strapping_is_refused_at_once(planted: Planter, yard: Path) -> None:
    (yard / "zero.csv").symlink_to("/dev/zero")
    (problem,) = planted('"t2-strapping.csv"', '"zero.csv"').problems
    assert "not a file" in problem.problem


@pytest.mark.parametrize("name", ["/dev/zero", "/etc/passwd", "../t2-strapping.csv", "..\\\\t2.csv"])
def test_a_file_elsewhere_is_not_opened(planted: Planter, name: str) -> None:
    (problem,) = planted('"t2-strapping.csv"', f'"{name}"').problems
    assert "is not beside this file" in problem.problem


def test_a_byte_order_mark_and_crlf_change_nothing(planted: Planter, yard: Path) -> None:
    before = planted('"transistor"', '"relay"').problems
    text = (yard / "site.toml").read_text()
    (yard / "site.toml").write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert load(yard / "site.toml").problems == before


WRONG = ("1", "-1", "0.5", "true", '""', '"x"', "[]", "[1]", "{}", "{ a = 1 }", "[{}]", '"\\u0007"', "9" * 30)
LINE = re.compile(r"^(\S+|\"\S+\") = .*$", re.MULTILINE)


@pytest.mark.parametrize("wrong", WRONG)
def test_wrong_types_everywhere_at_once(yard: Path, wrong: str) -> None:
    path = yard / "site.toml"
    path.write_text(LINE.sub(lambda m: f"{m[1]} = {wrong}", path.read_text()))
    loaded = load(path)
    assert loaded.site is None
    assert len(loaded.problems) > 40


def test_wrong_types_one_at_a_time(yard: Path) -> None:
    """Every key of the example in turn, with changing wrong values: an error or a site, never an exception."""
    path = yard / "site.toml"
    text = path.read_text()
    tables = re.split(r"(?m)^(?=\[)", text)
    seen: set[tuple[str, str]] = set()
    turn = 0
    for table in tables:
        for match in LINE.finditer(table):
            if (table.split("]")[0], match[1]) in seen:
                continue
            seen.add((table.split("]")[0], match[1]))
            turn += 1
            wrong = WRONG[turn % len(WRONG)]
            changed = table[: match.start()] + f"{match[1]} = {wrong}" + table[match.end() :]
            path.write_text(text.replace(table, changed, 1))
            loaded = load(path)
            errors = [p for p in loaded.problems if p.severity is Severity.ERROR]
            assert (loaded.site is None) is bool(errors)
    assert len(seen) > 90


PIECES = (
    *("[", "]", "[[", "]]", "{", "}", '"', "'", '"""', "'''", "=", ".", ",", "#", "\n", "\r\n", "\t", " ", "\\"),
    *("a", "line", "point", "1", "1e9", "2026-01-01", "nan", "true", "é", "\u2028", "_", "-"),
    *("[[vessel]]\n", 'tag = "T1"\n'),
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from(PIECES), max_size=60).map("".join))
def test_any_text_gives_places_inside_it(tmp_path: Path, text: str) -> None:
    path = tmp_path / "site.toml"
    path.write_text(text, newline="")
    lines = text.replace("\r\n", "\n").split("\n")
    for problem in load(path).problems:
        assert 1 <= problem.line <= len(lines)
        assert 1 <= problem.column <= len(lines[problem.line - 1]) + 2


def test_places_agree_with_the_values_that_stand_there() -> None:
    text = (
        '# é\n"quo\\u0074ed" = 1\n\'lit.eral\' = 2\na.b = 3\n[c]\nd = [1, [2, """x\n"""], {e = 5, f.g = 6}]\n'
        "[c.h]\ni = 7\n[[j]]\nk = 8\n[[j.l]]\nm = 9\n[[j]]\n[[j.l]]\nm = 10\n[[j.l]]\nm = 1979-05-27 07:32:00\n"
    )
    places = Places(text)
    lines = text.split("\n")

    def at(*path: str | int) -> str:
        line, column = places.of_value(path)
        return lines[line - 1][column - 1 :]

    assert at("quoted") == "1"
    assert at("lit.eral") == "2"
    assert at("a", "b") == "3"
    assert at("c") == "[c]"
    assert at("c", "d", 0) == '1, [2, """x'
    assert at("c", "d", 1, 1) == '"""x'
    assert at("c", "d", 2, "f", "g") == "6}]"
    assert at("c", "h") == "[c.h]"
    assert at("c", "h", "i") == "7"
    assert places.of_key(("j", 1)) == (14, 1)
    assert at("j", 0, "l", 0, "m") == "9"
    assert at("j", 1, "l", 1, "m") == "1979-05-27 07:32:00"
    assert places.of_key(("j", 1, "l", 1, "m")) == (18, 1)
