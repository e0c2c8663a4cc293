"""What an adapter on the line hands over, and when."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from yard_tools import MS, NS, bytes_of, recorded

from sidetap.yard import Chunk, Framing, LineSettings, Receiver, Yard


def test_acceptance_03_lumps_of_16_ms() -> None:
    """Every byte once, in order, at the first tick after it was whole: frames glued and split."""
    yard = Yard()
    record = recorded(yard)
    yard.advance(10 * NS)
    chunks = yard.tap.take(10 * NS)
    assert b"".join(data for _, data, _ in chunks) == b"".join(b.data for b in record.bursts)
    assert all(t % (16 * MS) == 0 for t, _, _ in chunks)
    ends = [b.start_ns + (n + 1) * 11 * NS / 19200 for b in record.bursts for n in range(len(b.data))]
    delivered = [t for t, data, _ in chunks for _ in data]
    assert all(-1 <= t - end < 16 * MS for t, end in zip(delivered, ends, strict=True))
    assert max(len(data) for _, data, _ in chunks) <= 28  # 16 ms hold 27.9 characters
    assert all(flags is None for _, _, flags in chunks)


@settings(max_examples=12, deadline=None)
@given(st.lists(st.integers(1, 60), min_size=1, max_size=40), st.booleans())
def test_how_often_one_looks_changes_nothing(steps_ms: list[int], second: bool) -> None:
    def yard() -> Yard:
        return Yard(second_master_at="2026-03-11T09:00" if second else None)

    stepped, jumped = yard(), yard()
    chunks: list[Chunk] = []
    now_ns = 0
    for step_ms in steps_ms:
        now_ns += step_ms * MS
        stepped.advance(now_ns)
        new = stepped.tap.take(now_ns)
        assert all(now_ns - step_ms * MS < t <= now_ns for t, _, _ in new)
        chunks += new
    jumped.advance(now_ns)
    assert chunks == jumped.tap.take(now_ns)


def test_immediate_is_a_millisecond() -> None:
    yard = Yard()
    tap = yard.add_tap(latency="immediate")
    yard.advance(NS)
    chunks = tap.take(NS)
    assert all(t % MS == 0 and len(data) <= 2 for t, data, _ in chunks)
    assert b"".join(c[1] for c in chunks) == b"".join(c[1] for c in yard.tap.take(NS))


def test_acceptance_45_held_bytes_come_all_at_once() -> None:
    yard = Yard()
    twin = Yard()
    seen: list[Chunk] = []
    yard.tap.hold(10 * NS)
    for second in range(1, 31):
        yard.advance(second * NS)
        seen += yard.tap.take(second * NS)
    assert max(t for t, _, _ in seen) < 10 * NS
    yard.tap.release(30 * NS)
    late = yard.tap.take(30 * NS)
    assert {t for t, _, _ in late} == {30 * NS}
    assert len(b"".join(data for _, data, _ in late)) == pytest.approx(20 * 194, abs=30)
    yard.advance(31 * NS)
    after = yard.tap.take(31 * NS)
    assert min(t for t, _, _ in after) > 30 * NS
    assert b"".join(c[1] for c in [*seen, *late, *after]) == bytes_of(twin, 31 * NS)


def test_release_keeps_the_times_of_what_was_handed_over_before() -> None:
    yard = Yard()
    yard.tap.hold(NS)
    yard.advance(3 * NS)
    yard.tap.release(3 * NS)
    times = [t for t, _, _ in yard.tap.take(3 * NS)]
    assert times == sorted(times)
    assert {t < NS or t == 3 * NS for t in times} == {True}
    assert min(times) < NS


def test_acceptance_01_flags_of_other_receivers() -> None:
    yard = Yard()
    even = yard.add_tap(flags=True)
    odd = yard.add_tap(receiver=Receiver(LineSettings(framing=Framing.parse("8O1"))), flags=True)
    none = yard.add_tap(receiver=Receiver(LineSettings(framing=Framing.parse("8N1"))), flags=True)
    yard.advance(5 * NS)
    heard = {}
    for name, tap in (("8E1", even), ("8O1", odd), ("8N1", none)):
        chunks = tap.take(5 * NS)
        assert all(flags is None or len(flags) == len(data) for _, data, flags in chunks)
        heard[name] = b"".join(c[1] for c in chunks), "".join(c[2] or "." * len(c[1]) for c in chunks)
    assert heard["8E1"][0] == heard["8O1"][0] == heard["8N1"][0]
    assert set(heard["8E1"][1]) == {"."}
    assert set(heard["8O1"][1]) == {"p"}
    assert set(heard["8N1"][1]) == {".", "f", "b"}


def test_a_swapped_receiver_never_hears_a_frame() -> None:
    yard = Yard()
    record = recorded(yard)
    taps = [yard.add_tap(receiver=Receiver(inverted=True, biased=biased), flags=True) for biased in (True, False)]
    yard.advance(5 * NS)
    for tap in taps:
        chunks = tap.take(5 * NS)
        data = b"".join(c[1] for c in chunks)
        assert len(data) > 100
        assert not any(burst.data in data for burst in record.bursts)
        assert any(set(c[2] or "") & set("pfb") for c in chunks)


def test_acceptance_02_the_count_of_written_bytes_counts() -> None:
    yard = Yard()
    twin = Yard()
    assert yard.tap.bytes_written_to_line == 0
    yard.tap.write(b"\x0b\x03")
    assert yard.tap.bytes_written_to_line == 2
    assert bytes_of(yard, NS) == bytes_of(twin, NS)
