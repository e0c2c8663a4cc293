"""Recording sessions in a simulated world: adapters that vanish, clocks that are set, two pairs of wires."""

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from simulated import EXCHANGES, UTC_NS, Bench, Line, SimulatedTap, Watcher, World, framed
from test_files import FullDisk, blocks

from sidetap.errors import BadInput
from sidetap.line import Chunk, Outcome, Settings
from sidetap.line.recording import Pair, read
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.station.ports.identity import Identity
from sidetap.station.recorder import Files, Heard, Rotation, Session, Tally, clocks
from sidetap.station.recorder.merging import Merger

LINE = Settings.parse("19200 8E1")
OURS = Identity("/dev/ttyUSB0", "RX0001", "USB adapter", (0x1234, 0x5678), "1-2")
OTHER = Identity("/dev/ttyUSB0", "TX0002", "USB adapter", (0x1234, 0x5678), "1-2")


@dataclass
class Run:
    """What came of a session."""

    heard: Heard
    path: Path
    watcher: Watcher
    files: Files

    @property
    def chunks(self) -> list[Chunk]:
        return list(read(self.path).chunks)

    @property
    def data(self) -> bytes:
        return b"".join(chunk.data for chunk in self.chunks)

    @property
    def remarks(self) -> list[str]:
        bodies = [body for kind, body in blocks(self.path) if kind == 5]
        return [body[16 : 16 + int.from_bytes(body[14:16], "little")].decode() for body in bodies]


def recorded(
    world: World,
    taps: list[SimulatedTap],
    folder: Path,
    seconds: float | None,
    bench: Bench | None = None,
    rotation: Rotation | None = None,
    open_new: Callable[[Path], object] | None = None,
) -> Run:
    path = folder / "line.pcapng"
    pairs = [Pair(tap.source) for tap in taps]
    more = {} if open_new is None else {"open_new": open_new}
    files = Files(path, LINE, pairs, world.now_ns, lambda: clocks(world), rotation, **more)  # type: ignore[arg-type]  # keywords
    watcher = Watcher()
    session = Session(taps, LINE, files, world, watcher, (bench or Bench()).reopen)
    heard = session.run(None if seconds is None else world.now_ns() + round(seconds * NS_PER_S))
    for tap in [*taps, *([] if bench is None else bench.opened)]:
        assert tap.bytes_written_to_line == 0
        assert tap.closed == 1
    return Run(heard, path, watcher, files)


def test_all_that_was_said_is_kept_and_counted(tmp_path: Path) -> None:
    world = World()
    line = Line(world)
    run = recorded(world, [SimulatedTap(line)], tmp_path, 20)
    assert run.data == line.said[: len(run.data)]
    assert len(line.said) - len(run.data) < 20  # what the adapter still held
    assert all(t <= u for t, u in itertools.pairwise(chunk.t_ns or 0 for chunk in run.chunks))
    assert UTC_NS < (run.chunks[0].t_ns or 0) <= UTC_NS + NS_PER_S
    heard = run.heard
    assert heard.bytes == len(run.data)
    assert heard.chunks == len(run.chunks)
    polls = 20 * 1000 // 50 // 4
    assert heard.outcomes[Outcome.ANSWERED] == pytest.approx(3 * polls, abs=3)
    assert heard.outcomes[Outcome.UNANSWERED] == pytest.approx(polls, abs=2)
    assert heard.frames == pytest.approx(7 * polls, abs=4)
    assert heard.stray_bytes == 0
    assert [(device.address, device.answered > 0) for device in heard.devices] == [(0x11, True), (0x12, False)]
    assert (heard.parity, heard.framing, heard.breaks) == (0, 0, 0)
    # 61 bytes of 11 bits in each 200 ms at 19200 baud
    said = sum(len(framed(text)) for exchange in EXCHANGES for text in exchange if text)
    assert heard.load == pytest.approx(said * 11 / 19200 / 0.2, rel=0.03)
    assert heard.last_ns == run.chunks[-1].t_ns
    assert [len(run.watcher.shown), run.watcher.told] == [pytest.approx(20, abs=1), []]


def test_what_is_open_at_the_end_is_counted(tmp_path: Path) -> None:
    """The fourth poll, which nobody answers, is delivered at 208 ms; the end comes before the fifth."""
    world = World()
    run = recorded(world, [SimulatedTap(Line(world))], tmp_path, 0.24)
    assert run.heard.outcomes == {Outcome.ANSWERED: 3, Outcome.UNANSWERED: 1}


