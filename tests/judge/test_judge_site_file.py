"""A critical controls engineer at the whole yard's site file: one mistake at a time, many at once, hostile files.

`site_mistakes` holds the mistakes. The open limits are worked out again here from the yard's description, in rational
arithmetic, and tried on both sides of the boundary. What a file must be answered with comes from the contract: places
in lines and columns from 1, all problems in one go, one line on what can't be read at all, never a traceback.
"""

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterable, Sequence
from fractions import Fraction
from math import ceil, floor
from pathlib import Path
from shutil import copytree

import pytest
from site_mistakes import ALL, BURNT, FORM, MARK, RULES, Edit, Mistake, edited, places, table_of

from sidetap.cli.main import run
from sidetap.errors import BadInput
from sidetap.site import Loaded, Problem, Severity, load

EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow"
SITE = (EXAMPLE / "site.toml").read_text()
MOST_TELLINGS = 3
MOST_BYTES = 1_000_000


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder whose site.toml is written anew by each test, and no other file."""
    return Path(copytree(EXAMPLE, tmp_path_factory.mktemp("judge") / "yard"))


@pytest.fixture
def own_yard(tmp_path: Path) -> Path:
    return Path(copytree(EXAMPLE, tmp_path / "yard"))


def loaded(folder: Path, text: str) -> Loaded:
    (folder / "site.toml").write_text(text.replace(MARK, ""))
    return load(folder / "site.toml")


def told(problem: Problem) -> str:
    return f"{problem.problem}. {problem.remedy}"


def spot(problem: Problem) -> tuple[str, int, int]:
    return Path(problem.file).name, problem.line, problem.column


def listed(problems: Iterable[Problem]) -> str:
    return "\n".join(map(str, problems))


# -- One mistake at a time -------------------------------------------------------------------------------------------


def assert_told(problems: Sequence[Problem], mistake: Mistake, place: tuple[int, int]) -> None:
    here = [problem for problem in problems if spot(problem) == ("site.toml", *place)]
    assert here, f"nothing at {place} of {mistake}:\n{listed(problems)}"
    assert mistake.severity is None or mistake.severity in {problem.severity for problem in here}, listed(problems)
    for word in mistake.words:
        assert any(word in told(problem) for problem in here), f"{word!r} is not in\n{listed(problems)}"


def rounds() -> tuple[list[Mistake], list[list[Mistake]]]:
    """Return what is planted alone, and rounds of what is wrong in form or rules, no two of a round in one table.

    Those are many, and cheaper to judge together; that each is told at its place shows that none hides another.
    """
    alone = [mistake for mistake in ALL if mistake not in FORM + RULES]
    together: list[dict[str, Mistake]] = []
    for mistake in FORM + RULES:
        table = mistake.edits[0][0]
        if not table or sum(new.count(MARK) for _, _, new in mistake.edits) != 1:
            alone.append(mistake)
            continue
        free = next((found for found in together if table not in found), None)
        if free is None:
            together.append(free := {})
        free[table] = mistake
    return alone, [list(found.values()) for found in together]


ALONE, ROUNDS = rounds()


@pytest.mark.parametrize("mistake", ALONE, ids=str)
def test_a_mistake_is_told_where_it_stands_and_nothing_else_is(yard: Path, mistake: Mistake) -> None:
    text = edited(SITE, mistake.edits)
    header = SITE.count("\n", 0, table_of(SITE, mistake.edits[0][0])[0]) + 1
    problems = loaded(yard, text).problems
    assert_told(problems, mistake, places(text)[0] if MARK in text else (header, 1))
    assert len(problems) <= mistake.tellings, f"told more than {mistake.tellings} times:\n{listed(problems)}"


@pytest.mark.parametrize("mistakes", ROUNDS, ids=[f"round {number}" for number in range(len(ROUNDS))])
def test_mistakes_in_other_tables_hide_none_of_each_other(yard: Path, mistakes: list[Mistake]) -> None:
    text = edited(SITE, [edit for mistake in mistakes for edit in mistake.edits])
    problems = loaded(yard, text).problems
    in_order = sorted(mistakes, key=lambda mistake: table_of(SITE, mistake.edits[0][0]))
    for mistake, place in zip(in_order, places(text), strict=True):
        assert_told(problems, mistake, place)
    assert len(problems) <= sum(mistake.tellings for mistake in mistakes), listed(problems)


def test_the_mistakes_are_many_and_each_is_told_at_most_three_times() -> None:
    assert len(ALONE) - len(BURNT) >= 80
    assert max(mistake.tellings for mistake in ALL) <= MOST_TELLINGS


def test_the_yard_itself_is_without_fault(yard: Path) -> None:
    assert loaded(yard, SITE).problems == ()


CYLINDER = 'shape = { kind = "vertical-cylinder", diameter = "9.144 m", height = "7.315 m", bottom = "flat" }'
OTHER_SHAPES = [
    'shape = { kind = "box", length = "8 m", width = "8 m", height = "7.4 m" }',
    'shape = { kind = "sphere", diameter = "9 m" }',
    """shape = { kind = "vertical-cylinder", diameter = "9.144 m", height = "7.5 m",
              bottom = { form = "cone", depth = "0.1 m", bulges = "in" } }""".replace("\n", ""),
    """shape = { kind = "stack", parts = [{ kind = "box", length = "6 m", width = "4 m", height = "2.5 m" },
              { kind = "vertical-cylinder", diameter = "9 m", height = "5 m", bottom = "flat" }] }""".replace(
        "\n", ""
    ),
]


@pytest.mark.parametrize("shape", OTHER_SHAPES, ids=["box", "sphere", "floor that rises", "stack"])
def test_what_others_may_well_write_is_not_complained_of(yard: Path, shape: str) -> None:
    """Other units, shapes, ports, rules left out, things in another order: right, if not ours; no word about them."""
    text = edited(
        SITE,
        [
            ("vessel T1", CYLINDER, shape),
            ("vessel T1", 'tag = "T1"\nname = "North Round"', 'name = "Nördlicher Rundtank № 1 – Süd"\ntag = "T1"'),
            ("vessel T1", 'high = "6.90 m"', 'high = "22 ft 7 5/8 in"  # as on the drawing'),
            ("vessel T2", 'frozen = { expected = "20 mm", seen = "5 mm" }\n', 'heel = "0.20 m"\n'),
            ("vessel T4", 'value = "11.04 lb/gal"', 'value = "1.323 kg/L"'),
            ("point LT-1", 'max_step = "50 mm/s"\n', ""),
            ("point LT-2", 'good_when = [{ register = 2, encoding = "uint16", equals = 1 }]\n', ""),
            ("bay A", 'value = "200 gpm", tolerance = "10 %"', 'value = "757 L/min", tolerance = "5 %"'),
            ("bay A", 'capacity = "1600 gal", payload = "20000 lb"', 'capacity = "6060 L", payload = "9.1 t"'),
            ("bay A", "restarts = 1", "restarts = 0"),
            ("bay C", "screen = ", 'show = { level = "%", volume = "L", flow = "m3/h", mass = "t" }, screen = '),
            ("line north", "19200", "9600"),
            ("line north", "/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0", "tcp:192.0.2.7:4001"),
            ("module IO-1", "coils = 16\nbits = 40\n", ""),
            ("rule R-1", '[[rule]]\ntag = "R-1"\nkind = "one-valve-per-bay"\n', ""),
            ("rule R-2", 'from = "23:30"\nto = "04:45"', 'from = "12:00"\nto = "12:30"'),
            ("site", "100 ms", "200 ms"),
        ],
    )
    assert loaded(yard, "\ufeff" + text.replace("\n", "\r\n")).problems == ()


RENAMED: list[Edit] = [
    ("module IO-1", 'tag = "IO-1"', 'tag = "IO-9"'),
    ("line north", 'tag = "north"', 'tag = "nrth"'),
    ("vessel T1", 'tag = "T1"', 'tag = "T9"'),
    ("vessel T1", 'product = "32-0-0"', 'product = "32-0-O"'),
    ("vessel T3", "[[vessel]]", "[[vesel]]"),
    ("vessel T4", "[[vessel]]", "[vessel.T4]"),
    ("bay B", 'tag = "B"', 'tag = "BB"'),
    ("bay B", "[[bay]]", "[[by]]"),
    ("site", 'scan = "100 ms"', 'scan = "1 s"'),
    ("", 'people = "people.toml"', 'people = "site.toml"'),
]


@pytest.mark.parametrize("edit", RENAMED, ids=lambda edit: f"{edit[0]} {edit[2]}")
def test_one_slip_that_many_lines_hang_on_is_told_at_most_three_times(yard: Path, edit: Edit) -> None:
    problems = loaded(yard, edited(SITE, [edit])).problems
    assert any(problem.severity is Severity.ERROR for problem in problems)
    assert len(problems) <= MOST_TELLINGS, listed(problems)


@pytest.mark.parametrize(
    ("key", "missing", "open_switch"),
    [("closed_switch", "ZSC-B2", "ZSO-B2"), ("open_switch", "ZSO-B2", "ZSC-B2")],
)
def test_no_suggestion_exchanges_the_switches(yard: Path, key: str, missing: str, open_switch: str) -> None:
    problems = loaded(yard, edited(SITE, [(f"input {missing}", f'tag = "{missing}"', 'tag = "Z"')])).problems
    assert any(missing in problem.problem and problem.where.endswith(key) for problem in problems), listed(problems)
    assert f"Did you mean {open_switch}" not in listed(problems)


# -- Open limits: both sides of the boundary -------------------------------------------------------------------------

FLOW_GPM = {"A": 200, "B": 400, "C": 60}
CAPACITY_GAL = {"A": 1600, "B": 5000, "C": 275}
PAYLOAD_LB = {"A": 20_000, "B": 47_000, "C": 3_500}
STROKE_S = {"A": 6, "B": 6, "C": 4}
DENSITY_LB_GAL = {"1": "11.06", "2": "10.67", "3": "11.65", "4": "11.04", "5": "8.34", "6": "10.40"}
VALVES = ["A1", "A2", "A4", "B1", "B2", "B3", "C3", "C5", "C6"]


def longest_s(bay: str, vessel: str) -> int:
    """Return the most whole seconds that fit, with 1.1 Q (1.0 s + 0.2 s + stroke / 2), up to a gallon, after them."""
    gal_per_s = Fraction(11, 10) * FLOW_GPM[bay] / 60
    stop_gal = ceil(gal_per_s * (Fraction(12, 10) + Fraction(STROKE_S[bay], 2)))
    room_gal = min(Fraction(CAPACITY_GAL[bay]), PAYLOAD_LB[bay] / Fraction(DENSITY_LB_GAL[vessel]))
    return floor((room_gal - stop_gal) / gal_per_s)


def test_acceptance_17_the_limits_of_the_yard_are_where_its_description_says() -> None:
    refused = {"A1": (7, 13), "B1": (9, 36), "B2": (9, 57), "B3": (9, 6), "C3": (4, 7)}
    assert {tag: divmod(longest_s(*tag) + 1, 60) for tag in refused} == refused


def with_limits(more_s: int) -> str:
    """Return the site with each valve's open limit at its longest and so much more, marked."""
    edits = []
    for tag in VALVES:
        lines = SITE[slice(*table_of(SITE, f"valve {tag}"))].split("\n")
        old = next(line for line in lines if line.startswith("open_limit"))
        edits.append((f"valve {tag}", old, f'open_limit = {MARK}"{longest_s(*tag) + more_s} s"'))
    return edited(SITE, edits)


