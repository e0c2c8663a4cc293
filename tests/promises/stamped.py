"""The stamp of a verification in which everything held, for tests of what comes after; nothing is verified here."""

from pathlib import Path

from sidetap.promises.build import build_model
from sidetap.promises.model import Model
from sidetap.promises.stamp import Stamp, StampedGoal, StampedVerdict, promises_hash, write_stamp
from sidetap.site import load_or_refuse
from sidetap.site.cause_effect import compile_site


def judged(site: Path) -> tuple[str, Model]:
    """The hash of a site's scheme, and the model it is judged by."""
    described = load_or_refuse(site)
    scheme = compile_site(described)
    return scheme.digest, build_model(described, scheme.program)


def all_well(scheme_hash: str, model: Model) -> Stamp:
    """A stamp that says of every promise that it holds, and of every goal that it was reached."""
    return Stamp(
        scheme_hash,
        promises_hash(model),
        "2026-03-11T14:00:00Z",
        "a test",
        tuple(StampedVerdict(p.name, p.subject, "holds") for p in model.promises),
        tuple(StampedGoal(g.name, g.subject, True) for g in model.goals),
        {"facts": ["B.account <= 10"]},
    )


def stamp_as_verified(site: Path) -> Path:
    """Put the stamp beside a site file, as if it had been verified."""
    return write_stamp(site, all_well(*judged(site)))
