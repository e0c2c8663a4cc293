"""Errors planted into the example, one at a time: each is found, at its own line and column, with a remedy.

The place expected is looked up in the planted text: it is where ``at`` stands.
"""

import json
from pathlib import Path
from typing import NamedTuple

import pytest
from yard_copy import Planter, copy_yard, planter

from sidetap.errors import BadInput
from sidetap.site import Severity, load, load_or_refuse


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    return copy_yard(tmp_path)


@pytest.fixture
def planted(yard: Path) -> Planter:
    return planter(yard)


class Planted(NamedTuple):
    """old -> new makes the error; the problem stands at ``at`` and says ``says`` about ``where``."""

    old: str
    new: str
    at: str
    where: str
    says: str
    severity: Severity = Severity.ERROR


B1 = 'tag = "B1"\nbay = "B"\nfrom = "T1"\n'
B3 = 'tag = "B3"\nbay = "B"\nfrom = "T3"\n'
T3_TRIP = 'low = "0.95 m"\ntrip = { below = "0.70 m"'
LT1 = 'register = 100\nencoding = "uint16"\nunit = "mm"\n'
RELEASED = 'released = { dips = 2, by = "R. Achterberg", on = 2026-02-13 }\n'
PT3_AGES = 'max_step = "50 mm/s"\npoll = "1 s"\nwarn_age = "3 s"\nclose_age = "5 s"\n' + RELEASED
TRANSMITTER = 'transmitter = { state = "disabled in hardware", checked_by = "R. Achterberg", on = 2026-02-11 }\n'
FROZEN = 'frozen = { expected = "20 mm", seen = "5 mm" }\n'
STOP = 'hard_wired_stop = "red button on the post; opens the 24 V supply of all valves of the bay"\n'

