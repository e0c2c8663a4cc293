"""The stamp: what a verification found about one scheme, kept beside the site file so that ``run`` can ask for it.

Verdicts in, a file out; the file in, what it is worth for the scheme at hand out. It verifies nothing and believes a
file no further than its words: a stamp speaks of one scheme, by its hash, and of one set of promises, by theirs. So
an edit of a number that changes the scheme leaves it without a stamp, and so does a version of this tool that judges
by other promises. It guards against mistakes and haste, not against somebody who writes a stamp by hand.
"""

from __future__ import annotations

import hashlib
import json
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from sidetap.errors import BadInput
from sidetap.line.recording.beside import written_beside
from sidetap.promises.model import Model

FORMAT = 1
FOLDER = "verified"  # beside the site file
HOLDS = "holds"
VERDICTS = (HOLDS, "broken", "unknown")
LARGEST = 256 * 2**20  # bytes; a certificate of a large yard is some MB
AGAIN = "Run sidetap verify on the site."

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class StampedVerdict:
    """What became of one promise: "holds", "broken" or "unknown"."""

    promise: str
    subject: str
    verdict: str


@dataclass(frozen=True, slots=True)
class StampedGoal:
    """Whether one goal was reached."""

    goal: str
    subject: str
    reached: bool


@dataclass(frozen=True, slots=True)
class Stamp:
    """What was verified, when and by what.

    checked_utc: ISO 8601. tool: name and version. certificate: what a re-check of the proofs needs, JSON values.
    """

    scheme_hash: str
    promises_hash: str
    checked_utc: str
    tool: str
    verdicts: tuple[StampedVerdict, ...]
    goals: tuple[StampedGoal, ...]
    certificate: Mapping[str, Any] = field(default_factory=dict)

    def problems(self) -> tuple[str, ...]:
        """Return every promise that does not hold and every goal that was not reached, in words."""
        promises = [f"{v.promise} {v.subject} is {v.verdict}" for v in self.verdicts if v.verdict != HOLDS]
        return (*promises, *(f"{g.goal} {g.subject} is not reached" for g in self.goals if not g.reached))


@dataclass(frozen=True, slots=True)
class Standing:
    """What a stamp is worth for a scheme.

    kind: "verified"; "none" when there is no stamp of this scheme; "other promises" when it was judged by others than
    this version's; "broken" when something of it doesn't hold. problems: what does not, in words; empty if verified.
    """

    kind: str
    problems: tuple[str, ...]

    @property
    def verified(self) -> bool:
        """Whether every promise holds and every goal was reached."""
        return self.kind == "verified"


def promises_hash(model: Model) -> str:
    """Return the SHA-256 of the judged program and of the promises and goals asked of it."""
    asked = [
        *(f"promise {p.name} {p.subject} {[c.output for c in p.clauses]} {p.independent}" for p in model.promises),
        *(f"goal {g.name} {g.subject} {g.reached}" for g in model.goals),
    ]
    return hashlib.sha256((model.program.canonical_text() + "\n".join(asked)).encode()).hexdigest()


def standing(stamp: Stamp | None, scheme_hash: str, model: Model) -> Standing:
    """Return what a stamp is worth for the scheme of that hash, judged by the promises of its model."""
    if stamp is None or stamp.scheme_hash != scheme_hash:
        return Standing("none", ("its scheme has never been verified",))
    if stamp.promises_hash != promises_hash(model):
        return Standing("other promises", ("its scheme was verified against other promises than this version's",))
    # one that says nothing of a promise says no more than "unknown"
    told = {(v.promise, v.subject) for v in stamp.verdicts}
    silent = [f"{p.name} {p.subject} is unknown" for p in model.promises if (p.name, p.subject) not in told]
    reached = {(g.goal, g.subject) for g in stamp.goals}
    silent += [f"{g.name} {g.subject} is not reached" for g in model.goals if (g.name, g.subject) not in reached]
    problems = (*stamp.problems(), *silent)
    return Standing("broken" if problems else "verified", problems)


