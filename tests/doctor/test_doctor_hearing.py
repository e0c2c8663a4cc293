"""What the line reported when somebody read, and whose reading it is."""

import dataclasses
import struct
from fractions import Fraction
from pathlib import Path

import pytest
from doctor_yard import G, S, loaded

from sidetap.errors import BadInput
from sidetap.line import Outcome, Transaction
from sidetap.measure.doctor import Comparison, Hearing, Noted, Standing, assign
from sidetap.site import Condition, Site
from sidetap.survey import PersonReading, ReadingKind, read

AT = 1000  # s, when somebody reads


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return loaded(tmp_path_factory.mktemp("yard"))


def answer(device: int, first: int, words: list[int], t_s: float, **changes: object) -> Transaction:
    function = 4 if device in (13, 14) else 3
    data = b"".join(word.to_bytes(2, "big") for word in words)
    made = Transaction(
        t_ns=round(t_s * S) - 20_000_000,
        t_end_ns=round(t_s * S),
        device=device,
        function=function,
        table="input-register" if function == 4 else "holding-register",
        register=first,
        count=len(words),
        request=bytes([device, function]) + first.to_bytes(2, "big") + len(words).to_bytes(2, "big"),
        response=bytes([device, function, len(data)]) + data,
        outcome=Outcome.ANSWERED,
    )
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]  # keys by name


def reading(
    name: str = "T1", value: str = "3.000", unit: str = "m", kind: str = "dip", device: int | None = None
) -> PersonReading:
    rounding, tolerance = Fraction(1, 2000), Fraction(1, 200)
    return PersonReading(1, AT * S, name, Fraction(value), unit, rounding, tolerance, device, ReadingKind(kind))


def noted(site: Site, row: PersonReading | None = None) -> Noted:
    (found,), _ = assign(site, [reading() if row is None else row], Path("readings.csv"))
    return found


def heard(site: Site, *transactions: Transaction, row: PersonReading | None = None) -> Comparison:
    hearing = Hearing(site, [noted(site, row)])
    for transaction in transactions:
        hearing.receive(transaction)
    (found,) = hearing.comparisons()
    return found


def t1(t_s: float, level_mm: int, **changes: object) -> Transaction:
    return answer(11, 100, [level_mm], t_s, **changes)


# -- the level of a moment -------------------------------------------------------------------------------------------


def test_a_level_that_rises_steadily_has_its_value_and_its_rate(site: Site) -> None:
    found = heard(site, *(t1(AT + n, 3000 + 2 * n) for n in range(-8, 9)))
    assert found.standing is Standing.GOOD
    assert found.reported_m == pytest.approx(3.0, abs=1e-12)
    assert found.rate_m_per_s == pytest.approx(0.002, abs=1e-12)
    assert found.scatter_m == pytest.approx(0, abs=1e-9)


def test_only_five_seconds_on_each_side_count(site: Site) -> None:
    far = [t1(AT - 5.001, 5000), t1(AT + 5.001, 5000)]
    found = heard(site, far[0], t1(AT - 5, 3000), t1(AT + 5, 3000), far[1])
    assert found.reported_m == pytest.approx(3.0)


def test_the_rate_is_an_amount_and_scatter_is_what_the_line_leaves(site: Site) -> None:
    values = [3010, 2994, 3002, 2990]  # on the line 3008 - 4n: +2 -10 +2 -6 ... worked below
    found = heard(site, *(t1(AT + n - 1.5, v) for n, v in enumerate(values)))
    # by hand: mean 2999, slope (-1.5×11 + -0.5×-5 + 0.5×3 + 1.5×-9) / 5 = -5.2; left: 3.2 -7.6 5.6 -1.2; √(sum/2)
    assert found.reported_m == pytest.approx(2.999)
    assert found.rate_m_per_s == pytest.approx(0.0052)
    assert found.scatter_m == pytest.approx(((3.2**2 + 7.6**2 + 5.6**2 + 1.2**2) / 2) ** 0.5 / 1000)


def test_slow_polls_are_looked_for_further_away(site: Site) -> None:
    points = tuple(dataclasses.replace(p, poll_ns=60 * S) for p in site.points)
    slow = dataclasses.replace(site, points=points)
    found = heard(slow, t1(AT - 100, 2900), t1(AT - 40, 2960), t1(AT + 20, 3020))
    assert found.reported_m == pytest.approx(3.0)
    assert found.rate_m_per_s == pytest.approx(0.001)


