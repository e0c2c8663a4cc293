"""Is the listener set as the line is: each wrong setting on the bit-level line, and what only looks like it."""

import random
from dataclasses import replace

import pytest
from health_lines import S, frame, health_of, heard, names, read_answer, read_request, receiver, told, without_flags

from sidetap.line import Batch, Chunk, Settings, listen
from sidetap.survey import survey
from sidetap.yard import LineSettings, Yard
from sidetap.yard.uart import receive
from sidetap.yard.wire import Burst, resolve

MISTUNED = {"wrong-parity", "swapped-polarity", "wrong-baud"}


def mistuned(chunks: list[Chunk], settings: Settings | None) -> list[str]:
    return [finding.finding for finding in told(chunks, settings) if finding.finding in MISTUNED]


@pytest.fixture(scope="module")
def right() -> list[Chunk]:
    return heard(Yard(noise=True), 60)


def test_a_listener_set_as_the_line_is_has_no_finding(right: list[Chunk]) -> None:
    assert told(right) == []
    assert told(right, None) == []
    assert told(without_flags(right)) == []


def clean_share(chunks: list[Chunk]) -> float:
    """Return the share of bytes that are in whole exchanges and carry no flag."""
    result = health_of(chunks, None).result()
    return result.explained * (1 - (result.signal.rate("pfb") or 0.0))


def test_acceptance_01_only_the_right_parity_gives_clean_frames(right: list[Chunk]) -> None:
    """8O1 and 8N1 pass every check code of an 8E1 line; what tells are the flags, and the finding cites them."""
    assert clean_share(right) >= 0.995
    for framing in ("8O1", "8N1"):
        chunks = heard(Yard(), 60, receiver(f"19200 {framing}"))
        assert health_of(chunks).result().explained > 0.99
        assert clean_share(chunks) < 0.6
        (finding,) = told(chunks, Settings(19200, framing))
        assert (finding.finding, finding.severity.value) == ("wrong-parity", "warning")
        rate = health_of(chunks).result().signal.rate("p" if framing == "8O1" else "f")
        assert rate is not None
        assert f"{rate:.1%}" in finding.evidence
        assert "pass all the same" in finding.evidence
        assert mistuned(without_flags(chunks), Settings(19200, framing)) == []  # nothing could tell


def test_one_that_takes_the_low_stop_bit_for_a_start_gets_no_frame_and_a_finding() -> None:
    chunks = heard(Yard(), 30, receiver("19200 8N1", takes_low_stop=True))
    (finding,) = told(chunks, Settings(19200, "8N1"))
    assert (finding.finding, finding.severity.value) == ("wrong-parity", "fault")
    assert finding.text == "The line is 8E1, and the listener was set to 8N1."
    assert "0b 03 00 64 00 03" in finding.evidence  # the controller's first poll, never heard whole


def test_noise_that_flags_bytes_at_random_is_no_wrong_parity(right: list[Chunk]) -> None:
    dice = random.Random(1)
    noisy = [Chunk(c.t_ns, c.data, "".join("p" if dice.random() < 0.5 else "." for _ in c.data)) for c in right]
    assert mistuned(noisy, None) == []


@pytest.mark.parametrize("biased", [True, False])
@pytest.mark.parametrize("takes_low_stop", [True, False])
def test_acceptance_38_a_swapped_pair_is_told_from_30_s(biased: bool, takes_low_stop: bool) -> None:
    chunks = heard(Yard(), 30, receiver(inverted=True, biased=biased, takes_low_stop=takes_low_stop))
    for settings in (Settings(19200, "8E1"), None):
        (finding,) = told(chunks, settings)
        assert (finding.finding, finding.severity.value) == ("swapped-polarity", "fault")
        assert "Swap the pair" in finding.settle
        assert "A and B both ways" in finding.settle.replace("\n", " ")
    assert mistuned(without_flags(chunks), Settings(19200, "8E1")) == ["swapped-polarity"]
    found = survey(listen([Batch.of(chunks)], None))
    assert all(not device.values for device in found.devices)


