"""Bits and receivers: what a real receiver makes of a line, whatever its settings."""

from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidetap.yard import Framing, LineSettings, Receiver
from sidetap.yard.agenda import Agenda
from sidetap.yard.uart import Run, character_bits, receive, shortcut
from sidetap.yard.wire import Burst, Span, Wire, resolve

LINE = LineSettings()
FRAME = bytes.fromhex("0B 03 06 0D 98 00 01 00 B7 6E A2")


def setting(text: str, baud: int = 19200) -> LineSettings:
    return LineSettings(baud, Framing.parse(text))


def burst(data: bytes, start_ns: int = 1_000_000, talker: str = "a", flips: frozenset[int] = frozenset()) -> Burst:
    return Burst(start_ns, start_ns + LINE.characters_ns(len(data)), data, talker, flips)


def by_bits(receiver: Receiver, *bursts: Burst, seed: int = 1) -> list[Run]:
    return receive(resolve(list(bursts), LINE, seed), receiver)


def joined(runs: list[Run]) -> tuple[bytes, str]:
    return b"".join(run.data for run in runs), "".join(run.flags for run in runs)


def test_times_of_the_serial_line_guide() -> None:
    # MODBUS over Serial Line V1.02, 2.5.1.1: characters of 11 bits; t3.5 fixed at 1.75 ms above 19200 baud
    assert LINE.characters_ns(1) == 572_916
    assert LINE.silence_ns == 2_005_208
    assert setting("8E1", 9600).silence_ns == 4_010_416
    assert setting("8E1", 38400).silence_ns == 1_750_000


def test_a_character_bit_by_bit() -> None:
    # 0x0B: start, 1 1 0 1 0 0 0 0 from the lowest bit, three ones: even parity 1, odd parity 0, stop
    assert character_bits(Framing.parse("8E1"))[0x0B] == (0, 1, 1, 0, 1, 0, 0, 0, 0, 1, 1)
    assert character_bits(Framing.parse("8O1"))[0x0B] == (0, 1, 1, 0, 1, 0, 0, 0, 0, 0, 1)
    assert character_bits(Framing.parse("7N2"))[0x0B] == (0, 1, 1, 0, 1, 0, 0, 0, 1, 1)
    for text in ("8X1", "9N1", "8E", "8E3"):
        with pytest.raises(ValueError, match="is not a framing"):
            Framing.parse(text)


@given(st.binary(min_size=1, max_size=40))
def test_own_settings_hear_what_was_said(data: bytes) -> None:
    runs = by_bits(Receiver(LINE), burst(data))
    assert joined(runs) == (data, "." * len(data))
    ends = [1_000_000 + LINE.characters_ns(n + 1) for n in range(len(data))]
    assert all(abs(run.first_end_ns - end) <= 2 for run, end in zip(runs, ends, strict=True))


@given(st.binary(min_size=1, max_size=40))
def test_acceptance_01_odd_parity_hears_valid_bytes_all_flagged(data: bytes) -> None:
    """8E1 heard as 8O1: every byte right, every parity wrong: only flags can tell."""
    assert joined(by_bits(Receiver(setting("8O1")), burst(data))) == (data, "p" * len(data))


@given(st.binary(min_size=1, max_size=40))
def test_acceptance_01_no_parity_hears_valid_bytes_some_flagged(data: bytes) -> None:
    """8E1 heard as 8N1 by a receiver that waits for rest: the parity bit is taken for the stop bit."""
    flags = "".join("b" if v == 0 else "." if v.bit_count() % 2 else "f" for v in data)
    assert joined(by_bits(Receiver(setting("8N1")), burst(data))) == (data, flags)


def test_acceptance_01_no_parity_without_waiting_loses_the_frames() -> None:
    receiver = Receiver(setting("8N1"), after_low_stop="start")
    data, flags = joined(by_bits(receiver, burst(FRAME)))
    assert data != FRAME
    assert "f" in flags


@given(st.lists(st.binary(min_size=1, max_size=12), min_size=1, max_size=3), st.sampled_from(["8E1", "8O1", "8N1"]))
def test_the_shortcut_is_the_bits(pieces: list[bytes], framing: str) -> None:
    """Same bytes, same flags, and the same times to 2 ns, with and without looking at bits."""
    receiver = Receiver(setting(framing))
    span = Span()
    start_ns = 0
    for piece in pieces:
        span.add(burst(piece, start_ns))
        start_ns = span.end_ns + len(piece) * 60_000  # gaps shorter than t3.5, longer ones too
    short = Wire(Agenda(), LINE, 1).received(span, receiver)
    assert shortcut(LINE, receiver) is not None
    long = by_bits(receiver, *span.bursts)
    assert joined(short) == joined(long)
    ends = [run.first_end_ns + LINE.characters_ns(n) for run in short for n in range(len(run.data))]
    assert all(abs(run.first_end_ns - end) <= 2 for run, end in zip(long, ends, strict=True))