def test_acceptance_17_open_limits_fit_to_the_second(yard: Path) -> None:
    assert loaded(yard, with_limits(0)).problems == ()
    over = with_limits(1)
    problems = loaded(yard, over).problems
    assert [spot(problem) for problem in problems] == [("site.toml", *place) for place in places(over)]
    for tag, problem in zip(VALVES, problems, strict=True):
        minutes, seconds = divmod(longest_s(*tag) // 5 * 5, 60)
        assert problem.severity is Severity.ERROR
        assert problem.where == f"valve.{tag}.open_limit"
        assert f"{minutes} min {seconds} s" in problem.remedy
        bound = "payload of 47,000 lb" if tag[0] == "B" else f"{CAPACITY_GAL[tag[0]]:,} gal"
        assert bound in problem.problem


def test_acceptance_17_ten_and_a_half_minutes_of_t3_are_too_heavy(yard: Path) -> None:
    text = edited(SITE, [("valve B3", 'open_limit = "9 min 5 s"', 'open_limit = "10 min 30 s"')])
    (problem,) = loaded(yard, text).problems
    assert {"4,620", "48,930", "47,000"} <= set(re.findall(r"[\d,]*\d", problem.problem))


def test_a_vehicle_is_too_small_by_a_gallon_for_all_valves_of_its_bay(yard: Path) -> None:
    """7 min 10 s at 220 gpm are 1,576.67 gal, and 16 gal follow: 1,593 gal hold it, 1,592 don't."""
    old = 'capacity = "1600 gal"'
    assert loaded(yard, edited(SITE, [("bay A", old, 'capacity = "1593 gal"')])).problems == ()
    problems = loaded(yard, edited(SITE, [("bay A", old, 'capacity = "1592 gal"')])).problems
    assert [problem.where for problem in problems] == [f"valve.{tag}.open_limit" for tag in ("A1", "A2", "A4")]


# -- Many at once ----------------------------------------------------------------------------------------------------


def test_a_dozen_mistakes_are_told_in_one_go_and_nothing_else_is(own_yard: Path) -> None:
    text = edited(
        SITE,
        [
            ("line north", 'framing = "8E1"', 'framing = ▸"7E1"'),
            ("point LT-1", "device = 11", "device = ▸248"),
            ("point LT-6", 'close_age = "5 s"', 'close_age = ▸"5"'),
            ("vessel T2", 'high = "5.70 m"', 'high = ▸"5.90 m"'),
            ("vessel T3", 'below = "0.70 m"', 'below = ▸"0.35 m"'),
            ("horn", "coil = 14", "coil = ▸15"),
            ("input HC-B", 'max_age = "1 s"', 'max_age = ▸"150 ms"'),
            ("bay A", "restarts = 1", "restarts = ▸6"),
            ("valve C6", 'open_limit = "4 min 5 s"', 'open_limit = ▸"4 min 7 s"'),
            ("bypass", 'at_most = "60 min"', 'at_most = ▸"61 min"'),
        ],
    )
    table, people = own_yard / "t2-strapping.csv", own_yard / "people.toml"
    table.write_text(table.read_text().replace("3,58628", "3,48000"))
    people.write_text(people.read_text().replace('"lead"', '"Lead"'))
    expected = {("site.toml", *place) for place in places(text)}
    expected |= {("t2-strapping.csv", 9, 3), ("people.toml", 6, 8)}
    # a table that can't be read has no top to hold the high level against
    expected -= {("site.toml", *places(text)[3])}
    problems = loaded(own_yard, text).problems
    assert {spot(problem) for problem in problems} - {("site.toml", *places(text)[3])} == expected, listed(problems)


@pytest.mark.parametrize(
    ("deep", "shallow"),
    [
        (
            ("vessel T3", 'below = "0.70 m"', 'below = ▸"0.35 m"'),
            [
                ("vessel T3", 'high = "2.75 m"', "high = ▸2.75"),
                ("vessel T3", 'volume = "0.5 %"', 'volume = ▸"0.5"'),
                ("vessel T3", 'product = "10-34-0"', "product = ▸7"),
                ("vessel T3", 'seen = "5 mm"', 'seen = ▸"5"'),
            ],
        ),
        (
            ("valve C6", 'open_limit = "4 min 5 s"', 'open_limit = ▸"4 min 7 s"'),
            [
                ("valve C6", 'fails = "closed"', "fails = ▸3"),
                ("valve C6", 'open_switch = "ZSO-C6"', 'open_switch = ▸"ZSO-C9"'),
                ("valve C6", "coil = 11", 'coil = ▸"11"'),
            ],
        ),
        (
            ("point LT-4", 'close_age = "5 s"', 'close_age = ▸"900 ms"'),
            [
                ("point LT-4", "device = 14", "device = ▸-14"),
                ("point LT-4", 'encoding = "uint16"\nunit', 'encoding = ▸"uint61"\nunit'),
                ("point LT-4", 'max_step = "50 mm/s"', 'max_step = ▸"50"'),
            ],
        ),
        (
            ("bay B", 'auto = "HS-B-AUTO", hand = "HS-B-HAND"', 'auto = "HS-B-AUTO", hand = ▸"HS-B-AUTO"'),
            [
                ("bay B", 'screen = "15.6 in"', "screen = ▸15.6"),
                ("bay B", 'tolerance = "10 %"', 'tolerance = ▸"10"'),
                ("bay B", 'capacity = "5000 gal"', 'capacity = ▸"5000"'),
            ],
        ),
    ],
    ids=["vessel", "valve", "point", "bay"],
)
def test_errors_of_form_hide_no_deeper_error_of_their_table(yard: Path, deep: Edit, shallow: list[Edit]) -> None:
    text = edited(SITE, [deep, *shallow])
    problems = loaded(yard, text).problems
    missing = {("site.toml", *place) for place in places(text)} - {spot(problem) for problem in problems}
    assert not missing, f"{missing}:\n{listed(problems)}"


WRONG_TYPES = ["true", "[]", "{}", "1979-05-27", "07:32:00", "nan", '[[["x"]]]', '""', "{ a = { b = 1 } }"]


@pytest.mark.parametrize("value", WRONG_TYPES)
def test_a_wrong_type_everywhere_is_told_on_every_line(yard: Path, value: str) -> None:
    lines = SITE.split("\n")
    # a rule keeps its kind, which decides what else belongs to it
    kinds = re.compile('kind = "(one-valve|quiet|exclusive|shared)')
    plain = [n for n, line in enumerate(lines) if re.match(r'["\w][^=]*= ', line) and not kinds.match(line)]
    for number in plain:
        lines[number] = lines[number].partition(" = ")[0] + " = " + value
    problems = loaded(yard, "\n".join(lines)).problems
    silent = {number + 1 for number in plain} - {problem.line for problem in problems}
    silent -= {number for number in silent if lines[number - 1] == "good_when = []"}  # no conditions, said at length
    assert not silent, [lines[number - 1] for number in sorted(silent)]


# -- The files beside it ---------------------------------------------------------------------------------------------

STRAPPING = (EXAMPLE / "t2-strapping.csv").read_text()
PEOPLE = (EXAMPLE / "people.toml").read_text()
WITH_SECRETS = SITE.replace('people = "people.toml"\n', 'people = "people.toml"\nsecrets = "secrets.toml"\n')
SECRET = '[[secret]]\nperson = "Ines Varga"\npin = "scrypt$16384$8$1$c2lkZXRhcC1zYWx0LTE$2b7U1Yb0dJ8hT3m1S8m1xw"\n'


def beside(folder: Path, name: str, data: str | bytes, site: str = SITE) -> list[Problem]:
    (folder / name).write_bytes(data if isinstance(data, bytes) else data.encode())
    (folder / name).chmod(0o600)
    return list(loaded(folder, site).problems)


@pytest.mark.parametrize(
    ("old", "new", "line", "column", "word"),
    [
        ("3,58628", "3,48000", 9, 3, "monotone"),
        ("3,58628", "3,48698", 9, 3, "monotone"),
        ("3,58628", "3,5862", 9, 3, "monotone"),
        ("3,58628", "2.5,58628", 9, 1, "level"),
        ("3,58628", "3;58628", 9, 1, "LEVEL,VOLUME"),
        ("3,58628", '3,"58,628"', 9, 1, "LEVEL,VOLUME"),
        ("3,58628", "3,nan", 9, 3, "nan"),
        ("3,58628", "3,-58628", 9, 3, "-58628"),
        ("3,58628", "-3,58628", 9, 1, "-3"),
        ("3,58628", "three,58628", 9, 1, "three"),
        ("3,58628", "３,58628", 9, 1, "３"),
        ("3,58628", "3,68000", 9, 1, ""),
        ("level_m,volume_gal", "level,volume", 1, 1, "level_m,volume_gal"),
        ("level_m,volume_gal", "level_m,volume_l", 1, 1, " L "),
    ],
)
def test_a_strapping_table_is_faulted_at_its_own_line(
    own_yard: Path, old: str, new: str, line: int, column: int, word: str
) -> None:
    (problem,) = beside(own_yard, "t2-strapping.csv", STRAPPING.replace(old, new, 1))
    assert spot(problem) == ("t2-strapping.csv", line, column)
    assert word in told(problem)


@pytest.mark.parametrize(
    ("old", "new", "place", "word"),
    [
        ('role = "lead"', 'role = "Lead"', (6, 8), "Did you mean lead"),
        ('role = "lead"', 'role = "boss"', (6, 8), "operator, lead, engineer, approver"),
        ('name = "Tobias Quell"', 'name = "Ines Varga"', (9, 8), "twice"),
        ('name = "Tobias Quell"', 'name = "ines  varga"', (9, 8), "Ines Varga"),
        ('name = "Tobias Quell"', 'name = "Inеs Varga"', (9, 8), "CYRILLIC"),
        ('name = "Tobias Quell"\n', "", (8, 1), "name"),
        ('role = "lead"', 'role = "lead"\npin = "1234"', (7, 1), "name, role"),
    ],
)
def test_the_peoples_file_is_faulted_at_its_own_line(
    own_yard: Path, old: str, new: str, place: tuple[int, int], word: str
) -> None:
    problems = beside(own_yard, "people.toml", PEOPLE.replace(old, new, 1))
    assert [spot(problem) for problem in problems] == [("people.toml", *place)], listed(problems)
    assert word in told(problems[0])


@pytest.mark.parametrize(
    ("old", "new", "place", "word"),
    [
        ("Ines Varga", "Ines Vargas", (2, 10), "Ines Varga"),
        (SECRET, SECRET + SECRET, (5, 10), "two"),
        ("16384", "16383", (3, 7), "scrypt"),
        ("$8$1$", "$0$1$", (3, 7), "scrypt"),
        (SECRET.split('"')[3], "1234", (3, 7), "salted hash"),
        ("pin = ", "pni = ", (3, 1), "no such key"),
    ],
)
def test_the_secrets_file_is_faulted_at_its_own_line(
    own_yard: Path, old: str, new: str, place: tuple[int, int], word: str
) -> None:
    problems = beside(own_yard, "secrets.toml", SECRET.replace(old, new, 1), WITH_SECRETS)
    assert ("secrets.toml", *place) in {spot(problem) for problem in problems}, listed(problems)
    assert word in listed(problems)
    assert len(problems) <= 2, listed(problems)


SLIPS = [
    'pin = "1"4711',
    "pin = 47 4711",
    'pin = "4711',
    "pin = 4711",
    '4711 = "scrypt"',
    'pin = "scrypt$4711"',
    "pin = 4711x",
    'pin = ["4711"]',
    "pin = 4711-13-01",
    'pin = "x"\nnew_pin = "4711"',
    "[4711]",
]


@pytest.mark.parametrize(
    "slip", [*(f'person = "Ines Varga"\n{slip}' for slip in SLIPS), 'person = "4711"\npin = "Ines"']
)
def test_the_secrets_file_is_never_quoted(own_yard: Path, slip: str) -> None:
    problems = beside(own_yard, "secrets.toml", f"[[secret]]\n{slip}\n", WITH_SECRETS)
    assert any(Path(problem.file).name == "secrets.toml" for problem in problems)
    assert "4711" not in listed(problems).replace(str(own_yard), "")


def test_a_secrets_file_that_others_can_read_is_told(own_yard: Path) -> None:
    assert beside(own_yard, "secrets.toml", SECRET, WITH_SECRETS) == []
    (own_yard / "secrets.toml").chmod(0o644)
    (problem,) = load(own_yard / "site.toml").problems
    assert spot(problem) == ("site.toml", 5, 11)
    assert "600" in problem.remedy


# -- Hostile files ---------------------------------------------------------------------------------------------------

SYNTAX = [
    ("a = 1\nb = 'x", 2, 7),
    ("a = 1\nb =", 2, 4),
    ("a = 1\nb", 2, 2),
    ("a = 1\n= 1", 2, 1),
    ("a = 1\na = 2", 2, 1),
    ("[site]\n[site]", 2, 1),
    ("[[rule]]\n[rule]", 2, 1),
    ("a = [1, 2", 1, 10),
    ("a = { b = 1", 1, 12),
    ("[site", 1, 6),
    ("[site] x", 1, 8),
    ("a = 1 2", 1, 7),
    ("a = 2026-02-30", 1, 5),
    ("a = True", 1, 5),
    ("a: 1", 1, 2),
    ('a = "\x07"', 1, 6),
    ('a = "\\x41"', 1, 7),
    ("a\u202e = 1", 1, 2),
]


@pytest.mark.parametrize(("text", "line", "column"), SYNTAX)
def test_a_syntax_error_is_one_problem_with_its_place(yard: Path, text: str, line: int, column: int) -> None:
    """A column may lie one aside: where a thing ends and what should follow begins is a matter of taste."""
    (problem,) = loaded(yard, text).problems
    assert problem.line == line
    assert abs(problem.column - column) <= 1, problem
    assert problem.problem.isprintable()


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (edited(SITE, [("rule R-5", "[[rule]]", "[rule]")]), "[[rule]]"),
        (edited(SITE, [("valve A1", '"7 min 10 s"', '"7 min 10 s')]), "isn't closed"),
        (edited(SITE, [("vessel T1", "on = 2026-01-20", "on = 2026-13-20")]), "2026-13-20"),
        ("format = 1\nformat = 1", "format"),
    ],
    ids=["one bracket", "open text", "month 13", "double key"],
)
def test_a_syntax_error_is_told_in_an_engineers_words(yard: Path, text: str, word: str) -> None:
    (problem,) = loaded(yard, text).problems
    assert word in told(problem)


