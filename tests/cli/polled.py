"""A line that polls T1, T2 and T3 of the example, and recordings of it."""

from pathlib import Path

import fastcrc

from sidetap.line import Chunk

EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow"
MS, S = 1_000_000, 1_000_000_000
EPOCH_S = 1_770_825_600  # 2026-02-11T16:00:00Z, 10:00 in Chicago
# the answers of T1-T3 to be checked by hand, check bytes left out, with the requests they belong to
POLLS = {
    "T1": ("0B0300640003", "0B03060D98000100B7"),
    "T2": ("0C0300000003", "0C0306A8CA00000001"),
    "T3": ("0D0400080004", "0D040841D8CCCD41933333"),
}
EMPTY_T3 = "0D04080000000041933333"


def framed(text: str) -> bytes:
    data = bytes.fromhex(text)
    return data + fastcrc.crc16.modbus(data).to_bytes(2, "little")


def polled(polls: list[tuple[str, str]], start_ns: int) -> list[Chunk]:
    """One cycle: each request, and its answer 30 ms later."""
    made = []
    for number, (request, response) in enumerate(polls):
        t_ns = start_ns + number * 60 * MS
        made.append(Chunk(t_ns, framed(request)))
        if response:
            made.append(Chunk(t_ns + 30 * MS, framed(response)))
    return made


def chunks(start_s: int = 0) -> list[Chunk]:
    """Ten seconds of polls: T2 falls silent after 5 s, T3 runs dry at 9 s."""
    made = []
    for second in range(10):
        for number, (vessel, (request, response)) in enumerate(POLLS.items()):
            if vessel == "T2" and second > 5:
                continue
            dry = vessel == "T3" and second == 9
            made += polled([(request, EMPTY_T3 if dry else response)], (start_s + second) * S + number * 60 * MS)
    return made
