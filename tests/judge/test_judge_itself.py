"""The judge under judgement: its lines against outside check codes and the standard, its score against faults."""

import hashlib

import fastcrc
import numpy as np
import pytest
from judge.damage import CLEAN, TIMED, Damage, Delivery, damaged, delivered
from judge.scoring import Rows, score
from judge.sender import NONE, Kind, Sent, send

from sidetap.line import Mode

TRIES = 400


@pytest.fixture(scope="module", params=range(4))
def sent(request: pytest.FixtureRequest) -> Sent:
    return send(int(request.param), TRIES)


def frames(sent: Sent) -> list[bytes]:
    return [sent.data[start:end].tobytes() for start, end in zip(sent.frame_start, sent.frame_end, strict=True)]


def test_check_codes_are_those_of_a_library(sent: Sent) -> None:
    assert all(fastcrc.crc16.modbus(frame) == 0 for frame in frames(sent))


def test_ascii_frames_are_those_of_the_guide() -> None:
    """MODBUS over Serial Line V1.02, 2.5.2: the sum of all bytes, the check included, is 0."""
    for frame in frames(send(1, 100, Mode.ASCII)):
        assert frame[:1] == b":"
        assert frame[-2:] == b"\r\n"
        assert sum(bytes.fromhex(frame[1:-2].decode())) & 0xFF == 0
        assert frame.upper() == frame
        assert len(frame) <= 513


def length(frame: bytes, *, answer: bool) -> int | None:
    """AP 6.1-6.21: how long a frame of this function is, check bytes included; None where no rule says so."""
    function = frame[1]
    if function & 0x80:
        return 5
    asked = {1: 8, 2: 8, 3: 8, 4: 8, 5: 8, 6: 8, 7: 4, 11: 4, 12: 4, 17: 4, 22: 10, 24: 6, 43: 7}
    told = {5: 8, 6: 8, 7: 5, 11: 8, 15: 8, 16: 8, 22: 10}
    table = told if answer else asked
    if function in table:
        return table[function]
    if function in (1, 2, 3, 4, 12, 17, 20, 21, 23) and answer:
        return 5 + frame[2]
    if function in (20, 21):
        return 5 + frame[2]
    if function in (15, 16):
        return 9 + frame[6]
    if function == 23:
        return 13 + frame[10]
    if function == 24:
        return 6 + int.from_bytes(frame[2:4], "big")
    return None


def test_lengths_are_those_of_the_standard(sent: Sent) -> None:
    for frame, answer in zip(frames(sent), sent.frame_is_answer.tolist(), strict=True):
        assert 4 <= len(frame) <= 256
        wanted = length(frame, answer=answer)
        assert wanted is None or wanted == len(frame), frame.hex()


