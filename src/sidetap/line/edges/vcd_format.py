"""Edges as a value change dump with one signal.

Source: IEEE 1364-2001, clause 18, from memory: sections ``$word ... $end``, times ``#number`` in units of $timescale,
changes of a one-bit signal as its value directly before its identifier code. Values x and z, and what
$dumpoff stands before, are levels that nobody knows.
"""

import re
from collections.abc import Iterator
from fractions import Fraction
from typing import BinaryIO

from sidetap.errors import BadInput
from sidetap.line.edges.lines import numbered_lines
from sidetap.line.edges.model import Gatherer
from sidetap.quantity import NS_PER_S

_UNITS = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}
_TIMESCALE = re.compile(r"(1|10|100)(s|ms|us|ns|ps|fs)")
_TIME = re.compile(r"#([0-9]{1,30})")
_CHANGE = re.compile(r"([01xXzZ])(\S+)")
_SKIPPED = ("$comment", "$date", "$version", "$scope", "$upscope")
_DUMPS = ("$dumpvars", "$dumpall", "$dumpon", "$dumpoff")  # what stands in them are ordinary changes
_MOST_WORDS = 1000  # of a section that is kept
_REMEDY = "Export one signal as a value change dump (IEEE 1364)."

_Words = Iterator[tuple[int, str]]


class _Ended(Exception):
    """The file ends inside a section."""


def scan(file: BinaryIO, place: str, into: Gatherer) -> bool:
    """Read a file into the gatherer and return whether its end is torn; BadInput where it can't be read."""
    words = ((number, word) for number, line in numbered_lines(file, place) for word in line.split())
    try:
        tick_ns, code = _header(words, place)
    except _Ended:
        raise BadInput(place, "the header is torn", _REMEDY) from None
    return _changes(words, place, tick_ns, code, into)


def _header(words: _Words, place: str) -> tuple[Fraction, str]:
    """Return the length of a tick in ns and the identifier code of the one signal."""
    tick_ns: Fraction | None = None
    code: str | None = None
    for number, word in words:
        if word in _SKIPPED:
            _skip(words)
        elif word == "$timescale":
            text = "".join(_section(words, place, number))
            match = _TIMESCALE.fullmatch(text)
            if match is None:
                raise BadInput(f"{place}:{number}", f"{text[:40]!r} is no time scale such as 1 ns", _REMEDY)
            tick_ns = Fraction(int(match[1]) * NS_PER_S, 10 ** _UNITS[match[2]])
        elif word == "$var":
            fields = _section(words, place, number)  # type, size, code, name and perhaps its bit
            if len(fields) < 4 or fields[1] != "1":
                raise BadInput(f"{place}:{number}", "a signal that is not of one bit", _REMEDY)
            if code is not None:
                raise BadInput(f"{place}:{number}", "a second signal, and only one can be the line", _REMEDY)
            code = fields[2]
        elif word == "$enddefinitions":
            _skip(words)
            if tick_ns is None or code is None:
                missing = "time scale" if tick_ns is None else "signal"
                raise BadInput(f"{place}:{number}", f"the header names no {missing}", _REMEDY)
            return tick_ns, code
        else:
            raise BadInput(f"{place}:{number}", f"{word[:40]!r} in the header", _REMEDY)
    raise _Ended


def _changes(words: _Words, place: str, tick_ns: Fraction, code: str, into: Gatherer) -> bool:
    """Read the changes; a last word that makes no sense is a torn end."""
    t_ns = 0
    numerator, denominator = tick_ns.numerator, tick_ns.denominator
    problem: BadInput | None = None
    for number, word in words:
        if problem is not None:
            raise problem
        if (change := _CHANGE.fullmatch(word)) is not None:
            if change[2] != code:
                problem = BadInput(
                    f"{place}:{number}", f"a change of {change[2][:40]!r}, which is no signal", _REMEDY
                )
            elif change[1] in "01":
                try:
                    into.add(t_ns, int(change[1]))
                except ValueError as error:
                    raise BadInput(f"{place}:{number}", str(error), "Capture from a fresh start.") from None
            else:
                into.lose()
        elif (time := _TIME.fullmatch(word)) is not None:
            t_ns = (2 * int(time[1]) * numerator + denominator) // (2 * denominator)  # to the nearest ns
        elif word == "$comment":
            try:
                _skip(words)
            except _Ended:
                return True
        elif word not in _DUMPS and word != "$end":
            problem = BadInput(f"{place}:{number}", f"{word[:40]!r} is no time and no change", _REMEDY)
    return problem is not None


def _section(words: _Words, place: str, number: int) -> list[str]:
    """Return the words up to $end."""
    kept: list[str] = []
    for _, word in words:
        if word == "$end":
            return kept
        kept.append(word)
        if len(kept) > _MOST_WORDS:
            raise BadInput(f"{place}:{number}", f"a section of over {_MOST_WORDS} words", _REMEDY)
    raise _Ended


def _skip(words: _Words) -> None:
    for _, word in words:
        if word == "$end":
            return
    raise _Ended