@pytest.mark.parametrize("spoilt", [{"repaired": True}, {"backlog": True}, {"outcome": Outcome.EXCEPTION}])
def test_what_no_station_would_take_is_not_taken_here(site: Site, spoilt: dict[str, object]) -> None:
    found = heard(site, t1(AT - 1, 3000), t1(AT, 4000, **spoilt), t1(AT + 1, 3000))
    assert found.reported_m == pytest.approx(3.0)


def test_other_devices_registers_and_lines_are_not_heard(site: Site) -> None:
    others = [answer(11, 99, [1], AT), answer(12, 100, [1], AT), t1(AT, 1, table="input-register")]
    found = heard(site, *others)
    assert (found.standing, found.reported_m) == (Standing.NOTHING, None)
    hearing = Hearing(site, [noted(site)])
    hearing.receive(t1(AT, 3000), "south")
    assert hearing.comparisons()[0].standing is Standing.NOTHING


# -- when there is none ----------------------------------------------------------------------------------------------


def test_silence_and_a_single_answer_are_no_level(site: Site) -> None:
    assert "no whole answer from device 11" in heard(site).reason
    assert "a single good answer" in heard(site, t1(AT, 3000)).reason
    assert "a single good answer" in heard(site, t1(AT, 3000), t1(AT, 3000)).reason


def test_the_nearest_answer_decides(site: Site) -> None:
    below = [t1(AT + n, 3000) for n in (-3, -2, 3, 4)]
    bad = t1(AT + 1, 65_535)
    assert heard(site, *below, bad).standing is not Standing.GOOD
    found = heard(site, *below, t1(AT + 1, 3000), t1(AT + 2, 65_535))
    assert found.standing is Standing.GOOD
    assert found.reported_m == pytest.approx(3.0)


def test_a_pressure_of_nothing_is_no_level(site: Site) -> None:
    words = list(struct.unpack(">2H", struct.pack(">f", -0.5)))
    found = heard(site, *(answer(13, 8, words, AT + n) for n in (-1, 1)), row=reading("T3", "0.3"))
    assert found.standing is Standing.NOTHING
    assert "sensor" in found.reason


def test_above_the_top_keeps_its_number(site: Site) -> None:
    kilopascal = 1396 * G * 3.0 / 1000  # 3.42 m in a vessel of 3.048 m
    words = list(struct.unpack(">2H", struct.pack(">f", kilopascal)))
    found = heard(site, *(answer(13, 8, words, AT + n) for n in (-1, 1)), row=reading("T3", "2.4"))
    assert found.standing is Standing.ABOVE_TOP
    assert found.reported_m == pytest.approx(3.42, abs=1e-6)
    assert "above the vessel's top at 3.048 m" in found.reason


@pytest.mark.parametrize("level_mm", [7316, 11_417])
def test_outside_the_valid_range_keeps_its_number(site: Site, level_mm: int) -> None:
    found = heard(site, t1(AT - 1, level_mm), t1(AT + 1, level_mm))
    assert found.standing is Standing.INVALID
    assert found.reported_m == pytest.approx(level_mm / 1000)
    assert "outside the valid" in found.reason


def test_a_status_that_says_no_keeps_nothing(site: Site) -> None:
    guarded = dataclasses.replace(
        site,
        points=tuple(
            dataclasses.replace(p, good_when=(Condition(101, "uint16", equals=Fraction(1)),))
            if p.tag == "LT-1"
            else p
            for p in site.points
        ),
    )
    good = [answer(11, 100, [3000, 1], AT + n) for n in (-3, 3)]
    found = heard(guarded, *good, answer(11, 100, [9000, 2], AT))
    assert (found.standing, found.reported_m) == (Standing.NOTHING, None)
    assert heard(guarded, *good).standing is Standing.GOOD


# -- which bytes matter ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("t_s", "wanted"), [(934.9, False), (935.1, True), (1000, True), (1005.9, True), (1006.1, False)]
)
def test_bytes_are_wanted_from_a_minute_before_to_a_second_after(site: Site, t_s: float, wanted: bool) -> None:
    assert Hearing(site, [noted(site)]).wants(round(t_s * S)) is wanted


