"""Bay B in steel: flow, strokes, the timing relay and the module's image."""

import pytest
from yard_tools import MS, NS

from sidetap.yard import Coil, Wave, Yard

HS_AUTO, HS_HAND, ZSC_B1, ZSO_B1 = 0, 1, 2, 3
XS, LSH, HC, PB_OPEN, PB_CLOSE = 8, 9, 10, 11, 12


class Station:
    """Keeps the module and the relay alive every 100 ms, as a station does."""

    def __init__(self, yard: Yard) -> None:
        self.yard = yard
        self.beating = True
        self._beat = False

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * 10)):
            if self.beating:
                self._beat = not self._beat
                self.yard.module.write_coils(Coil.WATCHDOG, [self._beat], self.yard.now_ns)
            self.yard.advance(self.yard.now_ns + 100 * MS)

    def write(self, coil: Coil, on: bool) -> None:
        self.yard.module.write_coils(coil, [on], self.yard.now_ns)


def opened(coil: Coil = Coil.B1) -> tuple[Yard, Station]:
    yard = Yard()
    station = Station(yard)
    station.run(1)
    station.write(Coil.PUMP_B, True)
    station.write(coil, True)
    return yard, station


def position(yard: Yard, tag: str = "B1") -> float:
    return yard.bay("B").valves[tag].position


def test_drain_rate_of_t1() -> None:
    """400 gpm out of a round vessel of 9.144 m: 1.51416 m³/min over 65.669 m² is 23.06 mm/min, worked by hand."""
    yard, station = opened()
    station.run(10)
    before_mm, before_gal = yard.vessels["T1"].level_mm, yard.bay("B").tanker.loaded_gal
    station.run(60)
    assert before_mm - yard.vessels["T1"].level_mm == pytest.approx(23.06, abs=0.02)
    assert yard.bay("B").tanker.loaded_gal - before_gal == pytest.approx(400, abs=0.01)


@pytest.mark.parametrize(("coil", "tag"), [(Coil.B1, "T1"), (Coil.B2, "T2"), (Coil.B3, "T3")])
def test_what_leaves_a_vessel_is_in_the_tanker(coil: Coil, tag: str) -> None:
    yard, station = opened(coil)
    before = {one: vessel.volume_gal for one, vessel in yard.vessels.items()}
    station.run(60)
    station.write(coil, False)
    station.run(10)
    loaded = yard.bay("B").tanker.loaded_gal
    assert loaded == pytest.approx(400, abs=0.5)  # a minute: half a stroke less in, half a stroke more out
    for one, vessel in yard.vessels.items():
        assert before[one] - vessel.volume_gal == pytest.approx(loaded if one == tag else 0, abs=1e-6)


def test_stroke_of_6_s_both_ways() -> None:
    yard, station = opened()
    station.run(3)
    assert position(yard) == pytest.approx(0.5)
    assert yard.module.inputs()[ZSC_B1 : ZSO_B1 + 1] == [False, False]
    station.run(2.9)
    assert position(yard) < 1
    station.run(0.1)
    assert yard.module.inputs()[ZSC_B1 : ZSO_B1 + 1] == [False, True]
    station.write(Coil.B1, False)
    station.run(5.9)
    assert not yard.module.inputs()[ZSC_B1]
    station.run(0.1)
    assert yard.module.inputs()[ZSC_B1 : ZSO_B1 + 1] == [True, False]


def test_volume_of_a_stroke() -> None:
    """A valve that closes from full flow passes half a stroke's worth: 400 gpm × 3 s = 20 gal."""
    yard, station = opened()
    station.run(20)
    before_gal = yard.bay("B").tanker.loaded_gal
    station.write(Coil.B1, False)
    station.run(10)
    assert yard.bay("B").tanker.loaded_gal - before_gal == pytest.approx(20, abs=0.01)


def test_no_flow_without_the_pump_or_out_of_an_empty_vessel() -> None:
    yard, station = opened()
    station.write(Coil.PUMP_B, False)
    station.run(20)
    assert yard.bay("B").tanker.loaded_gal == 0
    assert not yard.bay("B").pump_running
    yard.set_level("T1", 1)
    in_it_gal = yard.vessels["T1"].volume_gal
    station.write(Coil.PUMP_B, True)
    station.run(20)
    assert yard.bay("B").pump_running
    assert yard.vessels["T1"].level_mm == 0
    assert yard.bay("B").tanker.loaded_gal == pytest.approx(in_it_gal)