def stamp_path(site_path: Path, scheme_hash: str) -> Path:
    """Return where the stamp of a scheme is kept: by its hash, so that schemes verified before keep theirs."""
    return site_path.parent / FOLDER / f"{scheme_hash[:16]}.json"


def write_stamp(site_path: Path, stamp: Stamp) -> Path:
    """Keep a stamp beside the site file, whole or not at all, and return where; BadInput where it can't be."""
    path = stamp_path(site_path, stamp.scheme_hash)
    document = {
        "format": FORMAT,
        "scheme_hash": stamp.scheme_hash,
        "promises_hash": stamp.promises_hash,
        "checked_utc": stamp.checked_utc,
        "tool": stamp.tool,
        "verdicts": [{"promise": v.promise, "subject": v.subject, "verdict": v.verdict} for v in stamp.verdicts],
        "goals": [{"goal": g.goal, "subject": g.subject, "reached": g.reached} for g in stamp.goals],
        "certificate": dict(stamp.certificate),
    }
    try:
        path.parent.mkdir(exist_ok=True)
        with written_beside(path) as file:
            file.write((json.dumps(document, indent=1, allow_nan=False) + "\n").encode())
    except OSError as problem:
        reason = (problem.strerror or "it failed").lower()
        raise BadInput(
            str(path), f"the stamp can't be kept: {reason}", "Verify where the folder can be written."
        ) from None
    return path


def read_stamp(site_path: Path, scheme_hash: str) -> Stamp | None:
    """Return the stamp of a scheme, None where there is none; BadInput where something else stands in its place."""
    path = stamp_path(site_path, scheme_hash)
    try:
        text = _read(path)
    except FileNotFoundError:
        return None
    except OSError as problem:
        raise BadInput(
            str(path), f"the stamp can't be read: {(problem.strerror or 'it failed').lower()}", AGAIN
        ) from None
    try:
        stamp = _stamp(json.loads(text, parse_constant=_no_number))
    except (ValueError, TypeError, KeyError, RecursionError):
        raise BadInput(str(path), "it is no stamp, or a torn one", AGAIN) from None
    if stamp.scheme_hash != scheme_hash:
        raise BadInput(str(path), "it is the stamp of another scheme", AGAIN)
    return stamp


def _read(path: Path) -> bytes:
    about = path.stat()
    if not stat.S_ISREG(about.st_mode):  # a FIFO in its place must not make anybody wait
        raise BadInput(str(path), "it is not a plain file", AGAIN)
    if about.st_size > LARGEST:
        raise BadInput(str(path), "it is too large for a stamp", AGAIN)
    return path.read_bytes()


def _stamp(document: Any) -> Stamp:
    if document["format"] != FORMAT:
        raise ValueError
    words = {key: _of(str, document[key]) for key in ("scheme_hash", "promises_hash", "checked_utc", "tool")}
    return Stamp(
        **words,
        verdicts=_rows(
            document["verdicts"],
            lambda row: StampedVerdict(_text(row, "promise"), _text(row, "subject"), _verdict(row)),
        ),
        goals=_rows(
            document["goals"],
            lambda row: StampedGoal(_text(row, "goal"), _text(row, "subject"), _of(bool, row["reached"])),
        ),
        certificate=_of(dict, document["certificate"]),
    )


def _rows(rows: Any, read: Callable[[Any], T]) -> tuple[T, ...]:
    return tuple(read(row) for row in _of(list, rows))


def _text(row: Any, key: str) -> str:
    return _of(str, row[key])


def _verdict(row: Any) -> str:
    verdict = _text(row, "verdict")
    if verdict not in VERDICTS:
        raise ValueError(verdict)
    return verdict


def _of(kind: type[T], value: Any) -> T:
    if not isinstance(value, kind):
        raise TypeError(value)
    return value


def _no_number(text: str) -> NoReturn:
    raise ValueError(text)