def test_windows_that_overlap_are_one(site: Site) -> None:
    rows = [dataclasses.replace(reading(), t_ns=t * S) for t in (1040, 1000, 2000)]
    found, _ = assign(site, rows, Path("readings.csv"))
    hearing = Hearing(site, found)
    assert [hearing.wants(t * S) for t in (900, 940, 1020, 1045, 1050, 1930, 1940, 2005, 2010)] == [
        *(False, True, True, True, False, False, True, True, False)
    ]


# -- whose reading ---------------------------------------------------------------------------------------------------


def test_a_name_is_a_vessel_or_a_point_or_known_by_its_device(site: Site) -> None:
    for name, device in (("T1", None), ("LT-1", None), ("T1", 11), ("north tank", 11)):
        assert noted(site, reading(name, device=device)).vessel.tag == "T1"


def test_vessels_come_in_the_order_of_the_site(site: Site) -> None:
    found, unknown = assign(site, [reading(n) for n in ("T4", "pond", "T1", "pond", "T4")], Path("r.csv"))
    assert [each.vessel.tag for each in found] == ["T1", "T4", "T4"]
    assert unknown == ["pond"]


def test_a_device_against_the_site_file_is_refused(site: Site) -> None:
    with pytest.raises(BadInput, match="row 1: 'T1' is device 11 in the site file, not 12"):
        noted(site, reading("T1", device=12))


def test_a_point_of_two_vessels_needs_the_vessels_name(site: Site) -> None:
    level = site.vessel("T1").level
    shared = dataclasses.replace(
        site, vessels=tuple(dataclasses.replace(v, level=level) if v.tag == "T5" else v for v in site.vessels)
    )
    with pytest.raises(BadInput, match="several vessels"):
        noted(shared, reading("LT-1"))
    assert noted(shared, reading("T5")).vessel.tag == "T5"
    with pytest.raises(BadInput, match="none of its names"):
        noted(shared, reading("pond", device=11))


def test_names_of_nothing_are_an_error_when_they_are_all(site: Site) -> None:
    with pytest.raises(
        BadInput, match=r"none of its names is a vessel or a point of the site\. Vessels are T1, T3, T4, T5"
    ):
        noted(site, reading("pond"))


@pytest.mark.parametrize(
    ("name", "unit", "kind"),
    [
        *(("T1", "C", "dip"), ("T1", "kPa", "dip"), ("T1", "%", "dip"), ("T3", "kPa", "dip"), ("T5", "%", "dip")),
        *(("T1", "kPa", "display"), ("T5", "kPa", "display"), ("T3", "F", "display")),
    ],
)
def test_a_unit_that_tells_no_level_is_refused(site: Site, name: str, unit: str, kind: str) -> None:
    with pytest.raises(BadInput, match=f"a {kind} of {name} in {unit} tells no level"):
        noted(site, reading(name, "20", unit, kind))


def test_a_display_in_the_transmitters_own_unit_is_a_level(site: Site) -> None:
    pressure = noted(site, reading("T3", "27.10", "kPa", "display"))
    assert float(pressure.value) == pytest.approx(0.42 + 27_100 / (1396 * G))
    assert float(pressure.tolerance) == pytest.approx(5 / (1396 * G))  # 0.005 kPa
    assert float(noted(site, reading("T5", "68.40", "%", "display")).value) == pytest.approx(1.71)


def test_units_of_length_and_volume_are_told_in_si(site: Site) -> None:
    assert noted(site, reading("T1", "10", "ft")).value == Fraction("3.048")
    volume = noted(site, reading("T1", "1000", "L"))
    assert (volume.value, volume.tolerance) == (Fraction(1), Fraction(1, 200_000))
    assert volume.is_volume


@pytest.mark.parametrize("unit", ["m", "gal"])
def test_a_level_or_volume_below_nothing_is_refused(site: Site, unit: str) -> None:
    with pytest.raises(BadInput, match="under its floor"):
        noted(site, reading("T1", "-0.01", unit))


def test_two_names_carry_a_vessels_levels_and_its_volumes(site: Site, tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("time_s,name,value,unit,kind\n1,T1,3.0,m,dip\n1,LT-1,50000,gal,dip\n")
    found, _ = assign(site, read(path), path)
    assert [(each.vessel.tag, each.is_volume) for each in found] == [("T1", False), ("T1", True)]
