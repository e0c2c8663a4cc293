"""`sidetap record`: a tap -> a recording. Ends by Ctrl-C or after some seconds and leaves a good file either way."""

import math
import select
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from sidetap.errors import BadInput, printable
from sidetap.line import Settings
from sidetap.line.recording import PcapngWriter
from sidetap.quantity import NS_PER_S
from sidetap.station.ports.identity import identity
from sidetap.station.ports.tap import Tap, open_tap

_LOOK_EVERY_S = 0.2  # at the end time; bytes are taken as they come


def record(
    source: Annotated[str, typer.Argument(help="Device path (by-id is best), tcp:HOST:PORT, or pty:PATH.")],
    out: Annotated[Path, typer.Argument(help="The recording to make: a new .pcapng file.")],
    settings: Annotated[str, typer.Option(help="Speed and format of the line.")] = "19200 8E1",
    seconds: Annotated[float | None, typer.Option(min=0.0, help="End after so long; else with Ctrl-C.")] = None,
) -> None:
    """Listen to a line and keep what travels on it. Opens the source for reading only."""
    try:
        line = Settings.parse(settings)
    except ValueError as error:
        raise BadInput("--settings", str(error), "Use the line's own speed and format.") from None
    if out.suffix.lower() != ".pcapng":
        raise BadInput(str(out), "a recording is made as pcapng", "End the name in .pcapng.")
    if not out.parent.is_dir():
        raise BadInput(str(out.parent), "there is no such folder", "Make it first, or name another file.")
    if out.exists():
        raise BadInput(str(out), "the file is there already", "Give a new name; recordings are not overwritten.")
    if seconds is not None and not math.isfinite(seconds):
        raise BadInput("--seconds", f"{seconds} is no time", "Give a number of seconds, or end with Ctrl-C.")
    tap = open_tap(source, line, _clock_without_steps())
    _say(
        "Sidetap sends nothing, but that is only the software's part and no guarantee: opening a port can key an"
        " adapter's transmitter. Use a receive-only adapter, or one with its transmit enable tied off."
    )
    try:
        _describe(tap, source)
        size, chunks = _listen(tap, out, line, seconds)
    finally:
        tap.close()
    _say(f"{size:,} bytes in {chunks:,} chunks, kept in {out}")


def _listen(tap: Tap, out: Path, line: Settings, seconds: float | None) -> tuple[int, int]:
    """Copy the tap to the file until the time is up, Ctrl-C, or the source ends; the file stays good throughout."""
    end_ns = None if seconds is None else time.monotonic_ns() + round(seconds * NS_PER_S)
    size = chunks = 0
    try:
        with out.open("xb", buffering=0) as file:
            writer = PcapngWriter(file, line)
            while end_ns is None or time.monotonic_ns() < end_ns:
                ready, _, _ = select.select([tap], [], [], _wait_s(end_ns))
                chunk = tap.read() if ready else None
                if chunk is not None:
                    writer.write(chunk)
                    size += len(chunk.data)
                    chunks += 1
    except KeyboardInterrupt:
        _say("")  # the usual way to end a recording; the terminal shows ^C
    finally:
        if size == 0:
            out.unlink(missing_ok=True)  # a recording without a byte is none
    if size == 0:
        raise BadInput(tap.source, "not one byte came", "Check the wiring and that the line is in use.")
    return size, chunks


def _wait_s(end_ns: int | None) -> float:
    if end_ns is None:
        return _LOOK_EVERY_S
    return max(0.0, min(_LOOK_EVERY_S, (end_ns - time.monotonic_ns()) / NS_PER_S))


def _clock_without_steps() -> Callable[[], int]:
    """Return a clock that starts at the time of day and then goes on evenly, whatever is done to the time of day."""
    ahead_ns = time.time_ns() - time.monotonic_ns()
    return lambda: time.monotonic_ns() + ahead_ns


def _describe(tap: Tap, source: str) -> None:
    if tap.raised_ns is not None:
        _say(f"DTR and RTS were up for at most {tap.raised_ns / 1e6:.1f} ms while the port was opened.")
        port = identity(source)
        if port is not None:
            _say(f"Port {port.device}, USB serial number {port.serial or 'none'}: {port.description}")


def _say(text: str) -> None:
    """Tell the person at the keyboard, at once: stderr is for errors alone."""
    sys.stdout.write(f"{printable(text)}\n")
    sys.stdout.flush()