def test_two_valves_share_the_pump() -> None:
    yard, station = opened()
    station.write(Coil.B2, True)
    station.run(20)
    before_gal = yard.bay("B").tanker.loaded_gal
    station.run(60)
    assert yard.bay("B").tanker.loaded_gal - before_gal == pytest.approx(400, abs=0.01)


@pytest.mark.parametrize(("beats_at_ms", "drops_at_ms"), [((), 3000), ((500,), 3500), ((1999,), 4999)])
def test_acceptance_40_the_relay_drops_2_s_after_the_last_change(
    beats_at_ms: tuple[int, ...], drops_at_ms: int
) -> None:
    """A hung station: requests go on, the watchdog's coil does not change any more."""
    yard, _ = opened()
    yard.advance(NS)
    module = yard.module
    module.write_coils(Coil.WATCHDOG, [not module.coils[Coil.WATCHDOG]], NS)
    for ms in beats_at_ms:
        yard.advance(NS + ms * MS)
        module.write_coils(Coil.WATCHDOG, [not module.coils[Coil.WATCHDOG]], yard.now_ns)
    before_ns = drops_at_ms * MS - 1
    while yard.now_ns < before_ns:
        yard.advance(min(yard.now_ns + 100 * MS, before_ns))
        module.write_coils(Coil.WATCHDOG, [module.coils[Coil.WATCHDOG]], yard.now_ns)  # no change, no trigger
    assert module.relay_in
    highest = position(yard)
    assert highest > 0.3
    yard.advance(drops_at_ms * MS)
    assert not module.relay_in
    assert module.coils[Coil.B1]
    yard.advance(drops_at_ms * MS + 600 * MS)
    assert position(yard) == pytest.approx(highest - 0.1, abs=1e-6)


def test_a_dead_station_the_module_drops_out_after_2_s() -> None:
    yard, station = opened()
    station.run(3)
    last_ns = yard.now_ns - 100 * MS  # the last request
    yard.advance(last_ns + 2 * NS - 1)
    assert yard.module.coils[Coil.B1]
    yard.advance(last_ns + 2 * NS)
    assert not any(yard.module.coils)
    yard.module.heard(yard.now_ns)
    assert not any(yard.module.coils)  # they come back by a write only


def test_a_request_of_any_kind_keeps_the_outputs() -> None:
    yard, _ = opened()
    for _ in range(5):
        yard.advance(yard.now_ns + NS)
        yard.module.heard(yard.now_ns)
    assert yard.module.coils[Coil.B1]
    assert not yard.module.relay_in  # but the relay wants changes


@pytest.mark.parametrize("what", ["stop", "HAND", "OFF"])
def test_the_hard_wired_ways_to_close(what: str) -> None:
    """Stop, HAND and OFF take the valve's supply at once, whatever the station commands."""
    yard, station = opened()
    station.run(10)
    assert position(yard) == 1
    if what == "stop":
        yard.bay("B").stop_healthy = False
        assert not yard.module.inputs()[XS]
    else:
        yard.bay("B").selector = "HAND" if what == "HAND" else "OFF"
        assert yard.module.inputs()[HS_AUTO : HS_HAND + 1] == [False, what == "HAND"]
    at_ns = yard.now_ns
    yard.advance(at_ns + 50 * MS)
    assert position(yard) == pytest.approx(1 - 50 / 6000)
    station.run(1.5)
    assert position(yard) == pytest.approx(1 - (yard.now_ns - at_ns) / (6 * NS))
    station.run(5)
    assert position(yard) == 0
    assert yard.module.coils[Coil.B1]


def test_inputs_in_the_order_of_the_site_file() -> None:
    yard = Yard()
    bay = yard.bay("B")
    at_rest = {HS_AUTO, ZSC_B1, 4, 6, XS, LSH, PB_CLOSE}
    at_rest |= {13, 15, 17, 19, 21, 24}  # bay A: no probe
    at_rest |= {25, 27, 29, 31, 33, 36}  # bay C
    assert {n for n, bit in enumerate(yard.module.inputs()) if bit} == at_rest
    assert len(yard.module.inputs()) == 40
    bay.hose = True
    bay.open_key = True
    bay.close_key_contact = False
    bay.probe_dry = False
    now = {n for n, bit in enumerate(yard.module.inputs()) if bit}
    assert now == at_rest - {PB_CLOSE, LSH} | {HC, PB_OPEN}
    yard.module.forced = {PB_OPEN: False, ZSO_B1: True}
    assert {n for n, bit in enumerate(yard.module.inputs()) if bit} == now - {PB_OPEN} | {ZSO_B1}


