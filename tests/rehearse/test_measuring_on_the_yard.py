"""Levels that must be doubted or told at once, on the simulated yard: its bytes, the real engine, one clock."""

from dataclasses import replace
from pathlib import Path

from hands import Hands

from sidetap.quantity import NS_PER_S
from sidetap.rehearse.folder import EXAMPLE
from sidetap.rehearse.plant import Plant
from sidetap.site import Site, load_or_refuse
from sidetap.site.cause_effect import compile_site
from sidetap.station.store import Store
from sidetap.yard import Yard


def test_acceptance_07_a_frozen_transmitter_closes_its_bay(hands: Hands) -> None:
    """20 mm are expected in 52 s after the last fall seen, some 3 s before the freeze at the most; then a poll."""
    hands.ticket()
    hands.press_open()
    hands.plant.run(15)
    hands.yard.faults.freeze(11)
    took_s = hands.until(lambda: not hands.commanded(), 60)
    assert 52.04 - 5 <= took_s <= 52.04 + 1.3
    said = "T1 has no valid level: no flow, or a frozen value; expected -23 mm/min"
    close = hands.journal("close", "B1")[-1][1]
    assert (close["cause"], close["text"]) == ("bad", said)
    hands.until(lambda: hands.position() == 0, 7)
    hands.yard.restore(11)
    hands.plant.run(20)
    assert hands.plant.snapshot()["vessels"][0]["quality"] == "good"  # it has moved: it lives
    assert not hands.commanded()


def with_t6(site: Site) -> Site:
    """Return bay B's site with T6 in the place of T3."""
    yard = load_or_refuse(EXAMPLE / "site.toml")
    t6 = replace(yard.vessel("T6"), tag="T3", product=site.vessel("T3").product)
    vessels = tuple(t6 if v.tag == "T3" else v for v in site.vessels)
    return replace(site, vessels=vessels, points=(*site.points, yard.point("LT-6")))


def test_acceptance_42_a_delivery_to_t6s_high_limit_alarms_in_time(tarn_hollow: Site, tmp_path: Path) -> None:
    """200 gpm into T6: its alarm comes 5.0 to 6.5 s after the true level has crossed 1.350 m."""
    site = with_t6(tarn_hollow)
    store = Store.open(tmp_path / "station.db")
    hands = Hands(Plant(Yard(1, night_window=False, noise=True), site, compile_site(site), store), tmp_path)
    hands.yard.set_level("T6", 1346.0)
    hands.plant.run(3)
    hands.yard.deliver("T6", 200)
    high_01mm = site.vessel("T3").high_01mm
    hands.until(lambda: hands.yard.vessels["T6"].level_mm * 10 > high_01mm, 10, step_s=0.02)
    crossed_s = hands.yard.now_ns / NS_PER_S - 0.3  # `until` runs on for so long
    hands.plant.run(7)
    alarms = [t_s for t_s, what in hands.journal("alarm", "T3-high") if what["on"]]
    assert len(alarms) == 1
    assert 5.0 <= alarms[0] - crossed_s <= 6.5
    store.close()
