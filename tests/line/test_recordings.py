"""Recording formats: one contract for all of them, then what is special to each, then files that mean harm."""

import contextlib
import json
import os
import socket
import struct
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recording_files import block, interface, option, packet, section
from synthetic_line import make

from sidetap.errors import BadInput
from sidetap.line import Chunk, Settings
from sidetap.line.recording import PcapngWriter, Recording, read, write_csv, write_pcapng

LINE = Settings.parse("19200 8E1")
CHUNKS = [
    Chunk(-1_500_000_001, b"\x0b\x03\x00d"),
    Chunk(0, b"\x00\x03\x44"),
    Chunk(16_000_000, b"\x2e", "p"),
    Chunk(16_000_000, b"\xff\x00\x0a\x0d\x0a", ".fb.."),
    Chunk(9_000_000_000_000_000_000, b"\x01"),
]


class RecordingContract:
    """What every format keeps. A new format inherits this and says how it is written."""

    suffix = ""
    keeps_times = True

    def write(self, path: Path, chunks: Iterable[Chunk], line: Settings | None = None) -> None:
        raise NotImplementedError

    def whole(self, tmp_path: Path, chunks: Iterable[Chunk], line: Settings | None = None) -> Recording:
        path = tmp_path / f"line{self.suffix}"
        self.write(path, chunks, line)
        return read(path)

    def test_comes_back_as_it_was(self, tmp_path: Path) -> None:
        recording = self.whole(tmp_path, CHUNKS)
        chunks = list(recording.chunks)
        assert b"".join(chunk.data for chunk in chunks) == b"".join(chunk.data for chunk in CHUNKS)
        if self.keeps_times:
            assert chunks == CHUNKS
        assert recording.byte_count == 14
        assert not recording.truncated
        assert recording.settings is None

    def test_can_be_read_again_and_again(self, tmp_path: Path) -> None:
        recording = self.whole(tmp_path, CHUNKS)
        assert list(recording.chunks) == list(recording.chunks)

    def test_is_told_by_content_whatever_it_is_called(self, tmp_path: Path) -> None:
        if not self.keeps_times:
            return self.test_comes_back_as_it_was(tmp_path)  # bare bytes have no content to be told by
        path = tmp_path / "line.wrong"
        self.write(path, CHUNKS)
        assert list(read(path).chunks) == CHUNKS
        return None

    def test_settings_come_back(self, tmp_path: Path) -> None:
        recording = self.whole(tmp_path, CHUNKS, LINE)
        assert recording.settings == (LINE if self.keeps_times else None)

    def test_clock_steps_are_told_and_order_is_kept(self, tmp_path: Path) -> None:
        chunks = [Chunk(10, b"a"), Chunk(20, b"b"), Chunk(5, b"c"), Chunk(6, b"d")]
        recording = self.whole(tmp_path, chunks)
        assert b"".join(chunk.data for chunk in recording.chunks) == b"abcd"
        steps = [(step.chunk, step.before_ns, step.after_ns) for step in recording.clock_stepped]
        assert steps == ([(2, 20, 5)] if self.keeps_times else [])

    def test_without_any_byte_is_an_error(self, tmp_path: Path) -> None:
        with pytest.raises(BadInput, match="not one byte"):
            self.whole(tmp_path, [])

    def test_torn_anywhere_it_is_read_up_to_the_last_whole_chunk(self, tmp_path: Path) -> None:
        path = tmp_path / f"line{self.suffix}"
        self.write(path, CHUNKS, LINE)
        data = path.read_bytes()
        counts = set()
        for length in range(len(data) - 1, 0, -1):
            path.write_bytes(data[:length])
            try:
                recording = read(path)
            except BadInput:
                continue  # the header is torn, or no chunk is left
            found = list(recording.chunks)
            counts.add(len(found))
            if self.keeps_times:
                whole = len(found) if found and found[-1] == CHUNKS[len(found) - 1] else len(found) - 1
                assert found[:whole] == CHUNKS[:whole]
                assert whole >= len(found) - (self.suffix == ".csv")  # a row cut at a whole byte is a whole row
        assert counts >= ({1, 2, 3, 4} if self.keeps_times else {1})

    def test_a_real_line_is_the_same_line_again(self, tmp_path: Path) -> None:
        line = make(300, seed=51)
        recording = self.whole(tmp_path, line.chunks(), LINE)
        assert b"".join(chunk.data for chunk in recording.chunks) == bytes(line.data)
        if self.keeps_times:
            assert list(recording.chunks) == line.chunks()


