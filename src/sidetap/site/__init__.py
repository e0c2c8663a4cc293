"""A site: site.toml and what it names -> one frozen, checked description, and the scheme compiled from it.

``load`` gives the site or every problem with file, line and column; ``load_or_refuse`` the site or the first problem
as an error. Nothing here opens a port or owns a clock.
"""

from sidetap.site.canonical import canonical_text, site_hash
from sidetap.site.levels import STANDARD_GRAVITY, level_m
from sidetap.site.limits import LimitCheck, check_limit, limit_problem, stop_volume_m3
from sidetap.site.model import (
    Alarm,
    Bay,
    Condition,
    Density,
    Display,
    FrozenWatch,
    Input,
    LevelKind,
    LevelSource,
    Line,
    Module,
    Output,
    Person,
    Point,
    Rule,
    Signature,
    Site,
    Trip,
    Uncertainty,
    Valve,
    Vehicle,
    Vessel,
    Watchdog,
)
from sidetap.site.problem import Problem, Severity
from sidetap.site.reader import Loaded, load, load_or_refuse

__all__ = [
    "STANDARD_GRAVITY",
    "Alarm",
    "Bay",
    "Condition",
    "Density",
    "Display",
    "FrozenWatch",
    "Input",
    "LevelKind",
    "LevelSource",
    "LimitCheck",
    "Line",
    "Loaded",
    "Module",
    "Output",
    "Person",
    "Point",
    "Problem",
    "Rule",
    "Severity",
    "Signature",
    "Site",
    "Trip",
    "Uncertainty",
    "Valve",
    "Vehicle",
    "Vessel",
    "Watchdog",
    "canonical_text",
    "check_limit",
    "level_m",
    "limit_problem",
    "load",
    "load_or_refuse",
    "site_hash",
    "stop_volume_m3",
]