PLANTED = {
    "trip-under-the-nozzle-acceptance-17": Planted(
        T3_TRIP,
        T3_TRIP.replace("0.70", "0.3504"),
        '"0.3504 m"',
        "vessel.T3.trip.below",
        "0.3504 m is under the sensor's reach: its nozzle is at 0.420 m",
    ),
    "trip-at-the-nozzle": Planted(
        T3_TRIP, T3_TRIP.replace("0.70", "0.42"), '"0.42 m", mean', "vessel.T3.trip.below", "sensor's reach"
    ),
    "limit-over-payload-acceptance-17": Planted(
        '"9 min 5 s"', '"10 min 30 s"', '"10 min 30 s"', "valve.B3.open_limit", "over its payload of 47,000 lb"
    ),
    "limit-over-capacity": Planted(
        'capacity = "5000 gal"', 'capacity = "4200 gal"', '"9 min 35 s"', "valve.B1.open_limit", "vehicle's 4,200 gal"
    ),
    "reset-below-trip": Planted(
        'trip = { below = "0.70 m", mean = "15 s", delay = "2 s", reset_above = "0.80 m" }',
        'trip = { below = "0.70 m", mean = "15 s", delay = "2 s", reset_above = "0.70 m" }',
        '"0.70 m" }\nfrozen = { expected = "20 mm", seen = "5 mm" }\n\n# -- Outputs',
        "vessel.T3.trip.reset_above",
        "not above the trip at 0.700 m",
    ),
    "low-below-trip": Planted('low = "0.95 m"', 'low = "0.65 m"', '"0.65 m"', "vessel.T3.low", "not above the trip"),
    "high-below-low": Planted('"2.75 m"', '"0.95 m"', '"0.95 m"\nlow', "vessel.T3.high", "not above the low level"),
    "high-over-the-top": Planted('"2.75 m"', '"3.05 m"', '"3.05 m"', "vessel.T3.high", "top at 3.048 m"),
    "high-over-the-range": Planted(
        '["-1 kPa", "45 kPa"]', '["-1 kPa", "30 kPa"]', '"2.75 m"', "vessel.T3.high", "over the sensor's reach"
    ),
    "trip-under-the-valid-range": Planted(
        '["0 mm", "7315 mm"]',
        '["700 mm", "7315 mm"]',
        f'"0.60 m", mean = "15 s", delay = "2 s", reset_above = "0.70 m" }}\n{FROZEN}\n[[vessel]]\ntag = "T2"',
        "vessel.T1.trip.below",
        "LT-1 tells from 0.700 m",
    ),
    "valid-upside-down": Planted(
        '["0 mm", "7315 mm"]', '["7315 mm", "0 mm"]', '["7315 mm", "0 mm"]', "point.LT-1.valid", "is not below 0 mm"
    ),
    "valid-in-another-dimension": Planted(
        '["0 mm", "7315 mm"]', '["0 kPa", "7 kPa"]', '["0 kPa", "7 kPa"]', "point.LT-1.valid", "'kPa' in '0 kPa'"
    ),
    "mean-not-whole": Planted(
        'trip = { below = "0.70 m", mean = "15 s"',
        'trip = { below = "0.70 m", mean = "1500 ms"',
        '"1500 ms"',
        "vessel.T3.trip.mean",
        "whole number of seconds",
    ),
    "valve-without-fail-direction": Planted(
        'output = { module = "IO-1", coil = 0 }\nfails = "closed"\n',
        'output = { module = "IO-1", coil = 0 }\n',
        '[[valve]]\ntag = "B1"',
        "valve.B1.fails",
        "missing",
    ),
    "valve-fails-open": Planted(
        'coil = 0 }\nfails = "closed"',
        'coil = 0 }\nfails = "open"',
        '"open"\nstroke',
        "valve.B1.fails",
        "fails 'open'",
    ),
    "two-valves-on-one-coil": Planted(
        'module = "IO-1", coil = 1 }',
        'module = "IO-1", coil = 0 }',
        '0 }\nfails = "closed"\nstroke = "6 s"\nsupervise = "8 s"\nclosed_switch = "ZSC-B2"',
        "valve.B2.output.coil",
        "driven by valve.B1 too",
    ),
    "pump-on-the-horn's-coil": Planted("coil = 8", "coil = 14 ", "14  }", "bay.B.pump_permit.coil", "horn too"),
    "two-inputs-on-one-bit": Planted(
        "bit = 12", "bit = 11\n#", "11\n#", "input.PB-B-CLOSE.bit", "input.PB-B-OPEN too"
    ),
    "one-switch-for-two-valves": Planted(
        'closed_switch = "ZSC-B2"', 'closed_switch = "ZSC-B1" ', '"ZSC-B1" ', "valve.B2.closed_switch", "already"
    ),
    "warning-after-closing": Planted(
        PT3_AGES,
        PT3_AGES.replace('warn_age = "3 s"', 'warn_age = "5 s" '),
        '"5 s" \n',
        "point.PT-3.warn_age",
        "a warning at 5 s is no earlier than closing at 5 s",
    ),
    "age-limit-shorter-than-the-poll": Planted(
        PT3_AGES,
        PT3_AGES.replace('poll = "1 s"', 'poll = "6 s"'),
        '"5 s"\nreleased = { dips = 2, by = "R. Achterberg", on = 2026-02-13',
        "point.PT-3.close_age",
        "poll period of 6 s",
    ),
    "watchdog-on-a-relay": Planted('"transistor"', '"relay"', '"relay"', "watchdog.kind", "a heartbeat on 'relay'"),
    "bay-without-hard-wired-stop": Planted(STOP, "", "[[bay]]", "bay.B.hard_wired_stop", "missing"),
    "blank-hard-wired-stop": Planted(
        STOP, 'hard_wired_stop = " "\n', '" "\n', "bay.B.hard_wired_stop", "no readable"
    ),
    "output-on-the-tap's-port": Planted(
        "usb-0:3:1.0",
        "usb-0:2:1.0",
        '"/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0"\nserial = "IO',
        "module.IO-1.port",
        "line north only listens",
    ),
    "no-transmitter-statement": Planted(
        TRANSMITTER, "", '[[line]]\ntag = "north"', "line.north.transmitter", "can't transmit", Severity.WARNING
    ),
    "transmitter-by-software": Planted(
        '"disabled in hardware"', '"off"', '"off"', "line.north.transmitter.state", "software", Severity.WARNING
    ),
    "point-not-released": Planted(
        'released = { dips = 2, by = "R. Achterberg", on = 2026-02-13 }\n',
        "",
        '[[point]]\ntag = "PT-3"',
        "point.PT-3.released",
        "two dips",
        Severity.WARNING,
    ),
    "one-dip": Planted(
        'dips = 2, by = "R. Achterberg", on = 2026-02-13',
        'dips = 1, by = "R. Achterberg", on = 2026-02-13',
        "1, by",
        "point.PT-3.released.dips",
        "outside 2..1000",
    ),
    "unknown-line": Planted(
        'line = "north"\ndevice = 13', 'line = "nort"\ndevice = 13', '"nort"', "point.PT-3.line", "no line 'nort'"
    ),
    "unknown-point": Planted(
        'point = "PT-3"', 'point = "PT-4"', '"PT-4"', "vessel.T3.level.point", "no point 'PT-4'"
    ),
    "unknown-vessel": Planted(B3, B3.replace("T3", "T4"), '"T4"', "valve.B3.from", "no vessel 'T4'"),
    "unknown-bay": Planted(B1, B1.replace('bay = "B"', 'bay = "C"'), '"C"', "valve.B1.bay", "no bay 'C'"),
    "unknown-module": Planted(
        'module = "IO-1"\nbit = 5', 'module = "IO-2"\nbit = 5', '"IO-2"', "input.ZSO-B2.module", "no module"
    ),
    "unknown-input": Planted(
        'open_key = "PB-B-OPEN"', 'open_key = "PB-C-OPEN"', '"PB-C-OPEN"', "bay.B.open_key", "no input"
    ),
    "unknown-permissive": Planted(
        '"XS-B", "LSH-B", "HC-B"]',
        '"XS-B", "LSH-C", "HC-B"]',
        '"LSH-C"',
        "bay.B.run_permissives",
        "no input 'LSH-C'",
    ),
    "stop-not-among-permissives": Planted(
        '"XS-B", "LSH-B", "HC-B"]', '"LSH-B", "HC-B"]', '["HS-B-AUTO"', "bay.B.run_permissives", "XS-B is missing"
    ),
    "key-among-permissives": Planted(
        '"LSH-B", "HC-B"]',
        '"LSH-B", "HC-B", "PB-B-OPEN"]',
        '"PB-B-OPEN"]',
        "bay.B.run_permissives",
        "PB-B-OPEN is a key",
    ),
    "unused-input": Planted(
        '"LSH-B", "HC-B"]', '"HC-B"]', '"LSH-B"', "input.LSH-B.tag", "nothing uses it", Severity.WARNING
    ),
    "tag-twice": Planted(
        'tag = "R-1"', 'tag = "IO-1"', '"IO-1"\nkind = "one', "rule.IO-1.tag", "the tag of module.IO-1 in line"
    ),
    "tag-of-the-scheme": Planted('tag = "R-1"', 'tag = "site"', '"site"\nkind', "rule.site.tag", "the scheme's own"),
    "alarm-the-scheme-has": Planted(
        'tag = "T1-high"', 'tag = "T1-trip"', '"T1-trip"', "alarm.T1-trip.tag", "has anyway"
    ),
    "alarm-on-nothing": Planted(
        '"T1 above high"', '"T9 above high"', '"T9 above', "alarm.T1-high.on", "no vessel 'T9'"
    ),
    "alarm-of-no-sense": Planted(
        '"T1 above high"', '"T1 above low"', '"T1 above', "alarm.T1-high.on", "no condition"
    ),
    "unknown-key": Planted("flow = {", "flaw = {", "flaw", "bay.B.flaw", "no such key"),
    "unknown-key-inside": Planted("left_after =", "left_afer =", "left_afer", "bay.B.hose.left_afer", "no such key"),
    "unknown-table": Planted("[horn]", "[hron]", "[hron]", "hron", "no such key"),
    "unknown-encoding": Planted(
        '"float32-high-word-first"', '"float32-abcd"', '"float32-abcd"', "point.PT-3.encoding", "not known here"
    ),
    "text-is-no-level": Planted(
        '"float32-high-word-first"', '"text"', '"text"', "point.PT-3.encoding", "not known here"
    ),
    "coils-hold-no-level": Planted(
        'table = "input-register"', 'table = "coil"', '"coil"', "point.PT-3.table", "not known"
    ),
    "register-past-the-end": Planted(
        "register = 8\n", "register = 65535\n", "65535", "point.PT-3.register", "behind register 65535"
    ),
    "register-far-away": Planted(
        "{ register = 2,", "{ register = 125,", "125, enc", "point.LT-2.good_when", "can't be in the same"
    ),
    "condition-without-bound": Planted(
        '[{ register = 101, encoding = "uint16", equals = 1 }]',
        '[{ register = 101, encoding = "uint16" }]',
        "{ register = 101",
        "point.LT-1.good_when 1",
        "no bound",
    ),
    "device-out-of-range": Planted("device = 13", "device = 248", "248", "point.PT-3.device", "outside 1..247"),
    "quantity-without-unit": Planted(
        'stroke = "6 s"\nsupervise = "8 s"\nclosed_switch = "ZSC-B3"',
        'stroke = "6"\nsupervise = "8 s"\nclosed_switch = "ZSC-B3"',
        '"6"',
        "valve.B3.stroke",
        "not a quantity",
    ),
    "number-for-quantity": Planted(
        'scan = "100 ms"', "scan = 100", "100\n\n", "site.scan", "a whole number where text is needed"
    ),
    "supervision-within-the-stroke": Planted(
        'supervise = "8 s"\nclosed_switch = "ZSC-B3"',
        'supervise = "6 s"\nclosed_switch = "ZSC-B3"',
        '"6 s"\nclosed',
        "valve.B3.supervise",
        "no longer than the stroke",
    ),
    "two-ways-for-one": Planted(
        B3, B3.replace("T3", "T1"), '"T1"\nopen_limit = "9 min 5 s"', "valve.B3.from", "B1 leads from T1"
    ),
    "density-in-the-wrong-unit": Planted(
        '"11.65 lb/gal"', '"11.65 kg/m3"', '"11.65 kg/m3"', "vessel.T3.density.value", "outside 400 kg/m3"
    ),
    "height-from-a-pressure": Planted(
        'as = "pressure", sensor_height = "0.42 m"',
        'as = "height"',
        '"height" }\nuncertainty = { level = "10',
        "vessel.T3.level.as",
        "needs a unit of length",
    ),
    "shape-and-strapping": Planted(
        'strapping = "t2-strapping.csv"',
        'strapping = "t2-strapping.csv"\nshape = {}',
        '"t2-strapping.csv"',
        "vessel.T2.strapping",
        "both a shape",
    ),
    "no-shape": Planted(
        'strapping = "t2-strapping.csv"\n', "", '[[vessel]]\ntag = "T2"', "vessel.T2.shape", "missing"
    ),
    "no-strapping-file": Planted(
        '"t2-strapping.csv"', '"t4-strapping.csv"', '"t4-strapping.csv"', "vessel.T2.strapping", "no such file"
    ),
    "time-zone": Planted(
        '"America/Chicago"', '"America/Tarn_Hollow"', '"America/Tarn', "site.time_zone", "no time zone"
    ),
    "time-zone-of-a-folder": Planted(
        '"America/Chicago"', '"../../etc/passwd"', '"../../etc', "site.time_zone", "no time zone"
    ),
    "product-nobody-holds": Planted(
        '"10-34-0" = ["10-34-0"]',
        '"10-34-0" = ["10-34-0", "10-34-9"]',
        '"10-34-9"',
        "compatible.10-34-0",
        "no vessel holds '10-34-9'",
    ),
    "row-nobody-holds": Planted(
        '"10-34-0" = ["10-34-0"]',
        '"10-34-0" = ["10-34-0"]\n"urea" = ["10-34-0"]',
        '"urea" =',
        "compatible.urea",
        "no vessel holds 'urea'",
    ),
    "product-not-after-itself": Planted(
        '"10-34-0" = ["10-34-0"]\n',
        "",
        "[compatible]",
        "compatible.10-34-0",
        "may not follow itself",
        Severity.WARNING,
    ),
    "format-of-the-future": Planted("format = 1", "format = 2", "2\npeople", "format", "this version can't read"),
    "people-missing": Planted(
        'people = "people.toml"', 'people = "nobody.toml"', '"nobody.toml"', "people", "no such file"
    ),
    "role-nobody-holds": Planted(
        'resume_by = "lead"', 'resume_by = "leed"', '"leed"', "bay.B.resume_by", "not known here"
    ),
    "panel-lost-for-long": Planted(
        'lost_after = "5 s"', 'lost_after = "6 s"', '"6 s", screen', "bay.B.panel.lost_after", "outside 1 s to 5 s"
    ),
    "max-age-under-two-scans": Planted(
        'bit = 12\nmax_age = "1 s"',
        'bit = 12\nmax_age = "150 ms"',
        '"150 ms"',
        "input.PB-B-CLOSE.max_age",
        "two scans",
    ),
    "watchdog-under-three-scans": Planted(
        'relay_time = "2 s"', 'relay_time = "250 ms"', '"250 ms"', "watchdog.relay_time", "three scans"
    ),
    "module-under-three-scans": Planted(
        'drops_out_after = "2 s"',
        'drops_out_after = "250 ms"',
        '"250 ms"',
        "module.IO-1.drops_out_after",
        "three scans",
    ),
    "port-that-moves": Planted(
        "/dev/serial/by-path/pci-0000:00:14.0-usb-0:3:1.0-port0",
        "/dev/ttyUSB1",
        '"/dev/ttyUSB1"',
        "module.IO-1.port",
        "may move",
        Severity.WARNING,
    ),
    "no-port": Planted(
        "/dev/serial/by-path/pci-0000:00:14.0-usb-0:3:1.0-port0", "COM3", '"COM3"', "module.IO-1.port", "is no port"
    ),
    "seven-bits": Planted(
        'framing = "8E1"\ndevice', 'framing = "7E1"\ndevice', '"7E1"', "module.IO-1.framing", "not known here"
    ),
    "a-tenth-of-a-millisecond": Planted(
        'stuck_key_after = "10 s"',
        'stuck_key_after = "10.0001 s"',
        '"10.0001 s"',
        "bay.B.stuck_key_after",
        "whole number of ms",
    ),
    "date-as-text": Planted(
        "on = 2026-02-11", 'on = "2026-02-11"', '"2026-02-11"', "line.north.transmitter.on", "text where a date"
    ),
    "list-for-table": Planted(
        'flow = { value = "400 gpm", tolerance = "10 %", source = "typed, to be measured" }',
        "flow = [1]",
        "[1]",
        "bay.B.flow",
        "a list where a table is needed",
    ),
    "an-input-twice-among-permissives": Planted(
        '"LSH-B", "HC-B"]', '"LSH-B", "HC-B", "HC-B"]', '"HC-B"]', "bay.B.run_permissives", "HC-B stands there twice"
    ),
    "syntax": Planted(
        'baud = 19200\nframing = "8E1"\ntrans',
        'baud = 19200 8\nframing = "8E1"\ntrans',
        "8\nframing",
        "TOML",
        "'8' behind the value",
    ),
    "key-twice": Planted(
        'name = "Road"\n', 'name = "Road"\nname = "Way"\n', 'name = "Way"', "TOML", "has a value already"
    ),
    "table-twice": Planted("[horn]\n", "[site]\n", "[site]\nmodule", "TOML", "is there already"),
}


