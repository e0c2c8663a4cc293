"""`sidetap verify`: a site file -> which promises its scheme keeps, and the story of each one that it breaks.

What was found is kept as a stamp beside the site file, and the next time told from it, since the same scheme judged
by the same promises has the same answer. What would be (`--what-if`) and what was asked in part (`--only`) leave
none. `--recheck` believes no verdict of the stamp: it proves again, from the facts that the stamp keeps.
"""

import json
import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.progress import Progress as Bar

from sidetap.cli.verify_view import View, differences, print_recheck
from sidetap.errors import BadInput, printable
from sidetap.promises.build import build_model
from sidetap.promises.model import Model
from sidetap.promises.stamp import Stamp, promises_hash, read_stamp, stamp_path, standing, write_stamp
from sidetap.rehearse.likeness import refuse_other_yards
from sidetap.site import Severity, Site, load, load_or_refuse
from sidetap.site.cause_effect import CompiledScheme, compile_site
from sidetap.site.what_if import load_with
from sidetap.verify import Progress, Reached, Verdict, Verification
from sidetap.verify import recheck as recheck_proofs
from sidetap.verify import verify as verify_scheme
from sidetap.verify.diagram import diagram
from sidetap.verify.replay import changed
from sidetap.verify.stamping import stamp_of

if TYPE_CHECKING:
    from sidetap.rehearse.on_yard import OnYard

    _Play = Callable[[Model, CompiledScheme, Verdict], OnYard]


def verify(
    site: Annotated[Path, typer.Argument(help="The site file.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
    what_if: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KEY=VALUE",
            help="Verify the site as it would be: vessel.T1.trip.below=0.40 m. Repeatable; the file stays as it is.",
        ),
    ] = None,
    only: Annotated[
        str | None, typer.Option(metavar="PROMISE,...", help="Verify only these promises, and no goal.")
    ] = None,
    diagrams: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write a timing diagram (SVG) of each counter-example here.")
    ] = None,
    rehearse: Annotated[
        bool,
        typer.Option("--rehearse", help="Play each counter-example in the simulated yard: the example's sites only."),
    ] = False,
    again: Annotated[bool, typer.Option("--again", help="Verify anew, even where the stamp has the answer.")] = False,
    recheck: Annotated[
        bool, typer.Option("--recheck", help="Prove again what the stamp says, from the facts that it keeps.")
    ] = False,
) -> None:
    """Check the scheme's promises in every order of events. Exit 1 when one is broken or unknown."""
    if recheck:
        if what_if or only is not None or diagrams is not None or rehearse or again:
            raise BadInput(
                "--recheck",
                "it goes with none of --what-if, --only, --diagrams, --rehearse and --again",
                "Ask for one or the other.",
            )
        _recheck(_asked(site, load_or_refuse(site), None), as_json)
        return
    asked = _asked(site, load_or_refuse(site), only)
    if diagrams is not None and diagrams.exists() and not diagrams.is_dir():
        raise BadInput(str(diagrams), "not a folder", "Name a folder for the diagrams.")
    differs = None
    as_it_is = asked
    if what_if:
        asked = _asked(site, _as_it_would_be(site, what_if), only)
    play = None
    if rehearse:
        refuse_other_yards(asked.site)
        play = _player()
    if what_if:
        with _progress() as progress:
            before = _answer(as_it_is, again, progress, quiet=as_json)
            same = asked.scheme.digest == as_it_is.scheme.digest
            answer = before if same else _answer(asked, again, progress, quiet=as_json)
        differs = differences(tuple(what_if), before.result, answer.result)
    else:
        with _progress() as progress:
            answer = _answer(asked, again, progress, quiet=as_json)
        if answer.stamp is None and only is None:
            _keep(asked, answer.result)
    written = [] if diagrams is None else _draw(asked.site, answer.result, diagrams)
    played = None if play is None else _rehearsed(play, asked, answer.result)
    if as_json:
        document: dict[str, Any] = answer.result.document()
        if played is not None:
            document["on_yard"] = [one.document() for one in played]
        if differs is not None:
            document["what_if"] = differs.document()
        sys.stdout.write(json.dumps(document, allow_nan=False) + "\n")
    else:
        View(asked.site, answer.result, answer.stamp, differs, written, played or ()).print()
    if not answer.result.ok:
        raise typer.Exit(1)


@dataclass(frozen=True, slots=True)
class _Asked:
    """A scheme and its judges; only: the promises asked for, None for all with the goals."""

    path: Path
    site: Site
    scheme: CompiledScheme
    model: Model
    only: frozenset[str] | None

    def wanted(self, promise: str) -> bool:
        """Return whether a promise is asked for."""
        return self.only is None or promise in self.only


@dataclass(frozen=True, slots=True)
class _Answer:
    """What was found; stamp: the one it is told from, None when it was found just now."""

    result: Verification
    stamp: Stamp | None = None


def _asked(path: Path, site: Site, only: str | None) -> _Asked:
    if not site.bays:
        raise BadInput(str(path), "no bay: there is nothing to verify", "Add bays and valves.")
    scheme = compile_site(site)
    model = build_model(site, scheme.program)
    names = None if only is None else frozenset(name.strip() for name in only.split(","))
    known = dict.fromkeys(promise.name for promise in model.promises)
    for name in sorted(names or ()):
        if name not in known:
            raise BadInput("--only", f"no promise {name!r} of this site", f"Its promises are {', '.join(known)}.")
    return _Asked(path, site, scheme, model, names)