class TestCsv(RecordingContract):
    suffix = ".csv"

    def write(self, path: Path, chunks: Iterable[Chunk], line: Settings | None = None) -> None:
        write_csv(path, chunks, line)

    @pytest.mark.parametrize(
        "text",
        [
            b"time_s,hex\n0.5,0b03\n",
            b"\xef\xbb\xbftime_s,hex\r\n0.5,0B03\r\n",
            b"time_s,hex,flags\n5e-1,0b03,..\n",
            b"time_s,hex,flags\n.5000000001,0b03,..\n",
            b"# settings 19200 8E1\ntime_s,hex,flags\n+0.5,0b03,\n",
            b"\xef\xbb\xbf# settings 19200 8E1\r\ntime_s,hex\r\n0.500,0b03",
            b"time_s,hex\n0.5,0b03\n\n",
        ],
    )
    def test_forms_that_are_the_same(self, tmp_path: Path, text: bytes) -> None:
        path = tmp_path / "line.csv"
        path.write_bytes(text)
        recording = read(path)
        assert list(recording.chunks) == [Chunk(500_000_000, b"\x0b\x03")]
        assert not recording.truncated

    @pytest.mark.parametrize(
        ("row", "problem"),
        [
            ("1,0b0", "no row of whole bytes"),
            ("1,", "no row of whole bytes"),
            ("1,0b 03", "no row of whole bytes"),
            ("1,zz", "no row of whole bytes"),
            ("nan,0b", "no time in seconds"),
            ("inf,0b", "no time in seconds"),
            ("-Infinity,0b", "no time in seconds"),
            ("1e10,0b", "too far away"),
            ("-9300000000,0b", "too far away"),
            ("1e11,0b", "no time in seconds"),
            ("1e999999999,0b", "no time in seconds"),
            (",0b", "no time in seconds"),
            ("one,0b", "no time in seconds"),
            ("1", "a row of 1 fields"),
            ("1,0b,.", "a row of 3 fields"),
        ],
    )
    def test_a_bad_row_is_an_error_unless_it_is_the_last(self, tmp_path: Path, row: str, problem: str) -> None:
        path = tmp_path / "line.csv"
        path.write_text(f"time_s,hex\n0,0b03\n{row}\n2,0b\n")
        with pytest.raises(BadInput, match=problem) as raised:
            read(path)
        assert raised.value.place == f"{path}:3"
        path.write_text(f"time_s,hex\n0,0b03\n{row}\n")
        recording = read(path)
        assert recording.truncated
        assert list(recording.chunks) == [Chunk(0, b"\x0b\x03")]
        path.write_text(f"time_s,hex\n{row}\n")  # the only one: rather another file than a torn end
        with pytest.raises(BadInput, match=problem) as raised:
            read(path)
        assert raised.value.place == f"{path}:2"

    @pytest.mark.parametrize("flags", [".", "...", "xx", "PP"])
    def test_flags_of_another_length_or_letter(self, tmp_path: Path, flags: str) -> None:
        path = tmp_path / "line.csv"
        path.write_text(f"time_s,hex,flags\n0,0b03,{flags}\n1,0b,.\n")
        with pytest.raises(BadInput, match=r"one of the letters \. p f b"):
            read(path)

    @pytest.mark.parametrize(
        ("text", "problem", "line"),
        [
            (b"", "the header is", 1),
            (b"time_s,level\n0,1\n", "the header is", 1),
            (b"time,hex\n0,0b\n", "the header is", 1),
            (b"time_s,hex,flags,more\n0,0b,.,\n", "the header is", 1),
            (b"# settings 19200\ntime_s,hex\n0,0b\n", "no line setting", 1),
            (b"# settings 19200 8E1\n0,0b\n", "the header is", 2),
            ("time_s,hex\n0,0b\n".encode("utf-16"), "no UTF-8", 1),
            (b"time_s,hex\n0,0b\n1,\xff\xfe\n2,0b\n", "no UTF-8", 3),
            (b"time_s,hex\n0," + b"0b" * 600_000 + b"\n1,0b\n", "over 1 MiB", 2),
        ],
    )
    def test_broken_files(self, tmp_path: Path, text: bytes, problem: str, line: int) -> None:
        path = tmp_path / "line.csv"
        path.write_bytes(text)
        with pytest.raises(BadInput, match=problem) as raised:
            read(path)
        assert raised.value.place == f"{path}:{line}"

    def test_a_chunk_without_a_time_can_not_be_written_and_nothing_is_left(self, tmp_path: Path) -> None:
        with pytest.raises(ValueError, match="needs the time"):
            write_csv(tmp_path / "line.csv", [Chunk(0, b"a"), Chunk(None, b"b")])
        assert list(tmp_path.iterdir()) == []

    def test_a_failed_write_leaves_the_file_that_was_there(self, tmp_path: Path) -> None:
        path = tmp_path / "line.csv"
        write_csv(path, CHUNKS)
        with pytest.raises(ValueError, match="needs the time"):
            write_csv(path, [Chunk(None, b"b")])
        assert list(read(path).chunks) == CHUNKS


