"""Settings from edges, held against lines drawn by a generator of the tests' own."""

import numpy as np
import pytest
from edge_line import FRAMINGS, Sent, Trial, captured, draw, drawn, modbus, right, rtu, send
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sidetap.line.edges import Edges, Verdict, identify
from sidetap.line.edges.bit_time import BitTime
from sidetap.line.edges.characters import explain
from sidetap.line.edges.framings import readings
from sidetap.line.edges.stretch import Stretch

FULL = 128  # characters


def of(sent: Sent) -> Edges:
    return captured(Trial(0.0, "", False, "", sent))


def found(sent: Sent) -> Verdict:
    return identify(of(sent))


def line(
    framing: str = "8E1", baud: float = 19200.0, characters: int = FULL, seed: int = 1, *, inverted: bool = False
) -> Sent:
    """Modbus frames with 5 % jitter."""
    rng = np.random.default_rng(seed)
    data, gaps = modbus(rng, framing, characters)
    return send(data, gaps, baud, framing, inverted=inverted, jitter=0.05, rng=rng)


def settled(verdict: Verdict) -> tuple[int | None, str | None, bool | None]:
    assert verdict.confidence > 0.99
    return verdict.baud, verdict.framing, verdict.inverted


# -- The generator itself --------------------------------------------------------------------------------------------


def test_characters_are_drawn_as_the_standards_have_them() -> None:
    """Start bit, bits from the lowest up, parity, stop: Modbus over Serial Line V1.02, 2.5.1, figures 10 and 11."""
    assert drawn(0x11, "8E1") == [0, 1, 0, 0, 0, 1, 0, 0, 0, 0, 1]
    assert drawn(0x13, "8O1") == [0, 1, 1, 0, 0, 1, 0, 0, 0, 0, 1]
    assert drawn(0x13, "8N2") == [0, 1, 1, 0, 0, 1, 0, 0, 0, 1, 1]
    assert drawn(0x3A, "7E1") == [0, 0, 1, 0, 1, 1, 1, 0, 0, 1]
    assert drawn(0x3A, "7N2") == [0, 0, 1, 0, 1, 1, 1, 0, 1, 1]


def test_frames_are_those_of_the_standards() -> None:
    """Application Protocol V1.1b3, 6.3, with the unit 0x11; the CRC computed by other hands, [ran]."""
    assert rtu(bytes.fromhex("110300 6B0003".replace(" ", ""))).hex() == "1103006b00037687"
    assert rtu(b"123456789")[-2:] == b"\x37\x4b"  # catalogue of CRC algorithms, CRC-16/MODBUS


# -- Right answers ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("inverted", [False, True], ids=["normal", "inverted"])
@pytest.mark.parametrize("framing", FRAMINGS)
def test_every_framing_both_ways(framing: str, inverted: bool) -> None:
    rng = np.random.default_rng([FRAMINGS.index(framing), inverted])
    for _ in range(5):
        trial = draw(rng, FULL, framing=framing, inverted=inverted)
        verdict = identify(captured(trial))
        assert right(trial, verdict), (trial.baud, trial.kind, verdict)
        assert verdict.confidence > 0.9


@pytest.mark.parametrize("baud", [300.0, 1234.5, 10_400.0, 31_250.0, 111_111.0, 250_000.0, 921_600.0])
def test_any_baud(baud: float) -> None:
    verdict = found(line(baud=baud))
    assert verdict.baud == pytest.approx(baud, rel=2e-3)
    assert verdict.framing == "8E1"


def test_baud_is_measured_with_an_honest_uncertainty() -> None:
    off = []
    for seed in range(16):
        verdict = found(line(baud=17_000.0, seed=seed))
        off.append((verdict.answers[0].baud - 17_000.0) / verdict.baud_u)
    assert 0.5 < float(np.std(off)) < 1.6
    assert abs(float(np.mean(off))) < 0.8


def test_a_clock_that_is_off_is_told_as_measured() -> None:
    assert found(line(baud=19_450.0, characters=400)).baud == pytest.approx(19_450, abs=15)
    assert found(line(baud=19_200.0, characters=400)).baud == 19_200


