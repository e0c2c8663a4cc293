"""`sidetap verify`: a site file -> which promises its scheme keeps, and the story of each one that it breaks."""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.padding import Padding
from rich.progress import Progress as Bar
from rich.table import Table

from sidetap.errors import BadInput
from sidetap.quantity import NS_PER_MS, format_duration
from sidetap.site import load_or_refuse
from sidetap.site.cause_effect import compile_site
from sidetap.verify import Progress, Verdict, Verification
from sidetap.verify import verify as verify_scheme

_MEANING = (
    'A checked model, not a plant: "holds" means that no order of events within this model breaks the promise, with '
    "any inputs in their ranges, any time between scans and a crash at any moment. Wiring, valves and people are not "
    "in it. This is no safety system; local codes and a licensed person's judgement come first."
)


def verify(
    site: Annotated[Path, typer.Argument(help="The site file.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Check the scheme's promises in every order of events. Exit 1 when one is broken or unknown."""
    described = load_or_refuse(site)
    if not described.bays:
        raise BadInput(str(site), "no bay: there is nothing to verify", "Add bays and valves.")
    with _progress() as progress:
        result = verify_scheme(described, compile_site(described), progress)
    if as_json:
        sys.stdout.write(json.dumps(result.document(), allow_nan=False) + "\n")
    else:
        _print(Console(highlight=False, markup=False), result)
    if not result.ok:
        raise typer.Exit(1)


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


def _print(console: Console, result: Verification) -> None:
    table = Table("promise", "holds", "broken", "unknown", box=None, pad_edge=False, header_style="bold")
    by_promise: dict[str, list[Verdict]] = {}
    for verdict in result.promises:
        by_promise.setdefault(verdict.promise, []).append(verdict)
    for promise, verdicts in by_promise.items():
        cells = [
            " ".join(v.subject for v in verdicts if v.verdict == word) for word in ("holds", "broken", "unknown")
        ]
        table.add_row(promise, *cells)
    console.print(table)
    console.print()
    for reached in result.reachable:
        console.print(f"{reached.goal} {reached.subject}: {'reached' if reached.reached else 'not reached'}")
    for verdict in result.promises:
        if verdict.verdict == "broken":
            _print_story(console, verdict)
        elif verdict.verdict == "unknown":
            console.print(f"\n{verdict.promise} {verdict.subject}: neither proved nor broken")
    counts = [f"{sum(v.verdict == word for v in result.promises)} {word}" for word in ("holds", "broken", "unknown")]
    console.print(f"\n{', '.join(counts)}; {result.seconds:.0f} s; scheme {result.scheme_hash[:16]}")
    console.print(_MEANING)


def _print_story(console: Console, verdict: Verdict) -> None:
    console.print(f"\n{verdict.promise} {verdict.subject} is broken (replayed in the unchanged scheme):")
    story = Table(box=None, pad_edge=False, show_header=False)
    story.add_column(justify="right", no_wrap=True)
    story.add_column()
    for step in verdict.trace:
        story.add_row(format_duration(step.t_ms * NS_PER_MS), step.what)
    console.print(Padding(story, (0, 0, 0, 2)))