class TestBin(RecordingContract):
    suffix = ".bin"
    keeps_times = False

    def write(self, path: Path, chunks: Iterable[Chunk], line: Settings | None = None) -> None:
        path.write_bytes(b"".join(chunk.data for chunk in chunks))

    def test_has_no_times(self, tmp_path: Path) -> None:
        assert [chunk.t_ns for chunk in self.whole(tmp_path, CHUNKS).chunks] == [None]


class TestPcapng(RecordingContract):
    """The layout is that of the IETF draft on pcapng; these blocks are built here, apart from our writer."""

    suffix = ".pcapng"

    def write(self, path: Path, chunks: Iterable[Chunk], line: Settings | None = None) -> None:
        write_pcapng(path, chunks, line)

    def read_bytes(self, tmp_path: Path, data: bytes) -> Recording:
        path = tmp_path / "line.pcapng"
        path.write_bytes(data)
        return read(path)

    def test_the_writer_writes_just_these_blocks(self, tmp_path: Path) -> None:
        path = tmp_path / "line.pcapng"
        write_pcapng(path, [Chunk(16, b"\x0b\x03\x00"), Chunk(-1, b"\xff", "f")], LINE)
        assert path.read_bytes() == (
            section()
            + interface(option(3, b"19200 8E1") + option(9, b"\x09") + bytes(4))
            + packet(16, b"\x0b\x03\x00")
            + packet(2**64 - 1, b"\xff", option(1, b"f") + bytes(4))
        )

    @pytest.mark.parametrize("order", ["<", ">"])
    def test_both_byte_orders(self, tmp_path: Path, order: str) -> None:
        data = section(order) + interface(option(9, b"\x09", order), order=order) + packet(7, b"abc", order=order)
        assert list(self.read_bytes(tmp_path, data).chunks) == [Chunk(7, b"abc")]

    @pytest.mark.parametrize(
        ("options", "t_ns"),
        [
            (b"", 5_000),  # microseconds unless said otherwise
            (option(9, b"\x03"), 5_000_000),
            (option(9, b"\x81"), 2_500_000_000),  # halves of a second
            (option(9, b"\x09") + option(14, struct.pack("<q", -2)), -1_999_999_995),
        ],
    )
    def test_time_resolutions_and_offsets(self, tmp_path: Path, options: bytes, t_ns: int) -> None:
        data = section() + interface(options) + packet(5, b"a")
        assert [chunk.t_ns for chunk in self.read_bytes(tmp_path, data).chunks] == [t_ns]

    def test_sections_foreign_blocks_and_comments(self, tmp_path: Path) -> None:
        one = (
            section() + interface(option(9, b"\x09")) + block(0x0BAD, b"abcd") + packet(1, b"a", option(1, b"a note"))
        )
        two = section(">") + interface(option(9, b"\x09", ">"), order=">") + packet(2, b"b", order=">")
        assert list(self.read_bytes(tmp_path, one + two).chunks) == [Chunk(1, b"a"), Chunk(2, b"b")]

    def test_simple_packets_have_no_time(self, tmp_path: Path) -> None:
        data = section() + interface() + block(3, struct.pack("<I", 3) + b"abc\0")
        assert list(self.read_bytes(tmp_path, data).chunks) == [Chunk(None, b"abc")]

    def test_a_description_that_is_no_setting_says_nothing(self, tmp_path: Path) -> None:
        data = section() + interface(option(3, b"the yard's line")) + packet(1, b"a")
        assert self.read_bytes(tmp_path, data).settings is None

    def test_zeros_after_a_power_cut_are_a_torn_end(self, tmp_path: Path) -> None:
        recording = self.read_bytes(tmp_path, section() + interface() + packet(1, b"a") + bytes(5000))
        assert recording.truncated
        assert recording.byte_count == 1

    @pytest.mark.parametrize(
        ("data", "problem"),
        [
            (b"\x0a\x0d\x0d\x0a" + bytes(40), "names no byte order"),
            (block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 2, 0, -1)), "unknown version"),
            (section() + interface(link_type=1) + packet(1, b"a"), "link type 1 "),
            (section() + packet(1, b"a"), "not described"),
            (section() + interface() + packet(1, b"a", number=1), "not described"),
            (section() + interface() + struct.pack("<III", 6, 8, 8) + bytes(99), "a block of 8 bytes"),
            (section() + interface() + struct.pack("<II", 6, 1 << 31) + bytes(99), "a block of 2147483648 bytes"),
            (section() + interface() + packet(1, b"a")[:-4] + bytes(4), "two lengths"),
            (section() + interface() + block(6, bytes(8)), "too short"),
            (section() + interface() + block(6, struct.pack("<IIIII", 0, 0, 0, 99, 99)), "a packet of 99 bytes"),
            (section() + interface(option(9, b"\x7f")) + packet(1, b"a"), "exponent 127"),
            (section() + interface(struct.pack("<HH", 3, 999)), "runs over the end"),
            (section() + interface(option(9, b"\x00")) + packet(1 << 62, b"a"), "does not fit 64 bits"),
            (section() + interface() + packet(1, b"ab", option(1, b"p")), "1 flags for 2 bytes"),
            (section() + block(1, b"abcd"), "too short"),
        ],
    )
    def test_broken_files(self, tmp_path: Path, data: bytes, problem: str) -> None:
        with pytest.raises(BadInput, match=problem):
            self.read_bytes(tmp_path, data + packet(1, b"a"))

    @pytest.mark.parametrize("length", [1, 4, 8, 11, 12, 20, 27])
    def test_a_torn_header_is_an_error(self, tmp_path: Path, length: int) -> None:
        with pytest.raises(BadInput, match="header is torn"):
            self.read_bytes(tmp_path, section()[:length])

    def test_a_broken_header_under_our_suffix(self, tmp_path: Path) -> None:
        with pytest.raises(BadInput, match="no section header"):
            self.read_bytes(tmp_path, packet(1, b"a"))

    def test_after_a_crash_every_block_but_the_last_is_good(self, tmp_path: Path) -> None:
        path = tmp_path / "line.pcapng"
        with path.open("wb", buffering=0) as file:
            writer = PcapngWriter(file, LINE)
            for number, chunk in enumerate(CHUNKS):
                writer.write(chunk)
                assert list(read(path).chunks) == CHUNKS[: number + 1]  # while it is still being written

    @settings(max_examples=80, deadline=None)
    @given(st.integers(0, 400), st.binary(min_size=1, max_size=6))
    def test_any_harm_done_to_a_file_is_bad_input_or_a_recording(
        self, tmp_path_factory: pytest.TempPathFactory, at: int, harm: bytes
    ) -> None:
        path = tmp_path_factory.getbasetemp() / "harmed.pcapng"
        write_pcapng(path, CHUNKS, LINE)
        data = bytearray(path.read_bytes())
        data[at : at + len(harm)] = harm
        path.write_bytes(bytes(data))
        with contextlib.suppress(BadInput):
            list(read(path).chunks)


