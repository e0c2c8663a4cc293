"""A survey as one page for people: a self-contained HTML file, readable offline, on paper and without colour.

A survey and its line's health in, one file out. No script, nothing fetched from anywhere; what came off the line is
escaped.
"""

from importlib.metadata import version
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from sidetap.errors import BadInput, printable
from sidetap.line.recording.beside import written_beside
from sidetap.survey.health import LineHealth
from sidetap.survey.report import document, pictures
from sidetap.survey.survey import Survey

__all__ = ["write_report"]


def write_report(found: Survey, health: LineHealth, path: Path, *, recording: str) -> None:
    """Write the report of a recording of that name; the file appears whole or not at all."""
    environment = Environment(
        loader=PackageLoader("sidetap.survey.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    page = environment.get_template("report.html").render(_content(found, health, recording))
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
    return {
        "recording": printable(recording),
        "version": version("sidetap"),
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
        "values": document.values(found),
        "minutes": document.minutes(health) if timed else None,
        "knows_characters": health.settings is not None,
    }
