"""The mistakes that a critical controls engineer plants in the whole yard's site file, and how each must be told.

In: the example's text. Out: `ALL` mistakes, each with its edits; `▸` stands before the wrong value, and without it
the place is the header of the table that lacks a key. Bounds were worked out by hand from the yard's description.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

from sidetap.site import Severity

MARK = "▸"

Edit: TypeAlias = tuple[str, str, str]
"""Table ("vessel T3", "site", "" for the top), the text that stands there once, the text instead."""


@dataclass(frozen=True)
class Mistake:
    """One mistake: its edits, what must be told of it, how severe it is (None: either), how often it may be told."""

    edits: tuple[Edit, ...]
    words: tuple[str, ...]
    severity: Severity | None = Severity.ERROR
    tellings: int = 1

    def __str__(self) -> str:
        table, old, new = next((edit for edit in self.edits if MARK in edit[2]), self.edits[0])
        return re.sub(r"[^ -~]", "~", f"{table}: {new.strip() or 'without ' + old.strip()}")[:90]


def wrong(table: str, old: str, new: str, *words: str, tellings: int = 1) -> Mistake:
    return Mistake(((table, old, new),), words, Severity.ERROR, tellings)


def doubtful(table: str, old: str, new: str, *words: str, tellings: int = 1) -> Mistake:
    """Return a mistake that must not pass in silence; error or warning is the tool's choice."""
    return Mistake(((table, old, new),), words, None, tellings)


def warned(table: str, old: str, new: str, *words: str, tellings: int = 1) -> Mistake:
    return Mistake(((table, old, new),), words, Severity.WARNING, tellings)


def several(
    *edits: Edit, words: Sequence[str], severity: Severity | None = Severity.ERROR, tellings: int = 1
) -> Mistake:
    return Mistake(edits, tuple(words), severity, tellings)


def table_of(text: str, table: str) -> tuple[int, int]:
    """Return where a table begins and ends."""
    kind, _, tag = table.partition(" ")
    if not kind:
        return 0, text.index("\n[")
    for header in re.finditer(rf"^\[\[?{kind}\]?\].*$", text, re.MULTILINE):
        following = re.search(r"^\[", text[header.end() :], re.MULTILINE)
        end = len(text) if following is None else header.end() + following.start()
        if not tag or re.search(rf'^tag = {MARK}?"{tag}"$', text[header.start() : end], re.MULTILINE):
            return header.start(), end
    raise AssertionError(f"no table {table}")


def edited(text: str, edits: Sequence[Edit]) -> str:
    for table, old, new in edits:
        start, end = table_of(text, table)
        assert text[start:end].count(old) == 1, f"{old!r} stands {text[start:end].count(old)} times in {table}"
        text = text[:start] + text[start:end].replace(old, new) + text[end:]
    return text


def places(text: str) -> list[tuple[int, int]]:
    """Return line and column, from 1 in characters, of whatever stands behind each mark."""
    found = []
    for number, line in enumerate(text.split("\n"), 1):
        found += [(number, at + 1 - count) for count, at in enumerate(m.start() for m in re.finditer(MARK, line))]
    return found


STOP = 'hard_wired_stop = "red button on the post; opens the 24 V supply of all valves of the bay"'
SHAPE_1 = 'shape = { kind = "vertical-cylinder", diameter = "9.144 m", height = "7.315 m", bottom = "flat" }'
BOTTOM = 'bottom = "flat"'
FROZEN = 'frozen = { expected = "20 mm", seen = "5 mm" }'
ENCODING = 'encoding = "uint16"\nunit'
TAP = "/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0"
OUT = "/dev/serial/by-path/pci-0000:00:14.0-usb-0:3:1.0-port0"
PERMITTED = '["HS-A-AUTO", "XS-A", "HC-A"]'
RELEASED = 'released = { dips = 2, by = "R. Achterberg", on = 2026-02-12 }\n'
STATED = 'transmitter = { state = "disabled in hardware", checked_by = "R. Achterberg", on = 2026-02-11 }\n'
ALARM_1 = 'on = "T1 above high"'