@pytest.mark.parametrize(
    ("tag", "pump", "vessel", "gpm", "stroke_s"),
    [("A4", Coil.PUMP_A, "T4", 200, 6), ("C6", Coil.PUMP_C, "T6", 60, 4), ("C3", Coil.PUMP_C, "T3", 60, 4)],
)
def test_the_other_bays_draw_at_their_own_flow(tag: str, pump: Coil, vessel: str, gpm: float, stroke_s: int) -> None:
    yard = Yard(plan=())
    station = Station(yard)
    station.write(pump, True)
    station.write(Coil[tag], True)
    station.run(stroke_s - 0.1)
    bay = yard.bay(tag[0])
    assert bay.valves[tag].position < 1
    station.run(0.1)
    assert bay.valves[tag].position == 1
    before_gal = yard.vessels[vessel].volume_gal
    station.run(30)
    assert before_gal - yard.vessels[vessel].volume_gal == pytest.approx(gpm / 2, abs=0.01)
    assert yard.bay("B").tanker.loaded_gal == 0


def test_a_stuck_valve_stays_and_lets_liquid_through() -> None:
    yard, station = opened()
    station.run(10)
    yard.bay("B").valves["B1"].stuck = True
    station.write(Coil.B1, False)
    station.run(10)
    assert position(yard) == 1
    before_gal = yard.bay("B").tanker.loaded_gal
    station.run(6)
    assert yard.bay("B").tanker.loaded_gal - before_gal == pytest.approx(40, abs=0.01)
    yard.bay("B").valves["B1"].stuck = False
    station.run(6.1)
    assert position(yard) == 0


def test_no_such_coil() -> None:
    with pytest.raises(IndexError, match="coils 0 to 15, not 16 to 16"):
        Yard().module.write_coils(16, [True], 0)


def test_a_late_clock_changes_nothing_that_was() -> None:
    """A write that comes with a time before the present acts in the present."""
    yard, station = opened()
    station.run(3)
    yard.module.write_coils(Coil.B1, [True], yard.now_ns - NS)
    assert position(yard) == pytest.approx(0.5)


def test_acceptance_42_a_delivery_fills_to_a_level() -> None:
    yard = Yard(plan=())
    yard.faults.line_cut = True  # nobody looks at the line here, and a quiet one is quick
    yard.set_level("T6", 700)
    yard.deliver("T6", 200, until_mm=1350)
    levels = []
    for second in range(1, 1200):
        yard.advance(second * NS)
        levels.append(yard.vessels["T6"].level_mm)
    assert levels == sorted(levels)
    assert levels[-1] == pytest.approx(1350, abs=0.2)
    yard.deliver("T6", -200, minutes=2)
    before_gal = yard.vessels["T6"].volume_gal
    yard.advance(1400 * NS)
    assert before_gal - yard.vessels["T6"].volume_gal == pytest.approx(400, abs=0.5)


def test_acceptance_22_a_wave_is_seen_by_instruments_only() -> None:
    yard = Yard()
    yard.set_level("T1", 600)
    yard.vessels["T1"].wave = Wave(30, 6.5)
    assert yard.vessels["T1"].level_mm == 600
    seen = [yard.vessels["T1"].seen_mm(t * 65 * MS) for t in range(101)]
    assert [min(seen), max(seen)] == pytest.approx([570, 630])
    assert seen[0] == pytest.approx(seen[100])


def test_a_transfer_ramps_like_a_valve_and_drains_to_a_level() -> None:
    """In its first 6 s a transfer of 100 gpm moves half of 10 gal, worked by hand; down it stops where it should."""
    yard = Yard(plan=())
    before_gal = yard.vessels["T5"].volume_gal
    yard.deliver("T5", 100)
    yard.advance(6 * NS)
    assert yard.vessels["T5"].volume_gal - before_gal == pytest.approx(5, abs=0.01)
    yard.deliver("T6", -200, until_mm=960)
    yard.advance(60 * NS)
    assert yard.vessels["T6"].level_mm == pytest.approx(960, abs=0.2)
