"""What the room offers is what it says it offers."""

import inspect

from sidetap import line
from sidetap.line import recording


def test_all_public_names_are_listed() -> None:
    for room in (line, recording):
        there = {
            name
            for name, thing in vars(room).items()
            if not name.startswith("_") and not inspect.ismodule(thing) and name != "annotations"
        }
        assert there == set(room.__all__)


def test_nothing_here_builds_a_request_or_writes_to_a_line() -> None:
    for name in line.__all__:
        assert not name.lower().startswith(("encode", "write", "send", "request"))
