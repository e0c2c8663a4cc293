"""Whether a scheme may run: a stamp that says every promise holds, or a named person who answers for running without.

The stamp and the person's words in, an override or nothing out; Refused when it may not run. It verifies nothing:
whoever calls it knows how to have three promises verified that nobody may set aside.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from sidetap.errors import BadInput, Refused
from sidetap.promises.build import build_model
from sidetap.promises.model import Model
from sidetap.promises.stamp import HOLDS, StampedVerdict, read_stamp, standing
from sidetap.site import Site
from sidetap.site.cause_effect import CompiledScheme
from sidetap.station.people import ENGINEER, LEAD, People

NEVER_SET_ASIDE = ("close-wins", "start-up-closed", "open-time-bound")
MAY_OVERRIDE = (ENGINEER, LEAD)
LONGEST_REASON = 400  # characters: a sentence or three


@dataclass(frozen=True, slots=True)
class Override:
    """A person who answers for running a scheme without a verification: who, why, and what is not shown to hold."""

    by: str
    because: str
    problems: tuple[str, ...] = ()


def clearance(
    site: Site,
    scheme: CompiledScheme,
    wanted: Override | None,
    verify_few: Callable[[], Iterable[StampedVerdict]],
) -> Override | None:
    """Return the override under which the scheme runs, None when it needs none; Refused when it may not run.

    wanted: what a person asks for, without its problems. verify_few: verifies the promises that nobody may set
    aside; asked only when there is no stamp that speaks of them.
    """
    model = build_model(site, scheme.program)
    stamp = read_stamp(site.path, scheme.digest)
    found = standing(stamp, scheme.digest, model)
    if found.verified:
        return None
    place = str(site.path)
    if wanted is None:
        raise Refused(place, _told(found.problems), f"Run sidetap verify {place}.")
    _may(site, wanted)
    verdicts = stamp.verdicts if stamp is not None and found.kind == "broken" else verify_few()
    missing = _not_shown(model, verdicts)
    if missing:
        raise Refused(place, f"{missing[0]}, and nobody can set that aside", f"Run sidetap verify {place}.")
    return replace(wanted, problems=found.problems)


def _may(site: Site, wanted: Override) -> None:
    objection = People(site.people).objection(wanted.by, MAY_OVERRIDE)
    if objection is not None:
        raise Refused("--unverified-by", objection, "Name an engineer or a lead of the site's people.")
    if not wanted.because.strip():
        raise BadInput("--because", "no reason is given", "Say in a sentence why the scheme may run unverified.")
    if len(wanted.because) > LONGEST_REASON:
        raise BadInput("--because", f"over {LONGEST_REASON} characters", "Say it in a sentence.")


def _not_shown(model: Model, verdicts: Iterable[StampedVerdict]) -> list[str]:
    """Return what of the promises that nobody may set aside is not shown to hold."""
    by_promise: dict[tuple[str, str], set[str]] = {}
    for v in verdicts:
        by_promise.setdefault((v.promise, v.subject), set()).add(v.verdict)
    asked = [(p.name, p.subject) for p in model.promises if p.name in NEVER_SET_ASIDE]
    return [
        f"{name} {subject} is {min(found - {HOLDS}, default='unknown')}"
        for name, subject in asked
        if (found := by_promise.get((name, subject), set())) != {HOLDS}
    ]


def _told(problems: tuple[str, ...]) -> str:
    more = len(problems) - 1
    return f"{problems[0]}, and {more} more" if more else problems[0]
