"""Trying settings on a tap: an opened serial port and a clock in, evidence about each setting out. Sends nothing."""

from collections.abc import Callable, Sequence

from sidetap.line import Chunk, Settings
from sidetap.quantity import NS_PER_MS
from sidetap.station.ports.clock import Clock
from sidetap.station.ports.tap import Tap
from sidetap.station.recorder.finding import ENOUGH_FRAMES, Evidence, Plan

# What was on the line or in the adapter while the settings changed belongs to neither: common practice, no source.
_SETTLE_NS = 50 * NS_PER_MS
_LOOK_AT_BYTES = 64  # and again whenever half as many have come in addition: to look takes as long as there are bytes
# Without a single frame in so many bytes nothing will come of the settings: two of the longest exchanges, and more.
ENOUGH_BYTES = 768


def try_settings(
    tap: Tap, plan: Plan, clock: Clock, longest_ns: int, watch: Callable[[Settings, Sequence[Evidence]], None]
) -> list[Evidence]:
    """Listen with one setting after the other, each for at most longest_ns, until the plan has no more.

    watch: told what is tried next, and what came of those before. Ends early when the clock is told to end.
    """
    tried: list[Evidence] = []
    while not clock.told_to_end and (settings := plan.next(tried)) is not None:
        watch(settings, tried)
        tap.retune(settings)
        tried.append(_try(tap, settings, clock, longest_ns))
    return tried


def _try(tap: Tap, settings: Settings, clock: Clock, longest_ns: int) -> Evidence:
    began_ns = clock.now_ns()
    until_ns = began_ns + longest_ns
    chunks: list[Chunk] = []
    size, look_at = 0, _LOOK_AT_BYTES
    while not clock.told_to_end and clock.now_ns() < until_ns:
        clock.wait([tap], until_ns)
        while (chunk := tap.read()) is not None:
            if chunk.t_ns is not None and chunk.t_ns >= began_ns + _SETTLE_NS:
                chunks.append(chunk)
                size += len(chunk.data)
        if size >= look_at:
            look_at = size * 3 // 2
            evidence = Evidence.of(settings, chunks)
            if evidence.frames >= ENOUGH_FRAMES or (evidence.frames == 0 and size >= ENOUGH_BYTES):
                return evidence
    return Evidence.of(settings, chunks)
