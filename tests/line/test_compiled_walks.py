"""The compiled walks over large files against the careful readers of small ones, on good files and on bad ones.

Whatever a file holds, both must give the same chunks, or the same error in the same words at the same place.
"""

import csv
import io
import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from recording_files import block, interface, option, packet, section
from scapy.utils import RawPcapNgReader
from synthetic_line import make

from sidetap.errors import BadInput
from sidetap.line import Chunk, Settings
from sidetap.line.recording import ClockStep, gathering, read, window, write_csv, write_pcapng

LINE = Settings.parse("19200 8E1")
NS = 1_000_000_000


@dataclass(frozen=True)
class Found:
    """What reading a file brings; error alone where it can't be read."""

    chunks: list[Chunk] = field(default_factory=list)
    settings: Settings | None = None
    truncated: bool = False
    steps: tuple[ClockStep, ...] = ()
    counts: tuple[int, int] = (0, 0)
    error: str = ""


def found(path: Path) -> Found:
    try:
        recording = read(path)
        counts = recording.chunk_count, recording.byte_count
        chunks = list(recording.chunks)
        return Found(chunks, recording.settings, recording.truncated, recording.clock_stepped, counts)
    except BadInput as error:
        return Found(error=str(error))


@pytest.fixture
def both(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> "Both":
    return Both(tmp_path, monkeypatch)


class Both:
    """Reads the same bytes with and without the compiled walk; in pieces of any size."""

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch) -> None:
        self._folder = folder
        self._patch = patch

    def read(self, data: bytes, suffix: str, pieces: Iterable[int] = (window.PIECE,)) -> Found:
        path = self._folder / f"line{suffix}"
        path.write_bytes(data)
        self._patch.setattr(window, "LARGE", len(data) + 1)
        careful = found(path)
        self._patch.setattr(window, "LARGE", 0)
        for piece in pieces:
            self._patch.setattr(window, "PIECE", piece)
            assert found(path) == careful, data[-200:]
        self._patch.setattr(window, "PIECE", window.PIECE)
        return careful


# -- pcapng --------------------------------------------------------------------------------------------------------


def a_bit_of_everything() -> bytes:
    """Return a recording with all that may occur in one: both byte orders, two interfaces, flags, foreign blocks."""
    first = (
        section()
        + interface(option(3, b"19200 8E1") + option(9, b"\x09") + bytes(4))
        + interface(option(9, b"\x83") + option(14, struct.pack("<q", 5)))
        + packet(1_000_000_000, b"\x0b\x03\x00\x64")
        + packet(2**64 - 3, b"\xff", option(1, b"f") + bytes(4), number=1)
        + block(0x0BAD, b"abcd")
        + packet(7, b"\x01\x02", option(1, b"a note") + option(2, b"abc") + option(1, b".p"))
        + packet(8, b"", option(1, b".p."[:0]))
        + packet(9, b"\x0b\x03\x06")
    )
    order = ">"
    second = (
        section(order)
        + interface(order=order)
        + packet(3, b"\x0d\x0a", order=order)
        + packet(2, b"abcde", option(1, b"bb.pf", order), order=order)
        + packet(2, b"\x55", option(1, b".", order), order=order)
    )
    return first + second


def test_all_that_may_occur_in_a_pcapng(both: Both) -> None:
    whole = both.read(a_bit_of_everything(), ".pcapng", (window.PIECE, 1, 7, 64, 100))
    assert whole.chunks == [
        Chunk(NS, b"\x0b\x03\x00\x64"),
        Chunk(5 * NS - 375_000_000, b"\xff", "f"),
        Chunk(7, b"\x01\x02", ".p"),
        Chunk(8, b""),
        Chunk(9, b"\x0b\x03\x06"),
        Chunk(3000, b"\x0d\x0a"),
        Chunk(2000, b"abcde", "bb.pf"),
        Chunk(2000, b"\x55"),
    ]
    assert (whole.settings, whole.truncated, whole.counts) == (LINE, False, (8, 18))
    assert [step.chunk for step in whole.steps] == [2, 6]


def test_a_pcapng_torn_at_every_byte(both: Both) -> None:
    data = a_bit_of_everything()
    for length in range(len(data)):
        both.read(data[:length], ".pcapng", (window.PIECE, 13))


@pytest.mark.parametrize("harm", [0x00, 0x0C, 0xFF])
def test_a_pcapng_harmed_at_every_byte(both: Both, harm: int) -> None:
    data = bytearray(a_bit_of_everything())
    for at, before in enumerate(data):
        data[at] = harm
        both.read(bytes(data), ".pcapng")
        data[at] = before