@pytest.mark.parametrize("name", PLANTED)
def test_planted_error_is_found_at_its_place(planted: Planter, yard: Path, name: str) -> None:
    case = PLANTED[name]
    loaded = planted(case.old, case.new)
    text = (yard / "site.toml").read_text()
    assert text.count(case.at) == 1, f"{case.at!r} stands {text.count(case.at)} times"
    offset = text.index(case.at)
    place = (text.count("\n", 0, offset) + 1, offset - text.rfind("\n", 0, offset))
    here = [p for p in loaded.problems if (p.line, p.column) == place and p.where == case.where]
    assert here, [str(p) for p in loaded.problems]
    assert case.says in here[0].problem
    assert here[0].remedy.endswith((".", "?"))
    assert here[0].severity is case.severity
    assert (loaded.site is None) is (case.severity is Severity.ERROR)
    assert len(loaded.problems) <= 3, "one mistake, told too often"


def test_there_are_enough_planted_errors() -> None:
    assert len(PLANTED) >= 60


def test_the_example_has_no_problem(yard: Path) -> None:
    assert load(yard / "site.toml").problems == ()


def test_every_problem_is_told_in_one_go(planted: Planter) -> None:
    loaded = planted(
        '"9 min 5 s"',
        '"10 min 30 s"',
        '"America/Chicago"',
        '"Nowhere"',
        '"transistor"',
        '"relay"',
        "bit = 12",
        "bit = 11",
    )
    assert [p.where for p in loaded.problems] == [
        "site.time_zone",
        "watchdog.kind",
        "input.PB-B-CLOSE.bit",
        "valve.B3.open_limit",
    ]