def test_errored_bytes_are_flagged_and_counted(tmp_path: Path) -> None:
    world = World()
    flips = itertools.cycle([frozenset({13}), frozenset(), frozenset()])
    line = Line(world, flips=lambda bits: next(flips))
    run = recorded(world, [SimulatedTap(line)], tmp_path, 10)
    flagged = sum((chunk.flags or "").count("p") for chunk in run.chunks)
    assert flagged > 20
    assert run.heard.parity == flagged
    assert run.heard.outcomes[Outcome.DAMAGED] > 0


def test_the_display_shows_how_things_stand(tmp_path: Path) -> None:
    world = World()
    line = Line(world, period_ms=3000)
    run = recorded(world, [SimulatedTap(line)], tmp_path, 8.5)
    times = [state.now_ns - UTC_NS for state in run.watcher.shown]
    assert all(900 * NS_PER_MS < after - before < 1100 * NS_PER_MS for before, after in itertools.pairwise(times))
    last = run.watcher.shown[-1]
    assert last.file is not None
    assert last.file[0] == run.path
    assert last.heard.load is None  # no ten seconds yet
    assert last.heard.last_ns is not None
    assert 1 < (last.now_ns - last.heard.last_ns) / NS_PER_S < 3
    assert last.heard.silence_ns / NS_PER_S == pytest.approx(3, abs=0.2)
    assert last.pairs[0].away_since_ns is None


# -- unplugged ----------------------------------------------------------------------------------------------------


def test_an_adapter_that_comes_back_goes_on_in_the_same_recording(tmp_path: Path) -> None:
    world, bench = World(), Bench()
    line = Line(world)
    first = SimulatedTap(line, identity=OURS)
    world.at(5, first.unplug)
    back = lambda: SimulatedTap(line, identity=OURS, raised_ns=2 * NS_PER_MS)  # noqa: E731  # a name for what is made twice
    world.at(9.5, lambda: bench.there.update({first.source: back}))
    run = recorded(world, [first], tmp_path, 20, bench)
    assert len(bench.opened) == 1
    gap = [(t, u) for t, u in itertools.pairwise(c.t_ns or 0 for c in run.chunks) if u - t > NS_PER_S]
    assert len(gap) == 1
    assert (gap[0][0] - UTC_NS) / NS_PER_S == pytest.approx(5, abs=0.1)
    assert (gap[0][1] - UTC_NS) / NS_PER_S == pytest.approx(10.1, abs=0.7)
    assert run.data[:100] == line.said[:100]
    assert run.data[-100:] in line.said
    begin, end, last = run.remarks
    assert begin == "gap begins: the line's bytes ended: input/output error"
    assert end.startswith("gap ends after 5.")
    assert "DTR and RTS were up for at most 2.0 ms" in end
    assert last.startswith("end: ")
    assert [state.pairs[0].gaps for state in run.watcher.shown][-1] == 1
    away = [state for state in run.watcher.shown if state.pairs[0].away_since_ns is not None]
    assert len(away) == pytest.approx(5, abs=1)
    assert len(run.watcher.told) == 2
    assert "waiting for it to return" in run.watcher.told[0]
    assert "it is back after 5." in run.watcher.told[1]
    assert run.heard.bytes == len(run.data)


def test_another_adapter_in_its_place_is_refused_and_the_right_one_waited_for(tmp_path: Path) -> None:
    world, bench = World(), Bench()
    line = Line(world)
    first = SimulatedTap(line, identity=OURS)
    strangers: list[SimulatedTap] = []

    def stranger() -> SimulatedTap:
        strangers.append(SimulatedTap(line, identity=OTHER))
        return strangers[-1]

    world.at(3, first.unplug)
    world.at(5, lambda: bench.there.update({first.source: stranger}))
    world.at(12, lambda: bench.there.update({first.source: lambda: SimulatedTap(line, identity=OURS)}))
    run = recorded(world, [first], tmp_path, 20, bench)
    assert len(strangers) >= 6  # looked at once a second
    silent = [c for c in run.chunks if 3.1 < ((c.t_ns or 0) - UTC_NS) / NS_PER_S < 12]
    assert silent == []
    told = [text for text in run.watcher.told if "another adapter is there" in text]
    assert len(told) == 1  # said once
    assert "TX0002" in told[0]
    assert any("another adapter" in (state.pairs[0].why or "") for state in run.watcher.shown)
    assert "it is back after" in run.watcher.told[-1]


def test_it_waits_until_told_to_end(tmp_path: Path) -> None:
    world = World()
    tap = SimulatedTap(Line(world))
    world.at(2, tap.unplug)
    world.at(300, world.end)
    run = recorded(world, [tap], tmp_path, None, Bench())
    assert world.agenda.now_ns == 300 * NS_PER_S
    assert 0 < len(run.data) < 1000
    assert run.remarks[-1].startswith("end: ")