def test_two_stop_bits_show_only_without_pauses() -> None:
    rng = np.random.default_rng(4)
    data = rng.integers(0, 256, FULL).tolist()
    none, spaced = [0.0] * FULL, rng.uniform(1.2, 4.0, FULL).tolist()
    for framing in ("8N1", "8N2"):
        assert settled(found(send(data, none, 9600, framing, jitter=0.05, rng=rng))) == (9600, framing, False)
        assert settled(found(send(data, spaced, 9600, framing, jitter=0.05, rng=rng)))[1] == "8N1"


@pytest.mark.parametrize("framing", ["8E1", "8N1", "8N2", "8O1", "7E1", "7N2"])
def test_a_swapped_pair_without_bias_rests_at_the_level_of_a_start_bit(framing: str) -> None:
    rng = np.random.default_rng(5)
    data, gaps = modbus(rng, framing, 200)
    sent = send(data, gaps, 19200, framing, inverted=True, jitter=0.05, rng=rng, silence_level=0)
    verdict = found(sent)
    baud, named, inverted = settled(verdict)
    assert (named, inverted) == (framing, True)
    assert baud == pytest.approx(19200, rel=1e-3)
    assert verdict.evidence is not None
    assert verdict.evidence.checks.rtu + verdict.evidence.checks.ascii >= (8 if framing[0] == "8" else 4)


@pytest.mark.parametrize("framing", ["7E1", "7N2", "7O1"])
def test_short_pauses_on_a_short_line_of_seven_bits(framing: str) -> None:
    """A pause of about a bit is a habit here, and no sign of a longer character."""
    rng = np.random.default_rng(17)
    hits = 0
    for _ in range(12):
        data, gaps = rng.integers(0, 128, 16).tolist(), rng.uniform(0.3, 3.0, 16).tolist()
        hits += found(send(data, gaps, 9600, framing, jitter=0.05, rng=rng)).answers[0].framing == framing
    assert hits >= 11


def test_evidence_counts_what_was_sent() -> None:
    frames = [rtu(bytes((device, 3, 0, 100, 0, 2))) for device in range(1, 41)]
    data = [value for frame in frames for value in frame]
    gaps = ([0.0] * 7 + [60.0]) * len(frames)
    rng = np.random.default_rng(6)
    verdict = found(send(data, gaps, 19200, "8E1", jitter=0.05, rng=rng))
    assert settled(verdict) == (19200, "8E1", False)
    assert verdict.evidence is not None
    assert (verdict.evidence.characters, verdict.evidence.faults) == (320, 0)
    assert (verdict.evidence.checks.rtu, verdict.evidence.checks.bursts) == (40, 40)
    assert verdict.evidence.distinct == len(set(data))
    assert verdict.evidence.back_to_back == pytest.approx(7 / 8)
    assert verdict.evidence.jitter == pytest.approx(0.05 / 3**0.5, rel=0.1)  # of an even spread
    assert (verdict.evidence.spikes, verdict.evidence.strays) == (0, 0)


def test_ascii_lines_count_by_their_lrc() -> None:
    """Modbus over Serial Line V1.02, 2.5.2: colon, hexadecimal digits, LRC, CR LF."""
    rng = np.random.default_rng(7)
    body = b":1103006B00037E\r\n"  # 11+03+00+6B+00+03 = 82, LRC 7E
    wrong = b":1103006B00037F\r\n"
    data = list(body * 6 + wrong + body)
    gaps = ([0.0] * 16 + [30.0]) * 8
    for framing in ("7E1", "7O1", "7N2", "8N1"):
        verdict = found(send(data, gaps, 9600, framing, jitter=0.05, rng=rng))
        assert settled(verdict) == (9600, framing, False)
        assert verdict.evidence is not None
        assert (verdict.evidence.checks.ascii, verdict.evidence.checks.rtu) == (7, 0)