def test_a_continuous_break_is_a_swapped_pair_on_a_biased_line() -> None:
    chunks = [Chunk(n * S, b"\0", "b") for n in range(30)]
    assert mistuned(chunks, None) == ["swapped-polarity"]
    assert mistuned([Chunk(n * S, b"\0", ".") for n in range(30)], None) == []


@pytest.mark.parametrize("baud", [1200, 2400, 4800, 9600, 14400])
def test_too_slow_a_listener(baud: int) -> None:
    chunks = heard(Yard(), 30, receiver(f"{baud} 8E1"))
    (finding,) = told(chunks, Settings(baud, "8E1"))
    assert finding.finding == "wrong-baud"
    assert "faster" in finding.text


@pytest.mark.parametrize("baud", [28800, 38400, 57600, 115200])
def test_too_fast_a_listener(baud: int) -> None:
    chunks = heard(Yard(), 30, receiver(f"{baud} 8E1"))
    for settings in (Settings(baud, "8E1"), None):
        (finding,) = told(chunks, settings)
        assert finding.finding == "wrong-baud"
        assert "slower than the listener" in finding.text
    if baud >= 2 * 19200:
        assert mistuned(without_flags(chunks), Settings(baud, "8E1")) == ["wrong-baud"]


def test_what_is_no_wrong_speed() -> None:
    """Noise on an open pair, another language, and a line where most frames are hurt."""
    dice = random.Random(2)
    noise = [
        Chunk(n * S // 10, dice.randbytes(6), "".join(dice.choice(".pffb") for _ in range(6))) for n in range(600)
    ]
    assert mistuned(noise, None) == []
    words = [Chunk(n * S, f"LEVEL {dice.randrange(9000):05d} MM\r\n".encode()) for n in range(200)]
    assert mistuned(words, None) == []
    flagged = [Chunk(c.t_ns, c.data, "." * len(c.data)) for c in words]
    assert mistuned(flagged, Settings(9600, "8N1")) == []


def test_a_line_whose_answers_are_all_hurt_is_set_rightly() -> None:
    yard = Yard()
    for device in (11, 12, 13, 14, 15, 16, 31):
        yard.faults.flip(device, 0.05)
    assert mistuned(heard(yard, 30), Settings(19200, "8E1")) == []


def inverted(request: bytes) -> Chunk:
    """Return what a receiver on a swapped pair without bias makes of one request."""
    line = LineSettings()
    burst = Burst(S, S + line.characters_ns(len(request)), request, "somebody")
    runs = receive(resolve([burst], line, 1), receiver(inverted=True, biased=False))
    return Chunk(0, b"".join(run.data for run in runs), "".join(run.flags for run in runs))


def test_one_request_alone_may_be_luck_and_two_are_not() -> None:
    """What is said over and over again passes each time if it once does by luck; flags leave little room for that."""
    one, two = inverted(read_request(7, 0, 2)), inverted(read_request(9, 4, 1))
    settings = Settings(19200, "8E1")
    alone = [replace(one, t_ns=n * S) for n in range(60)]
    assert mistuned(alone, settings) == ["swapped-polarity"]
    assert mistuned(alone[:8], settings) == []
    assert mistuned(without_flags(alone), settings) == []
    both = [replace(two if n % 2 else one, t_ns=n * S) for n in range(60)]
    assert mistuned(without_flags(both), settings) == ["swapped-polarity"]


def test_a_master_that_nobody_answers_is_set_rightly() -> None:
    chunks = [Chunk(n * S // 4, read_request(1 + n % 9, 0, 2)) for n in range(400)]
    assert mistuned(chunks, Settings(19200, "8E1")) == []
    one = [Chunk(n * S // 4, read_request(7, 0, 2) + (read_answer(7, [n, 0]) if n % 2 else b"")) for n in range(400)]
    assert mistuned(one, None) == []
    assert names(told([Chunk(n * S, frame(1, 7) + frame(1, 7, n)) for n in range(99)], None)) == []
