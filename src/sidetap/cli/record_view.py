"""What a person sees while a line is recorded, and what is said at the end. On a terminal a table, once a second."""

import contextlib
from collections.abc import Callable, Iterator, Sequence
from types import TracebackType

from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from sidetap.errors import printable
from sidetap.line import Outcome, Settings
from sidetap.quantity import NS_PER_S
from sidetap.station.recorder import Evidence, Found, Heard, State


class RecordView:
    """The live display: on stderr, and only where that is a terminal; elsewhere only what happens is said.

    say: how something is said where there is no display.
    """

    def __init__(self, line: Settings, start_ns: int, say: Callable[[str], None]) -> None:
        self._line = line
        self._start_ns = start_ns
        self._say = say
        console = Console(stderr=True, highlight=False)
        self._live = Live(console=console, auto_refresh=False, transient=True) if console.is_terminal else None

    def __enter__(self) -> "RecordView":
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        if self._live is not None:
            self._live.stop()

    def tell(self, text: str) -> None:
        """Say that something happened."""
        if self._live is None:
            self._say(text)
        else:
            self._live.console.print(Text(printable(text)))

    def show(self, state: State) -> None:
        """Show how things stand."""
        if self._live is not None:
            self._live.update(state_table(self._line, self._start_ns, state), refresh=True)


def state_table(line: Settings, start_ns: int, state: State) -> Table:
    """Return how a recording stands, as a table of 80 columns."""
    heard = state.heard
    table = Table.grid(padding=(0, 2))
    table.add_column(style="bold", no_wrap=True)
    table.add_column(overflow="fold")
    name, size = ("between two files", 0) if state.file is None else (state.file[0].name, state.file[1])
    row = _Rows(table)
    row("recording", f"{name}, {size:,} bytes, for {_span(state.now_ns - start_ns)}; end with Ctrl-C")
    row("line", f"{line}, load {'-' if heard.load is None else f'{heard.load:.0%}'}, {_age(state)}")
    row("bytes", f"{heard.bytes:,} in {heard.chunks:,} chunks; {heard.stray_bytes:,} of them in no frame")
    row("frames", _frames(heard))
    row("errors", f"parity {heard.parity:,}, framing {heard.framing:,}, breaks {heard.breaks:,}{_overruns(state)}")
    gaps = sum(pair.gaps for pair in state.pairs)
    row("gaps", f"{gaps} of the adapter; the longest silence {_span(heard.silence_ns)}")
    row("devices", _devices(heard))
    for pair in state.pairs:
        if pair.away_since_ns is not None:
            row("waiting", f"{pair.source}, away for {_span(state.now_ns - pair.away_since_ns)}: {pair.why}")
    return table


class _Rows:
    def __init__(self, table: Table) -> None:
        self._table = table

    def __call__(self, name: str, text: str) -> None:
        self._table.add_row(Text(name), Text(printable(text)))


def heard_text(heard: Heard) -> Iterator[str]:
    """Yield what was heard, in lines."""
    yield f"Frames: {_frames(heard)}; {heard.stray_bytes:,} bytes in no frame"
    yield f"Devices: {_devices(heard)}"
    if heard.parity or heard.framing or heard.breaks:
        yield f"Errored bytes: parity {heard.parity:,}, framing {heard.framing:,}, breaks {heard.breaks:,}"


@contextlib.contextmanager
def watching_trials() -> Iterator[Callable[[Settings, Sequence[Evidence]], None]]:
    """Give what to call with each setting that is tried next; it shows that on a terminal."""
    console = Console(stderr=True, highlight=False)
    if not console.is_terminal:
        yield lambda _settings, _tried: None
        return
    with Live(console=console, auto_refresh=False, transient=True) as live:
        yield lambda settings, tried: live.update(Text(f"listening as {settings} ({len(tried)} tried)"), refresh=True)


def found_text(tried: Sequence[Evidence], found: Found) -> Iterator[str]:
    """Yield what came of trying settings: a table and the verdict, in lines."""
    yield f"{'tried':<12}{'bytes':>9}{'frames':>9}{'in frames':>11}{'parity':>9}{'framing':>9}{'breaks':>9}"
    for each in tried:
        shares = (each.explained, each.parity, each.framing, each.breaks)
        cells = [f"{part / each.bytes:.1%}" if each.bytes else "-" for part in shares]
        marks = "".join(f"{cell:>9}" for cell in cells[1:])
        yield f"{each.settings!s:<12}{each.bytes:>9,}{each.frames:>9,}{cells[0]:>11}{marks}"
    yield _verdict(tried, found)


def _verdict(tried: Sequence[Evidence], found: Found) -> str:
    if not any(each.bytes for each in tried):
        return "Nothing found: not one byte came. Check the wiring and that the line is in use."
    if found.settings is None:
        return (
            "Nothing found: bytes came, but whole frames with none of these settings. Another speed, a swapped pair,"
            " too few polls in the time (--seconds), or no Modbus line."
        )
    settings = found.settings
    alike = ", ".join(each.framing for each in (settings, *found.rivals))
    if not found.rivals:
        marks = "" if found.marks else " No byte was marked as errored; no other framing gave whole frames."
        text = f"Found: {settings}.{marks}"
    elif found.marks:
        text = (
            f"Found: {settings.baud} baud. The adapter's marks do not tell {alike} apart."
            f" Use {settings} until more is known."
        )
    else:
        text = (
            f"Found: {settings.baud} baud. The adapter marks no errored bytes, and check codes alone can't tell"
            f" parity: {alike} read alike here. Use {settings} until an adapter that marks errors says more."
        )
    if "8N1" in alike:
        text += " 8N1 stands for 8N2 too: a receiver looks at the first stop bit only."
    if not found.clean:
        text += " Even so it marks many bytes: a noisy line, or settings that were not tried."
    return text


def _frames(heard: Heard) -> str:
    parts = [f"{heard.outcomes.get(outcome, 0):,} {outcome}" for outcome in Outcome if heard.outcomes.get(outcome)]
    return f"{heard.frames:,} whole" + (f": {', '.join(parts)}" if parts else "")


def _devices(heard: Heard) -> str:
    answering = " ".join(str(device.address) for device in heard.devices if device.answered)
    silent = " ".join(str(device.address) for device in heard.devices if not device.answered)
    return (answering or "none yet") + (f"; asked, without an answer: {silent}" if silent else "")


def _overruns(state: State) -> str:
    counted = [pair.overruns for pair in state.pairs if pair.overruns is not None]
    return f", lost in the receiver {sum(counted):,} times" if counted else ""


def _age(state: State) -> str:
    if state.heard.last_ns is None:
        return "no byte yet"
    return f"last byte {max(0, state.now_ns - state.heard.last_ns) / NS_PER_S:.1f} s ago"


def _span(span_ns: int) -> str:
    seconds = span_ns // NS_PER_S
    if seconds < 60:
        return f"{span_ns / NS_PER_S:.1f} s"
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
