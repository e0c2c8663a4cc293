"""Which settings does a line have? Chunks that were heard with several settings in; a verdict with its rivals out.

Theory of operation. Whole frames (check codes, and a request beside its answer) tell the speed: with a wrong one
there are none. They do not tell the parity: what was sent as 8E1 passes every check when it is read as 8O1, and by
many receivers as 8N1. Only the marks on errored bytes tell that: with the right settings a sound line has next to
none, with a wrong parity each byte or every second one has. Some adapters mark a whole packet, which is as good
here; some mark framing errors only, or nothing at all. Which of these it is, shows by the settings that are wrong:
there every receiver sees errors. So what is marked least is the line's own; what is marked as little stays a rival;
and where nothing was ever marked, a clean setting says nothing about parity.

One or two stop bits look the same to a receiver, which looks at the first: 8N1 stands for 8N2 too.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sidetap.line import Batch, Chunk, Settings, listen
from sidetap.line.chunk import BREAK, FRAMING, PARITY
from sidetap.line.columns import NONE

# Those in use come first: common practice, no source.
BAUDS = (9600, 19200, 38400, 57600, 115200, 4800, 2400, 1200)
# The standard's default comes first (MODBUS over Serial Line V1.02, 2.5.1); seven data bits go with ASCII framing.
FRAMINGS = ("8E1", "8N1", "8O1", "7E1", "7O1", "7N2")
# Each speed is tried with the first two before any is tried with the next: between them they read whole frames on
# every line of eight data bits, and 7E1 on every one of seven. The last are for adapters that drop errored bytes.
_ROUNDS = (("8E1", "8N1"), ("7E1",), ("8O1", "7O1", "7N2"))

# Two requests with their answers. A controller repeats itself, and so does what a wrong setting makes of it: a piece
# of garbage that passes a check by luck passes it each time. That two different pieces do is another matter.
LEAST_FRAMES = 4
LEAST_DIFFERENT = 2
LEAST_EXPLAINED = 0.5
ENOUGH_FRAMES = 20
# Bytes marked: of a sound line one in 200 at most (common practice, no source), with a wrong parity a third and more.
CLEAN = 0.02
TELLS_LESS = 0.1  # share explained by which a setting may fall behind the best one and still be its rival


@dataclass(frozen=True, slots=True)
class Evidence:
    """What was heard with some settings.

    frames: whole ones, in pairs of request and answer or supported by others. different: how many of them differ.
    explained: bytes that belong to them. parity, framing, breaks: bytes marked so.
    """

    settings: Settings
    bytes: int
    frames: int
    different: int
    explained: int
    parity: int
    framing: int
    breaks: int

    @classmethod
    def of(cls, settings: Settings, chunks: Sequence[Chunk]) -> "Evidence":
        """Look at what was heard, at the bytes alone: frames need no times, and gaps cost time to look at."""
        flags = "".join(chunk.flags for chunk in chunks if chunk.flags is not None)
        parity, framing, breaks = (flags.count(letter) for letter in (PARITY, FRAMING, BREAK))
        data = b"".join(chunk.data for chunk in chunks)
        frames = _frames(data, settings)
        different = {data[start:end] for start, end in frames}
        return cls(settings, len(data), len(frames), len(different), _size(frames), parity, framing, breaks)

    @property
    def marked(self) -> int:
        """Bytes that were marked as errored, whatever the error."""
        return self.parity + self.framing + self.breaks

    @property
    def convinces(self) -> bool:
        """Whether the frames can't be chance."""
        enough = self.frames >= LEAST_FRAMES and self.different >= LEAST_DIFFERENT
        return enough and self.explained >= LEAST_EXPLAINED * self.bytes


@dataclass(frozen=True, slots=True)
class Found:
    """The verdict.

    settings: the most likely; None when nothing convinces. rivals: others that can't be told from it. marks: whether
    the adapter marked any byte at all. clean: whether next to none is marked with these settings.
    """

    settings: Settings | None
    rivals: tuple[Settings, ...]
    marks: bool
    clean: bool


def judge(tried: Sequence[Evidence]) -> Found:
    """Say which of the settings that were tried are the line's."""
    marks = any(each.marked for each in tried)
    convincing = [each for each in tried if each.convinces]
    if not convincing:
        return Found(None, (), marks, False)
    most = max(each.explained / each.bytes for each in convincing)
    convincing = [each for each in convincing if each.explained / each.bytes >= most - TELLS_LESS]
    least = min(each.marked / each.bytes for each in convincing)
    # marks differ by a third of the bytes where parity is wrong: what is nearly as clean as the cleanest is its rival
    alike = sorted(
        (each for each in convincing if each.marked / each.bytes <= least + CLEAN),
        key=lambda each: FRAMINGS.index(each.settings.framing),
    )
    return Found(alike[0].settings, tuple(each.settings for each in alike[1:]), marks, least <= CLEAN)


class Plan:
    """What to try next: speeds in order; with the first that gives whole frames, every framing."""

    def __init__(self, bauds: Sequence[int] = BAUDS) -> None:
        self._order = [Settings(baud, framing) for framings in _ROUNDS for baud in bauds for framing in framings]

    def next(self, tried: Sequence[Evidence]) -> Settings | None:
        """Return the settings to try now; None when there is nothing more to learn."""
        speeds = {each.settings.baud for each in tried if each.convinces}
        done = {each.settings for each in tried}
        left = (each for each in self._order if each not in done and (not speeds or each.baud in speeds))
        return next(left, None)


def _frames(data: bytes, settings: Settings) -> list[tuple[int, int]]:
    """Return where the whole frames in data start and end that something else on the line supports."""
    frames: list[tuple[int, int]] = []
    before = 0
    for columns in listen([Batch.of([Chunk(None, data)])] if data else [], settings, repair=False):
        for message in (columns.request, columns.response):
            spans = message[message[:, 0] != NONE].tolist()
            frames += [(before + start, before + end) for start, end in spans]
        before += len(columns.data)
    return frames


def _size(frames: list[tuple[int, int]]) -> int:
    return sum(end - start for start, end in frames)