def test_check_codes_close_what_parity_leaves_open() -> None:
    """A frame all of whose bytes have an even number of ones: 8N1 and 7E1 differ by its CRC only."""
    frames = (rtu(bytes((device, 3, 0, 3, 0, count))) for device in range(1, 248) for count in range(1, 126))
    even = next(frame for frame in frames if all(value.bit_count() % 2 == 0 for value in frame))
    rng = np.random.default_rng(8)
    data, gaps = list(even) * 20, ([0.0] * 7 + [60.0]) * 20
    verdict = found(send(data, gaps, 19200, "8N1", jitter=0.05, rng=rng))
    assert (verdict.framing, verdict.confidence > 0.9) == ("8N1", True)
    broken = [*even[:-1], even[-1] ^ 3]  # parity stays, the CRC does not fit
    verdict = found(send(broken * 20, gaps, 19200, "8N1", jitter=0.05, rng=rng))
    assert verdict.confidence < 0.9


# -- Lines as they are -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.02, 0.1, 0.2])
def test_spikes_are_left_out(share: float) -> None:
    sent = line(characters=200)
    rng = np.random.default_rng(9)
    at = rng.uniform(sent.t_s[0], sent.t_s[-1], int(share * len(sent.t_s)))
    times = np.sort(np.concatenate((sent.t_s, at, at + rng.uniform(0.01, 0.15, len(at)) / 19200)))
    levels = (np.arange(len(times)) + int(sent.levels[0])) % 2
    verdict = found(Sent(times, levels))
    assert settled(verdict)[1:] == ("8E1", False)
    assert verdict.evidence is not None
    assert verdict.evidence.spikes == pytest.approx(len(at), rel=0.2)
    assert verdict.evidence.faults <= 4


def test_damaged_characters_are_counted_and_change_nothing() -> None:
    rng = np.random.default_rng(10)
    data = rng.integers(0, 256, 600).tolist()
    clean = send(data, [1.0] * 600, 19200, "8E1")
    bit_s = 1 / 19200
    # turn over one data bit in every 20th character: two edges more, or moved ones
    flips = [(20 + n * 12 + 3) * bit_s for n in range(0, 600, 20)]
    edges = np.sort(np.concatenate((clean.t_s, [t for flip in flips for t in (flip, flip + bit_s)])))
    keep = np.ones(len(edges), dtype=bool)
    for n in range(len(edges) - 1):  # two edges at one moment are none
        if keep[n] and edges[n + 1] - edges[n] < 1e-9:
            keep[n : n + 2] = False
    times = edges[keep]
    verdict = found(Sent(times, (np.arange(len(times)) + int(clean.levels[0])) % 2))
    assert settled(verdict) == (19200, "8E1", False)
    assert verdict.evidence is not None
    assert (verdict.evidence.characters, verdict.evidence.faults) == (600, 30)


@pytest.mark.parametrize("inverted", [False, True], ids=["normal", "inverted"])
@pytest.mark.parametrize("skew", [-0.25, -0.12, 0.12, 0.25])
def test_slow_edges_through_one_threshold(skew: float, inverted: bool) -> None:
    sent = line(characters=200, inverted=inverted)
    later = np.where(sent.levels == 1, skew, 0.0) / 19200
    verdict = found(Sent(sent.t_s + later, sent.levels))
    assert settled(verdict)[1:] == ("8E1", inverted)
    assert verdict.baud == pytest.approx(19200, rel=1e-3)
    assert verdict.evidence is not None
    assert verdict.evidence.skew == pytest.approx(skew, abs=0.02)
    assert verdict.evidence.faults == 0


def test_a_line_without_a_single_bit_alone() -> None:
    """Bytes, drawn by hand, whose levels all last two bits and more: the bit time is seen nowhere by itself."""
    rng = np.random.default_rng(19)
    data = rng.choice([0xE6, 0x1E, 0x86, 0x9E, 0xCE, 0x8E], 80).tolist()
    verdict = found(send(data, [0.0] * 80, 9600, "8N2", jitter=0.05, rng=rng))
    assert verdict.answers[0].baud == pytest.approx(9600, rel=2e-3)
    assert verdict.answers[0].framing == "8N2"