@pytest.mark.parametrize("kind", ["directory", "fifo", "socket", "device", "missing", "unreadable name"])
def test_what_is_no_plain_file_is_refused_at_once(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "line.bin"
    if kind == "directory":
        path.mkdir()
    elif kind == "fifo":
        os.mkfifo(path)
    elif kind == "socket":
        with socket.socket(socket.AF_UNIX) as bound:
            bound.bind(str(path))
    elif kind == "device":
        path = Path("/dev/zero")
    elif kind == "unreadable name":
        path = tmp_path / "line\0.bin"
    with pytest.raises(BadInput):
        read(path)


def test_an_unknown_suffix_without_known_content(tmp_path: Path) -> None:
    path = tmp_path / "line.txt"
    path.write_bytes(b"\x0b\x03")
    with pytest.raises(BadInput, match=r"no recording of a known form. Give one of \.pcapng \.csv \.bin"):
        read(path)


HOSTILE = {
    "a line without an end": (".csv", b"time_s,hex\n" + b"0" * 50_000_000),
    "nothing but line ends": (".csv", b"time_s,hex\n" + b"\n" * 400_000 + b"0,0b\n"),
    "steps without end": (".csv", b"time_s,hex\n" + b"1,0b\n0,0b\n" * 15_000),
    "blocks of nothing": (".pcapng", section() + interface() + block(0x0BAD, b"") * 40_000 + packet(1, b"a")),
    "options without end": (".pcapng", section() + interface() + packet(1, b"a", option(2, b"") * 100_000)),
    "interfaces without end": (".pcapng", section() + interface() * 25_000 + packet(1, b"a")),
    "zeros": (".bin", bytes(500_000)),
    "heads of frames without end": (".bin", b"\x04\x03\xfa" * 30_000),
}


EACH = """
import contextlib, io, json, resource, sys, time
from sidetap.cli.main import run
resource.setrlimit(resource.RLIMIT_AS, (1_000_000_000, 1_000_000_000))
for path in sys.argv[1:]:
    began = time.process_time()
    with contextlib.redirect_stderr(io.StringIO()) as said, contextlib.redirect_stdout(io.StringIO()):
        status = run(["transactions", path])
    print(json.dumps([status, time.process_time() - began, said.getvalue()]))
"""


def test_hostile_files_are_answered_in_bounded_time_and_memory(tmp_path: Path) -> None:
    """The whole verb, held to 1 GB by the kernel; ten seconds of work are the contract."""
    paths = []
    for name, (suffix, data) in HOSTILE.items():
        paths.append(tmp_path / f"{name}{suffix}")
        paths[-1].write_bytes(data)
    done = subprocess.run(
        [sys.executable, "-c", EACH, *map(str, paths)], capture_output=True, text=True, timeout=100, check=True
    )
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(answers) == len(HOSTILE)
    for name, (status, seconds, said) in zip(HOSTILE, answers, strict=True):
        assert status in (0, 2), name
        assert seconds < 10, name
        assert len(said.splitlines()) <= 1, name
        assert said.startswith("error: ") == (status == 2), name