def test_what_came_before_the_plug_was_pulled_is_kept(tmp_path: Path) -> None:
    world = World()
    line = Line(world)
    tap = SimulatedTap(line)
    world.agenda.at(70 * NS_PER_MS, tap.unplug)  # the first request is whole at 54.6 ms and delivered at 64
    run = recorded(world, [tap], tmp_path, 2, Bench())
    assert run.data.startswith(framed(EXCHANGES[0][0]))
    assert run.data == line.said[: len(run.data)]


# -- clocks -------------------------------------------------------------------------------------------------------


def test_times_go_on_evenly_when_the_time_of_day_is_set_and_both_are_told(tmp_path: Path) -> None:
    world = World()

    def set_back() -> None:
        world.set_by_ns = -7200 * NS_PER_S

    world.at(4.5, set_back)
    run = recorded(world, [SimulatedTap(Line(world))], tmp_path, 10)
    assert not read(run.path).clock_stepped
    assert (run.chunks[-1].t_ns or 0) - UTC_NS == pytest.approx(10 * NS_PER_S, abs=NS_PER_S)
    step, end = run.remarks
    assert step.startswith("the time of day was set by -7200.000 s; recording 1773241205")
    assert "UTC 2026-03-11T13:00:05" in step
    assert f"UTC 2026-03-11T13:00:10.000000000Z, monotonic {5010 * NS_PER_S} ns" in end
    header = blocks(run.path)[0][1]
    began = f"recording {UTC_NS} ns, UTC 2026-03-11T15:00:00.000000000Z, monotonic {5000 * NS_PER_S} ns"
    assert f"begin: {began}".encode() in header
    assert any("set by -7200.000 s" in text for text in run.watcher.told)


@pytest.mark.parametrize(("step_ms", "told"), [(99, False), (100, True), (-100, True), (-99, False)])
def test_steps_worth_a_remark(tmp_path: Path, step_ms: int, told: bool) -> None:
    world = World()
    world.at(4.5, lambda: setattr(world, "set_by_ns", step_ms * NS_PER_MS))
    run = recorded(world, [SimulatedTap(Line(world))], tmp_path, 8)
    assert bool(run.watcher.told) == told


# -- two pairs ----------------------------------------------------------------------------------------------------


def test_two_pairs_become_one_line_in_order_of_time(tmp_path: Path) -> None:
    """Requests on one pair, answers on the other; slow enough for adapters that deliver every 16 ms."""
    world = World()
    asking, answering = Line(world, period_ms=200, only="requests"), Line(world, period_ms=200, only="answers")
    taps = [SimulatedTap(asking, source="/dev/a"), SimulatedTap(answering, source="/dev/b")]
    run = recorded(world, taps, tmp_path, 30)
    found = read(run.path)
    assert not found.clock_stepped
    assert found.settings == LINE
    kinds = [kind for kind, _ in blocks(run.path)]
    assert kinds[:3] == [0x0A0D0D0A, 1, 1]
    of_pair = {0: bytearray(), 1: bytearray()}
    for kind, body in blocks(run.path):
        if kind == 6:
            number, _, _, size, _ = (int.from_bytes(body[n : n + 4], "little") for n in range(0, 20, 4))
            of_pair[number] += body[20 : 20 + size]
    assert of_pair[0] == asking.said[: len(of_pair[0])]
    assert of_pair[1] == answering.said[: len(of_pair[1])]
    polls = 30 * 1000 // 200
    assert run.heard.outcomes[Outcome.ANSWERED] == pytest.approx(polls * 3 / 4, abs=2)
    assert run.heard.outcomes.get(Outcome.DAMAGED, 0) == 0


def test_one_lost_pair_does_not_stop_the_other(tmp_path: Path) -> None:
    world, bench = World(), Bench()
    one, two = Line(world, only="requests"), Line(world, only="answers")
    taps = [SimulatedTap(one, source="/dev/a"), SimulatedTap(two, source="/dev/b")]
    world.at(3, taps[1].unplug)
    world.at(6, lambda: bench.there.update({"/dev/b": lambda: SimulatedTap(two, source="/dev/b")}))
    run = recorded(world, taps, tmp_path, 10, bench)
    times = [((body[4:12]), int.from_bytes(body[:4], "little")) for kind, body in blocks(run.path) if kind == 6]
    stamps = {0: [], 1: []}  # type: dict[int, list[float]]
    for stamp, number in times:
        t_ns = int.from_bytes(stamp[:4], "little") << 32 | int.from_bytes(stamp[4:], "little")
        stamps[number].append((t_ns - UTC_NS) / NS_PER_S)
    assert sum(3.1 < t < 6 for t in stamps[0]) > 40
    assert sum(3.1 < t < 6 for t in stamps[1]) == 0
    assert sum(t > 7.1 for t in stamps[1]) > 20
    assert [int.from_bytes(body[:4], "little") for kind, body in blocks(run.path) if kind == 5] == [1, 1, 0]


