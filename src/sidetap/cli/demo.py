"""`sidetap demo`: the whole job on an invented yard, told chapter by chapter."""

import selectors
import signal
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.padding import Padding
from rich.progress import Progress
from rich.table import Table

from sidetap.errors import BadInput
from sidetap.line import reference
from sidetap.measure import Drawn
from sidetap.quantity import NS_PER_S, Rounding, format_duration, format_number, from_si, round_fraction
from sidetap.rehearse.blind import ask_blindly
from sidetap.rehearse.folder import DemoFolder, prepare
from sidetap.rehearse.live import LiveDemo
from sidetap.rehearse.plant import Plant
from sidetap.rehearse.story import Happening, tell
from sidetap.rehearse.verified import verify_and_stamp
from sidetap.rehearse.words import HELP
from sidetap.rehearse.working_day import WorkingDay, record_working_day
from sidetap.site import Site, load_or_refuse
from sidetap.site.cause_effect import CompiledScheme, compile_site
from sidetap.station.store import Store
from sidetap.yard import Yard

WIDTH = 80  # columns, where no terminal tells
CAUTION = "An invented yard. Not a safety system, an emergency stop, overfill protection or a trade meter."


def demo(
    once: Annotated[bool, typer.Option("--once", help="in fast time, through three loads, then end")] = False,
    folder: Annotated[Path, typer.Option(help="where its files go")] = Path("demo"),
    seed: Annotated[int, typer.Option(help="the same seed makes the same day")] = 1,
    port: Annotated[int, typer.Option(help="the panel's, 0 for any free one", min=0, max=65535)] = 0,
) -> None:
    """Tap the simulated line, understand it, check and verify the site, and run station and panel until Ctrl-C."""
    # whoever ends the demo by a signal ends it as with Ctrl-C: nothing is left running
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=WIDTH)
    place = prepare(folder)
    site = load_or_refuse(place.site)
    console.print(f"{site.name}, bay {', '.join(bay.tag for bay in site.bays)}", style="bold")
    console.print(CAUTION)
    day = _listen(console, place, seed)
    _understand(console, place, day, site)
    scheme = _check_and_verify(console, place, site)
    if once:
        _run_fast(console, place, site, scheme, seed)
    else:
        _run_live(console, place, seed, port)


def _chapter(console: Console, title: str) -> None:
    console.print()
    console.print(title, style="bold")


def _bar() -> Progress:
    errors = Console(stderr=True)
    return Progress(console=errors, disable=not errors.is_terminal, transient=True)


def _listen(console: Console, place: DemoFolder, seed: int) -> WorkingDay:
    with _bar() as bar:
        task = bar.add_task("four hours of the line, in fast time", total=1.0)
        day = record_working_day(place.root, seed, progress=lambda share: bar.update(task, completed=share))
    _chapter(console, "1  Listened")
    size = format_number(day.line.stat().st_size)
    console.print(f"   four hours of an unknown line: {size} bytes in {_shown(day.line)}")
    console.print(f"   written towards the line by us: {day.bytes_written_to_line} bytes")
    return day


def _understand(console: Console, place: DemoFolder, day: WorkingDay, site: Site) -> None:
    with _bar() as bar:
        bar.add_task("what is on the line, and what people's readings match", total=None)
        with ThreadPoolExecutor() as both:  # two processes, each reads the whole recording
            surveying = both.submit(ask_blindly, "survey", str(day.line))
            matching = both.submit(ask_blindly, "match", str(day.line), str(day.readings))
        survey, match = surveying.result(), matching.result()
    place.keep("survey.json", survey)
    place.keep("match.json", match)
    line = survey["line"]
    _chapter(console, "2  Understood, in a process that knows nothing of the yard")
    devices = [d for d in survey["devices"] if d["answers"]]
    console.print(
        f"   {format_number(line['requests'])} requests, {format_number(line['answered'])} answered; "
        f"{line['explained_bytes'] / line['bytes']:.2%} of all bytes explained"
    )
    console.print(f"   {len(devices)} devices answer: {', '.join(str(d['device']) for d in devices)}")
    console.print(f"   to look at: {_findings(survey)}", soft_wrap=True)
    console.print("   where people's readings come from:")
    table = Table("name", "device", "register", "read as", "level in m", "site file", box=None, padding=(0, 1, 0, 0))
    for answer in sorted(match["answers"], key=lambda a: str(a["name"])):
        table.add_row(*_match_row(answer, site))
    console.print(Padding(table, (0, 0, 0, 3)))


def _findings(survey: dict[str, Any]) -> str:
    """Return the findings that are more than information, each kind once with its devices."""
    where: dict[str, list[str]] = {}
    for finding in survey["findings"]:
        if finding["severity"] != "info":
            devices = where.setdefault(finding["finding"], [])
            if str(finding["device"]) not in devices:
                devices.append(str(finding["device"]))
    return "; ".join(f"{name} at {', '.join(devices)}" for name, devices in where.items()) or "none"


def _match_row(answer: dict[str, Any], site: Site) -> list[str]:
    if answer["status"] != "settled":
        return [answer["name"], "", "", answer["status"], "", ""]
    agrees = "-"
    vessel = next((v for v in site.vessels if v.tag == answer["name"]), None)
    if vessel is not None:
        point = site.point(vessel.level.point)
        same = (point.device, point.table, point.register) == (answer["device"], answer["table"], answer["register"])
        agrees = f"{point.tag}, same" if same else f"{point.tag}, NOT"
    law = f"x {answer['scale']:.4g} {answer['offset']:+.3f}"
    register = reference(answer["table"], answer["register"])
    return [answer["name"], str(answer["device"]), register, answer["encoding"], law, agrees]


