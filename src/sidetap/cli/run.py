"""`sidetap run`: the station, until it is told to stop."""

import json
import subprocess
import sys
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from sidetap.errors import BadInput, Refused, printable
from sidetap.promises.stamp import StampedVerdict
from sidetap.station.clearance import NEVER_SET_ASIDE, Override
from sidetap.station.process import default_state
from sidetap.station.process import run as run_station


def run(
    site: Annotated[Path, typer.Argument(help="The site file.")],
    state: Annotated[
        Path | None, typer.Option(help="Where it keeps its state; state/ beside the site file by default.")
    ] = None,
    unverified_by: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="The engineer or lead who answers for running an unverified scheme."),
    ] = None,
    because: Annotated[str | None, typer.Option(metavar="TEXT", help="Why it may run unverified.")] = None,
) -> None:
    """Run the station: listen, guard the valves, keep the journal. Ends with Ctrl-C or SIGTERM, valves closed.

    Needs sidetap verify to have shown that every promise holds. A named engineer or lead can run it without: that is
    journalled at each start and shown on every page. It never runs where close-wins, start-up-closed or
    open-time-bound do not hold.
    """
    if (unverified_by is None) != (because is None):
        raise BadInput("sidetap run", "--unverified-by and --because go together", "Say who answers for it, and why.")
    run_station(
        site,
        default_state(site) if state is None else state,
        lambda text: print(printable(text), flush=True),
        None if unverified_by is None else Override(unverified_by, because or ""),
        partial(_verify_few, site),
    )


def _verify_few(site: Path) -> list[StampedVerdict]:
    """Verify the promises that nobody can set aside, in a process of its own: the station's never loads a solver."""
    *most, last = NEVER_SET_ASIDE
    words = f"verifying {', '.join(most)} and {last}, which nobody can set aside; it may take a minute"
    print(words, flush=True)
    only = ",".join(NEVER_SET_ASIDE)
    done = subprocess.run(  # noqa: S603  (our own command)
        [sys.executable, "-m", "sidetap", "verify", str(site), "--only", only, "--json"],
        stdout=subprocess.PIPE,
        text=True,
        check=False,
    )
    if done.returncode == 2:
        raise typer.Exit(2)  # it has said why on the same stderr
    try:
        found = json.loads(done.stdout)["promises"]
        return [StampedVerdict(row["promise"], row["subject"], row["verdict"]) for row in found]
    except (ValueError, KeyError, TypeError):
        raise Refused(
            str(site), f"the verification of {only} ended without an answer", f"Run sidetap verify {site}."
        ) from None