REFERENCES = [
    wrong("point LT-1", 'line = "north"', 'line = ▸"south"', "south", "north"),
    wrong("vessel T1", 'point = "LT-1"', 'point = ▸"LT-9"', "LT-9", "LT-1", tellings=2),
    wrong("valve A1", 'bay = "A"', 'bay = ▸"D"', "'D'", "A, B, C", tellings=2),
    wrong("valve A1", 'from = "T1"', 'from = ▸"T9"', "T9", "T1, T2", tellings=2),
    wrong("valve A1", 'from = "T1"', 'from = ▸"t1"', "Did you mean T1", tellings=2),
    wrong("valve A1", 'from = "T1"', 'from = ▸"T1 "', "T1", tellings=2),
    wrong("valve A1", 'from = "T1"', 'from = ▸"Т1"', "CYRILLIC CAPITAL LETTER TE", tellings=2),
    wrong("valve B2", 'closed_switch = "ZSC-B2"', 'closed_switch = ▸"ZSC-B9"', "ZSC-B9", tellings=2),
    wrong("valve B2", 'module = "IO-1"', 'module = ▸"IO-2"', "IO-2", "IO-1"),
    wrong("bay B", 'module = "IO-1"', 'module = ▸"IO-2"', "IO-2", "IO-1"),
    wrong("input HC-B", 'module = "IO-1"', 'module = ▸"IO-2"', "IO-2", "IO-1"),
    wrong("watchdog", 'module = "IO-1"', 'module = ▸"IO-2"', "IO-2", "IO-1"),
    wrong("horn", 'module = "IO-1"', 'module = ▸"IO-2"', "IO-2", "IO-1"),
    wrong("bay B", 'stop_input = "XS-B"', 'stop_input = ▸"XS-D"', "XS-D", tellings=3),
    wrong("bay B", 'auto = "HS-B-AUTO"', 'auto = ▸"HS-B-AUOT"', "Did you mean HS-B-AUTO", tellings=3),
    wrong("bay B", 'open_key = "PB-B-OPEN"', 'open_key = ▸"PB-D-OPEN"', "PB-D-OPEN", tellings=2),
    wrong("bay A", PERMITTED, '["HS-A-AUTO", "XS-A", "HC-A", ▸"HC-Q"]', "HC-Q"),
    wrong("vessel T1", FROZEN, FROZEN + '\nreceipt_input = ▸"YS-T1"', "YS-T1"),
    wrong("rule R-3", 'vessel = "T2"', 'vessel = ▸"T7"', "T7", "T2", tellings=2),
    wrong("rule R-5", '["A", "B"]', '["A", ▸"D"]', "'D'", "A, B, C"),
    wrong("bypass", '["T1", "T2", "T3"]', '["T1", "T2", ▸"XS-B"]', "XS-B", "T3"),
    wrong("alarm T1-high", ALARM_1, 'on = ▸"T9 above high"', "T9", tellings=2),
    wrong("compatible", '"32-0-0" = ["32-0-0", "28-0-0"]', '"32-0-0" = ["32-0-0", ▸"28-0-O"]', "28-0-O", "28-0-0"),
    wrong("compatible", '"water" = ["water", "10 % Zn"]', '▸"Water" = ["water", "10 % Zn"]', "water", tellings=2),
    wrong("input ZSC-B2", 'tag = "ZSC-B2"', 'tag = ▸"ZSC-B1"', "ZSC-B1", "line 243", tellings=2),
    wrong("valve A1", 'tag = "A1"', 'tag = ▸"T1"', "T1", "vessel", "line 122"),
    wrong("valve A1", 'tag = "A1"', 'tag = ▸"A 1"', "A 1", "letters, digits"),
    wrong("bay C", 'tag = "C"', 'tag = ▸"B"', "'B'", tellings=3),
]
"""What is named and isn't there, or is there twice."""

ONE_USE = [
    wrong("valve C6", "coil = 11", "coil = ▸7", "7", "C5"),
    wrong("bay C", "coil = 10", "coil = ▸8", "8", "B"),
    several(("horn", "coil = 14", "coil = ▸15"), words=("15", "watchdog")),
    wrong("valve C6", "coil = 11", "coil = ▸16", "16 coils", "15"),
    wrong("input PB-C-CLOSE", "bit = 36", "bit = ▸35", "35", "PB-C-OPEN"),
    wrong("input PB-C-CLOSE", "bit = 36", "bit = ▸40", "40 bits", "39"),
    wrong("vessel T2", 'point = "LT-2"', 'point = ▸"LT-1"', "LT-1", "T1", tellings=2),
    wrong("bay C", 'input = "HC-C"', 'input = ▸"XS-C"', "XS-C", "stop_input", tellings=3),
    wrong("bay C", 'close_key = "PB-C-CLOSE"', 'close_key = ▸"PB-C-OPEN"', "open_key", tellings=2),
    wrong("bay C", 'hand = "HS-C-HAND"', 'hand = ▸"HS-C-AUTO"', "HS-C-AUTO", tellings=3),
    wrong("valve C6", 'open_switch = "ZSO-C6"', 'open_switch = ▸"ZSC-C6"', "ZSC-C6", tellings=2),
    wrong("valve C6", 'closed_switch = "ZSC-C6"', 'closed_switch = ▸"ZSC-B1"', "ZSC-B1", "B1", tellings=2),
    wrong("bay C", 'stop_input = "XS-C"', 'stop_input = ▸"XS-B"', "XS-B", tellings=3),
    wrong("vessel T1", FROZEN, FROZEN + '\nreceipt_input = ▸"XS-A"', "XS-A", "stop_input"),
    wrong("module IO-1", f'port = "{OUT}"', f'port = ▸"{TAP}"', "north"),
    wrong("module IO-1", 'serial = "IO0002"', 'serial = ▸"RX0001"', "north"),
    wrong("module IO-1", f'port = "{OUT}"', f'port = ▸"{TAP.replace("by-path", "by-path/../by-path")}"', "north"),
    wrong("module IO-1", f'port = "{OUT}"', f'port = ▸"{TAP.replace("/dev/", "/dev//")}"', "north"),
    several(
        ("point LT-1", "device = 11", "device = 12"),
        ("point LT-1", "register = 100", "register = 1"),
        ("point LT-1", "register = 101", "register = 2"),
        ("point LT-2", "register = 0\n", "register = ▸0\n"),
        words=("LT-1", "12"),
    ),
    several(
        ("rule R-4", 'kind = "exclusive-vessel"', 'kind = ▸"exclusive-vessel"'),
        ("rule R-4", 'vessel = "T3"', 'vessel = "T2"'),
        words=("R-3", "T2"),
        tellings=2,
    ),
]
"""Two uses of one coil, bit, point, contact, port, register or vessel."""

