"""The whole text of a first site file: parts in the order in which a reader of the file needs them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from sidetap.site.first_file import templates
from sidetap.site.first_file.comments import comment, heading, toml_string
from sidetap.site.first_file.evidence import device_lines, finding_lines, register_words
from sidetap.site.first_file.law import Law, law_of
from sidetap.site.first_file.points import (
    Register,
    open_point,
    register_of,
    settled_point,
    suggested_point,
    unfit,
)
from sidetap.site.first_file.told import Answer, Line, MatchTold, SurveyTold
from sidetap.site.keys import FRAMINGS, POINT_ENCODINGS, REGISTER_TABLES
from sidetap.site.model import LevelKind
from sidetap.site.table import RESERVED_TAGS

_LONGEST_TAG = 28  # of a vessel: its point's has three characters more, and a number may follow
_MOST_SUGGESTED = 60
_BAUDS = (300, 1_000_000)
_SOURCES = {
    "stated": "stated in the recording: the listener was set so, and its findings say whether that fits",
    "edges": "from the edges that a probe saw",
    "flags": "from the bytes that came with errors",
}


@dataclass(frozen=True, slots=True)
class FirstFile:
    """The text of a site file; points that are written as keys, and names of the match that stay open."""

    text: str
    points: int
    open_names: tuple[str, ...]


def first_site_file(survey: SurveyTold, match: MatchTold | None) -> FirstFile:
    """Return a first site file from a survey and, where people took readings, a match. Same documents, same text."""
    return _Writer(survey, match).file()


class _Writer:
    def __init__(self, survey: SurveyTold, match: MatchTold | None) -> None:
        self.survey, self.match = survey, match
        self.tags = set(RESERVED_TAGS)
        self.line = self.tag("line-1")
        self.told: set[int] = set()  # devices whose findings stand in the file already

    def file(self) -> FirstFile:
        answers = () if self.match is None else self.match.answers
        points: list[str] = []
        still_open: list[str] = []
        vessels: list[str] = []
        settled: dict[str, Register] = {}
        names = {a.name: self.tag(a.name) for a in answers if a.unit not in ("C", "F")}
        for answer in answers:
            register = None if answer.best is None else register_of(answer.best, self.survey.devices)
            found = _point_law(answer, register)
            if register is None or not isinstance(found, Law):
                still_open += [*open_point(answer, register, found if isinstance(found, str) else None), ""]
                if answer.name in names:
                    vessels += _vessel(answer.name, names[answer.name], None, None)
                continue
            point = self.tag(f"LT-{names[answer.name]}")
            points += [*_twice(register, settled), *settled_point(answer, point, self.line, register, found)]
            points += ["", *self.findings_of(register.device.device)]
            settled[answer.name] = register
            vessels += _vessel(answer.name, names[answer.name], point, found)
        open_names = tuple(a.name for a in answers if a.name not in settled)
        lines = [templates.TOP.rstrip("\n"), *heading("The line: listened to, never written"), *self.line_part()]
        lines += [
            *heading("Points: what a register means, and when it is good"),
            *(points or self.no_points(answers)),
        ]
        if still_open:
            lines += [*heading("Not settled: none of these is a point yet"), *still_open]
        lines += [*heading("Vessels"), templates.SHAPES.rstrip("\n"), "", *(vessels or _no_vessels())]
        lines += [*heading("Other devices on the line"), *self.others()]
        lines += [*heading("What comes next: outputs, inputs, bays, valves"), templates.NEXT.rstrip("\n")]
        return FirstFile(_tidy(lines), len(settled), open_names)

    def tag(self, name: str) -> str:
        """Return a tag like name that nothing else has."""
        base = re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-_")[: _LONGEST_TAG + 3] or "V"
        tag, number = base, 1
        while tag in self.tags:
            number += 1
            tag = f"{base[: 31 - len(str(number))]}-{number}"
        self.tags.add(tag)
        return tag

    # -- the line ------------------------------------------------------------------------------------------------

    def line_part(self) -> list[str]:
        line = self.survey.line
        share = f"{100 * line.explained_bytes / max(line.byte_count, 1):.2f}"
        lines = comment(
            f"Heard: {line.byte_count:,} bytes, {share} % of them in whole frames; {line.requests:,} requests: "
            f"{line.answered:,} answered, {line.exceptions:,} exceptions, {line.damaged:,} damaged, "
            f"{line.unanswered:,} unanswered."
        )
        lines += finding_lines(f for f in self.survey.findings if f.device is None)
        lines += [
            "",
            "[[line]]",
            f'tag = "{self.line}"',
            '# port = "?"  # a name that stays, under /dev/serial/by-path',
        ]
        lines.append('# serial = "?"  # may be left out: the adapter\'s own serial number, checked at every open')
        return [*lines, *_settings(line), *templates.TAP.rstrip("\n").split("\n")]

    # -- points and devices --------------------------------------------------------------------------------------

    def findings_of(self, device: int) -> list[str]:
        """Return a device's findings as comments, once."""
        if device in self.told:
            return []
        self.told.add(device)
        found = finding_lines(f for f in self.survey.findings if f.device == device)
        return [*comment(f"What else was found about device {device}:"), *found, ""] if found else []

    def no_points(self, answers: Sequence[Answer]) -> list[str]:
        if answers:
            return comment("No name is settled yet: no register can be trusted with a vessel so far.")
        lines = comment(
            "No match was given, so that no vessel can be named. Take readings of every vessel at two levels or "
            "more, at least a foot apart, and run sidetap match. What may be a level:"
        )
        others = {f.device for f in self.survey.findings if f.finding == "not-a-level"}
        suggested = [
            (device, value)
            for device in self.survey.devices
            if device.device not in others
            for value in device.values
            if value.kind == "measurement"
            and value.status != "open"
            and value.table in REGISTER_TABLES
            and value.encoding in POINT_ENCODINGS
        ]
        for device, value in suggested[:_MOST_SUGGESTED]:
            tag = self.tag(f"P-{device.device}-{value.register}")
            lines += ["#", *suggested_point(tag, self.line, device, value)]
        if len(suggested) > _MOST_SUGGESTED:
            lines += comment(f"And {len(suggested) - _MOST_SUGGESTED} values more: see the survey.")
        return lines

    def others(self) -> list[str]:
        lines = comment("No point reads these; here so that nobody has to wonder.")
        for device in sorted(self.survey.devices, key=lambda d: d.device):
            if device.device not in self.told:
                found = [f for f in self.survey.findings if f.device == device.device]
                lines += ["#", *device_lines(device, found)]
        known = {d.device for d in self.survey.devices}
        return lines + finding_lines(
            f for f in self.survey.findings if f.device is not None and f.device not in known
        )


