"""A second device of the same address: both answer, and nobody hears a whole answer."""

from yard_tools import MS, NS, recorded

from sidetap.yard import Yard
from sidetap.yard.frames import whole


def test_a_twin_answers_up_to_3_ms_later_with_other_values() -> None:
    yard = Yard()
    yard.faults.twin(15)
    record = recorded(yard)
    yard.advance(20 * NS)
    first, second = record.of("device 15", "0f03"), record.of("twin of device 15", "0f03")
    assert len(first) == len(second) >= 40  # each poll and its retry
    lags = [b.start_ns - a.start_ns for a, b in zip(first, second, strict=True)]
    assert 0 <= min(lags) < MS < max(lags) <= 3 * MS
    assert all(whole(b.data) for b in second)
    assert all(a.data != b.data for a, b in zip(first, second, strict=True))
    assert not any(span.clean for span in record.spans if any(b.talker.startswith("twin") for b in span.bursts))
    yard.restore(15)
    record.spans.clear()
    yard.advance(30 * NS)
    assert record.of("twin of device 15")[1:] == []  # one may have been about to speak