def test_devices_whose_clocks_differ() -> None:
    """Two talkers 2 % apart in speed, in turn; common practice, no source."""
    rng = np.random.default_rng(11)
    times, levels, at = [], [], 0.0
    for turn in range(30):
        data, gaps = list(rtu(bytes((11, 3, 0, turn, 0, 2)))), [0.0] * 7 + [50.0]
        sent = send(data, gaps, 9600 * (1.01 if turn % 2 else 0.99), "8E1", jitter=0.03, rng=rng)
        times.append(sent.t_s + at)
        levels.append(sent.levels)
        at = times[-1][-1] + 5e-3
    verdict = found(Sent(np.concatenate(times), np.concatenate(levels)))
    assert settled(verdict)[1:] == ("8E1", False)
    assert verdict.baud == pytest.approx(9600, rel=0.012)
    assert verdict.evidence is not None
    assert verdict.evidence.checks.rtu == 30


def test_coarse_sampling() -> None:
    """115200 baud in steps of 1 µs: 12 % of a bit."""
    sent = line(baud=115_200.0, characters=200)
    verdict = found(Sent(np.round(sent.t_s * 1e6) / 1e6, sent.levels))
    assert settled(verdict)[1:] == ("8E1", False)
    assert verdict.baud == pytest.approx(115_200, rel=1e-3)


def test_a_long_saturated_line_is_read_whole() -> None:
    """Decided on a sample, counted in full: longer than several samples, without any pause."""
    rng = np.random.default_rng(12)
    data = rng.integers(0, 256, 20_000).tolist()
    sent = send(data, [0.0] * len(data), 19200, "8E1", jitter=0.05, rng=rng)
    verdict = found(sent)
    assert settled(verdict) == (19200, "8E1", False)
    assert verdict.evidence is not None
    assert verdict.evidence.characters == pytest.approx(20_000, abs=8)
    assert verdict.evidence.faults <= 8


def test_what_a_capture_begins_with_leads_nobody_astray() -> None:
    sent = line(characters=160)
    for cut in range(0, 60, 7):
        verdict = found(Sent(sent.t_s[cut : len(sent.t_s) - cut], sent.levels[cut : len(sent.levels) - cut]))
        assert settled(verdict)[1:] == ("8E1", False), cut


def test_the_first_rest_at_the_level_of_a_start_bit_costs_most() -> None:
    """A line either rests so or does not: one rest of that kind is a strange thing, a hundred are a habit."""
    bit = BitTime(1e9 / 9600, 0.0, 0.02, 0.0)
    costs = []
    for rests in range(4):
        gaps = [0.0] * 40
        for n in range(rests):
            gaps[9 + 10 * n] = 50.0
        data = np.random.default_rng(18).integers(0, 256, 40).tolist()
        sent = send(data, gaps, 9600, "8E1", silence_level=0, lead_bits=0.0)
        costs.append(explain(Stretch.of(of(sent)).seen(0.0, False), bit, 11).cost)
    first, second, third = np.diff(costs).tolist()
    assert second == pytest.approx(third, abs=2.5)
    assert first > max(second, third) + 5.0


# -- Not more sure than it should be ---------------------------------------------------------------------------------


def test_confidence_means_what_it_says() -> None:
    rng = np.random.default_rng(13)
    sure: list[tuple[float, bool]] = []
    for characters in (6, 8, 12, 16):
        for _ in range(30):
            trial = draw(rng, characters)
            verdict = identify(captured(trial))
            # the answer at the top, whether or not it is sure enough to be given
            sure.append((verdict.confidence, right(trial, verdict)))
            if verdict.confidence < 0.5:
                assert not right(trial, verdict) or None not in (verdict.baud, verdict.framing, verdict.inverted)
    given_ones = [(c, good) for c, good in sure if c >= 0.5]
    assert len(given_ones) > 60
    mean, share = (float(np.mean(column)) for column in zip(*given_ones, strict=True))
    assert mean - 0.03 < share < mean + 0.15  # rather too modest than too bold
    high = [good for c, good in given_ones if c >= 0.9]
    assert len(high) > 20
    assert sum(high) >= 0.95 * len(high)


@pytest.mark.parametrize("characters", [1, 2, 3])
def test_a_few_characters_leave_it_open(characters: int) -> None:
    for seed in range(6):
        verdict = found(line(characters=characters, seed=seed))
        assert verdict.confidence < 0.9
        assert verdict.confidence >= 0.5 or None in (verdict.baud, verdict.framing, verdict.inverted)


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_a_few_edges_say_nothing(count: int) -> None:
    verdict = found(Sent(np.arange(count) * np.float64(1e-4), np.arange(count) % 2))
    assert (verdict.baud, verdict.framing, verdict.inverted) == (None, None, None)
    assert verdict.confidence < 0.5


