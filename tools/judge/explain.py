"""A fault in words: the bytes around it, what was sent there and what was said of it."""

import numpy as np

from judge.damage import Heard
from judge.scoring import Fault, Rows
from judge.sender import NONE, Kind, Sent
from sidetap.line.columns import OUTCOMES

BEFORE, AFTER = 60, 140


def explain(fault: Fault, sent: Sent, heard: Heard, rows: Rows) -> str:
    """Return a few lines on one fault."""
    first, last = max(0, fault.at - BEFORE), min(len(heard.data), fault.at + AFTER)
    lines = [
        f"{fault.what}: seed {fault.seed}, {sent.settings}, try {fault.tried}, byte {fault.at} (shown from {first})"
    ]
    lines.append(f"  bytes {heard.data[first:last].tobytes().hex()}")
    frames = np.flatnonzero((heard.end > first) & (heard.start < last))
    for frame in frames.tolist():
        tried = int(sent.frame_try[frame])
        role = "answer " if sent.frame_is_answer[frame] else "request"
        state = "whole" if heard.whole[frame] else f"{heard.flipped[frame]} flips, {heard.lost[frame]} lost"
        ended_ms = heard.byte_ns[max(0, heard.end[frame] - 1)] / 1e6
        start, end = int(heard.start[frame]), int(heard.end[frame])
        wanted = sent.data[sent.frame_start[frame] : sent.frame_end[frame]].tobytes().hex()
        lines.append(
            f"  sent  {start}-{end} {role} of try {tried} ({Kind(int(sent.kind[tried])).name}), {state},"
            f" ended {ended_ms:.1f} ms: {wanted[:120]}"
        )
    starts = np.concatenate([[0], rows.ends[:-1]])
    for row in np.flatnonzero((rows.ends > first) & (starts < last)).tolist():
        number = int(rows.outcome[row])
        name = OUTCOMES[number].value if number < len(OUTCOMES) else "noise"
        bits = [int(bit) for bit in (rows.request_bit[row], rows.response_bit[row]) if bit != NONE]
        lines.append(
            f"  heard {starts[row]}-{rows.ends[row]} {name} request {_span(rows.request[row].tolist())}"
            f" response {_span(rows.response[row].tolist())}{' mended ' + str(bits) if bits else ''}"
            f"{' retry' if rows.retry[row] else ''}"
        )
    return "\n".join(lines)


def _span(span: list[int]) -> str:
    return "none" if span[0] == NONE else f"{span[0]}-{span[1]}"
