"""A probe on the line sees the edges that the receivers work from."""

from itertools import pairwise

from sidetap.yard import Receiver, Yard
from sidetap.yard.uart import receive

SECOND = 1_000_000_000


def test_a_receiver_makes_the_taps_bytes_of_what_the_probe_saw() -> None:
    yard = Yard(2, second_master_at="2026-03-11T09:00")  # two who talk at once, too
    probe = yard.add_probe()
    yard.advance(5 * SECOND)
    heard = b"".join(run.data for run in receive(list(probe.edges), Receiver(yard.settings)))
    taken = b"".join(data for _, data, _ in yard.tap.take(5 * SECOND))
    assert heard == taken[: len(heard)]
    assert len(taken) - len(heard) < 200  # a span that is still open


def test_every_edge_changes_the_level_and_time_runs() -> None:
    yard = Yard()
    probe = yard.add_probe()
    yard.advance(3 * SECOND)
    times, levels = zip(*probe.edges, strict=True)
    assert all(a <= b for a, b in pairwise(times))
    assert all(a != b for a, b in pairwise(levels))


def test_a_swapped_pair_with_and_without_bias() -> None:
    yard = Yard()
    plain, biased, free = yard.add_probe(), yard.add_probe(inverted=True), yard.add_probe(inverted=True, biased=False)
    yard.advance(2 * SECOND)
    assert [(t, 1 - level) for t, level in biased.edges] == plain.edges
    assert free.edges[0] == (0, 1)  # rest, as the receiver's fail-safe has it
    assert set(plain.edges[1:]) != set(free.edges[1:])


def test_a_probe_that_comes_later_sees_from_then_on() -> None:
    yard = Yard()
    yard.advance(SECOND)
    probe = yard.add_probe()
    yard.advance(2 * SECOND)
    assert probe.edges[0] == (SECOND, 1)
    assert len(probe.edges) > 100
