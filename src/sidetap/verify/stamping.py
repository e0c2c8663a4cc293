"""A finished verification -> the stamp that ``run`` asks for."""

from collections.abc import Mapping
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any

from sidetap.promises.model import Model
from sidetap.promises.stamp import Stamp, StampedGoal, StampedVerdict, promises_hash
from sidetap.verify.verification import Verification


def stamp_of(model: Model, result: Verification, checked: datetime, certificate: Mapping[str, Any]) -> Stamp:
    """Return what is to be kept of the result for the model it judges, found at a moment (with its time zone)."""
    return Stamp(
        scheme_hash=result.scheme_hash,
        promises_hash=promises_hash(model),
        checked_utc=checked.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        tool=f"sidetap {version('sidetap')}",
        verdicts=tuple(StampedVerdict(v.promise, v.subject, v.verdict) for v in result.promises),
        goals=tuple(StampedGoal(r.goal, r.subject, r.reached) for r in result.reachable),
        certificate=certificate,
    )