DEEP: dict[str, str | bytes] = {
    "brackets": "a = [\n" + "[\n" * 300_000,
    "closed brackets": "a = " + "[\n" * 2000 + "1" + "]\n" * 2000,
    "inline tables": "a = " + "{a = " * 150 + "1" + "}" * 150,
    "dotted key": ".".join(["a"] * 450) + " = 1",
    "header": "[" + ".".join(["a"] * 450) + "]",
    "huge number": "format = " + "9" * 900,
    "huge hexadecimal": "format = 0x" + "f" * 900,
    "huge float": "format = 1e" + "9" * 900,
    "long line": "a = '" + "x" * 500_000 + "'",
    "over the size": "#\n" * 600_000,
    "utf-16": SITE.encode("utf-16"),
    "utf-16 without mark": SITE.encode("utf-16-le"),
    "utf-32": SITE.encode("utf-32"),
    "latin-1": SITE.replace("Hollow", "Höllow").encode("latin-1"),
    "zeros": b"\0" * 10_000,
    "half a character": SITE.encode() + b"# \xe2\x82",
    "overlong": SITE.encode() + b"# \xc0\xaf",
    "empty": b"",
    "json": '{"format": 1}',
}
BESIDE = [
    (name, kind)
    for name in ("people.toml", "t2-strapping.csv")
    for kind in ("brackets", "long line", "over the size", "utf-16", "zeros", "half a character", "empty")
]