def test_an_answer_is_of_its_request(sent: Sent) -> None:
    all_frames = frames(sent)
    for asked, answer, kind in zip(sent.request.tolist(), sent.answer.tolist(), sent.kind.tolist(), strict=True):
        assert (answer == NONE) == (kind in (Kind.UNANSWERED, Kind.BROADCAST))
        if answer != NONE:
            request, response = all_frames[asked], all_frames[answer]
            assert answer == asked + 1
            assert (response[0], response[1] & 0x7F) == (request[0], request[1])
            assert bool(response[1] & 0x80) == (kind == Kind.EXCEPTION)
            if response[1] in (3, 4, 23):
                assert response[2] == 2 * int.from_bytes(request[4:6], "big")
            if response[1] in (1, 2):
                assert response[2] == -(-int.from_bytes(request[4:6], "big") // 8)


def test_the_same_seed_is_the_same_line() -> None:
    def digest(seed: int) -> str:
        made = send(seed, 200)
        heard = damaged(made, Damage(1e-3, 1e-3, 1e-3, 1e-3))
        batch = delivered(made, heard, Delivery.JITTERED)
        assert batch.t_ns is not None
        return hashlib.sha256(batch.data.tobytes() + batch.t_ns.tobytes() + batch.ends.tobytes()).hexdigest()

    assert digest(5) == digest(5)
    assert digest(5) != digest(6)


def test_what_is_delivered_is_what_was_heard_and_never_early(sent: Sent) -> None:
    heard = damaged(sent, Damage(1e-3, 1e-3, 1e-3, 1e-3))
    for way in TIMED:
        batch = delivered(sent, heard, way)
        assert batch.t_ns is not None
        assert np.array_equal(batch.data, heard.data)
        assert batch.ends[-1] == len(heard.data)
        assert (np.diff(batch.ends) > 0).all()
        assert (np.diff(batch.t_ns) >= 0).all()
        late = batch.t_ns - heard.byte_ns[batch.ends - 1]
        assert late.min() >= 0
        assert late.max() <= (32 if way is Delivery.GLUED else 16) * 1_000_000


def test_damage_is_where_the_truth_says(sent: Sent) -> None:
    heard = damaged(sent, Damage(1e-3, 1e-3, 1e-3, 1e-3))
    assert 0.2 < heard.whole.mean() < 0.95
    for frame, wanted in enumerate(frames(sent)):
        got = heard.data[heard.start[frame] : heard.end[frame]].tobytes()
        assert not heard.whole[frame] or got == wanted
        assert heard.whole[frame] or got != wanted or heard.flipped[frame] == 0
    clean = damaged(sent, CLEAN)
    assert clean.whole.all()
    assert np.array_equal(clean.data, sent.data)


def perfect(sent: Sent) -> Rows:
    """Return the rows that a listener who knows the truth of a clean line would give."""
    tries = len(sent.kind)
    answered = sent.answer != NONE
    starts = sent.frame_start[sent.request]
    request = np.stack([starts, sent.frame_end[sent.request]], axis=1)
    response = np.stack([sent.frame_start[sent.answer], sent.frame_end[sent.answer]], axis=1)
    response[~answered] = NONE
    columns = [np.full(tries, NONE) for _ in range(6)]
    return Rows(
        data=sent.data,
        ends=np.append(starts[1:], len(sent.data)),
        outcome=np.array([0, 1, 2, 4])[sent.kind],
        device=sent.device,
        function=sent.function,
        register=columns[0],
        count=columns[1],
        request=request,
        response=response,
        request_bit=columns[2],
        response_bit=columns[3],
        t_ns=columns[4],
        t_end_ns=columns[5],
        retry=np.zeros(tries, dtype=np.bool_),
        backlog=np.zeros(tries, dtype=np.bool_),
    )


def test_the_score_of_a_perfect_listener_and_of_planted_faults() -> None:
    sent = send(3, TRIES)  # no stray bytes before its first request
    heard = damaged(sent, CLEAN)
    batch = delivered(sent, heard, Delivery.EXACT)
    rows = perfect(sent)
    best = score(sent, heard, batch, rows, timed=True)
    assert best.broken == 0
    assert (best.recall, best.precision, best.found) == (1.0, 1.0, best.answered)
    first = int(np.flatnonzero(sent.kind == Kind.ANSWERED)[5])
    rows.outcome[first] = 2  # told as unanswered
    rows.response[first] = NONE
    worse = score(sent, heard, batch, rows, timed=True)
    assert worse.found_intact == best.found_intact - 1
    rows = perfect(sent)
    rows.response[first, 0] += 1  # a false beginning
    worse = score(sent, heard, batch, rows, timed=True)
    assert (worse.wrong_rows, worse.found_intact) == (1, best.found_intact - 1)
    rows = perfect(sent)
    rows.response_bit[first] = 8 * rows.response[first, 0] + 21  # "mended", and thereby broken
    worse = score(sent, heard, batch, rows, timed=True)
    assert (worse.repaired, worse.repaired_wrong, worse.found_intact) == (1, 1, best.found_intact - 1)
    rows = perfect(sent)
    rows.ends[first] -= 1
    assert score(sent, heard, batch, rows, timed=True).broken > 0
    rows = perfect(sent)
    rows.outcome[first] = 1  # an exception that was none
    assert score(sent, heard, batch, rows, timed=True).wrong_rows == 1