@pytest.mark.parametrize(
    "receiver",
    [
        Receiver(setting("8E1", 9600)),
        Receiver(setting("7N1")),  # its stop bit is a data bit of the line: what comes next depends on it
        Receiver(LINE, inverted=True),
        Receiver(setting("8N1"), after_low_stop="start"),
    ],
)
def test_no_shortcut_where_characters_hang_together(receiver: Receiver) -> None:
    assert shortcut(LINE, receiver) is None


def test_acceptance_38_swapped_pair() -> None:
    """With bias a swapped receiver sits in a break; without, it hears inverted bits. Neither hears the frame."""
    biased = joined(by_bits(Receiver(LINE, inverted=True), burst(FRAME)))
    assert biased[0] != FRAME
    assert biased[1][-1] in "fb"  # the line goes back to rest, which looks like a break
    # 0x00 is nine zeros between start and stop: inverted, ones until the stop bit, then the break, worked by hand
    assert joined(by_bits(Receiver(LINE, inverted=True), burst(b"\x00"))) == (b"\x00", "b")
    unbiased = joined(by_bits(Receiver(LINE, inverted=True, biased=False), burst(FRAME)))
    assert FRAME not in unbiased[0]
    assert set(unbiased[1]) & set("pf")
    # 0xff: 0 | 11111111 | 0 | 1 is heard as 1 | 00000000 | 1 | 0, then rest: the first data bit is taken for the
    # start, parity for the highest data bit, and the stop bit for a parity that is wrong; worked by hand
    assert joined(by_bits(Receiver(LINE, inverted=True, biased=False), burst(b"\xff"))) == (b"\x80", "p")


def test_wrong_speed_hears_nonsense() -> None:
    data, flags = joined(by_bits(Receiver(setting("8E1", 9600)), burst(FRAME)))
    assert FRAME not in data
    assert len(data) < len(FRAME)
    assert set(flags) & set("pf")


@given(st.binary(min_size=1, max_size=8), st.data())
def test_one_turned_bit_is_seen(data: bytes, draw: st.DataObject) -> None:
    """Parity shows any single turned data or parity bit."""
    character = draw.draw(st.integers(0, len(data) - 1))
    bit = draw.draw(st.integers(1, 9))
    heard, flags = joined(by_bits(Receiver(LINE), burst(data, flips=frozenset((11 * character + bit,)))))
    assert len(heard) == len(data)
    assert flags == "." * character + "p" + "." * (len(data) - character - 1)
    assert (heard != data) == (bit != 9)


def test_a_spike_is_no_character() -> None:
    assert receive([(1000, 0), (1000 + 20_000, 1)], Receiver(LINE)) == []
    assert joined(receive([(1000, 0), (1000 + 30_000, 1)], Receiver(LINE))) == (b"\xff", "p")


@given(st.integers(0, 5_000_000), st.integers(0, 1000))
def test_overlap_garbles(offset_ns: int, seed: int) -> None:
    """Two frames at once: what comes through is not both, and the same for whoever listens, and causal."""
    first, second = burst(FRAME), burst(bytes.fromhex("0D 04 00 08 00 02 F0 C5"), 1_000_000 + offset_ns, "b")
    runs = by_bits(Receiver(LINE), first, second, seed=seed)
    heard, _ = joined(runs)
    assert not (FRAME in heard and second.data in heard)
    assert runs == by_bits(Receiver(LINE), first, second, seed=seed)
    before = [run for run in runs if run.first_end_ns <= second.start_ns]
    assert before == by_bits(Receiver(LINE), first)[: len(before)]


def test_overlap_garbles_both_nearly_always() -> None:
    intact = 0
    for seed in range(200):
        second = burst(bytes.fromhex("0D 04 00 08 00 02 F0 C5"), 2_500_000, "b")
        heard, _ = joined(by_bits(Receiver(LINE), burst(FRAME), second, seed=seed))
        intact += FRAME in heard or second.data in heard
    assert intact == 0


def test_where_drivers_agree_the_line_is_theirs() -> None:
    same = burst(FRAME)
    assert joined(by_bits(Receiver(LINE), same, burst(FRAME, talker="b")))[0] == FRAME


def test_a_longer_character_than_the_line_s_has_no_shortcut() -> None:
    """8E1 heard on an 8N1 line: the receiver takes the next start bit for a stop bit."""
    assert shortcut(setting("8N1"), Receiver(setting("8E1"))) is None


@pytest.mark.parametrize("after_low_stop", ["wait", "start"])
def test_a_break_is_one_character_however_long(after_low_stop: Literal["wait", "start"]) -> None:
    receiver = Receiver(LINE, after_low_stop=after_low_stop)
    assert joined(receive([(1000, 0), (1000 + 20_000_000, 1)], receiver)) == (b"\x00", "b")