@pytest.mark.parametrize(("name", "kind"), [("site.toml", kind) for kind in DEEP] + BESIDE)
def test_a_hostile_text_gets_an_answer_with_a_place(own_yard: Path, name: str, kind: str) -> None:
    data = DEEP[kind]
    (own_yard / name).write_bytes(data if isinstance(data, bytes) else data.encode())
    if name == "site.toml" and len(data) > MOST_BYTES:
        with pytest.raises(BadInput, match=r"site\.toml: [^\n]*1000000"):
            load(own_yard / name)
        return
    result = load(own_yard / "site.toml")
    assert result.site is None
    assert {Path(problem.file).name for problem in result.problems} <= {name, "site.toml"}
    assert all(problem.line >= 1 and problem.column >= 1 for problem in result.problems)
    assert all(str(problem).isprintable() for problem in result.problems)


def hostile_folder(folder: Path) -> list[str]:
    """Make what is no file of ours, and return the names."""
    os.mkfifo(folder / "pipe")
    (folder / "loop").symlink_to("loop")
    (folder / "there").symlink_to("back")
    (folder / "back").symlink_to("there")
    (folder / "zeros").symlink_to("/dev/zero")
    with (folder / "sparse").open("w") as file:
        file.truncate(20 << 30)
    return [".", "pipe", "loop", "there", "zeros", "sparse", "missing", "x" * 300, "site.toml/x"]