def test_simple_packets_and_what_is_mixed(both: Both) -> None:
    plain = [block(3, struct.pack("<I", len(data)) + data) for data in (b"abc", b"", b"abcdefgh", b"ab")]
    start = section() + interface()
    whole = both.read(start + b"".join(plain) + block(3, struct.pack("<I", 99) + b"abcd"), ".pcapng", (8, 20))
    assert [chunk.data for chunk in whole.chunks] == [b"abc", b"", b"abcdefgh", b"ab", b"abcd"]
    assert {chunk.t_ns for chunk in whole.chunks} == {None}
    for mixed in (plain[0] + packet(1, b"a"), packet(1, b"a") + plain[0], packet(1, b"a") * 3 + plain[0] * 3):
        assert "packets with a time and packets without" in both.read(start + mixed, ".pcapng").error
    assert "without its interface" in both.read(section() + plain[0], ".pcapng").error
    assert "without its interface" in both.read(start + section() + plain[0], ".pcapng").error


def test_packets_that_say_any_length(both: Both) -> None:
    start = section() + interface(option(9, b"\x09"))
    for said in range(24):
        timed = block(6, struct.pack("<IIIII", 0, 0, 2, said, said) + b"abcdefgh")
        whole = both.read(start + packet(1, b"a") + timed + packet(3, b"b"), ".pcapng")
        if said > 8:
            assert f"a packet of {said} bytes in a block of 28" in whole.error
        elif said > 4:  # fewer leave room for an option, which these letters are not
            assert [chunk.data for chunk in whole.chunks] == [b"a", b"abcdefgh"[:said], b"b"]
        untimed = block(3, struct.pack("<I", said) + b"abcdefgh")
        chunks = both.read(start + untimed * 3, ".pcapng").chunks
        assert [chunk.data for chunk in chunks] == [b"abcdefgh"[:said]] * 3 * (said > 0)


