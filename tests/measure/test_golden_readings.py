"""The yard's golden readings: whole frames off the wire -> gallons, within 2 gal.

The frames are those of the yard's own description, check bytes included; the gallons were worked there from shapes,
strapping and hydrostatics by other means than this code.
"""

import struct

import pytest
from answers import EXAMPLE

from sidetap.line import Chunk, Parser, Transaction
from sidetap.measure import LevelReading, Meter, levels_document
from sidetap.quantity import Quality
from sidetap.site import Site, load_or_refuse


@pytest.fixture(scope="module")
def site() -> Site:
    return load_or_refuse(EXAMPLE)


GALLON = 231 * 0.0254**3
REQUESTS = {11: "0B 03 00 64 00 03", 12: "0C 03 00 00 00 03", 13: "0D 04 00 08 00 04"}
ANSWERS = {
    11: "0B 03 06 0D 98 00 01 00 B7 6E A2",
    12: "0C 03 06 A8 CA 00 00 00 01 39 DD",
    13: "0D 04 08 41 D8 CC CD 41 93 33 33 0A 44",
}


def crc(data: bytes) -> bytes:
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


def heard(site: Site, answers: dict[int, str]) -> dict[str, LevelReading]:
    parser, meter = Parser(), Meter(site)
    for device, response in answers.items():
        request = bytes.fromhex(REQUESTS[device])
        parser.receive(Chunk(0, request + crc(request) + bytes.fromhex(response)))
    parser.close()
    while (event := parser.next_event()) is not None:
        assert isinstance(event, Transaction)
        meter.receive(event)
    return {vessel.tag: meter.level(vessel.tag, 0) for vessel in site.vessels}


@pytest.mark.parametrize(
    ("vessel", "level_01mm", "gallons"), [("T1", 34_800, 60_371), ("T2", 43_210, 84_760), ("T3", 23_995, 21_576)]
)
def test_acceptance_12_golden_readings(site: Site, vessel: str, level_01mm: int, gallons: int) -> None:
    reading = heard(site, ANSWERS)[vessel]
    assert reading.quality is Quality.GOOD
    assert reading.level_01mm == level_01mm
    assert reading.volume_m3 is not None
    assert abs(reading.volume_m3 / GALLON - gallons) <= 2


def test_the_document_of_the_golden_readings(site: Site) -> None:
    readings = heard(site, ANSWERS)
    first, _, third = levels_document(site, readings.values())["levels"]
    assert first["level_text"] == "11 ft 5 in"
    assert first["level_mm"] == 3480.0
    assert first["volume_L"] == pytest.approx(first["volume_gal"] * 3.785411784, abs=0.3)
    assert first["mass_lb"] == pytest.approx(first["volume_gal"] * 11.06, abs=1)
    assert third["level_text"] == "7 ft 10 1/2 in"  # 2399.57 mm is 94.471 in


def t3(site: Site, kilopascal: float) -> LevelReading:
    words = struct.pack(">ff", kilopascal, 18.4)
    frame = bytes([13, 4, 8]) + words
    return heard(site, {13: (frame + crc(frame)).hex()})["T3"]


def test_acceptance_13_nothing_over_the_nozzle_is_below_the_sensor_never_zero(site: Site) -> None:
    reading = t3(site, 0.0)
    assert reading.quality is Quality.BELOW_SENSOR
    assert (reading.level_01mm, reading.volume_m3, reading.mass_kg, reading.uncertainty_m3) == (None,) * 4
    (entry,) = levels_document(site, [reading])["levels"]
    assert entry["volume_at_most_gal"] == 2056
    assert entry["volume_gal"] is None


@pytest.mark.parametrize("kilopascal", [-0.0, -0.5, -1.0])
def test_a_little_suction_is_below_the_sensor_too(site: Site, kilopascal: float) -> None:
    assert t3(site, kilopascal).quality is Quality.BELOW_SENSOR


@pytest.mark.parametrize(("kilopascal", "level"), [(0.136, None), (0.137, 4300)])
def test_a_pressure_within_the_readings_uncertainty_may_be_an_uncovered_sensor(
    site: Site, kilopascal: float, level: int | None
) -> None:
    """10 mm of 1396 kg/m³ are 136.9 Pa; under that the level may be anywhere below 0.43 m."""
    reading = t3(site, kilopascal)
    assert reading.level_01mm == level
    assert reading.quality is (Quality.GOOD if level else Quality.BELOW_SENSOR)
    if level is None:
        at_most = site.vessel("T3").geometry.volume_m3(0.43)
        assert reading.volume_at_most_m3 == at_most