RANDOM = np.random.default_rng(14)
DUTY = RANDOM.uniform(1e-5, 9e-5, 1000)


@pytest.mark.parametrize(
    "runs_s",
    [
        pytest.param(RANDOM.exponential(1e-4, 2000), id="noise"),
        pytest.param(RANDOM.uniform(1e-5, 1e-4, 2000), id="even noise"),
        pytest.param(RANDOM.lognormal(-9, 1, 2000), id="bursty noise"),
        pytest.param(np.full(2000, 1e-4), id="a square wave"),
        pytest.param(np.tile([3e-5, 7e-5], 1000), id="a pulse train"),
        pytest.param(np.stack((DUTY, 1e-4 - DUTY), axis=1).ravel(), id="pulse widths"),
        pytest.param(RANDOM.choice([5e-5, 1e-4], 2000) * RANDOM.uniform(0.97, 1.03, 2000), id="two-phase code"),
        pytest.param(RANDOM.geometric(0.5, 2000) * 1e-4, id="bits without characters"),
    ],
)
def test_what_is_no_line_of_characters_is_not_called_one(runs_s: NDArray[np.float64]) -> None:
    times = np.concatenate(([0.0], np.cumsum(runs_s)))
    verdict = found(Sent(times, np.arange(len(times)) % 2))
    assert verdict.confidence < 0.5


@pytest.mark.parametrize("value", [0x00, 0x41, 0x55, 0xFF])
@pytest.mark.parametrize("gap", [0.0, 30.0])
def test_one_character_for_ever_is_no_evidence(value: int, gap: float) -> None:
    rng = np.random.default_rng(15)
    verdict = found(send([value] * 200, [gap] * 200, 9600, "8E1", jitter=0.02, rng=rng))
    assert verdict.confidence < 0.7


@pytest.mark.parametrize("value", [0x41, 0x55, 0xFF])
def test_one_character_with_pauses_is_still_read_best_as_what_it_is(value: int) -> None:
    """Not as a slower line whose bits are spikes, nor as one that rests at the level of a start bit."""
    rng = np.random.default_rng(15)
    verdict = found(send([value] * 200, [30.0] * 200, 9600, "8E1", jitter=0.02, rng=rng))
    first = verdict.answers[0]
    assert first.baud == pytest.approx(9600, rel=2e-3)
    assert (first.framing, first.inverted) == ("8E1", False)


def test_a_bit_time_that_makes_spikes_of_bits_pays_for_them() -> None:
    rng = np.random.default_rng(15)
    sent = send([0x41] * 200, [30.0] * 200, 9600, "8E1", jitter=0.02, rng=rng)
    stretch = Stretch.of(of(sent))
    true, slow = (
        min(one.cost for one in readings(stretch, BitTime(bit_ns, 0.0, 0.01, 0.0))) for bit_ns in (1e9 / 9600, 5.5e5)
    )
    assert stretch.without_spikes(5.5e5)[1] >= 390  # two bits alone in each character
    assert slow > true + 1000


def test_one_poll_for_ever_is_told_by_its_check_code() -> None:
    """A controller and a device that never answers."""
    rng = np.random.default_rng(16)
    data, gaps = list(bytes.fromhex("1103006B00037687")) * 30, ([0.0] * 7 + [900.0]) * 30
    verdict = found(send(data, gaps, 9600, "8E1", jitter=0.05, rng=rng))
    assert verdict.framing == "8E1"
    assert verdict.baud == pytest.approx(9600, rel=1e-3)
    assert verdict.inverted is False


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 10**7), max_size=80), st.integers(0, 1), st.sampled_from([1, 1000, 10**11]))
def test_any_edges_get_an_answer(runs: list[int], level: int, unit: int) -> None:
    times = np.cumsum([0, *runs]) * unit / 1e9
    verdict = found(Sent(times, (np.arange(len(times)) + level) % 2))
    assert 0.0 <= verdict.confidence <= 1.0
    assert np.isfinite(verdict.baud_u)
    assert sum(one.probability for one in verdict.answers) <= 1.001