def _check_and_verify(console: Console, place: DemoFolder, site: Site) -> CompiledScheme:
    _chapter(console, "3  Checked")
    console.print(f"   {_shown(place.site)}: no errors")
    scheme = compile_site(site)
    with _bar() as bar:
        task = bar.add_task("every promise, in every order of events", total=1.0)
        verification = verify_and_stamp(place.site, lambda what, share: bar.update(task, completed=share))
    document = verification.document()
    place.keep("verification.json", document)
    _chapter(console, "4  Verified (a checked model, no more)")
    holding = sum(p["verdict"] == "holds" for p in document["promises"])
    goals = sum(goal["reached"] for goal in document["reachable"])
    console.print(
        f"   {holding} of {len(document['promises'])} promises hold, {goals} of {len(document['reachable'])} goals "
        f"are reached; scheme {document['scheme_hash'][:12]}"
    )
    if not document["ok"]:
        raise BadInput(str(place.site), "its scheme breaks a promise", f"See sidetap verify {_shown(place.site)}.")
    return scheme


def _run_fast(console: Console, place: DemoFolder, site: Site, scheme: CompiledScheme, seed: int) -> None:
    place.state.mkdir()
    path = place.state / "station.db"
    store = Store.open(path)
    yard = Yard(seed, night_window=False, noise=True)
    try:
        plant = Plant(yard, site, scheme, store)
        _chapter(console, "5  Ran, in fast time: the real station on the simulated yard")
        with _bar() as bar:
            task = bar.add_task("starting", total=None)
            for happening in tell(plant, lambda text: bar.update(task, description=text)):
                _print_happening(console, happening)
        plant.stop()
        audit = store.audit()
    finally:
        store.close()
    _chapter(console, "6  Kept")
    chain = "its chain is whole" if audit.ok else f"its chain is BROKEN at record {audit.first_bad}"
    console.print(f"   {audit.records} records in the journal of {_shown(path)}; {chain}")
    passed = format_duration(yard.now_ns // NS_PER_S * NS_PER_S)
    console.print(f"   written towards the line by us, over {passed}: {yard.tap.bytes_written_to_line} bytes")


def _print_happening(console: Console, h: Happening) -> None:
    console.print(f"   {h.opened_local}  {h.title}: {h.valve} opens, from {h.vessel}", style="bold")
    console.print(f"   {h.closed_local}  closed after {format_duration(h.open_ns)}: {h.cause}")
    console.print(f"             {h.remark}", soft_wrap=True)
    switch_s = h.closed_ns / NS_PER_S
    console.print(f"             closed switch {switch_s:.1f} s later; {h.loaded_gal:,.0f} gal loaded")
    console.print(f"             by level: {_by_level(h.by_level)}", soft_wrap=True)


def _by_level(drawn: Drawn) -> str:
    if drawn.volume_m3 is None or drawn.uncertainty_m3 is None:
        return f"not determinable; {drawn.reason}"
    gallons, uncertainty = (from_si(Fraction(volume), "gal") for volume in (drawn.volume_m3, drawn.uncertainty_m3))
    return f"{format_number(gallons)} ± {format_number(round_fraction(uncertainty, Rounding.UP))} gal"


def _run_live(console: Console, place: DemoFolder, seed: int, port: int) -> None:
    _chapter(console, "5  Runs, on the wall clock: yard, station and panel, each a process")
    try:
        with LiveDemo(place, seed, port) as live:
            live.start()
            console.print(f"   panel: {live.address}")
            console.print("   To load: open a ticket on the panel, put the hose on here, then press open.")
            console.print("   Say what happens in the yard, a line each:")
            for words, what in (*HELP.items(), ("panel", "start the panel again, after a crash of it")):
                console.print(f"     {words:<30} {what}", markup=False)
            console.print("   Ctrl-C ends it.")
            _listen_to_people(console, live)
    except KeyboardInterrupt:
        console.print("\n   ended: panel, station (valves closed) and yard are down")


def _listen_to_people(console: Console, live: LiveDemo) -> None:
    """Pass on what people type until Ctrl-C; BadInput when a process ended by itself."""
    with selectors.DefaultSelector() as waiting:
        if not sys.stdin.closed and sys.stdin.isatty():
            waiting.register(sys.stdin, selectors.EVENT_READ)
        while True:
            if waiting.get_map():
                for _ in waiting.select(1.0):
                    said = sys.stdin.readline()
                    if said.split() == ["panel"]:
                        _restart_panel(console, live)
                    elif said.strip():
                        console.print(f"   {live.tell(said)}", markup=False, soft_wrap=True)
                    elif not said:
                        waiting.unregister(sys.stdin)
            else:
                time.sleep(1.0)
            gone = live.ended()
            if gone == "panel":
                live.kill("panel")
                console.print("   the panel is gone: the bay closes after 5 s; say panel to start it again")
            elif gone is not None:
                log = live.folder.root / f"{gone}.log"
                raise BadInput(f"the demo's {gone}", "it ended by itself", f"What it said is in {log}.")


def _restart_panel(console: Console, live: LiveDemo) -> None:
    if "panel" in live.processes:
        live.kill("panel")
    live.start_panel()
    console.print(f"   panel: {live.address}")


def _shown(path: Path) -> str:
    return str(path.relative_to(Path.cwd())) if path.is_relative_to(Path.cwd()) else str(path)