PHYSICS = [
    wrong("vessel T3", 'below = "0.70 m"', 'below = ▸"0.35 m"', "0.350 m", "0.420 m"),
    wrong("vessel T3", 'below = "0.70 m"', 'below = ▸"0.42 m"', "0.420 m"),
    wrong("vessel T4", 'below = "0.60 m"', 'below = ▸"0.30 m"', "0.350 m"),
    wrong("vessel T4", 'high = "5.20 m"', 'high = ▸"5.35 m"', "5.320 m"),
    several(
        ("vessel T4", 'blocking = "0.30 m"', 'blocking = "0.45 m"'),
        ("vessel T4", 'high = "5.20 m"', 'high = ▸"5.20 m"'),
        words=("5.170 m",),
    ),
    several(
        ("vessel T4", 'reference_height = "5.62 m"', 'reference_height = "5.00 m"'),
        ("vessel T4", 'high = "5.20 m"', 'high = ▸"5.20 m"'),
        words=("4.700 m",),
    ),
    wrong("vessel T2", 'below = "0.60 m"', 'below = ▸"0.15 m"', "0.150 m"),
    wrong("vessel T2", 'high = "5.70 m"', 'high = ▸"5.90 m"', "5.800 m"),
    wrong("vessel T1", 'high = "6.90 m"', 'high = ▸"7.40 m"', "7.315 m", tellings=2),
    wrong("vessel T1", 'high = "6.90 m"', 'high = ▸"7.315 m"', "7.315 m", tellings=2),
    wrong("vessel T1", 'high = "6.90 m"', 'high = ▸"0.90 m"', "1.000 m", tellings=3),
    wrong("vessel T1", 'low = "1.00 m"', 'low = ▸"0.60 m"', "0.600 m"),
    wrong("vessel T1", 'low = "1.00 m"', 'low = ▸"0.50 m"', "0.600 m"),
    wrong("vessel T1", 'reset_above = "0.70 m"', 'reset_above = ▸"0.60 m"', "0.600 m"),
    wrong("vessel T1", 'reset_above = "0.70 m"', 'reset_above = ▸"6.95 m"', "6.900 m"),
    several(
        ("point LT-1", '"7315 mm"', '"6800 mm"'),
        ("vessel T1", 'high = "6.90 m"', 'high = ▸"6.90 m"'),
        words=("6.800 m", "LT-1"),
    ),
    several(
        ("point LT-1", '"0 mm"', '"700 mm"'),
        ("vessel T1", 'below = "0.60 m"', 'below = ▸"0.60 m"'),
        words=("0.700 m", "LT-1"),
    ),
    several(
        ("point PT-3", '"45 kPa"', '"30 kPa"'),
        ("vessel T3", 'high = "2.75 m"', 'high = ▸"2.75 m"'),
        words=("2.6114 m", "PT-3"),  # 0.42 m + 30 kPa / (1395.978 kg/m3 x 9.80665 m/s2), from 11.65 lb/gal
    ),
    several(
        ("vessel T5", 'span = "2.50 m"', 'span = "2.20 m"'),
        ("vessel T5", 'high = "2.30 m"', 'high = ▸"2.30 m"'),
        words=("2.200 m",),
    ),
    wrong("vessel T6", 'high = "1.35 m"', 'high = ▸"1.4999 m"', "LT-6"),  # 4.92 ft are 1.499616 m
    wrong("vessel T1", FROZEN, FROZEN + '\nheel = ▸"0.65 m"', "0.600 m"),
    wrong("vessel T1", FROZEN, FROZEN + '\nheel = ▸"8 m"', "0.600 m"),
    wrong("vessel T3", 'sensor_height = "0.42 m"', 'sensor_height = ▸"4 m"', "3.048 m", tellings=2),
    several(
        ("vessel T1", FROZEN, FROZEN + '\ndatum = "0.5 m"'),
        ("vessel T1", 'high = "6.90 m"', 'high = ▸"6.90 m"'),
        words=("6.815 m",),
        tellings=2,
    ),
    wrong("vessel T1", FROZEN, FROZEN + '\ndatum = ▸"8 m"', "7.315 m"),
    wrong("vessel T1", FROZEN, 'frozen = { expected = "5 mm", seen = ▸"20 mm" }', "expected"),
    wrong("vessel T1", FROZEN, 'frozen = { expected = "20 mm", seen = ▸"20 mm" }', "expected"),
    wrong("point LT-1", 'close_age = "5 s"', 'close_age = ▸"900 ms"', "900 ms", "1 s", tellings=2),
    wrong("point LT-1", 'close_age = "5 s"', 'close_age = ▸"1 s"', "1 s", tellings=2),
    wrong("point LT-1", 'warn_age = "3 s"', 'warn_age = ▸"6 s"', "6 s", "5 s"),
    wrong("point LT-1", 'warn_age = "3 s"', 'warn_age = ▸"500 ms"', "500 ms", "1 s"),
    wrong("point LT-4", 'max_step = "50 mm/s"', 'max_step = ▸"1 mm/s"', "220 gpm", "T4"),
    wrong("input HC-B", 'max_age = "1 s"', 'max_age = ▸"150 ms"', "200 ms"),
    wrong("watchdog", 'kind = "transistor"', 'kind = ▸"relay"', "relay contact", "transistor"),
    wrong("watchdog", 'relay_time = "2 s"', 'relay_time = ▸"200 ms"', "300 ms"),
    wrong("module IO-1", 'drops_out_after = "2 s"', 'drops_out_after = ▸"200 ms"', "300 ms"),
    wrong("valve A1", 'fails = "closed"', 'fails = ▸"open"', "open", "spring"),
    wrong("valve A1", 'fails = "closed"\n', "", "closed"),
    wrong("valve A1", 'supervise = "8 s"', 'supervise = ▸"6 s"', "6 s", "stroke"),
    wrong("bay A", STOP + "\n", "", "by hand"),
    wrong("bay A", STOP, 'hard_wired_stop = ▸"   "', "by hand"),
    wrong("input HC-B", 'max_age = "1 s"\n', "", "max_age"),
    wrong("bay A", PERMITTED, '▸["HS-A-AUTO", "HC-A"]', "XS-A"),
    wrong("bay A", PERMITTED, '["HS-A-AUTO", "XS-A", "HC-A", ▸"ZSC-A1"]', "ZSC-A1"),
    wrong("bay A", PERMITTED, '["HS-A-AUTO", "XS-A", "HC-A", ▸"PB-A-OPEN"]', "PB-A-OPEN"),
    several(
        ("site", 'scan = "100 ms"', 'scan = ▸"600 ms"'),
        words=("max_age",),
        tellings=3,
    ),
    several(
        ("point LT-1", ENCODING, 'encoding = "uint16"\nscale = 0.1\nunit'),
        ("vessel T1", 'high = "6.90 m"', 'high = ▸"6.90 m"'),
        words=("6.55", "LT-1"),  # 65535 counts of 0.1 mm
        tellings=3,
    ),
    several(
        ("point LT-5", "scale = 0.01", "scale = 0.001"),
        ("vessel T5", 'high = "2.30 m"', 'high = ▸"2.30 m"'),
        words=("1.638",),  # 65.535 % of 2.50 m
        tellings=3,
    ),
]
"""What can't be, or would hurt somebody."""

