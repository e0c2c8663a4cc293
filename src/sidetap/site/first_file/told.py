"""The documents of `survey --json` and `match --json`, read back: only what a first site file needs of them.

Text in, frozen descriptions out; BadInput with the path in the document where it isn't what those commands print.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from sidetap.errors import BadInput
from sidetap.line import ENCODINGS, width
from sidetap.quantity import UNITS
from sidetap.site.first_file.node import Node, parse

TABLES = ("coil", "discrete-input", "input-register", "holding-register")
_TABLE_OF_FUNCTION = {**dict.fromkeys((3, 6, 16, 22, 23), "holding-register"), 4: "input-register"}
_KINDS = ("measurement", "counter", "status", "constant", "text")
_COUNTS = 10**15
_LARGEST_LAW, _SMALLEST_LAW = 1e12, 1e-12  # of a scale: beyond, no unit of ours makes sense
_MOST_DEVICES = 248
_MOST_REGISTERS = 65_536
_MOST_FINDINGS = 100_000
_MOST_NAMES = 100  # a site of 64 vessels is a large one
_LONGEST_NAME = 80  # as in a file of readings

_SURVEY = "Give what `sidetap survey RECORDING --json` printed, saved as UTF-8."
_MATCH = "Give what `sidetap match RECORDING READINGS.csv --json` printed, saved as UTF-8."
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Line:
    """The line: baud, framing, inverted and source are None where the survey didn't know the settings."""

    mode: str
    baud: float | None
    framing: str | None
    inverted: bool | None
    source: str | None
    byte_count: int
    explained_bytes: int
    requests: int
    answered: int
    exceptions: int
    damaged: int
    unanswered: int


@dataclass(frozen=True, slots=True)
class Poll:
    """One poll; period_s: its median period, None where it couldn't be told."""

    function: int
    register: int | None
    count: int | None
    period_s: float | None
    requests: int
    answered: int

    def holds(self, table: str, register: int, registers: int) -> bool:
        """Return whether its answers hold so many registers of a table."""
        if self.register is None or self.count is None or _TABLE_OF_FUNCTION.get(self.function) != table:
            return False
        return self.register <= register and register + registers <= min(self.register + self.count, _MOST_REGISTERS)


@dataclass(frozen=True, slots=True)
class Value:
    """What a register seems to carry. equal: encodings of the same confidence, which read every answer alike."""

    table: str
    register: int
    encoding: str
    kind: str
    status: str
    confidence: float
    valid_below: float | None
    equal: tuple[str, ...]
    last: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Device:
    """One device of the line."""

    device: int
    answers: bool
    polls: tuple[Poll, ...]
    values: tuple[Value, ...]

    def poll_of(self, table: str, register: int, registers: int) -> Poll | None:
        """Return the poll that brings these registers most often."""
        return max(
            (p for p in self.polls if p.holds(table, register, registers)), key=lambda p: p.answered, default=None
        )


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding of the survey; times in s on the recording's clock."""

    finding: str
    severity: str
    device: int | None
    from_s: float | None
    to_s: float | None
    text: str
    evidence: str
    settle: str


