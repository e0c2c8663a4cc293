"""Diagnoses -> the document that ``sidetap doctor --json`` prints."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from sidetap.measure.doctor.diagnosis import Diagnosis
from sidetap.measure.doctor.words import words_for


def doctor_document(diagnoses: Iterable[Diagnosis], volume_unit: str) -> dict[str, Any]:
    """Return the whole document; only numbers, texts, truths and None in it. Uncertainties are rounded up."""
    return {"points": [_entry(diagnosis, volume_unit) for diagnosis in diagnoses]}


def _entry(diagnosis: Diagnosis, volume_unit: str) -> dict[str, Any]:
    line = diagnosis.straight
    gain, gain_u = (None, None) if line is None else (line.gain, line.gain_u)
    return {
        "point": diagnosis.point.tag,
        "vessel": diagnosis.vessel.tag,
        "released": diagnosis.release.released,
        "offset_mm": None if line is None else round(line.offset_m * 1000, 2),
        "offset_u_mm": None if line is None else _up(line.offset_u_m * 1000, 100),
        "gain": None if gain is None else round(gain, 6),
        "gain_u": None if gain_u is None else _up(gain_u, 1_000_000),
        "cause": str(diagnosis.finding.cause),
        "text": words_for(diagnosis, volume_unit).text,
    }


def _up(value: float, parts: int) -> float:
    return math.ceil(value * parts) / parts
