"""Made yards are what they say, the same each time, and there are enough faults to plant."""

import pytest
from yards import KINDS, Kind, made_yard
from yards.program_faults import PROGRAM_FAULTS
from yards.site_faults import SITE_FAULTS

from sidetap.site.cause_effect import compile_site
from sidetap.site.model import ExclusiveVessel, SharedOnlyAbove, TripVote


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("vessels", "bays"), [(1, 1), (2, 1), (4, 2), (8, 4)])
def test_a_made_yard_compiles_and_is_the_same_each_time(kind: Kind, vessels: int, bays: int) -> None:
    site = made_yard(vessels, bays, kind)
    assert (len(site.vessels), len(site.bays)) == (vessels, bays)
    assert compile_site(site).digest == compile_site(made_yard(vessels, bays, kind)).digest


def test_neighbours_share_a_vessel_by_one_rule_or_the_other() -> None:
    site = made_yard(12, 6, "repeat")
    for n in range(6):
        here, there = ({v.vessel for v in site.valves_of(bay.tag)} for bay in (site.bays[n], site.bays[(n + 1) % 6]))
        assert len(here & there) == 1
    ruled = [rule.vessel for rule in site.rules if isinstance(rule, ExclusiveVessel | SharedOnlyAbove)]
    assert ruled == ["T1", "T3", "T5", "T7", "T9", "T11"]


def test_in_one_kind_every_bay_is_alike_and_in_another_none() -> None:
    alike, different = made_yard(12, 6, "repeat"), made_yard(12, 6, "different")
    assert len({v.open_limit_ns for v in alike.valves}) == 1
    assert len({v.trip.below_01mm for v in alike.vessels}) == 1
    assert len({v.open_limit_ns for v in different.valves}) > 12
    assert len({v.trip.below_01mm for v in different.vessels}) > 8
    assert any(v.trip.lag_ns for v in different.vessels)
    assert any(v.trip.mean_ns for v in different.vessels)


def test_in_one_kind_a_trip_of_any_vessel_closes_every_bay() -> None:
    site = made_yard(12, 6, "any")
    (vote,) = (rule for rule in site.rules if isinstance(rule, TripVote))
    assert (len(vote.vessels), vote.at_least, len(vote.bays)) == (12, 1, 6)


def test_there_are_enough_faults_and_they_are_some() -> None:
    faults = (*SITE_FAULTS, *PROGRAM_FAULTS)
    assert len(SITE_FAULTS) >= 30
    assert len(PROGRAM_FAULTS) >= 30
    assert len({f.name for f in faults}) == len(faults)
    assert [f.name for f in faults[::20] if f.program().digest() == f.yard.scheme.digest] == []