def test_refusing_raises_the_first_error_with_its_place(planted: Planter, yard: Path) -> None:
    planted('"transistor"', '"relay"')
    with pytest.raises(BadInput, match=r"site\.toml:\d+:8: watchdog\.kind: a heartbeat on 'relay'\. "):
        load_or_refuse(yard / "site.toml")


def test_warnings_do_not_refuse(planted: Planter, yard: Path) -> None:
    planted(TRANSMITTER, "")
    assert load_or_refuse(yard / "site.toml").lines[0].transmitter is None


# -- the other files -------------------------------------------------------------------------------------------------


def test_acceptance_12_strapping_that_is_not_monotone_is_refused_with_its_line(planted: Planter, yard: Path) -> None:
    loaded = planted("1.5,28787", "1.5,18839", file="t2-strapping.csv")
    (problem,) = loaded.problems
    assert (problem.file, problem.line, problem.column) == (str(yard / "t2-strapping.csv"), 6, 5)
    assert "not monotone" in problem.problem


def test_strapping_that_starts_above_the_trip_is_refused(planted: Planter) -> None:
    loaded = planted("0.15,1981\n0.3,4951\n0.6,10897\n", "0.6,10897\n", file="t2-strapping.csv")
    assert [p.where for p in loaded.problems] == ["vessel.T2.trip.below"]