class ScriptedTap:
    """Hands over chunks at given moments, whatever their own times say."""

    def __init__(self, world: World, source: str, *script: tuple[int, Chunk]) -> None:
        self.source = source
        self.identity: Identity | None = None
        self.raised_ns: int | None = None
        self._world = world
        self._script = list(script)

    def fileno(self) -> int:
        return -1

    @property
    def ready(self) -> bool:
        return bool(self._script) and self._script[0][0] <= self._world.agenda.now_ns

    def read(self) -> Chunk | None:
        return self._script.pop(0)[1] if self.ready else None

    def overruns(self) -> int | None:
        return None

    def retune(self, settings: Settings) -> None:
        self._world.agenda.run(self._world.agenda.now_ns)

    def close(self) -> None:
        self._script.clear()


def scripted(world: World, folder: Path, end_ms: int, *taps: ScriptedTap) -> bytes:
    """Record those taps, looking at them every millisecond, and return all that was kept, in order."""
    path = folder / "line.pcapng"
    files = Files(path, LINE, [Pair(tap.source) for tap in taps], world.now_ns, lambda: "")
    world.step_by(NS_PER_MS)
    Session(taps, LINE, files, world, Watcher(), Bench().reopen).run(UTC_NS + end_ms * NS_PER_MS)
    return b"".join(chunk.data for chunk in read(path).chunks)


@pytest.mark.parametrize(
    ("late_ms", "end_ms", "kept"),
    [(0, 200, b"ba"), (10, 200, b"ba"), (19, 200, b"ba"), (30, 200, b"ab"), (10, 112, b"ba"), (12, 112, b"a")],
)
def test_an_older_chunk_may_come_so_much_later(tmp_path: Path, late_ms: int, end_ms: int, kept: bytes) -> None:
    """Pair b says at 95 ms what is handed over later; a waits 20 ms for it, and at the end for nobody."""
    world = World()
    a = ScriptedTap(world, "/dev/a", (100 * NS_PER_MS, Chunk(UTC_NS + 100 * NS_PER_MS, b"a")))
    b = ScriptedTap(world, "/dev/b", ((101 + late_ms) * NS_PER_MS, Chunk(UTC_NS + 95 * NS_PER_MS, b"b")))
    assert scripted(world, tmp_path, end_ms, a, b) == kept


def test_one_pair_waits_for_nobody(tmp_path: Path) -> None:
    world = World()
    tap = ScriptedTap(world, "/dev/a", (100 * NS_PER_MS, Chunk(UTC_NS + 100 * NS_PER_MS, b"a")))
    path = tmp_path / "line.pcapng"
    seen: list[int] = []
    world.at(0.105, lambda: seen.append(read(path).byte_count))
    assert scripted(world, tmp_path, 200, tap) == b"a"
    assert seen == [1]


def test_the_merger_orders_by_time_within_its_patience() -> None:
    merger = Merger(hold_ns=20)
    assert merger.due_ns is None
    merger.put(0, Chunk(100, b"c"))
    merger.put(1, Chunk(90, b"b"))
    merger.put(1, Chunk(100, b"d"))
    assert merger.due_ns == 110
    assert merger.take(109) == []
    assert merger.take(110) == [(1, Chunk(90, b"b"))]
    merger.put(1, Chunk(80, b"late"))
    assert merger.take(110) == [(1, Chunk(80, b"late"))]  # older than what went out: it goes out all the same
    assert merger.take(120) == [(0, Chunk(100, b"c")), (1, Chunk(100, b"d"))]
    assert merger.take(10**9) == []


# -- files and receivers ------------------------------------------------------------------------------------------


def test_rotation_by_time_loses_nothing(tmp_path: Path) -> None:
    world = World()
    line = Line(world)
    run = recorded(world, [SimulatedTap(line)], tmp_path, 30, rotation=Rotation(longest_ns=10 * NS_PER_S))
    assert len(run.files.kept) == pytest.approx(3, abs=1)
    data = b"".join(chunk.data for kept in run.files.kept for chunk in read(kept.path).chunks)
    assert data == line.said[: len(data)]
    assert run.heard.bytes == len(data)


