"""A diagnosis in words: what it is, by what evidence, what to look at next, and whether the point is released.

Sentences for people; lengths in m and mm, since they are compared with a tape, volumes in the site's unit.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from sidetap.measure.doctor.causes import Candidate, Cause, Why
from sidetap.measure.doctor.diagnosis import Beside, Diagnosis, volume_error_m3
from sidetap.measure.doctor.fitting import Straight
from sidetap.measure.doctor.release import measurable_m, needed_m
from sidetap.quantity import format_number, from_si
from sidetap.site.model import LevelKind, Vessel

_STANDS = 0.01  # gain up to which a line doesn't follow its vessel; common practice, no source


@dataclass(frozen=True, slots=True)
class Words:
    """headline: the cause, in a clause. The rest are sentences; next is "" where nothing is open.

    dips: one for each, which a table may show instead.
    """

    headline: str
    dips: tuple[str, ...]
    evidence: tuple[str, ...]
    next: str
    release: str

    @property
    def text(self) -> str:
        """All of it in one line."""
        return " ".join(filter(None, (f"{self.headline}.", *self.dips, *self.evidence, self.next, self.release)))


def words_for(diagnosis: Diagnosis, volume_unit: str) -> Words:
    """Return a diagnosis in words; volume_unit: "gal", "L", ... as the site shows volumes."""
    evidence = [
        *_line(diagnosis),
        *_found(diagnosis),
        *_measured_volumes(diagnosis, volume_unit),
        *_displays(diagnosis),
        *(
            f"Row {each.comparison.noted.reading.row}: {each.comparison.reason}; the number is used all the same."
            for each in diagnosis.dips
            if each.comparison.reason
        ),
        *(f"Row {c.noted.reading.row} is not used: {c.reason}." for c in diagnosis.unused),
    ]
    dips = tuple(_dips(diagnosis, volume_unit))
    return Words(_headline(diagnosis), dips, tuple(evidence), _next(diagnosis), _release(diagnosis))


def candidate_words(candidate: Candidate, vessel: Vessel) -> str:
    """Return a law and its cause, "constant -60 mm: reference height".

    The name of a cause is told as words here, with its hyphen only in the document.
    """
    name = str(candidate.cause).replace("-", " ")
    if candidate.pivot_m is None:
        return f"constant {_mm(candidate.fit.value)}: {name}"
    what = {
        LevelKind.ULLAGE: "every distance from the reference",
        LevelKind.PRESSURE: "the height over the nozzle",
    }.get(vessel.level.kind, "every level")
    mistake = f", {candidate.mistake}" if candidate.mistake else ""
    return f"{what} × {_factor(candidate.fit.value)}: {name}{mistake}"


def error_rows(diagnosis: Diagnosis) -> list[tuple[str, float, float, float | None]]:
    """Return what a named fault does: place, true level, reported level in m, error in m³ (None: no such level)."""
    named, vessel = diagnosis.finding.named, diagnosis.vessel
    if named is None:
        return []
    low, high = vessel.trip.below_01mm / 10_000, vessel.high_01mm / 10_000
    places = (("trip", low), ("low", vessel.low_01mm / 10_000), ("middle", (low + high) / 2), ("high", high))
    rows = []
    for name, level in places:
        reported = named.law(level)
        rows.append((name, level, reported, volume_error_m3(vessel, level, reported)))
    return rows


def show_volume(volume_m3: float, unit: str, signed: bool = False) -> str:
    """Return a volume to the nearest whole unit; signed: with a plus as well."""
    shown = format_number(from_si(Fraction(volume_m3), unit), 1 if unit in ("m3", "bbl") else 0)
    return f"{'+' if signed and volume_m3 > 0 and shown != '0' else ''}{shown} {unit}"


# -- headline --------------------------------------------------------------------------------------------------------


def _headline(diagnosis: Diagnosis) -> str:
    finding = diagnosis.finding
    if finding.named is not None:
        return candidate_words(finding.named, diagnosis.vessel)
    if finding.cause is Cause.NONE:
        return "the dips agree with the line"
    if finding.cause is Cause.SHAPE:
        return "the level agrees and the volume does not: shape"
    reasons: dict[Why, str] = {
        Why.NO_DIP: "no dip to compare with",
        Why.TOO_FEW: f"{_these(diagnosis)} with the line, but can't show every fault",
        Why.ALIKE: "; or ".join(candidate_words(c, diagnosis.vessel) for c in finding.rivals),
        Why.NOTHING_FITS: "no single cause explains the dips",
    }
    assert finding.why is not None  # noqa: S101  # unclear always says why
    return f"unclear: {reasons[finding.why]}"


def _these(diagnosis: Diagnosis) -> str:
    return "one dip agrees" if len(diagnosis.dips) == 1 else "the dips agree"


# -- evidence --------------------------------------------------------------------------------------------------------


def _dips(diagnosis: Diagnosis, volume_unit: str) -> list[str]:
    told = [_dip(each, volume_unit) for each in diagnosis.dips[:4]]
    if len(diagnosis.dips) > len(told):
        told.append(f"{len(diagnosis.dips) - len(told)} more dips.")
    return told


def _line(diagnosis: Diagnosis) -> list[str]:
    line = diagnosis.straight
    if line is None or line.gain is None or line.gain_u is None:
        return []
    return [
        f"Line = {line.gain:.4f} × dip {line.offset_m * 1000:+.1f} mm"
        f" (± {line.gain_u:.4f} and ± {line.offset_u_m * 1000:.1f} mm at k = 2).",
    ]


def _dip(each: Beside, volume_unit: str) -> str:
    error = ""
    if each.volume_error_m3 is not None and not each.agrees:
        error = f", {show_volume(each.volume_error_m3, volume_unit, signed=True)}"
    noted, comparison = each.comparison.noted, each.comparison
    assert comparison.reported_m is not None  # noqa: S101  # a dip that is told has a level beside it
    return (
        f"Dip {float(noted.value):.3f} m, line {comparison.reported_m:.3f} m:"
        f" {_mm(each.difference)}{error}, {_mm_plain(each.stated)} stated."
    )


def _found(diagnosis: Diagnosis) -> list[str]:
    """Return what the site file should say, by the dips."""
    named, vessel, line = diagnosis.finding.named, diagnosis.vessel, diagnosis.straight
    if named is None:
        if diagnosis.finding.suspect is not None:
            row = diagnosis.dips[diagnosis.finding.suspect].comparison.noted.reading.row
            return [f"Without row {row} the others make sense: take that dip again."]
        return _strange_slope(line)
    source, fit = vessel.level, named.fit
    if named.pivot_m is not None:
        if named.cause is Cause.DENSITY:
            site = float(vessel.density.kg_per_m3)
            return [
                f"The site file says {_density(site)}, the dips {_density(fit.value * site, fit.value_u * site)}."
            ]
        if source.kind is LevelKind.PERCENT and named.cause is Cause.GAIN:
            span = source.span_01mm / 10_000
            return [f"The site file says a span of {span:.3f} m, the dips {span / fit.value:.3f} m."]
        return []
    heights = {
        LevelKind.ULLAGE: ("reference_height", source.reference_height_01mm),
        LevelKind.PRESSURE: ("sensor_height", source.sensor_height_01mm),
    }
    if source.kind not in heights:
        return []
    key, height_01mm = heights[source.kind]
    found = height_01mm / 10_000 - fit.value
    return [f"The site file says {key} {height_01mm / 10_000:.3f} m, the dips {found:.3f} m ± {fit.value_u:.3f} m."]


def _strange_slope(line: Straight | None) -> list[str]:
    if line is None or line.gain is None or line.gain_u is None:
        return []
    if line.gain + line.gain_u < 0:
        return ["The line falls while the dips rise: is it height or ullage?"]
    if abs(line.gain) <= max(line.gain_u, _STANDS):
        return ["The line stands while the dips differ: a frozen value, another register, or a unit far off."]
    return []


def _measured_volumes(diagnosis: Diagnosis, unit: str) -> list[str]:
    return [
        f"{show_volume(float(each.comparison.noted.value), unit)} measured, line {each.comparison.reported_m:.3f} m:"
        f" the shape is off by {show_volume(each.difference, unit, True)}, {show_volume(each.stated, unit)} stated."
        for each in diagnosis.volumes
    ]


def _displays(diagnosis: Diagnosis) -> list[str]:
    off = [each for each in diagnosis.displays if not each.agrees]
    if not diagnosis.displays:
        return []
    if diagnosis.finding.by_displays:
        return ["The dips alone leave two causes open; the displays differ from the line by this one's law."]
    if not off:
        return [
            "The display agrees, so the register is read rightly; that says nothing of reference, nozzle or density."
        ]
    worst = max(off, key=lambda each: abs(each.difference))
    row = worst.comparison.noted.reading.row
    return [
        f"The display of row {row} differs by {_mm(worst.difference)}:"
        " the transmitter is set otherwise than the site file, or the register is read wrongly."
    ]


# -- what to do ------------------------------------------------------------------------------------------------------


def _next(diagnosis: Diagnosis) -> str:
    finding = diagnosis.finding
    if finding.named is not None:
        return _to_check(finding.named, diagnosis.vessel)
    if finding.cause is Cause.SHAPE:
        return "Next: strap the vessel, or compare its drawing with the shape in the site file."
    if finding.why is Why.ALIKE:
        return _to_separate(finding.rivals, diagnosis)
    if finding.why is Why.NO_DIP:
        kind = " A row is a dip only where its kind says so." if diagnosis.displays else ""
        return f"Next: dip it while nothing moves, and again at least {_needed(diagnosis)} away.{kind}"
    if finding.why is Why.TOO_FEW:
        return _second_dip(diagnosis)
    if finding.why is Why.NOTHING_FITS:
        return "Next: dip again while nothing moves; two faults at once look like this too."
    return ""


def _to_check(named: Candidate, vessel: Vessel) -> str:
    source = vessel.level
    advice = {
        Cause.REFERENCE_HEIGHT: "measure the transmitter's reference from the dip plate, and look at its zero",
        Cause.NOZZLE_HEIGHT: "measure the sensor's height above the dip plate, and look at its zero",
        Cause.DENSITY: f"weigh a sample of {vessel.product}, and look at the transmitter's span",
        Cause.UNIT: "look at the unit and the scale of the point",
        Cause.GAIN: "compare the transmitter's range with the span in the site file"
        if source.kind is LevelKind.PERCENT
        else "look at the transmitter's span and the scale of the point",
    }
    return f"Next: {advice[named.cause]}; correct one, and dip twice again."


def _to_separate(rivals: Sequence[Candidate], diagnosis: Diagnosis) -> str:
    """Return where to dip so that the laws that are left differ most, and what each would show there."""
    one, other = rivals[0], rivals[1]
    low, high = (float(end) for end in measurable_m(diagnosis.vessel, diagnosis.point))
    apart: Callable[[float], float] = lambda level: abs(one.law(level) - other.law(level))  # noqa: E731  # its type is told
    place = max((low + 0.1 * (high - low), high - 0.1 * (high - low)), key=apart)
    shown = (f"{_mm(c.law(place) - place)} if it is the {str(c.cause).replace('-', ' ')}" for c in (one, other))
    return f"Next: dip near {place:.2f} m; the line would differ by {', '.join(shown)}."


def _second_dip(diagnosis: Diagnosis) -> str:
    low, high = (float(end) for end in measurable_m(diagnosis.vessel, diagnosis.point))
    values = [float(each.comparison.noted.value) for each in diagnosis.dips]
    needed = float(needed_m(diagnosis.vessel, diagnosis.point))
    below, above = max(values) - needed, min(values) + needed
    if max(values) - min(values) >= needed:
        return "Next: dip with a finer tape, or while nothing moves."
    places = [f"below {below:.2f} m"] if below > low else []
    places += [f"above {above:.2f} m"] if above < high else []
    return f"Next: one more dip {' or '.join(places)}."


def _needed(diagnosis: Diagnosis) -> str:
    return f"{float(needed_m(diagnosis.vessel, diagnosis.point)):.2f} m"


def _release(diagnosis: Diagnosis) -> str:
    release, point = diagnosis.release, diagnosis.point
    if release.released:
        return f"These {release.dips} dips release {point.tag} for control."
    told = f"Not released for control: {release.why_not}."
    if point.released is not None and diagnosis.dips and diagnosis.finding.cause is not Cause.NONE:
        told += f" The site file calls {point.tag} released; these dips say otherwise."
    return told


# -- numbers ---------------------------------------------------------------------------------------------------------


def _mm(length_m: float) -> str:
    return f"{round(length_m * 1000):+d} mm"


def _mm_plain(length_m: float) -> str:
    return f"{length_m * 1000:.1f} mm"


def _factor(value: float) -> str:
    return f"{value:.4g}" if not 0.1 <= abs(value) < 10 else f"{value:.3f}"


def _density(kg_per_m3: float, uncertainty: float | None = None) -> str:
    tail = "" if uncertainty is None else f" ± {uncertainty:,.0f}"
    return f"{kg_per_m3:,.0f}{tail} kg/m3"