def _as_it_would_be(path: Path, changes: Sequence[str]) -> Site:
    """Return the site with the changes; what `check` would warn of then, and doesn't now, is told on stderr."""
    loaded = load_with(path, changes)
    for problem in loaded.problems:
        if problem.severity is Severity.ERROR:
            raise problem.as_error()
    known = {(problem.where, problem.problem) for problem in load(path).problems}
    for problem in loaded.problems:
        if (problem.where, problem.problem) not in known:
            sys.stderr.write(f"{problem}\n")
    assert loaded.site is not None  # noqa: S101  # no error, so there is a site
    return loaded.site


def _answer(asked: _Asked, again: bool, progress: Progress | None, *, quiet: bool) -> _Answer:
    """Return the answer of a good stamp of this very scheme and these very promises, or verify.

    quiet: for a script. A person who sees no progress is told once that it has begun.
    """
    started = time.perf_counter()
    stamp = None if again else _stamp(asked)
    if stamp is None or not standing(stamp, asked.scheme.digest, asked.model).verified:
        if progress is None and not quiet:
            words = f"verifying scheme {asked.scheme.digest[:16]} of {asked.path}; it may take a minute"
            print(printable(words), file=sys.stderr, flush=True)
        return _Answer(verify_scheme(asked.site, asked.scheme, progress, asked.only))
    bounds = {(promise.name, promise.subject): promise.bound for promise in asked.model.promises}
    verdicts = tuple(
        Verdict(v.promise, v.subject, v.verdict, bound=bounds.get((v.promise, v.subject), ""))
        for v in stamp.verdicts
        if asked.wanted(v.promise)
    )
    goals = tuple(Reached(g.goal, g.subject, g.reached) for g in stamp.goals) if asked.only is None else ()
    return _Answer(Verification(stamp.scheme_hash, time.perf_counter() - started, verdicts, goals), stamp)


def _stamp(asked: _Asked) -> Stamp | None:
    """Return the stamp of this scheme; what is none, or torn, counts as none and is written anew."""
    try:
        return read_stamp(asked.path, asked.scheme.digest)
    except BadInput:
        return None


def _recheck(asked: _Asked, as_json: bool) -> None:
    """Tell what of the stamp can't be proved again. Goals aren't proofs, so nothing is said of them here."""
    place, remedy = str(stamp_path(asked.path, asked.scheme.digest)), f"Run sidetap verify {asked.path}."
    stamp = read_stamp(asked.path, asked.scheme.digest)
    if stamp is None:
        raise BadInput(place, "no stamp of this scheme is kept", remedy)
    if stamp.promises_hash != promises_hash(asked.model):
        raise BadInput(place, "it was verified against other promises than this version's", remedy)
    started = time.perf_counter()
    try:
        with _progress() as progress:
            if progress is not None:
                progress("proving again", 0.0)
            fails = recheck_proofs(asked.site, asked.scheme, stamp.certificate)
    except ValueError:
        raise BadInput(place, "what it keeps of the proofs is torn", f"{remedy[:-1]} --again.") from None
    seconds = time.perf_counter() - started
    if as_json:
        document = {"ok": not fails, "scheme_hash": stamp.scheme_hash, "seconds": round(seconds, 3), "fails": fails}
        sys.stdout.write(json.dumps(document, allow_nan=False) + "\n")
    else:
        print_recheck(asked.site, stamp, fails, seconds)
    if fails:
        raise typer.Exit(1)


def _player() -> "_Play":
    """Return what plays a counter-example; pymodbus, beneath the simulated yard, is installed where the demo is."""
    try:
        from sidetap.rehearse.on_yard import play
    except ModuleNotFoundError as missing:
        raise BadInput("--rehearse", f"{missing.name} is not installed", 'Install "sidetap[demo]".') from None
    return play


def _rehearsed(play: "_Play", asked: _Asked, result: Verification) -> list["OnYard"]:
    """Play each counter-example in the simulated yard, told on the way."""
    broken = [verdict for verdict in result.promises if verdict.verdict == "broken"]
    played = []
    with _progress() as progress:
        for n, verdict in enumerate(broken):
            if progress is not None:
                progress(f"playing {verdict.promise} {verdict.subject}", n / len(broken))
            played.append(play(asked.model, asked.scheme, verdict))
    return played


def _keep(asked: _Asked, result: Verification) -> None:
    """Write the stamp. Where that can't be, the answer is as right without it, and `run` will say what it lacks."""
    try:
        write_stamp(asked.path, stamp_of(asked.model, result, datetime.now(UTC), result.certificate))
    except BadInput as problem:
        sys.stderr.write(f"no stamp kept: {printable(str(problem))}\n")


def _draw(site: Site, result: Verification, folder: Path) -> list[Path]:
    """Write a picture of each counter-example and return where they are."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for verdict in result.promises:
        if verdict.verdict != "broken" or not verdict.scans:
            continue
        path = folder / (re.sub(r"[^A-Za-z0-9._-]", "_", f"{verdict.promise}-{verdict.subject}") + ".svg")
        title = f"{verdict.promise} {verdict.subject}"
        picture = diagram(site, verdict.scans, changed(verdict.scans), (title, verdict.clause), verdict.trace)
        path.write_text(picture, encoding="utf-8")
        written.append(path)
    return written


@contextmanager
def _progress() -> Iterator[Progress | None]:
    """Show progress on stderr, on a terminal only."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield None
        return
    with Bar(console=console, transient=True) as bar:
        task = bar.add_task("verifying", total=1.0)
        yield lambda what, share: bar.update(task, description=what, completed=share)
