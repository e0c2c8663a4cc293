"""A survey, or a match, as one page for people: one HTML file, readable offline, on paper and without colour.

What was found in, one file out. No script, nothing fetched from anywhere; what came off the line is
escaped.
"""

from collections.abc import Sequence
from datetime import tzinfo
from importlib.metadata import version
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from sidetap.errors import BadInput, printable
from sidetap.line.recording.beside import written_beside
from sidetap.survey.health import LineHealth
from sidetap.survey.report import document, matched, pictures, values
from sidetap.survey.survey import Survey
from sidetap.survey.words import AnswerWords, relation_words, survey_words

__all__ = ["write_match_report", "write_report"]


def write_report(found: Survey, health: LineHealth, path: Path, *, recording: str) -> None:
    """Write the report of a recording of that name; the file appears whole or not at all."""
    _write("survey.html", _content(found, health, recording), path)


def write_match_report(
    found: Survey,
    told: Sequence[AnswerWords],
    path: Path,
    *,
    recording: str,
    readings: str,
    zone: tzinfo | None = None,
) -> None:
    """Write what was matched; recording, readings: names of the files. zone: of the times of day, UTC for None."""
    _write("match.html", matched.content(found, told, recording, readings, zone), path)


def _write(template: str, content: dict[str, object], path: Path) -> None:
    environment = Environment(
        loader=PackageLoader("sidetap.survey.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    page = environment.get_template(template).render({**content, "version": version("sidetap")})
    try:
        with written_beside(path) as file:
            file.write(page.encode())
    except OSError as error:
        reason = error.strerror or str(error)
        raise BadInput(
            str(path), f"the report can't be written: {reason}", "Give a path that can be written."
        ) from None


def _content(found: Survey, health: LineHealth, recording: str) -> dict[str, object]:
    timed = health.spans.number > 0
    map_picture, still = pictures.register_map(health) if timed else (None, [])
    turnarounds = [
        (d.device, pictures.histogram(d.turnaround, f"Turnaround of device {d.device}"))
        for d in health.exchanges.devices
        if d.turnaround.number
    ]
    told = survey_words(found)
    drawn, left_out = ([], 0) if health.ends_ns is None else values.curves(told, health.ends_ns)
    return {
        "recording": printable(recording),
        "facts": document.facts(found, health),
        "findings": document.findings(found, health),
        "timeline": pictures.bus_timeline(health) if timed else None,
        "register_map": map_picture,
        "still": document.listed(still),
        "gaps": pictures.histogram(health.exchanges.gaps, "Gaps between requests", width=520),
        "has_gaps": bool(health.exchanges.gaps.number),
        "turnarounds": turnarounds,
        "devices": document.devices(found, health),
        "polls": document.polls(found, health),
        "values": values.rows(told),
        "relations": [relation_words(relation) for relation in found.relations],
        "beyond": values.beyond(told),
        "curves": drawn,
        "more_curves": left_out,
        "minutes": document.minutes(health) if timed else None,
        "knows_characters": health.settings is not None,
    }