RULES = [
    wrong("rule R-1", 'kind = "one-valve-per-bay"', 'kind = ▸"one_valve_per_bay"', "one-valve-per-bay"),
    wrong("rule R-1", 'kind = "one-valve-per-bay"\n', "", "kind"),
    wrong("rule R-3", 'vessel = "T2"', 'vessel = "T2"\n▸level = "1 m"', "exclusive-vessel"),
    wrong("rule R-2", 'from = "23:30"', 'from = "23:30"\n▸vessel = "T1"', "quiet-hours"),
    wrong("rule R-2", 'to = "04:45"', 'to = ▸"23:30"', "from"),
    wrong("rule R-2", 'from = "23:30"', 'from = ▸"24:00"', "24:00", '"23:30"'),
    wrong("rule R-2", 'from = "23:30"', 'from = ▸"11:30 pm"', "11:30 pm", '"23:30"'),
    wrong("rule R-2", 'from = "23:30"\n', "", "from"),
    wrong("rule R-5", 'close_below = "1.450 m"', 'close_below = ▸"1.500 m"', "1.500 m"),
    wrong("rule R-5", 'close_below = "1.450 m"', 'close_below = ▸"0.50 m"', "0.600 m"),
    wrong("rule R-5", 'level = "1.500 m"', 'level = ▸"7.00 m"', "6.900 m"),
    wrong("rule R-5", '["A", "B"]', '▸["A"]', "two"),
    wrong("rule R-5", '["A", "B"]', '["A", "B", ▸"C"]', "T1", "C"),
    wrong("bypass", 'at_most = "60 min"', 'at_most = ▸"61 min"', "61 min", "60 min"),
    wrong("bypass", 'time = "15 min"', 'time = ▸"70 min"', "60 min"),
    wrong("bypass", 'time = "15 min"', 'time = ▸"0 s"', "1 s"),
    several(
        ("bypass", 'time = "15 min"', 'time = ▸"15 min"'),
        ("bypass", 'at_most = "60 min"', 'at_most = "10 min"'),
        words=("10 min",),
    ),
    wrong("bypass", '["T1", "T2", "T3"]', '["T1", "T2", ▸"T2"]', "T2"),
    wrong("alarm T1-high", ALARM_1, 'on = ▸"T1 over high"', "above high"),
    wrong("alarm T1-high", ALARM_1, 'on = ▸"T1 below high"', "above high"),
    wrong("alarm T1-high", 'priority = "high"', 'priority = ▸"urgent"', "urgent", "high, low"),
    wrong("alarm T6-low", 'dead_band = "50 mm"', 'dead_band = ▸"1 m"', "high"),
    wrong("alarm T1-high", 'delay = "5 s"', 'delay = ▸"11 min"', "11 min", "10 min"),
]

