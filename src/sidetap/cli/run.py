"""`sidetap run`: the station, until it is told to stop."""

from pathlib import Path
from typing import Annotated

import typer

from sidetap.errors import printable
from sidetap.station.process import default_state
from sidetap.station.process import run as run_station


def run(
    site: Annotated[Path, typer.Argument(help="The site file.")],
    state: Annotated[
        Path | None, typer.Option(help="Where it keeps its state; state/ beside the site file by default.")
    ] = None,
) -> None:
    """Run the station: listen, guard the valves, keep the journal. Ends with Ctrl-C or SIGTERM, valves closed."""
    run_station(
        site, default_state(site) if state is None else state, lambda text: print(printable(text), flush=True)
    )