TICKS = st.sampled_from([0, 1, -1, 2**62, -(2**62), 2**63 - 1, -(2**63), 1_773_241_200_123_456_789]) | st.integers(
    -(2**63), 2**63 - 1
)
EDGE_S = 9_223_372_036


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.integers(0, 19) | st.integers(128, 128 + 52),
    st.sampled_from([0, 1, -1, EDGE_S, -EDGE_S, EDGE_S + 1, 2**63 - 1, -(2**63)]) | st.integers(-EDGE_S, EDGE_S),
    st.lists(TICKS, min_size=1, max_size=4),
    st.sampled_from("<>"),
)
@example(9, 1, [2**63 - NS, 2**63 - NS - 1], "<")
@example(9, 1, [2**63 - NS - 1], "<")
@example(9, -1, [NS - 2**63, NS + 1 - 2**63], "<")
@example(9, -1, [NS + 1 - 2**63], ">")
@example(9, EDGE_S, [2**63 - 1], "<")
@example(9, -EDGE_S, [-(2**63)], ">")
def test_times_of_any_resolution_and_offset(
    both: Both, exponent: int, offset_s: int, ticks: list[int], order: str
) -> None:
    """Against exact fractions, up to the last ns that 64 bits hold."""
    options = option(9, bytes([exponent]), order) + option(14, struct.pack(f"{order}q", offset_s), order)
    data = section(order) + interface(options, order=order)
    data += packet(0, b"a", order=order) + b"".join(packet(tick % 2**64, b"b", order=order) for tick in ticks)
    whole = both.read(data, ".pcapng")
    resolution = 2 ** (exponent - 128) if exponent >= 128 else 10**exponent
    exact = [offset_s * NS + tick * NS // resolution for tick in [0, *ticks]]
    if exponent in (19, 128 + 52):
        assert "a time resolution of exponent" in whole.error
    elif abs(offset_s) > EDGE_S:
        assert "times that count from" in whole.error
    elif any(abs(t_ns) >= 2**63 for t_ns in exact):
        assert "does not fit 64 bits" in whole.error
    else:
        assert [chunk.t_ns for chunk in whole.chunks] == exact


def test_bounds_of_ours_from_both_sides(both: Both) -> None:
    start = section() + interface(option(9, b"\x09"))
    most, too_many = (packet(1, b"a", option(2, b"") * count) for count in (1000, 1001))
    assert both.read(start + most * 2, ".pcapng").error == ""
    assert "over 1000 options" in both.read(start + packet(0, b"b") + too_many, ".pcapng").error
    largest = packet(1, bytes((1 << 20) - 32))
    assert both.read(start + largest, ".pcapng").error == ""
    assert "a block of 1048580 bytes" in both.read(start + packet(1, bytes((1 << 20) - 28)), ".pcapng").error
    heads = section() + interface() * 9999
    assert both.read(heads + packet(1, b"a"), ".pcapng").error == ""
    assert "over 10000 sections" in both.read(heads + interface() + packet(1, b"a"), ".pcapng").error


def test_what_scapy_reads_in_our_files_is_what_we_wrote(tmp_path: Path) -> None:
    """An outside reader, on a line with times of all lengths, flags and negative times left out (it reads none)."""
    path = tmp_path / "line.pcapng"
    chunks = [Chunk(c.t_ns, c.data, "p" * len(c.data) if n % 7 == 0 else None) for n, c in enumerate(made(31))]
    write_pcapng(path, chunks, LINE)
    theirs: list[Any] = []
    about: Any  # a tuple with names that its types do not tell
    with RawPcapNgReader(str(path)) as reader:
        for data, about in reader:
            assert (about.linktype, about.tsresol) == (147, NS)
            theirs.append((about.tshigh << 32 | about.tslow, data, about.comments))
    assert theirs == [(c.t_ns, c.data, None if c.flags is None else [c.flags.encode()]) for c in chunks]


def made(seed: int) -> list[Chunk]:
    """Return the chunks of a made-up line, its times after 1970."""
    chunks = make(200, seed=seed).chunks()
    first_ns = min(chunk.t_ns for chunk in chunks if chunk.t_ns is not None)
    return [Chunk((c.t_ns or 0) - first_ns + 1_773_241_200_000_000_001, c.data, c.flags) for c in chunks]


# -- csv -----------------------------------------------------------------------------------------------------------

HEAD = b"# settings 19200 8E1\ntime_s,hex,flags\n"
ROWS = (
    b"-1.500000001,0b030064,\n0,000344,...\r\n\n\r\n+0.016,2E,p\n 1.5 , ff000a0d0a , .fb.. \n"
    b"9000000000.0000000005,01,.\n12.,AbCd,\n0.0000000015,00,\n0.00000000250000000001,00,\n1e-3,ff,b\n.25,00,\n"
)


def test_all_that_may_occur_in_a_csv(both: Both) -> None:
    whole = both.read(b"\xef\xbb\xbf" + HEAD + ROWS, ".csv", (window.PIECE, 1, 7, 64, 100))
    assert whole.chunks == [
        Chunk(-1_500_000_001, b"\x0b\x03\x00\x64"),
        Chunk(0, b"\x00\x03\x44"),
        Chunk(16_000_000, b"\x2e", "p"),
        Chunk(1_500_000_000, b"\xff\x00\x0a\x0d\x0a", ".fb.."),
        Chunk(9_000_000_000 * NS, b"\x01"),  # half a ns goes to the even one
        Chunk(12 * NS, b"\xab\xcd"),
        Chunk(2, b"\x00"),
        Chunk(3, b"\x00"),
        Chunk(1_000_000, b"\xff", "b"),
        Chunk(250_000_000, b"\x00"),
    ]
    assert (whole.settings, whole.truncated, whole.counts) == (LINE, False, (10, 20))
    assert [step.chunk for step in whole.steps] == [5, 6]


def test_a_csv_torn_at_every_byte(both: Both) -> None:
    for length in range(len(HEAD + ROWS)):
        both.read((HEAD + ROWS)[:length], ".csv", (window.PIECE, 13))


@pytest.mark.parametrize("harm", [0x00, 0xFF, *b"\n, .9"])
def test_a_csv_harmed_at_every_byte(both: Both, harm: int) -> None:
    data = bytearray(HEAD + b"5,00,\n" + ROWS + b"8,00,\n")
    for at, before in enumerate(data):
        data[at] = harm
        both.read(bytes(data), ".csv")
        data[at] = before


FIELDS = st.sampled_from(
    [
        *("0", "-0", "1", "1.", ".1", "1.5", "-1.5", "+1.5", "-2.0000000005", "1.0000000015", "00000000001"),
        *("0000000000.1", "9223372036.854775807", "9223372036.854775808", "-9223372036.854775807"),
        *("9223372036.8547758074999", "9223372035.9999999999999999999", "1e3", "nan", "inf", "1_0", "٣", "1.5.2"),
        *("0.1234567890123456789012345678", "0.30000000000000004", "--", "0x1"),
    ]
)
HEXES = st.sampled_from(["00", "0b03", "FFfe", "0", "0b0", "zz", "", "0b 03", "٣٣"])
LETTERS = st.sampled_from(["", ".", "..", "pf", "b.", "P", "x", " "])
ENDS = st.sampled_from(["\n", "\r\n", "\n\n", "\r\r\n", " \n", "\r", ",\n"])


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(FIELDS, HEXES, LETTERS, ENDS), min_size=1, max_size=6), st.booleans())
def test_rows_of_any_make(both: Both, rows: list[tuple[str, str, str, str]], flagged: bool) -> None:
    """Each of them behind a plain row, so that the walk is on its way when it meets it."""
    lines = ["time_s,hex,flags\n" if flagged else "time_s,hex\n", "0,00,\n" if flagged else "0,00\n"]
    for time, data, letters, end in rows:
        lines.append(f"{time},{data},{letters}{end}" if flagged else f"{time},{data}{end}")
    both.read("".join(lines).encode(), ".csv", (window.PIECE, 5))