FORM = [
    wrong("", "format = 1", "format = ▸2", "format = 1"),
    wrong("", "format = 1", 'format = ▸"1"', "whole number"),
    wrong("", 'people = "people.toml"\n', "", "people"),
    wrong("", 'people = "people.toml"', 'people = ▸"site.toml"', "itself"),
    wrong("", 'people = "people.toml"', 'people = ▸"nobody.toml"', "nobody.toml"),
    wrong("", 'people = "people.toml"', 'people = ▸"/etc/hostname"', "beside"),
    wrong("", 'people = "people.toml"', 'people = ▸"../yard/people.toml"', "beside"),
    wrong("site", 'time_zone = "America/Chicago"', 'time_zone = ▸"America/Chicgo"', "America/Chicgo"),
    wrong("site", 'time_zone = "America/Chicago"', 'time_zone = ▸"../../etc/passwd"', "time zone"),
    wrong("site", 'level = "ft-in"', 'level = ▸"feet"', "feet", "ft-in"),
    wrong("site", 'volume = "gal"', 'volume = ▸"ukgal"', "ukgal", "gal"),
    wrong("site", 'scan = "100 ms"', 'scan = ▸"10 ms"', "20 ms"),
    wrong(
        "bay A",
        'screen = "15.6 in"',
        'screen = "15.6 in", show = { level = ▸"feet", volume = "gal", flow = "gpm", mass = "lb" }',
        "feet",
        "ft-in",
        tellings=3,
    ),
    wrong("vessel T3", 'high = "2.75 m"\n', "", "high"),
    several(("vessel T3", 'high = "2.75 m"', '▸hihg = "2.75 m"'), words=("Did you mean high",), tellings=2),
    wrong("vessel T3", 'high = "2.75 m"', "high = ▸2.75", "text"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸["2.75 m"]', "list", "text"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"-2.75 m"', "-2.75 m", "30 m"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"0 m"', "0 m", "0.1 mm"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"2.75 M"', "'M'", "mm"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"2.75 nm"', "'nm'", "mm"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"2.75"', "unit"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"2.75 gal"', "gal", "mm"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"2,75 m"', "2,75"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"27,50 mm"', "27,50"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"2,750 mm"', "2,750"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"NaN m"', "NaN"),
    wrong("vessel T3", 'high = "2.75 m"', "high = ▸nan", "text"),
    wrong("vessel T3", 'high = "2.75 m"', f'high = ▸"{"9" * 380} m"', "too long"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"−2.75 m"', "−"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"２.75 m"', "２"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"2.75 м"', "м"),
    wrong("vessel T3", 'high = "2.75 m"', 'high = ▸"2.75\u00a0m"', "NO-BREAK SPACE"),
    wrong("vessel T1", 'below = "0.60 m"', 'below = ▸"0.60005 m"', "0.1 mm"),
    wrong("vessel T3", 'delay = "2 s"', 'delay = ▸"2 m"', "'m'", "min"),
    wrong("vessel T3", 'mean = "15 s"', 'mean = ▸"1.5 s"', "whole"),
    wrong("vessel T3", 'mean = "15 s"', 'mean = ▸"15 min"', "60 s"),
    wrong("vessel T3", 'value = "11.65 lb/gal"', 'value = ▸"11.65 kg/L"', "11.65 kg/L is outside", "kg/m3"),
    wrong("vessel T3", 'value = "11.65 lb/gal"', 'value = ▸"1396"', "lb/gal"),
    wrong("vessel T3", 'value = "11.65 lb/gal"', 'value = ▸"11,65 lb/gal"', "11,65"),
    wrong("vessel T3", "on = 2026-01-20", 'on = ▸"2026-01-20"', "date"),
    wrong("bay A", 'value = "200 gpm"', 'value = ▸"2,00 gpm"', "2,00"),
    wrong("bay A", 'value = "200 gpm"', 'value = ▸"200 gal/min"', "gpm"),
    wrong("bay A", 'capacity = "1600 gal"', 'capacity = ▸"1,600 gal"', "1,600"),
    wrong("bay A", 'payload = "20000 lb"', 'payload = ▸"20 000 lb"', "20 000"),
    wrong("bay A", 'payload = "20000 lb"', 'payload = ▸"20000 lbs"', "lbs", "lb"),
    wrong("bay A", 'tolerance = "10 %"', 'tolerance = ▸"110 %"', "100 %"),
    wrong("bay A", 'tolerance = "10 %"', "tolerance = ▸0.1", "text"),
    wrong("bay A", "restarts = 1", "restarts = ▸6", "5"),
    wrong("bay A", 'restart_wait = "60 s"', 'restart_wait = ▸"0 s"', "1 s"),
    wrong("bay A", 'resume_by = "lead"', 'resume_by = ▸"Lead"', "lead"),
    wrong("bay A", 'lost_after = "5 s"', 'lost_after = ▸"6 s"', "5 s"),
    wrong("bay A", "coil = 9", "coil = ▸true", "whole number"),
    wrong("bay A", "coil = 9", "coil = ▸9.0", "whole number"),
    wrong("bay A", "coil = 9", "coil = ▸-9", "-9"),
    wrong("bay A", "coil = 9", f"coil = ▸{'9' * 60}", "65535"),
    wrong("valve A1", 'open_limit = "7 min 10 s"', 'open_limit = ▸"7:10"', "min"),
    wrong("valve A1", 'open_limit = "7 min 10 s"', 'open_limit = ▸"7 min 10.5 s"', "whole"),
    wrong("valve A1", 'open_limit = "7 min 10 s"', 'open_limit = ▸"7 h"', "4 h"),
    wrong("line north", "baud = 19200", 'baud = ▸"19200"', "whole number"),
    wrong("line north", 'framing = "8E1"', 'framing = ▸"7E1"', "8E1"),
    wrong("line north", 'framing = "8E1"', 'framing = ▸"8e1"', "Did you mean 8E1"),
    wrong("line north", f'"{TAP}"', '▸"tcp:10.0.0.5"', "tcp:HOST:PORT"),
    warned("line north", f'"{TAP}"', '▸"/dev/ttyUSB0"', "by-path"),
    warned("line north", STATED, "", "transmit"),
    warned("line north", '"disabled in hardware"', '▸"not disabled in hardware"', "hardware"),
    warned("point LT-1", RELEASED, "", "dip"),
    wrong("point LT-1", "dips = 2", "dips = ▸1", "2"),
    wrong("point LT-1", "device = 11", "device = ▸248", "247"),
    wrong("point LT-1", "device = 11", "device = ▸0", "247"),
    wrong("point LT-1", 'table = "holding-register"', 'table = ▸"holding"', "holding-register"),
    wrong("point LT-5", "register = 4", "register = ▸400005", "65535"),
    wrong("point LT-2", "register = 0\n", "register = ▸65535\n", "65535", tellings=2),
    wrong("point LT-1", "register = 101", "register = ▸225", "125"),
    wrong("point LT-1", 'encoding = "uint16"\nunit', 'encoding = ▸"float32"\nunit', "float32-high-word-first"),
    wrong("point LT-1", ENCODING, 'encoding = "uint16"\nscale = ▸0\nunit', "offset"),
    wrong("point LT-1", ENCODING, 'encoding = "uint16"\nscale = ▸nan\nunit', "number"),
    wrong("point LT-1", ENCODING, 'encoding = "uint16"\n▸scael = 2\nunit', "Did you mean scale"),
    wrong("point LT-1", '["0 mm", "7315 mm"]', '▸["7315 mm", "0 mm"]', "7315 mm"),
    wrong("point LT-1", '["0 mm", "7315 mm"]', '▸["0 mm"]', "two"),
    several(
        ("point LT-1", "{ register = 101", "▸{ register = 101"),
        ("point LT-1", ", equals = 1", ""),
        words=("at_least",),
    ),
    wrong("vessel T3", 'as = "pressure"', 'as = ▸"Pressure"', "pressure"),
    wrong("vessel T3", 'as = "pressure", sensor_height = "0.42 m"', 'as = ▸"height"', "kPa"),
    wrong("vessel T3", 'sensor_height = "0.42 m"', 'sensor_height = "0.42 m", ▸span = "2 m"', "percent"),
    wrong(
        "vessel T4",
        'level = { point = "LT-4", as = "ullage", reference_height = "5.62 m", blocking = "0.30 m" }',
        'level = ▸{ point = "LT-4", as = "ullage", reference_height = "5.62 m" }',
        "blocking",
    ),
]
"""What isn't a value of its key, and what the words of the file should be."""

SHAPES = [
    wrong("vessel T1", SHAPE_1 + "\n", "", "strapping"),
    wrong("vessel T1", SHAPE_1, SHAPE_1 + '\nstrapping = ▸"t2-strapping.csv"', "both"),
    wrong(
        "vessel T1", SHAPE_1, 'shape = { kind = ▸"Box", length = "6 m", width = "6 m", height = "7.315 m" }', "box"
    ),
    wrong("vessel T1", SHAPE_1, 'shape = ▸{ kind = "box", length = "6 m", width = "6 m" }', "height"),
    wrong("vessel T1", SHAPE_1, SHAPE_1.replace(" }", ', ▸width = "2 m" }'), "box"),
    wrong("vessel T1", 'diameter = "9.144 m"', 'diameter = ▸"914.4 m"', "100 m"),
    wrong("vessel T1", BOTTOM, 'bottom = ▸"conical"', "cone"),
    wrong("vessel T1", BOTTOM, 'bottom = ▸{ form = "cone" }', "depth"),
    wrong("vessel T1", BOTTOM, 'bottom = { form = "cone", depth = "1 m", outlet = ▸"9.144 m" }', "9.144 m"),
    wrong("vessel T1", BOTTOM, 'bottom = { form = "dished", depth = "1 m", ▸outlet = "1 m" }', "cone"),
    wrong("vessel T1", BOTTOM, 'bottom = { form = "dished", depth = ▸"6 m" }', "4.572 m"),
    wrong(
        "vessel T1",
        BOTTOM,
        'bottom = { form = "torispherical", crown_radius = ▸"4 m", knuckle_radius = "0.5 m" }',
        "4.572 m",
    ),
    wrong(
        "vessel T1",
        BOTTOM,
        'bottom = { form = "torispherical", crown_radius = "9 m", knuckle_radius = ▸"5 m" }',
        "4.572 m",
    ),
    wrong("vessel T1", BOTTOM, 'bottom = { form = "cone", depth = "1 m", bulges = ▸"inward" }', "out, in"),
    wrong("vessel T3", 'heads = "ellipsoidal-2:1"', 'heads = { form = "dished", depth = ▸"2 m" }', "1.524 m"),
    wrong("vessel T6", 'length = "5 m" }', 'length = "5 m", ▸heads = "flat" }', "horizontal-cylinder"),
    wrong("vessel T1", SHAPE_1, 'shape = { kind = "stack", parts = ▸[] }', "empty"),
    wrong("vessel T1", SHAPE_1, 'shape = { kind = "stack", parts = [{ kind = ▸"stack", parts = [] }] }', "stack"),
    wrong(
        "vessel T1",
        SHAPE_1,
        'shape = { kind = "stack", parts = [{ kind = "box", length = "6 m", width = "4 m", height = "7.4 m" }, '
        '▸{ kind = "box", length = "6 m", width = "4 m" }] }',
        "height",
    ),
    several(
        ("vessel T6", 'height = "1.5 m"', 'height = "1.5 ft"'),
        ("vessel T6", 'high = "1.35 m"', 'high = ▸"1.35 m"'),
        words=("0.4572 m",),  # 1.5 × 0.3048 m
        tellings=3,
    ),
    wrong("vessel T2", '"t2-strapping.csv"', '▸"t3-strapping.csv"', "t3-strapping.csv"),
    wrong("vessel T2", '"t2-strapping.csv"', '▸"/etc/passwd"', "beside"),
]

BURNT = [
    doubtful("bay A", STOP, 'hard_wired_stop = ▸"none"', "by hand"),
    doubtful("bay A", STOP, 'hard_wired_stop = ▸"?"', "by hand"),
    doubtful("bay A", PERMITTED, '["HS-A-AUTO", "XS-A", "HC-A", ▸"XS-B"]', "B"),
    doubtful("bay A", 'tolerance = "10 %"', 'tolerance = ▸"0 %"', tellings=3),
    doubtful("bay B", 'name = "Road"', 'name = ▸"Tender"', "A"),
    doubtful("vessel T2", 'name = "South Round"', 'name = ▸"North Round"', "T1"),
    doubtful("valve A1", 'open_limit = "7 min 10 s"', 'open_limit = ▸"1 s"', tellings=2),
    doubtful("valve A1", 'supervise = "8 s"', 'supervise = ▸"2 min"', "2 s more"),
    doubtful("valve A1", 'open_limit = "7 min 10 s"', 'open_limit = ▸"7 min 7 min"', "twice"),
    doubtful("vessel T1", FROZEN, 'frozen = { expected = ▸"1 m", seen = "5 mm" }'),
    doubtful("vessel T1", 'level = "3 mm"', 'level = ▸"800 mm"', tellings=3),
    doubtful("point LT-1", "equals = 1", "equals = ▸70000", "65535"),
    doubtful("point LT-1", "equals = 1", "equals = ▸1.5"),
    doubtful("point LT-1", "equals = 1", "at_least = ▸0"),
    doubtful("point LT-1", "register = 101", "register = ▸100"),
    doubtful("point LT-5", "register = 4\n", "register = ▸40005\n", "4"),
    doubtful("point PT-3", "register = 8\n", "register = ▸30009\n", "8"),
    doubtful("point LT-1", 'close_age = "5 s"', 'close_age = ▸"5 min"'),
    doubtful("point LT-1", 'close_age = "5 s"', 'close_age = ▸"1 h"'),
    doubtful("point LT-1", '["0 mm", "7315 mm"]', '▸["0 mm", "60 m"]', "7.315"),
    doubtful("module IO-1", 'drops_out_after = "2 s"', 'drops_out_after = ▸"60 s"'),
    doubtful("watchdog", 'relay_time = "2 s"', 'relay_time = ▸"10 s"', "2 s"),
    doubtful("input XS-B", 'max_age = "1 s"', 'max_age = ▸"60 s"'),
    doubtful("line north", "baud = 19200", "baud = ▸1920", "19200"),
    several(
        ("rule R-2", 'from = "23:30"', 'from = "04:50"'),
        ("rule R-2", 'to = "04:45"', 'to = ▸"04:45"'),
        words=("half",),
        severity=None,
    ),
    several(
        ("alarm T1-high", ALARM_1, 'on = "T2 above high"'),
        ("alarm T2-high", 'on = "T2 above high"', 'on = ▸"T2 above high"'),
        words=("T1-high",),
        severity=None,
        tellings=2,
    ),
    doubtful("alarm T6-high", 'delay = "5 s"', 'delay = ▸"10 min"'),
    doubtful("vessel T5", 'span = "2.50 m"', 'span = ▸"25.0 m"', "2.500 m"),
    several(
        ("vessel T4", 'below = "0.60 m"', 'below = ▸"0.60 m"'),
        ("vessel T4", 'delay = "2 s"', 'delay = "60 s"'),
        words=("heel",),
        severity=None,
    ),
    several(
        ("vessel T1", 'product = "32-0-0"', 'product = "28-0-0"'),
        ("compatible", '"32-0-0" = ["32-0-0", "28-0-0"]\n', ""),
        ("compatible", '"28-0-0" = ["28-0-0", "32-0-0"]', '"28-0-0" = ["28-0-0"]'),
        ("vessel T2", 'value = "10.67 lb/gal"', 'value = ▸"10.67 lb/gal"'),
        words=("T1",),
        severity=None,
    ),
    doubtful("vessel T6", 'value = "10.40 lb/gal"', 'value = ▸"33 lb/gal"', tellings=2),
    doubtful("rule R-5", 'close_below = "1.450 m"', 'close_below = ▸"1.4999 m"'),
    doubtful("vessel T1", 'low = "1.00 m"', 'low = ▸"0.6001 m"'),
    several(
        ("point LT-1", 'poll = "1 s"', 'poll = "5 s"'),
        ("point LT-1", 'warn_age = "3 s"', 'warn_age = "11 s"'),
        ("point LT-1", 'close_age = "5 s"', 'close_age = "16 s"'),
        ("vessel T1", 'mean = "15 s"', 'mean = ▸"3 s"'),
        words=("5 s",),
        severity=None,
    ),
    doubtful("alarm T6-high", 'delay = "5 s"', 'delay = ▸"60 s"'),
    doubtful("line north", 'checked_by = "R. Achterberg"', 'checked_by = ▸"TBD"'),
    doubtful("vessel T1", 'source = "table of typical values; replace by certificate"', 'source = ▸"?"'),
    doubtful("line north", "baud = 19200", "baud = ▸300"),
    doubtful("vessel T1", 'high = "6.90 m"', 'high = ▸"20 ft 19 in"', "19 in"),
    doubtful("valve A1", 'open_limit = "7 min 10 s"', 'open_limit = ▸"6 min 65 s"', "65 s"),
    doubtful("module IO-1", "baud = 19200", "baud = ▸1200"),
]
"""What an engineer who was burnt wants to hear of, error or warning."""

ALL = REFERENCES + ONE_USE + PHYSICS + RULES + FORM + SHAPES + BURNT
