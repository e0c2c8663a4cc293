"""The demo yard's line as a probe sees it: edges by another hand, from the bits of its UARTs."""

from pathlib import Path

import pytest

from sidetap.line.edges import Verdict, identify, read
from sidetap.yard import Yard

MINUTE_NS = 60_000_000_000


def heard(tmp_path: Path, seconds: int, *, inverted: bool = False, biased: bool = True) -> tuple[Verdict, int]:
    """Write what a probe sees on the demo line, read it back; also the bytes that a receiver took meanwhile."""
    yard = Yard(noise=True)
    probe = yard.add_probe(inverted=inverted, biased=biased)
    yard.advance(seconds * 1_000_000_000)
    path = tmp_path / "edges.csv"
    rows = (f"{t_ns // 10**9}.{t_ns % 10**9:09d},{level}\n" for t_ns, level in probe.edges)
    path.write_text("time_s,level\n" + "".join(rows))
    taken = sum(len(data) for _, data, _ in yard.tap.take(seconds * 1_000_000_000))
    return identify(read(path)), taken


def test_acceptance_01_sixty_seconds_of_edges(tmp_path: Path) -> None:
    verdict, taken = heard(tmp_path, 60)
    assert (verdict.baud, verdict.framing, verdict.inverted) == (19200, "8E1", False)
    assert verdict.confidence > 0.99
    assert verdict.evidence is not None
    assert verdict.evidence.characters == pytest.approx(taken, abs=2)
    assert verdict.evidence.faults == 0
    assert verdict.evidence.checks.rtu == verdict.evidence.checks.bursts > 1000


@pytest.mark.parametrize("biased", [True, False], ids=["biased", "unbiased"])
def test_acceptance_38_a_swapped_pair_shows_in_the_edges(tmp_path: Path, biased: bool) -> None:
    """Rest is low behind a biased receiver, and without bias it is at what is the level of a start bit here."""
    verdict, taken = heard(tmp_path, 30, inverted=True, biased=biased)
    assert (verdict.baud, verdict.framing, verdict.inverted) == (19200, "8E1", True)
    assert verdict.confidence > 0.99
    assert verdict.evidence is not None
    assert verdict.evidence.characters == pytest.approx(taken, abs=4)
    assert verdict.evidence.checks.rtu >= 0.99 * verdict.evidence.checks.bursts > 400