@dataclass(frozen=True, slots=True)
class SurveyTold:
    """A survey's document."""

    line: Line
    devices: tuple[Device, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Reading:
    """A register and a law: reading = decoded × scale + offset."""

    device: int
    table: str
    register: int
    encoding: str
    scale: float
    offset: float
    confidence: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What stands behind a name; best, unit: None where nothing does. next_at_s: on the recording's clock."""

    name: str
    status: str
    best: Reading | None
    unit: str | None
    valid_below: float | None
    suspect_rows: tuple[int, ...]
    rivals: tuple[Reading, ...]
    next: str | None
    next_at_s: float | None


@dataclass(frozen=True, slots=True)
class MatchTold:
    """A match's document."""

    answers: tuple[Answer, ...]


def read_survey(text: str, file: str) -> SurveyTold:
    """Return a survey's document; file: its name in errors. BadInput where it is none."""
    top = parse(text, file, _SURVEY)
    line, devices = _line(top["line"]), tuple(map(_device, top["devices"].items(_MOST_DEVICES)))
    if len({d.device for d in devices}) < len(devices):
        top["devices"].refuse("a device stands there twice")
    return SurveyTold(line, devices, tuple(map(_finding, top["findings"].items(_MOST_FINDINGS))))


def read_match(text: str, file: str, survey: SurveyTold) -> MatchTold:
    """Return a match's document; BadInput where it is none, or where it speaks of another line than the survey."""
    answers = []
    names: set[str] = set()
    for node in parse(text, file, _MATCH)["answers"].items(_MOST_NAMES):
        answer = _answer(node)
        if answer.name in names:
            node["name"].refuse(f"{answer.name!r} stands there twice")
        names.add(answer.name)
        if answer.best is not None:
            _must_be_polled(answer.best, survey, f"{file}:{answer.name}")
        answers.append(answer)
    return MatchTold(tuple(answers))


def _must_be_polled(best: Reading, survey: SurveyTold, place: str) -> None:
    device = next((d for d in survey.devices if d.device == best.device), None)
    if device is None or device.poll_of(best.table, best.register, width(best.encoding, 1)) is None:
        problem = f"the survey knows no poll of device {best.device} {best.table} {best.register}"
        raise BadInput(place, problem, "Give the survey and the match of the same recording.")


def _line(node: Node) -> Line:
    settings = node.or_none("settings")
    return Line(
        node["mode"].choice(("rtu", "ascii")),
        None if settings is None else settings["baud"].number(1, 1e9),
        None if settings is None else settings["framing"].text(),
        None if settings is None else settings["inverted"].truth(),
        None if settings is None else settings["source"].choice(("stated", "edges", "flags")),
        *(
            node[key].whole(0, _COUNTS)
            for key in ("bytes", "explained_bytes", "requests", "answered", "exceptions", "damaged", "unanswered")
        ),
    )


def _device(node: Node) -> Device:
    return Device(
        node["device"].whole(0, 255),
        node["answers"].truth(),
        tuple(map(_poll, node["polls"].items(_MOST_REGISTERS))),
        tuple(map(_value, node["values"].items(_MOST_REGISTERS))),
    )


def _poll(node: Node) -> Poll:
    return Poll(
        node["function"].whole(0, 255),
        _maybe(node.or_none("register"), lambda n: n.whole(0, 65_535)),
        _maybe(node.or_none("count"), lambda n: n.whole(0, 2000)),
        _maybe(node.or_none("period_s"), lambda n: n.number(0)),
        node["requests"].whole(0, _COUNTS),
        node["answered"].whole(0, _COUNTS),
    )


def _value(node: Node) -> Value:
    confidence = node["confidence"].number(0, 1)
    alternatives = [
        (n["encoding"].choice(ENCODINGS), n["confidence"].number(0, 1)) for n in node["alternatives"].items(1000)
    ]
    return Value(
        node["table"].choice(TABLES),
        node["register"].whole(0, 65_535),
        node["encoding"].choice(ENCODINGS),
        node["kind"].choice(_KINDS),
        node["status"].choice(("settled", "likely", "open")),
        confidence,
        _maybe(node.or_none("valid_below"), Node.number),
        tuple(encoding for encoding, same in alternatives if same == confidence),
        *(node[key].number_or_none() for key in ("last", "min", "max")),
    )


def _finding(node: Node) -> Finding:
    return Finding(
        node["finding"].text(),
        node["severity"].choice(("info", "warning", "fault")),
        _maybe(node.or_none("device"), lambda n: n.whole(0, 255)),
        _maybe(node.or_none("from_s"), Node.number),
        _maybe(node.or_none("to_s"), Node.number),
        node["text"].text(),
        node["evidence"].text(),
        node["settle"].text(),
    )


def _answer(node: Node) -> Answer:
    name = node["name"].text()
    if not name.strip() or len(name) > _LONGEST_NAME:
        node["name"].refuse(f"no name of 1 to {_LONGEST_NAME} characters")
    status = node["status"].choice(("settled", "scale-open", "ambiguous", "none"))
    if status == "none":
        return Answer(name, status, None, None, None, (), (), None, None)
    return Answer(
        name,
        status,
        _reading(node),
        node["unit"].choice(tuple(UNITS)),
        _maybe(node.or_none("valid_below"), Node.number),
        tuple(n.whole(0, 10**6) for n in node["suspect_readings"].items(1000)),
        tuple(map(_reading, node["rivals"].items(1000))),
        _maybe(node.or_none("next"), Node.text),
        _maybe(node.or_none("next_at_s"), Node.number),
    )


def _reading(node: Node) -> Reading:
    scale = node["scale"].number(-_LARGEST_LAW, _LARGEST_LAW)
    if abs(scale) < _SMALLEST_LAW:
        node["scale"].refuse("a scale of 0 or almost: every reading would be the offset")
    return Reading(
        node["device"].whole(1, 247),
        node["table"].choice(TABLES),
        node["register"].whole(0, 65_535),
        node["encoding"].choice(ENCODINGS),
        scale,
        node["offset"].number(-_LARGEST_LAW, _LARGEST_LAW),
        node["confidence"].number(0, 1),
    )


def _maybe(node: Node | None, read: Callable[[Node], T]) -> T | None:
    return None if node is None else read(node)