PLAIN_TIMES = st.decimals(-9_223_372_035, 9_223_372_035, allow_nan=False, places=9) | st.decimals(
    -9_000_000_000, 9_000_000_000, allow_nan=False, places=14
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(PLAIN_TIMES, st.binary(min_size=1, max_size=40)), min_size=1, max_size=20))
def test_plain_rows_against_the_standard_library(both: Both, rows: list[tuple[Decimal, bytes]]) -> None:
    """Rows read by Python's csv module and decimals are the second reading."""
    text = "time_s,hex\n" + "".join(f"{time:f},{data.hex()}\n" for time, data in rows)
    theirs = [
        Chunk(int((Decimal(row["time_s"]) * NS).to_integral_value(ROUND_HALF_EVEN)), bytes.fromhex(row["hex"]))
        for row in csv.DictReader(io.StringIO(text))
    ]
    assert both.read(text.encode(), ".csv").chunks == theirs


def test_a_line_of_one_mib_and_one_byte_more(both: Both) -> None:
    longest = b"1," + b"0b" * ((1 << 19) - 2) + b" \n"
    assert len(longest) == 1 << 20
    plain = b"time_s,hex\n" + b"0,00\n" * 3
    assert both.read(plain + longest + b"2,00\n", ".csv").error == ""
    assert "csv:5: the line is over 1 MiB long" in both.read(plain + b" " + longest + b"2,00\n", ".csv").error
    assert "csv:5: the line is over 1 MiB long" in both.read(plain + b" " + longest, ".csv").error


# -- both ----------------------------------------------------------------------------------------------------------


def long_files(folder: Path) -> Iterator[tuple[str, list[Chunk]]]:
    chunks = [Chunk(c.t_ns, c.data, "b" * len(c.data) if n % 50 == 3 else None) for n, c in enumerate(made(32))]
    write_csv(folder / "long.csv", chunks, LINE)
    write_pcapng(folder / "long.pcapng", chunks, LINE)
    yield from ((suffix, chunks) for suffix in (".csv", ".pcapng"))


def test_a_real_line_in_pieces_and_batches_of_any_size(
    both: Both, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for suffix, chunks in long_files(tmp_path):
        data = (tmp_path / f"long{suffix}").read_bytes()
        for full in (1, 7, 100, 1 << 22):
            monkeypatch.setattr(gathering, "_FULL_BYTES", full)
            whole = both.read(data, suffix, (1000, 4099, window.PIECE))
            assert whole.chunks == chunks


def test_batches_are_full_but_the_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gathering, "_FULL_CHUNKS", 50)
    for suffix, chunks in long_files(tmp_path):
        for large in (0, 1 << 30):
            monkeypatch.setattr(window, "LARGE", large)
            sizes = [len(batch.ends) for batch in read(tmp_path / f"long{suffix}").batches]
            assert sum(sizes) == len(chunks)
            assert all(size >= 50 for size in sizes[:-1])
            assert sizes[-1] > 0


def test_a_file_that_grows_meanwhile_is_the_same_recording_again(tmp_path: Path) -> None:
    for suffix, chunks in long_files(tmp_path):
        path = tmp_path / f"long{suffix}"
        whole = path.read_bytes()
        path.write_bytes(whole[:-5])
        recording = read(path)
        path.write_bytes(whole)
        assert (
            sum(len(chunk.data) for chunk in recording.chunks)
            == recording.byte_count
            < sum(len(chunk.data) for chunk in chunks) + (suffix == ".csv")
        )


@pytest.mark.parametrize("full", [1, 2, 3, 100])
def test_clock_steps_are_told_across_batches(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, full: int) -> None:
    path = tmp_path / "line.csv"
    write_csv(path, [Chunk(t_ns, b"a") for t_ns in (10, 20, 5, 6, 4, 4, 9)])
    monkeypatch.setattr(gathering, "_FULL_CHUNKS", full)
    assert read(path).clock_stepped == (ClockStep(2, 20, 5), ClockStep(4, 6, 4))