@pytest.mark.parametrize("text", ["", "[project]\nname = 1\n"])
def test_another_file_given_as_the_site_is_one_mistake(yard: Path, text: str) -> None:
    path = yard / "people.toml"
    if text:
        path.write_text(text)
    (problem,) = load(path).problems
    assert problem.problem == "this is none: nothing of a site stands in it"
    assert (problem.file, problem.line, problem.column) == (str(path), 1, 1)


def test_people_problems_have_their_own_file(planted: Planter, yard: Path) -> None:
    loaded = planted('role = "approver"', 'role = "boss"', file="people.toml")
    (problem,) = loaded.problems
    assert (problem.file, problem.line, problem.column) == (str(yard / "people.toml"), 22, 8)


def test_a_role_must_be_held_by_somebody(planted: Planter) -> None:
    loaded = planted('role = "lead"', 'role = "operator"', file="people.toml")
    assert [(p.where, "nobody" in p.problem) for p in loaded.problems] == [("bay.B.resume_by", True)]


def test_the_same_person_twice(planted: Planter) -> None:
    loaded = planted('name = "P. Linde"', 'name = "Ines Varga"', file="people.toml")
    assert ["is there twice" in p.problem for p in loaded.problems] == [True]


def test_a_document_of_problems_is_json(planted: Planter) -> None:
    loaded = planted("flow = {", '"fl\\u0007\\uD7FFw" = {')
    assert json.dumps([str(p) for p in loaded.problems]).isascii()
    assert all(str(p).isprintable() for p in loaded.problems)
