"""`sidetap panel SITE`: serve the operator's page of a bay until stopped."""

import sys
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated

import typer

from sidetap.errors import BadInput
from sidetap.panel import LOOPBACK, PageFacts, Screen, create_app, is_loopback, serve
from sidetap.site import Bay, Site, load_or_refuse

DEFAULT_HOST = "127.0.0.1"


def panel(
    site: Annotated[Path, typer.Argument(help="the site file", show_default=False)],
    state: Annotated[
        Path | None, typer.Option(help="the station's state directory; state/ beside the site file by default")
    ] = None,
    bay: Annotated[str | None, typer.Option(help="the bay's tag; needed when the site has several")] = None,
    port: Annotated[int, typer.Option(help="0 for any free one", min=0, max=65535)] = 0,
    host: Annotated[
        str, typer.Option(help="an address other than loopback opens the panel to the network")
    ] = DEFAULT_HOST,
) -> None:
    """Serve the operator's page of a bay; it talks to the running station, and waits for one that isn't there yet."""
    described = load_or_refuse(site)
    chosen = _bay(described, bay)
    facts = PageFacts(
        bay_name=chosen.name,
        site_name=described.name,
        time_zone=described.time_zone,
        stop=chosen.hard_wired_stop.partition(";")[0].strip(),
        screen=Screen.parse(chosen.panel_screen),
    )
    directory = site.parent / "state" if state is None else state
    hosts = LOOPBACK if is_loopback(host) else LOOPBACK | {_one_address(host)}
    app = create_app(directory / "station.sock", chosen.tag, facts, hosts=hosts)

    def announce(address: str) -> None:
        if not is_loopback(host):
            print(f"panel: whoever reaches {host} can press these keys; keep that network closed", file=sys.stderr)
        print(f"panel: {address}", flush=True)

    serve(app, host, port, announce)


def _bay(site: Site, tag: str | None) -> Bay:
    tags = ", ".join(bay.tag for bay in site.bays)
    if tag is None and len(site.bays) == 1:
        return site.bays[0]
    for bay in site.bays:
        if bay.tag == tag:
            return bay
    problem = "the site has no such bay" if tag is not None else "the site has not exactly one bay"
    raise BadInput("sidetap panel --bay", problem, f"Bays here are {tags}.")


def _one_address(host: str) -> str:
    """Return host when it is one address: pages are told apart from strangers' by the name they call it by."""
    try:
        everywhere = ip_address(host).is_unspecified
    except ValueError:
        everywhere = host == ""
    if everywhere:
        raise BadInput(f"--host {host}", "that is every address at once", "Give the one address to serve under.")
    return host