def _point_law(answer: Answer, register: Register | None) -> Law | str | None:
    """Return the law of a settled name; why there is none where only the site file is in the way; else None."""
    if answer.status != "settled" or register is None:
        return None
    reason = unfit(register.best)
    return reason if reason is not None else law_of(answer, register.best, register.seen)


def _twice(register: Register, settled: dict[str, Register]) -> list[str]:
    """Return a warning where another name has been given the same register."""
    best = register.best
    same = [
        n
        for n, r in settled.items()
        if (r.best.device, r.best.table, r.best.register) == (best.device, best.table, best.register)
    ]
    if not same:
        return []
    return comment(
        f"LOOK AGAIN: {register_words(best)} stands behind {', '.join(same)} too. One vessel, or one mistake."
    )


def _settings(line: Line) -> list[str]:
    lines = []
    if line.mode != "rtu":
        lines += comment("The line speaks Modbus ASCII; a station of this version listens to RTU only.")
    if line.inverted:
        lines += comment("The listener's two wires were exchanged: exchange them before anything else.")
    source = "" if line.source is None else f"  # {_SOURCES[line.source]}"
    if line.baud is not None and _BAUDS[0] <= round(line.baud) <= _BAUDS[1]:
        lines.append(f"baud = {round(line.baud)}{source}")
    else:
        lines.append("# baud = ?  # the survey didn't know: ask, or let sidetap line find it from edges")
    if line.framing in FRAMINGS:
        lines.append(f'framing = "{line.framing}"{source}')
    else:
        known = "the survey didn't know: ask, or let sidetap line find it from edges"
        if line.framing is not None:
            known = f"heard as {line.framing[:20]}, which RTU can't be; it is one of {', '.join(FRAMINGS)}"
        lines += comment(known)
        lines.append('# framing = "?"')
    return lines


def _vessel(name: str, tag: str, point: str | None, law: Law | None) -> list[str]:
    """Return the stub of a vessel."""
    lines = ["[[vessel]]", f'tag = "{tag}"', f"name = {toml_string(name)}  # as in the readings; drivers read it"]
    lines += templates.VESSEL.rstrip("\n").split("\n")
    if law is None or point is None:
        return [*lines, '# level.point = "?"  # not settled, see above', '# level.as = "?"', ""]
    lines += [f'level.point = "{point}"', f'level.as = "{law.kind}"']
    if law.kind is LevelKind.ULLAGE:
        lines.append(f'level.reference_height = "{law.reference}"  # as the readings have it; measure it')
        lines.append('# level.blocking = "? m"  # nearer than this the sensor says nothing')
    elif law.kind is LevelKind.PRESSURE:
        lines.append('# level.sensor_height = "? m"  # above the vessel\'s datum; measure it')
    elif law.kind is LevelKind.PERCENT and law.span is not None:
        lines.append(f'level.span = "{law.span}"  # as the readings have it; ask for it')
    elif law.kind is LevelKind.PERCENT:
        lines.append('# level.span = "? m"  # the level at 100 %')
    return [*lines, ""]


def _no_vessels() -> list[str]:
    stub = ["[[vessel]]", 'tag = "?"', 'name = "?"']
    rest = [*templates.VESSEL.rstrip("\n").split("\n"), '# level.point = "?"', '# level.as = "?"']
    return [*(f"# {key}" for key in stub), *rest]


def _tidy(lines: Sequence[str]) -> str:
    """Return lines as a text without blanks at line ends and never two empty lines in a row."""
    text = "\n".join(line.rstrip() for line in lines)
    return re.sub(r"\n{3,}", "\n\n", text).strip("\n") + "\n"
