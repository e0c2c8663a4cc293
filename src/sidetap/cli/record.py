"""`sidetap record`: a tap -> a recording. Ends by Ctrl-C or after some seconds and leaves good files either way.

With `--find` no recording is made: settings are tried on a port, listening only, and what was heard is judged.
"""

import contextlib
import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from sidetap.cli.record_view import RecordView, found_text, heard_text, watching_trials
from sidetap.errors import BadInput, printable
from sidetap.line import Settings
from sidetap.line.recording import Pair
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.station.ports.clock import Clock, machine_clock
from sidetap.station.ports.tap import Tap, open_tap
from sidetap.station.recorder import Files, Plan, Rotation, Session, clocks, judge, try_settings

_TRY_FOR_S = 4.0
_SETTINGS = Settings(19200, "8E1")
_CAUTION = (
    "Sidetap sends nothing, but that is only the software's part and no guarantee: opening a port can key an"
    " adapter's transmitter. Use a receive-only adapter, or one with its transmit enable tied off."
)


def record(
    source: Annotated[str, typer.Argument(help="Device path (by-id is best), tcp:HOST:PORT, or pty:PATH.")],
    out: Annotated[Path | None, typer.Argument(help="The recording to make: a new .pcapng file.")] = None,
    settings: Annotated[str, typer.Option(help="Speed and format of the line.")] = str(_SETTINGS),
    second_pair: Annotated[str | None, typer.Option(help="What hears the other pair of a 4-wire line.")] = None,
    seconds: Annotated[
        float | None,
        typer.Option(min=0.0, help="End after so long, else with Ctrl-C. Of --find: for each setting."),
    ] = None,
    rotate_mb: Annotated[float | None, typer.Option(min=1.0, help="Begin a new file after so many MB.")] = None,
    rotate_minutes: Annotated[float | None, typer.Option(min=1.0, help="Begin a new file after so long.")] = None,
    find: Annotated[bool, typer.Option("--find", help="Find out speed and format instead; makes no file.")] = False,
) -> None:
    """Listen to a line and keep what travels on it. Opens the source for reading only."""
    for name, number in (("--seconds", seconds), ("--rotate-mb", rotate_mb), ("--rotate-minutes", rotate_minutes)):
        if number is not None and not math.isfinite(number):
            raise BadInput(name, f"{number} is no such number", "Give a finite number, or leave it out.")
    if find:
        if out is not None or second_pair is not None:
            raise BadInput("--find", "it listens to one source and makes no file", "Name the source alone.")
        _find(source, _TRY_FOR_S if seconds is None else seconds)
        return
    try:
        line = Settings.parse(settings)
    except ValueError as error:
        raise BadInput("--settings", str(error), "Use the line's own speed and format, or --find it.") from None
    rotation = None
    if rotate_mb is not None or rotate_minutes is not None:
        rotation = Rotation(
            None if rotate_mb is None else round(rotate_mb * 1_000_000),
            None if rotate_minutes is None else round(rotate_minutes * 60 * NS_PER_S),
        )
    path = _new_recording(out)
    sources = [source] if second_pair is None else [source, second_pair]
    _record(sources, path, line, seconds, rotation)


def _new_recording(out: Path | None) -> Path:
    if out is None:
        raise BadInput("sidetap record", "no file is named", "Name the recording to make, or use --find.")
    if out.suffix.lower() != ".pcapng":
        raise BadInput(str(out), "a recording is made as pcapng", "End the name in .pcapng.")
    if not out.parent.is_dir():
        raise BadInput(str(out.parent), "there is no such folder", "Make it first, or name another file.")
    if out.exists():
        raise BadInput(str(out), "the file is there already", "Give a new name; recordings are not overwritten.")
    return out


def _record(
    sources: Sequence[str], out: Path, line: Settings, seconds: float | None, rotation: Rotation | None
) -> None:
    with machine_clock() as clock, contextlib.ExitStack() as stack:
        taps = _open(sources, line, clock, stack)
        until_ns = None if seconds is None else clock.now_ns() + round(seconds * NS_PER_S)
        pairs = [Pair(tap.source, None if tap.identity is None else str(tap.identity)) for tap in taps]
        files = Files(out, line, pairs, clock.now_ns, lambda: clocks(clock), rotation)
        view = stack.enter_context(RecordView(line, clock.now_ns(), _say))
        session = Session(
            taps, line, files, clock, view, lambda source, expected: open_tap(source, line, clock.now_ns, expected)
        )
        heard = session.run(until_ns)
    if not files.kept:
        raise BadInput(sources[0], "not one byte came", "Check the wiring and that the line is in use.")
    many = "" if len(files.kept) == 1 else f"{len(files.kept)} files, the last of them "
    _say(
        f"{heard.bytes:,} bytes in {heard.chunks:,} chunks, kept in {many}{files.kept[-1].path}"
        f" ({files.kept[-1].path.name}.sha256 beside it)"
    )
    for text in heard_text(heard):
        _say(text)


def _find(source: str, seconds: float) -> None:
    with machine_clock() as clock, contextlib.ExitStack() as stack:
        (tap,) = _open([source], _SETTINGS, clock, stack)
        tap.retune(_SETTINGS)  # a source that can't is told at once
        with watching_trials() as watch:
            tried = try_settings(tap, Plan(), clock, round(seconds * NS_PER_S), watch)
    for text in found_text(tried, judge(tried)):
        _say(text)


def _open(sources: Sequence[str], line: Settings, clock: Clock, stack: contextlib.ExitStack) -> list[Tap]:
    """Open all sources, to be closed by the stack, and say what there is to say about each."""
    taps = []
    for source in sources:
        tap = open_tap(source, line, clock.now_ns)
        stack.callback(tap.close)
        taps.append(tap)
    _say(_CAUTION)
    for tap in taps:
        if tap.raised_ns is not None:
            _say(f"DTR and RTS were up for at most {tap.raised_ns / NS_PER_MS:.1f} ms while the port was opened.")
        if tap.identity is not None:
            _say(f"Port {tap.identity.device}: {tap.identity}")
    return taps


def _say(text: str) -> None:
    """Tell the person at the keyboard, at once: stderr is for errors alone."""
    sys.stdout.write("\n".join(printable(line) for line in text.split("\n")) + "\n")
    sys.stdout.flush()