def test_a_full_disk_ends_it_with_one_line_and_a_good_file(tmp_path: Path) -> None:
    world = World()
    line = Line(world)
    tap = SimulatedTap(line)
    with pytest.raises(BadInput, match=r"line\.pcapng: no more can be written: no space left on device; .* are kept"):
        recorded(world, [tap], tmp_path, 60, open_new=FullDisk(4000))
    assert tap.closed == 1
    found = read(tmp_path / "line.pcapng")
    assert not found.truncated
    data = b"".join(chunk.data for chunk in found.chunks)
    assert data == line.said[: len(data)]
    assert len(data) > 200


def test_a_silent_line_s_file_is_closed_when_its_time_is_up(tmp_path: Path) -> None:
    world = World()
    line = Line(world)
    world.at(2, lambda: setattr(line, "_say", lambda frame: None))
    run = recorded(world, [SimulatedTap(line)], tmp_path, 12.5, rotation=Rotation(longest_ns=10 * NS_PER_S))
    assert [state.file is None for state in run.watcher.shown][-2:] == [True, True]
    assert len(run.files.kept) == 1


def test_a_new_receiver_counts_from_nothing(tmp_path: Path) -> None:
    world, bench = World(), Bench()
    line = Line(world)
    first = SimulatedTap(line)
    world.at(2.5, lambda: setattr(first, "lost_bytes", 5))
    world.at(4.5, first.unplug)
    world.at(4.6, lambda: bench.there.update({first.source: lambda: SimulatedTap(line)}))
    world.at(7.5, lambda: setattr(bench.opened[0], "lost_bytes", 2))
    run = recorded(world, [first], tmp_path, 10, bench)
    assert [text for text in run.remarks if "lost in" in text] == [
        "bytes were lost in the receiver 5 times",
        "bytes were lost in the receiver 2 times",
    ]


def test_the_account_of_a_line_that_falls_silent() -> None:
    tally = Tally(LINE, UTC_NS)
    said = [framed(text) for text in ("11 03 006B 0003", "11 03 06 022B 0000 0064")]
    for n, frame in enumerate([*said, *said, said[0]], 1):
        tally.receive(Chunk(UTC_NS + n * NS_PER_S, frame))
    heard = tally.heard(UTC_NS + 6 * NS_PER_S)
    assert heard.outcomes == {Outcome.ANSWERED: 2}
    assert heard.silence_ns == NS_PER_S
    heard = tally.heard(UTC_NS + 9 * NS_PER_S)
    assert heard.outcomes == {Outcome.ANSWERED: 2, Outcome.UNANSWERED: 1}
    assert heard.silence_ns == 4 * NS_PER_S
    assert heard.load is None
    said_ns = sum(map(len, [*said, *said, said[0]])) * 11 * NS_PER_S / 19200
    assert tally.heard(UTC_NS + 10 * NS_PER_S).load == pytest.approx(said_ns / (10 * NS_PER_S))
    assert tally.heard(UTC_NS + 15 * NS_PER_S).load == 0


def test_the_account_at_the_end_counts_what_was_open() -> None:
    tally = Tally(LINE, UTC_NS)
    said = [framed(text) for text in ("11 03 006B 0003", "11 03 06 022B 0000 0064")]
    for n, frame in enumerate([*said, *said, said[0]], 1):
        tally.receive(Chunk(UTC_NS + n * NS_PER_MS, frame))
    tally.close()
    assert tally.heard(UTC_NS + 6 * NS_PER_MS).outcomes == {Outcome.ANSWERED: 2, Outcome.UNANSWERED: 1}


def test_a_receiver_that_loses_bytes_is_told_of(tmp_path: Path) -> None:
    world = World()
    tap = SimulatedTap(Line(world))
    world.at(3.5, lambda: setattr(tap, "lost_bytes", 2))
    world.at(6.5, lambda: setattr(tap, "lost_bytes", 3))
    run = recorded(world, [tap], tmp_path, 10)
    assert run.remarks[:2] == ["bytes were lost in the receiver 2 times", "bytes were lost in the receiver 1 times"]
    assert run.watcher.shown[-1].pairs[0].overruns == 3


def test_the_disk_is_asked_to_keep_it_every_ten_seconds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    world = World()
    asked: list[int] = []
    monkeypatch.setattr(Files, "sync", lambda self: asked.append(world.agenda.now_ns // NS_PER_S))
    recorded(world, [SimulatedTap(Line(world))], tmp_path, 35)
    assert asked == [pytest.approx(n, abs=1) for n in (10, 20, 30)]
