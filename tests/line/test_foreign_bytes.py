"""Bytes nobody here wrote: the request and response pairs in minimalmodbus's source distribution (Apache-2.0).

`GOOD_RTU_RESPONSES` and `WRONG_RTU_RESPONSES` of its tests/test_minimalmodbus.py; two groups of the good ones are
labelled there as recorded from instruments. The distribution is fetched by pip at the version of dev.lock, checked
against the hashes there, read with `ast` and never run; nothing of it is kept in this repository.
"""

import ast
import re
import subprocess
import sys
import tarfile
from dataclasses import dataclass
from pathlib import Path

import pytest
from synthetic_line import framed, parsed

from sidetap.line import Chunk, Outcome, Transaction, rules

ROOT = Path(__file__).parents[2]
OURS = framed(bytes.fromhex("0B0300640003")) + framed(bytes.fromhex("0B03060D98000100B7"))


@dataclass(frozen=True)
class Foreign:
    good: dict[bytes, bytes]
    wrong: dict[bytes, bytes]


def locked_requirement() -> str:
    """The lines of dev.lock that pin minimalmodbus, hashes included."""
    match = re.search(r"^minimalmodbus==.*?(?=^\S)", (ROOT / "dev.lock").read_text(), re.MULTILINE | re.DOTALL)
    assert match is not None
    return match.group()


@pytest.fixture(scope="session")
def foreign() -> Foreign:
    requirement = locked_requirement()
    version = requirement.split("==")[1].split()[0]
    cache = ROOT / ".cache" / f"minimalmodbus-{version}"
    if not list(cache.glob("*.tar.gz")):
        cache.mkdir(parents=True, exist_ok=True)
        pinned = cache / "requirement.txt"
        pinned.write_text(requirement)
        fetch = ["-m", "pip", "download", "--quiet", "--no-deps", "--no-binary", ":all:", "--require-hashes"]
        subprocess.run([sys.executable, *fetch, "-r", str(pinned), "-d", str(cache)], check=True)
    (archive,) = cache.glob("*.tar.gz")
    with tarfile.open(archive) as distribution:
        member = distribution.extractfile(f"minimalmodbus-{version}/tests/test_minimalmodbus.py")
        assert member is not None
        tree = ast.parse(member.read())
    good, wrong = assigned(tree, "GOOD_RTU_RESPONSES"), assigned(tree, "WRONG_RTU_RESPONSES")
    assert (len(good), len(wrong)) == (96, 25)
    # one of the good ones, by its own comment, answers from the wrong address: good for a test there, not on a line
    strangers = [request for request, response in good.items() if request[0] != response[0]]
    assert len(strangers) == 1
    wrong |= {request: good.pop(request) for request in strangers}
    return Foreign(good, wrong)


def assigned(tree: ast.Module, name: str) -> dict[bytes, bytes]:
    """Every NAME[bytes] = bytes at the top of the module."""
    found = {}
    for statement in tree.body:
        if not isinstance(statement, ast.Assign):
            continue
        (target,) = statement.targets
        if isinstance(target, ast.Subscript) and isinstance(target.value, ast.Name) and target.value.id == name:
            found[value_of(target.slice)] = value_of(statement.value)
    return found


def value_of(node: ast.expr) -> bytes:
    """Bytes literals and sums of them."""
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return value_of(node.left) + value_of(node.right)
    value = ast.literal_eval(node)
    assert isinstance(value, bytes)
    return value


def told(row: Transaction) -> tuple[bytes | None, bytes | None]:
    return row.request, row.response


def test_every_good_pair_on_one_line_is_a_whole_answer(foreign: Foreign) -> None:
    line = b"".join(request + response for request, response in foreign.good.items())
    rows = parsed([Chunk(None, line)])
    assert [told(row) for row in rows] == [
        (request[:-2], response[:-2]) for request, response in foreign.good.items()
    ]
    for row, response in zip(rows, foreign.good.values(), strict=True):
        assert row.outcome is (Outcome.EXCEPTION if response[1] & 0x80 else Outcome.ANSWERED)


def test_every_good_pair_alone_is_a_whole_answer(foreign: Foreign) -> None:
    for request, response in foreign.good.items():
        (row,) = parsed([Chunk(None, request + response)])
        assert told(row) == (request[:-2], response[:-2])


def test_every_good_pair_in_lumps_of_any_size_is_the_same(foreign: Foreign) -> None:
    line = b"".join(request + response for request, response in foreign.good.items())
    whole = parsed([Chunk(None, line)])
    for size in (1, 3, 7, 62):
        assert parsed([Chunk(None, line[at : at + size]) for at in range(0, len(line), size)]) == whole


def test_no_wrong_pair_is_a_whole_answer_and_none_harms_its_neighbours(foreign: Foreign) -> None:
    seen = 0
    for request, response in foreign.wrong.items():
        rows = parsed([Chunk(None, OURS + request + response + OURS)])
        assert [rows[0].outcome, rows[-1].outcome] == [Outcome.ANSWERED] * 2
        assert told(rows[0]) == told(rows[-1])
        tries = [row for row in rows[1:-1] if row.request == request[:-2]]
        if request[0] == 0x14:
            continue  # a local echo and then the right answer: the next test
        if request[1] not in rules.REQUEST_LENGTH:
            continue  # a function of the maker's own: whole by its check code; what is wrong only its client knows
        assert not any(row.outcome is Outcome.ANSWERED for row in tries)
        if request == framed(request[:-2]) and len(request) in (8, 10, 11) and b"TEST" not in request:
            assert [row.outcome for row in tries] in ([Outcome.UNANSWERED], [Outcome.DAMAGED])
            seen += 1
    assert seen == 13


def test_an_adapter_that_echoes_shows_a_retry_and_the_answer(foreign: Foreign) -> None:
    (request, response), (_, wrong_echo) = [pair for pair in foreign.wrong.items() if pair[0][0] == 0x14]
    rows = parsed([Chunk(None, OURS + request + response + OURS)])
    assert [(row.outcome.value, row.retry) for row in rows[1:3]] == [("unanswered", False), ("answered", True)]
    assert rows[2].words == (770,)
    assert wrong_echo[:8] != framed(wrong_echo[:6])  # damaged: stray bytes before the answer
