"""When two levels tell what a draw took, and when they don't: deliveries, other draws, uneven courses.

T1, 400 gpm, five minutes: 2,000 gal, 115.3 mm (worked by hand from 0.38430 mm/s).
"""

from random import Random

import pytest
from answers import YARD, S, answer

from sidetap.measure import Drawn, Meter
from sidetap.quantity import to_si
from sidetap.site import Site, load_or_refuse

FLOW, MM_PER_S = float(to_si(400, "gpm")), 0.38430
GALLON = float(to_si(1, "gal"))
LEAST = 0.9 * FLOW * 294  # at the lower end of the flow's tolerance, without the stroke


@pytest.fixture(scope="module")
def site() -> Site:
    return load_or_refuse(YARD)


class Draw:
    """T1 polled once a second; what comes in besides, as a share of the draw, from one second to another."""

    def __init__(self, site: Site, spread_mm: float = 0.0, seed: int = 1) -> None:
        self.meter, self.mm, self.t_s = Meter(site), 3480.0, 0
        self.spread_mm, self.dice = spread_mm, Random(seed)

    def run(self, seconds: int, flows: tuple[float, ...] = (), delivered: float = 0.0, contact: bool = False) -> None:
        self.meter.draw("T1", flows, contact, self.t_s * S)
        for _ in range(seconds):
            self.t_s += 1
            self.mm += (delivered * FLOW - sum(flows)) / FLOW * MM_PER_S
            told_mm = round(self.mm + self.dice.gauss(0, self.spread_mm))
            self.meter.receive(answer(11, 100, [told_mm, 1, 183], self.t_s))

    def level_01mm(self) -> int:
        level = self.meter.level("T1", self.t_s * S).level_01mm
        assert level is not None
        return level

    def taken(self, first_01mm: int, least_m3: float = LEAST) -> Drawn:
        self.meter.draw("T1", (), False, self.t_s * S)
        return self.meter.drawn("T1", first_01mm, self.level_01mm(), least_m3)


def loaded(site: Site, *parts: tuple[int, float, bool], spread_mm: float = 0.0, seed: int = 1) -> Drawn:
    """A draw in parts: seconds, what is delivered meanwhile as a share of the draw, the receipt's contact."""
    draw = Draw(site, spread_mm, seed)
    draw.run(20)
    first_01mm = draw.level_01mm()
    for seconds, delivered, contact in parts:
        draw.run(seconds, (FLOW,), delivered, contact)
    return draw.taken(first_01mm)


def test_a_plain_draw_is_told_with_its_uncertainty(site: Site) -> None:
    found = loaded(site, (300, 0, False))
    assert found.volume_m3 is not None
    assert found.uncertainty_m3 is not None
    assert found.reason == ""
    assert abs(found.volume_m3 / GALLON - 2000) < found.uncertainty_m3 / GALLON < 0.05 * 2000


@pytest.mark.parametrize("seed", range(6))
def test_noise_is_no_uneven_course(site: Site, seed: int) -> None:
    assert loaded(site, (300, 0, False), spread_mm=1.0, seed=seed).volume_m3 is not None


UNEVEN = "the level did not fall evenly: a delivery, or a flow that changed"


@pytest.mark.parametrize("share", [0.5, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("start_s", [30, 120, 220])
def test_acceptance_42_a_delivery_during_the_draw_is_noticed(site: Site, share: float, start_s: int) -> None:
    """60 s of 200 to 1,200 gpm into a draw of 400."""
    found = loaded(site, (start_s, 0, False), (60, share, False), (300 - start_s - 60, 0, False))
    assert (found.volume_m3, found.uncertainty_m3) == (None, None)
    assert found.reason == UNEVEN


def test_acceptance_42_a_delivery_all_the_time_is_less_than_the_draw_explains(site: Site) -> None:
    found = loaded(site, (300, 0.5, False))
    assert found.volume_m3 is None
    assert found.reason == "the level fell less than the draw explains: a delivery, or less flow than declared"
    assert loaded(site, (300, 1.5, False)).volume_m3 is None


@pytest.mark.parametrize("when", [0, 1, 2])
def test_acceptance_42_a_receipts_contact_leaves_the_volume_out_whatever_the_level_does(
    site: Site, when: int
) -> None:
    parts = [(100, 0.0, False), (100, 0.0, False), (100, 0.0, False)]
    parts[when] = (100, 0.0, True)
    assert loaded(site, *parts).reason == "something was delivered meanwhile"


def test_the_next_draw_starts_with_a_clean_slate(site: Site) -> None:
    draw = Draw(site)
    draw.run(60, (FLOW,), contact=True)
    draw.run(60)
    first_01mm = draw.level_01mm()
    draw.run(300, (FLOW,))
    assert draw.taken(first_01mm).volume_m3 is not None


def test_a_receipt_before_the_liquid_has_come_to_rest_counts_too(site: Site) -> None:
    draw = Draw(site)
    draw.run(20)
    first_01mm = draw.level_01mm()
    draw.run(300, (FLOW,))
    draw.run(5, contact=True)
    assert draw.taken(first_01mm).reason == "something was delivered meanwhile"


def test_another_bays_draw_leaves_the_volume_out(site: Site) -> None:
    draw = Draw(site)
    draw.run(20)
    first_01mm = draw.level_01mm()
    draw.run(100, (FLOW,))
    draw.run(2, (FLOW, FLOW / 2))
    draw.run(198, (FLOW,))
    assert draw.taken(first_01mm).reason == "another bay drew from it meanwhile"


def test_a_pump_that_slows_down_over_the_draw_is_even_enough(site: Site) -> None:
    """From 105 to 95 % of the declared flow."""
    draw = Draw(site)
    draw.run(20)
    first_01mm = draw.level_01mm()
    draw.meter.draw("T1", (FLOW,), False, draw.t_s * S)
    for n in range(10):
        draw.run(30, (FLOW,), delivered=-0.05 + 0.01 * n)
    found = draw.taken(first_01mm)
    assert found.volume_m3 is not None


@pytest.mark.parametrize(("share", "even"), [(0.20, True), (0.35, False)])
def test_a_quarter_of_the_pace_is_where_a_course_gets_uneven(site: Site, share: float, even: bool) -> None:
    """Of 20 mm expected a stretch may be off by less than 5; a fifth is 4, a third 7 less what it is of the whole."""
    found = loaded(site, (300, 0, False), (120, share, False), (300, 0, False))
    assert (found.reason == "") is even