CHILD = """
import json, resource, sys
from pathlib import Path
resource.setrlimit(resource.RLIMIT_AS, (1 << 30, 1 << 30))
from sidetap.errors import BadInput
from sidetap.site import load
for name in json.load(sys.stdin):
    try:
        print(json.dumps([f"{p.file}:{p.line}:{p.column}: {p.problem}" for p in load(Path(name)).problems]))
    except BadInput as problem:
        print(json.dumps([str(problem)]))
"""


def test_what_is_no_file_is_refused_at_once_within_a_gigabyte(own_yard: Path) -> None:
    """As the site itself, and named by it as people, secrets and strapping; one child answers for all of them."""
    sites: list[tuple[str, str]] = []
    for number, name in enumerate(hostile_folder(own_yard)):
        for edit in (
            ("", 'people = "people.toml"', f"people = ▸{json.dumps(name)}"),
            ("", 'people = "people.toml"', f'people = "people.toml"\nsecrets = ▸{json.dumps(name)}'),
            ("vessel T2", 'strapping = "t2-strapping.csv"', f"strapping = ▸{json.dumps(name)}"),
        ):
            text = edited(SITE, [edit])
            file = f"{number}-{len(sites)}.toml"
            (own_yard / file).write_text(text.replace(MARK, ""))
            line, column = places(text)[0]
            sites.append((str(own_yard / file), f"{file}:{line}:{column}: "))
        sites.append((str(own_yard / name), f"{own_yard / name}: "))
    sites.append(("/dev/zero", "/dev/zero: "))
    answer = subprocess.run(
        [sys.executable, "-c", CHILD],
        input=json.dumps([name for name, _ in sites]),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert answer.stderr == ""
    answers = [json.loads(line) for line in answer.stdout.splitlines()]
    assert len(answers) == len(sites)
    wrong = [
        (name, place, told_)
        for (name, place), told_ in zip(sites, answers, strict=True)
        if len(told_) != 1 or place not in told_[0]
    ]
    assert wrong == []


Check = Callable[[Path], tuple[int, str, str]]


@pytest.fixture
def check(capsys: pytest.CaptureFixture[str]) -> Check:
    def answered(site: Path) -> tuple[int, str, str]:
        status = run(["check", str(site), "--json"])
        out, err = capsys.readouterr()
        return status, out, err

    return answered


def test_the_command_answers_as_the_contract_says(check: Check, own_yard: Path) -> None:
    site = own_yard / "site.toml"
    status, out, err = check(site)
    document = json.loads(out)
    assert (status, err, document["ok"], document["problems"]) == (0, "", True, [])
    assert all(re.fullmatch("[0-9a-f]{64}", document[key]) for key in ("scheme_hash", "site_hash"))

    text = edited(SITE, [("vessel T3", 'below = "0.70 m"', 'below = ▸"0.35 m"')])
    site.write_text(text.replace(MARK, ""))
    status, out, err = check(site)
    document = json.loads(out)
    (problem,) = document["problems"]
    assert (status, err, document["ok"]) == (1, "", False)
    assert set(problem) == {"severity", "file", "line", "column", "where", "problem", "remedy"}
    assert (problem["severity"], problem["line"], problem["column"]) == ("error", *places(text)[0])
    assert Path(problem["file"]).name == "site.toml"


def test_a_warning_alone_leaves_the_answer_yes(check: Check, own_yard: Path) -> None:
    site = own_yard / "site.toml"
    old = 'released = { dips = 2, by = "R. Achterberg", on = 2026-02-12 }\n'
    site.write_text(edited(SITE, [("point LT-1", old, "")]))
    status, out, _ = check(site)
    document = json.loads(out)
    assert (status, document["ok"], [p["severity"] for p in document["problems"]]) == (0, True, ["warning"])


def test_syntax_that_is_no_toml_is_an_answer_of_no(check: Check, own_yard: Path) -> None:
    (own_yard / "site.toml").write_text("format = 1\nsite = [")
    status, out, err = check(own_yard / "site.toml")
    assert (status, err, json.loads(out)["ok"]) == (1, "", False)


@pytest.mark.parametrize("name", [".", "pipe", "loop", "zeros", "sparse", "missing"])
def test_what_can_not_be_read_is_one_line_and_status_2(check: Check, own_yard: Path, name: str) -> None:
    hostile_folder(own_yard)
    status, out, err = check(own_yard / name)
    assert (status, out) == (2, "")
    assert re.fullmatch(r"error: [^\n]+: [^\n]+\. [^\n]+\n", err)


def test_a_name_can_not_forge_a_second_line(check: Check, own_yard: Path) -> None:
    status, out, err = check(own_yard / "site\nerror: all is well")
    assert (status, out, err.count("\n")) == (2, "", 1)
