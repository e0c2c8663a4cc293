"""A first site file from documents: what it says, what it leaves open, and that a filled one reads the same levels.

The documents are by the command-line contract; units by NIST Handbook 44, appendix C; hydrostatics by ISO 80000-3's
standard gravity. The laws that the levels are compared with are those of the match's document, not of the file.
"""

import copy
import json
import random
import re
import tomllib
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from first_file_yard import FT, PEOPLE, PRESSURE_SCALE, answer, device, filled, finding, match, survey, value
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sidetap.errors import BadInput
from sidetap.quantity import to_si
from sidetap.site import Loaded, Severity, level_m, load
from sidetap.site.first_file import FirstFile, first_site_file, read_match, read_survey

SETTLED = ("North-Bin", "V4", "V5", "V6", "V7")


def made(heard: Any = None, matched: Any = None, *, bare: bool = False) -> FirstFile:
    told = read_survey(json.dumps(survey() if heard is None else heard), "survey.json")
    if bare:
        return first_site_file(told, None)
    return first_site_file(told, read_match(json.dumps(match() if matched is None else matched), "match.json", told))


def written(text: str, folder: Path) -> Loaded:
    (folder / "site.toml").write_text(text, encoding="utf-8")
    return load(folder / "site.toml")


def point(text: str, tag: str) -> dict[str, Any]:
    return next(p for p in tomllib.loads(text)["point"] if p["tag"] == tag)


def vessel(text: str, tag: str) -> dict[str, Any]:
    return next(v for v in tomllib.loads(text)["vessel"] if v["tag"] == tag)


def block(text: str, start: str) -> str:
    """The comments from a line that starts so to the next empty line, as one line of words."""
    lines = text.split("\n")
    at = next(n for n, line in enumerate(lines) if line.startswith(start))
    words = []
    for line in lines[at:]:
        if not line.startswith("#"):
            break
        words.append(line.lstrip("# "))
    return " ".join(words)


# -- what it says ----------------------------------------------------------------------------------------------------


def test_settled_names_become_points_with_their_registers_and_laws() -> None:
    points = tomllib.loads(made().text, parse_float=Fraction)["point"]
    assert [(p["tag"], p["line"], p["device"], p["table"], p["register"], p["encoding"]) for p in points] == [
        ("LT-North-Bin", "line-1", 3, "holding-register", 10, "uint16"),
        ("LT-V4", "line-1", 4, "input-register", 0, "float32-high-word-first"),
        ("LT-V5", "line-1", 5, "holding-register", 7, "uint16"),
        ("LT-V6", "line-1", 6, "input-register", 2, "float32-low-word-first"),
        ("LT-V7", "line-1", 7, "holding-register", 0, "uint32-low-word-first"),
    ]
    # feet from cm and from inches, a share of a span, a law of its own, and tenths of a millimetre
    assert [(p["unit"], p.get("scale"), p.get("offset")) for p in points] == [
        ("cm", None, None),
        ("in", None, None),
        ("%", Fraction(1, 10), None),
        ("m", Fraction("0.5859"), Fraction("0.3")),
        ("mm", Fraction(1, 10), None),
    ]
    assert [(p["poll"], p["warn_age"], p["close_age"]) for p in points] == [
        ("2 s", "6 s", "10 s"),
        ("1 s", "3 s", "5 s"),
        ("10.05 s", "30.15 s", "50.25 s"),
        ("0.25 s", "0.75 s", "1.25 s"),
        ("1 s", "3 s", "5 s"),
    ]


def test_each_name_has_a_vessel_and_each_settled_one_its_level() -> None:
    vessels = {v["tag"]: v for v in tomllib.loads(made().text)["vessel"]}
    assert {tag: v.get("level") for tag, v in vessels.items()} == {
        "North-Bin": {"point": "LT-North-Bin", "as": "height"},
        "V4": {"point": "LT-V4", "as": "ullage", "reference_height": "18.5 ft"},
        "V5": {"point": "LT-V5", "as": "percent", "span": "3 m"},
        "V6": {"point": "LT-V6", "as": "height"},
        "V7": {"point": "LT-V7", "as": "height"},
        "V8": None,
        "V9": None,
        "V10": None,
    }
    assert vessels["North-Bin"]["name"] == "North Bin"
    assert all(set(v) <= {"tag", "name", "level"} for v in vessels.values()), "a fact that nobody told"


def test_nothing_is_stated_on_the_users_behalf() -> None:
    text = made().text
    told = tomllib.loads(text)
    assert set(told) == {"format", "site", "line", "point", "vessel"}
    assert told["line"] == [{"tag": "line-1", "baud": 9600, "framing": "8N1"}]
    assert told["site"] == {"scan": "100 ms"}
    assert not any({"released", "valid", "good_when", "max_step"} & set(p) for p in told["point"])
    assert '# transmitter = { state = "?", checked_by = "?", on = ? }' in text
    assert text.count('# released = { dips = ?, by = "?", on = ? }') == len(SETTLED)
    assert not re.search(r"\b(safe|certified|verified|signed off|approved)\b", text)


def test_the_cautions_come_first_and_the_taps_stands_at_the_line() -> None:
    top, rest = made().text.split("format = 1", 1)
    for words in ("no safety system", "no emergency stop", "no overfill protection", "local codes come first"):
        assert words in " ".join(top.replace("#", " ").split())
    assert "hard-wired stop" in top
    tap = rest[rest.index("[[line]]") : rest.index("# transmitter =")]
    assert "never written" in tap
    assert "only hardware can keep it down" in tap


def test_the_evidence_stands_at_its_point() -> None:
    bin_words = block(made().text, "# North Bin: ")
    assert "device 3 holding-register 10 (400011), uint16" in bin_words
    assert "confidence 0.9973; ft = decoded × 0.03280839895 + 0" in bin_words
    assert "row 2 (from 1 after the header)" in bin_words
    assert "Survey: uint16, measurement, settled 0.9991, 120 to 350 (decoded); polled every 2.016 s" in bin_words
    assert "holding-register 12 (400013): int16" in bin_words
    assert "register = 10  # 400011 on paper" in made().text


def test_nobody_is_ever_told_to_be_certain() -> None:
    matched = match()
    matched["answers"][0]["confidence"] = 1.0
    assert "confidence 0.9999;" in block(made(matched=matched).text, "# North Bin: ")


def test_a_status_beside_is_proposed_and_no_more() -> None:
    lines = made().text.split("\n")
    proposed = [line for line in lines if "good_when" in line]
    assert proposed == ['# good_when = [{ register = 11, encoding = "uint16", equals = 1 }]']


@pytest.mark.parametrize(
    ("changes", "proposed"),
    [
        (
            {"kind": "status", "min": 0, "max": 3},
            '# good_when = [{ register = 11, encoding = "uint16", equals = ? }]',
        ),
        ({"kind": "measurement"}, None),
        ({"min": 256, "max": 256}, None),
        ({"min": -1, "max": -1}, None),
        ({"encoding": "float32-low-word-first"}, None),
        ({"register": 13}, None),  # not in the same answer
        ({"table": "input-register"}, None),
    ],
)
def test_only_what_looks_like_a_status_is_proposed(changes: dict[str, Any], proposed: str | None) -> None:
    heard = survey()
    heard["devices"][0]["values"][1].update(changes)
    found = [line for line in made(heard).text.split("\n") if "good_when" in line]
    assert found == ([] if proposed is None else [proposed])


def test_where_encodings_part_the_valid_range_is_told_to_stay_below() -> None:
    text = made().text
    seven = text[text.index('tag = "LT-V7"') : text.index("[[vessel]]")]
    assert "went from 1000 to 3000 mm" in seven
    assert "Stay below 6553.6 mm: from there on" in " ".join(seven.replace("#", " ").split())
    first = " ".join(text[text.index('tag = "LT-North-Bin"') : text.index("# V4: ")].replace("#", " ").split())
    assert "Stay below 32768 cm: from there on uint16 and int16 differ" in first
    five = text[text.index('tag = "LT-V5"') : text.index("# V6: ")]
    assert "Stay below" not in five


def test_the_other_encoding_is_the_one_that_the_match_did_not_choose() -> None:
    matched = match()
    matched["answers"][0]["encoding"] = "int16"
    text = " ".join(made(matched=matched).text.replace("#", " ").split())
    assert "Stay below 32768 cm: from there on int16 and uint16 differ" in text


def test_the_lower_of_two_limits_is_told() -> None:
    heard, matched = survey(), match()
    matched["answers"][0]["valid_below"] = 20_000 * 0.01 / FT
    text = made(heard, matched).text
    assert "Stay below 20000 cm" in " ".join(text.replace("#", " ").split())


def test_a_register_over_its_datum_says_what_it_cannot_see() -> None:
    text = " ".join(made().text.replace("#", " ").split())
    assert text.count("and so for any level under it") == 1
    assert "At 0 the register says 0.3 m" in text


def test_a_pressure_is_proposed_with_the_density_that_fits_and_not_written() -> None:
    words = block(made().text, "# V6: ")
    assert "If it sends psi, it is a pressure, of a product of 1200 kg/m3 (10.01 lb/gal) over a sensor 0.3 m" in words
    assert "kPa" not in words
    assert "pressure" not in {v.get("level", {}).get("as") for v in tomllib.loads(made().text)["vessel"]}


def test_a_float_that_fits_a_pressure_is_called_no_share() -> None:
    """0.1 m a kPa is water, 1020 kg/m3, by a sensor at the datum; 25 of 0..100 could be a share of 10 m too."""
    heard = survey()
    heard["devices"][3]["values"][0].update(min=8.0, max=25.0)
    law = (1000 / (1020 * 9.80665), 0.0)
    one = answer("V", 6, 2, "float32-low-word-first", law, table="input-register")
    text = made(heard, {"answers": [one]}).text
    assert vessel(text, "V")["level"] == {"point": "LT-V", "as": "height"}
    assert "If it sends kPa, it is a pressure, of a product of 1020 kg/m3" in block(text, "# V: ")
    one["scale"] = 0.031
    assert vessel(made(heard, {"answers": [one]}).text, "V")["level"]["span"] == "3.1 m"


def test_no_pressure_is_proposed_for_a_sensor_under_the_datum() -> None:
    one = answer("V", 6, 2, "float32-low-word-first", (PRESSURE_SCALE, -0.2), table="input-register")
    assert "it is a pressure" not in block(made(matched={"answers": [one]}).text, "# V: ")


def test_a_falling_law_that_no_height_from_above_explains_is_pointed_out() -> None:
    text = made(matched={"answers": [answer("V", 5, 7, "uint16", (-0.01, -0.5))]}).text
    assert [point(text, "LT-V")[key] for key in ("unit", "scale", "offset")] == ["cm", -1, -50]
    assert "no height from above fits: look at it again" in block(text, "# V: ")


def test_the_busiest_poll_that_holds_the_value_counts() -> None:
    heard = survey()
    heard["devices"][0]["polls"].reverse()  # somebody asks for the first register alone, twice a second
    heard["devices"][0]["polls"][0]["answered"] = 90
    assert point(made(heard).text, "LT-North-Bin")["poll"] == "2 s"
    heard["devices"][0]["polls"][0]["answered"] = 9000
    assert point(made(heard).text, "LT-North-Bin")["poll"] == "0.5 s"


def test_a_values_own_registers_are_no_status() -> None:
    heard = survey()
    heard["devices"][4]["values"].append(value(1, "uint16", 0, 0, kind="constant"))
    text = made(heard).text
    assert "register = 1," not in text
    assert "In the same answer" not in block(text, "# V7: ")


@pytest.mark.parametrize(
    ("unit", "law", "keys", "level"),
    [
        ("kPa", (0.1, 0.0), {"unit": "kPa", "scale": 0.1}, {"as": "pressure"}),
        ("psi", (0.1450377377302092, 0.0), {"unit": "kPa"}, {"as": "pressure"}),
        ("%", (0.1, 0.0), {"unit": "%", "scale": 0.1}, {"as": "percent"}),
        ("%", (-0.1, 100.0), {"unit": "%", "scale": -0.1, "offset": 100}, {"as": "percent"}),
        ("m", (0.01, 0.5), {"unit": "cm", "offset": 50}, {"as": "height"}),
        ("m", (0.01, -0.5), {"unit": "cm", "offset": -50}, {"as": "height"}),
        ("m", (0.00254, 0.0), {"unit": "in", "scale": 0.1}, {"as": "height"}),
        ("m", (-0.0254, 5.0), {"unit": "in"}, {"as": "ullage", "reference_height": "5 m"}),
        ("m", (0.00417, -0.75), {"unit": "m", "scale": 0.00417, "offset": -0.75}, {"as": "height"}),
        ("m", (-0.00417, -0.75), {"unit": "m", "scale": -0.00417, "offset": -0.75}, {"as": "height"}),
        ("in", (-0.164, 200.0), {"unit": "in", "scale": 0.164}, {"as": "ullage", "reference_height": "200 in"}),
    ],
)
def test_laws_of_all_kinds_become_a_level(
    unit: str, law: tuple[float, float], keys: dict[str, Any], level: dict[str, Any]
) -> None:
    text = made(matched={"answers": [answer("V", 5, 7, "uint16", law, unit=unit)]}).text
    found = point(text, "LT-V")
    assert {key: found[key] for key in ("unit", "scale", "offset") if key in found} == keys
    assert vessel(text, "V")["level"] == {"point": "LT-V", **level}


@pytest.mark.parametrize(
    ("unit", "why"), [("gal", "volumes"), ("L", "volumes"), ("C", "no level"), ("F", "no level")]
)
def test_what_is_no_level_stays_a_comment(unit: str, why: str) -> None:
    first = made(matched={"answers": [answer("V", 5, 7, "uint16", (0.1, 0.0), unit=unit)]})
    assert "point" not in tomllib.loads(first.text)
    assert why in first.text
    assert first.open_names == ("V",)
    assert ("vessel" in tomllib.loads(first.text)) == (why == "volumes")


def test_open_names_are_told_with_rivals_and_what_to_read_next() -> None:
    first = made()
    assert first.points == len(SETTLED)
    assert first.open_names == ("V8", "V9", "V10")
    twins = block(first.text, "# V8: ")
    assert "ambiguous, confidence 0.5000" in twins
    assert "Rival: device 9 holding-register 0 (400001), uint16, m = decoded × 0.001 + 0; confidence 0.9973." in twins
    assert "Next: Read once more where device 8 and 9 part most." in twins
    assert "A reading at 1234.500 s of that record would have settled it." in twins
    assert "scale-open" in block(first.text, "# V9: ")
    assert "Read near the top." in block(first.text, "# V9: ")
    assert "no register of the record explains its readings" in block(first.text, "# V10: ")


def test_findings_are_told_once_with_their_evidence() -> None:
    text = made().text
    words = " ".join(text.replace("#", " ").split())
    for each in survey()["findings"]:
        assert words.count(f"{each['severity']}, {each['finding']}: {each['text']}") == 1
        assert words.count(f"Evidence: evidence of {each['finding']}.") == 1
        assert words.count(f"To settle: settle {each['finding']}.") == 1
    assert words.count("Quiet hours") == 1
    assert "From 120.000 s to 3720.500 s on the recording's clock." in words
    assert text.index("silent-window") < text.index("[[line]]")
    assert text.index("[[point]]") < text.index("second-master") < text.index("# V4: ")
    assert text.index("# V4: ") < text.index("fault-values") < text.index("# V5: ")
    assert block(text, "# Device 31").startswith("Device 31, not a level: 1 values.")


def test_without_a_match_points_are_proposed_in_comments_alone(tmp_path: Path) -> None:
    heard = survey()
    heard["devices"][1]["values"].append(value(1, "uint16", 3, 99, status="open", confidence=0.4))
    first = made(heard, bare=True)
    assert (first.points, first.open_names) == (0, ())
    assert set(tomllib.loads(first.text)) == {"format", "site", "line"}
    proposed = re.findall(r'^# tag = "(P-\d+-\d+)"$', first.text, re.MULTILINE)
    assert proposed == ["P-3-10", "P-3-12", "P-4-0", "P-5-7", "P-6-2", "P-7-0", "P-8-0", "P-9-0"]
    assert "Take readings of every vessel" in first.text
    assert only_missing(written(first.text, tmp_path), first.text)


def test_a_register_behind_two_names_is_pointed_out() -> None:
    law = (0.01, 0.0)
    twice = {"answers": [answer("A", 5, 7, "uint16", law), answer("B", 5, 7, "uint16", law)]}
    words = " ".join(made(matched=twice).text.replace("#", " ").split())
    assert words.count("LOOK AGAIN: device 5 holding-register 7 (400008), uint16 stands behind A too.") == 1
    assert "LOOK AGAIN" not in made().text


def test_a_survey_that_reads_it_otherwise_is_pointed_out() -> None:
    heard = survey()
    heard["devices"][2]["values"][0]["encoding"] = "bcd16"
    assert "reads it ANOTHER way: bcd16" in block(made(heard).text, "# V5: ")
    assert point(made(heard).text, "LT-V5")["encoding"] == "uint16"
    assert "ANOTHER" not in made().text


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"settings": None}, {"tag": "line-1"}),
        (
            {"settings": {"baud": 2400, "framing": "7E1", "inverted": True, "source": "edges"}},
            {"tag": "line-1", "baud": 2400},
        ),
        (
            {"settings": {"baud": 110, "framing": "8E1", "inverted": False, "source": "flags"}},
            {"tag": "line-1", "framing": "8E1"},
        ),
    ],
)
def test_settings_that_a_site_cannot_hold_are_left_open(changes: dict[str, Any], line: dict[str, Any]) -> None:
    heard = survey()
    heard["line"].update(changes)
    text = made(heard).text
    assert tomllib.loads(text)["line"] == [line]
    for key in ("baud", "framing"):
        assert (f"\n# {key} = " in text.split("# -- Points")[0]) == (key not in line)


@pytest.mark.parametrize(
    ("period", "poll"),
    [(0.0, "0.01 s"), (0.004, "0.01 s"), (0.496, "0.5 s"), (0.512, "0.5 s"), (0.992, "1 s"), (719.0, "719 s")],
)
def test_a_period_is_told_as_finely_as_it_is_known(period: float, poll: str) -> None:
    heard = survey()
    heard["devices"][2]["polls"][0]["period_s"] = period
    found = point(made(heard).text, "LT-V5")
    assert found["poll"] == poll
    ages = [float(found[key].removesuffix(" s")) for key in ("poll", "warn_age", "close_age")]
    assert ages[1] == pytest.approx(3 * ages[0])
    assert ages[2] == pytest.approx(5 * ages[0])


@pytest.mark.parametrize("period", [None, 721.0, 1e300])
def test_a_period_that_is_unknown_or_too_long_is_left_open(period: float | None) -> None:
    heard = survey()
    heard["devices"][2]["polls"][0]["period_s"] = period
    text = made(heard).text
    assert not {"poll", "warn_age", "close_age"} & set(point(text, "LT-V5"))
    assert '# warn_age = "? s"' in text


# -- what check says -------------------------------------------------------------------------------------------------


def only_missing(loaded: Loaded, text: str) -> bool:
    """Whether every problem names something that stands in the file as a comment with a question mark."""
    assert loaded.problems
    for problem in loaded.problems:
        if problem.severity is Severity.WARNING:  # statements that only a person can make
            assert problem.where.split(".")[-1] in ("transmitter", "released", "tag", "baud", "site file"), str(
                problem
            )
            if problem.where.endswith((".tag", ".baud", "site file")):
                assert re.search("no alarm on its high|can't carry the polls|it only listens", problem.problem)
                continue
        else:
            assert problem.problem == "missing" or "is register 7 of device 5 already" in problem.problem, str(
                problem
            )
        assert problem.remedy
        key = problem.where.split(".")[-1]
        if key == "register":
            continue
        wanted = rf"^# (\[\[?{key}\]|({key}|{key}\.\w+|[a-z]+\.{key}) = .*\?)"
        assert re.search(wanted, text, re.MULTILINE), problem.where
    return True


def test_check_names_only_what_is_to_be_filled_in(tmp_path: Path) -> None:
    text = made().text
    loaded = written(text, tmp_path)
    assert only_missing(loaded, text)
    wheres = {p.where for p in loaded.problems}
    assert {
        "people",
        "site file",
        "site.name",
        "line.line-1.port",
        "point.LT-V4.valid",
        "vessel.V4.level.blocking",
    } <= wheres
    assert {"vessel.V8.level", "vessel.V10.trip", "vessel.V4.shape"} <= wheres


OWN = {
    ("LT-North-Bin", "valid"): '["0 cm", "400 cm"]',
    ("LT-V4", "valid"): '["20 in", "222 in"]',
    ("LT-V5", "valid"): '["0 %", "100 %"]',
    ("LT-V6", "valid"): '["0.31 m", "6 m"]',
    ("LT-V7", "valid"): '["0 m", "6 m"]',
    ("V4", "level.blocking"): '"0.30 m"',
}


def filled_yard(folder: Path) -> Loaded:
    """The yard without its open names, filled in."""
    (folder / "people.toml").write_text(PEOPLE)
    matched = {"answers": match()["answers"][: len(SETTLED)]}
    return written(filled(made(matched=matched).text, OWN, "V4"), folder)


def test_a_filled_file_is_a_site(tmp_path: Path) -> None:
    loaded = filled_yard(tmp_path)
    assert [str(p) for p in loaded.problems] == []
    assert loaded.site is not None
    assert [v.tag for v in loaded.site.vessels] == list(SETTLED)


def test_a_filled_file_makes_the_levels_that_the_match_promised(tmp_path: Path) -> None:
    site = filled_yard(tmp_path).site
    assert site is not None
    values = {(d["device"], v["register"]): v for d in survey()["devices"] for v in d["values"]}
    for told, found in zip(match()["answers"], site.vessels, strict=False):
        p = site.point(found.level.point)
        seen = values[told["device"], told["register"]]
        span_m = abs(seen["max"] - seen["min"]) * abs(told["scale"]) * float(to_si(1, told["unit"]))
        for decoded in (seen["min"], (seen["min"] + seen["max"]) / 2, seen["max"]):
            level = level_m(found.level, found.density, to_si(Fraction(decoded) * p.scale + p.offset, p.unit))
            promised = (decoded * told["scale"] + told["offset"]) * float(to_si(1, told["unit"]))
            assert abs(float(level) - promised) <= span_m / 2000 + 1e-9, found.tag


# -- nothing breaks out ----------------------------------------------------------------------------------------------


def with_texts(words: str) -> tuple[Any, Any]:
    """Documents whose every free text is words."""
    heard, matched = survey(), match()
    for found in heard["findings"]:
        found.update(text=words, evidence=words, settle=words, finding=words)
    heard["line"]["settings"]["framing"] = words
    for each in matched["answers"]:
        each["next"] = words
    return heard, matched


BREAKERS = [
    'x"\n[[point]]\ntag = "forged"',
    "x\r\nformat = 2",
    "\"\"\"\n'''\n",
    "\x00\x07\x1b[31m\x7f\x85\u2028\u2029\u202e",
    "\ud800 lone",
    "\\u0022\\n\\",
    "#" * 300,
    "é" * 9000,
    "a " * 4900,
    "   ",
    "",
]


@pytest.mark.parametrize("words", BREAKERS, ids=range(len(BREAKERS)))
def test_text_of_a_document_stays_in_its_comment(words: str) -> None:
    plain = tomllib.loads(made(*with_texts("words")).text)
    text = made(*with_texts(words)).text
    assert tomllib.loads(text) == plain
    assert text.encode()
    assert all(c.isprintable() or c == "\n" for c in text)
    assert max(map(len, text.split("\n"))) <= 130


@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.too_slow])
@given(st.text(st.characters(), max_size=60), st.text(st.characters(), min_size=1, max_size=80))
def test_any_text_stays_where_it_belongs(words: str, name: str) -> None:
    heard, matched = with_texts(words)
    if not name.strip():
        return
    matched["answers"][1]["name"] = name
    found = tomllib.loads(made(heard, matched).text)
    plain = tomllib.loads(made(*with_texts("words")).text)
    renamed = found["vessel"][1]
    assert renamed["name"].isprintable()
    assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}", renamed["tag"])
    found["vessel"][1]["tag"], found["vessel"][1]["name"] = "V4", "V4"
    found["vessel"][1]["level"]["point"] = found["point"][1]["tag"] = "LT-V4"
    assert found == plain


@pytest.mark.parametrize(
    ("name", "shown", "tag"),
    [
        ('a "b" \\ c', 'a "b" \\ c', "a-b-c"),
        ("up\n[[point]]\n", "up\\n[[point]]\\n", "up-point"),
        ('"""', '"""', "V"),
        ("Größe 1", "Größe 1", "Gr-e-1"),
        ("\x00", "\\x00", "V"),
    ],
)
def test_a_name_is_shown_as_it_is_and_its_tag_is_plain(name: str, shown: str, tag: str, tmp_path: Path) -> None:
    text = made(matched={"answers": [answer(name, 5, 7, "uint16", (0.01, 0.0))]}).text
    (found,) = tomllib.loads(text)["vessel"]
    assert (found["name"], found["tag"], found["level"]["point"]) == (shown, tag, f"LT-{tag}")
    assert only_missing(written(text, tmp_path), text)


def test_a_text_of_several_lines_becomes_one() -> None:
    text = " ".join(made(*with_texts("one\n  two")).text.replace("#", " ").split())
    assert "Next: one two" in text
    assert "Evidence: one two." in text


def test_names_that_fall_together_keep_tags_apart(tmp_path: Path) -> None:
    names = ["T 1", "T-1", "T/1", "site", "alarm", "line-1", "LT-T-1", "–", "x" * 80, "x" * 79]
    answers = [answer(name, 5, 7, "uint16", (0.01, 0.0)) for name in names]  # one register for all: check says so
    text = made(matched={"answers": answers}).text
    told = tomllib.loads(text)
    tags = [each["tag"] for kind in ("line", "point", "vessel") for each in told[kind]]
    assert len(set(tags)) == len(tags) == 1 + 2 * len(names)
    assert [v["name"] for v in told["vessel"]] == names
    assert only_missing(written(text, tmp_path), text)


def test_the_largest_match_fits_a_site_file(tmp_path: Path) -> None:
    heard = survey()
    heard["findings"] *= 100
    answers = [answer(f"vessel {n}", 5, 7, "uint16", (0.01, 0.0)) for n in range(100)]
    text = made(heard, {"answers": answers}).text
    assert len(text.encode()) < 1_000_000
    assert "50 findings more: see the survey" in text
    assert only_missing(written(text, tmp_path), text)


def test_the_same_documents_give_the_same_text() -> None:
    def shuffled(node: Any, seed: random.Random) -> Any:
        if isinstance(node, dict):
            keys = list(node)
            seed.shuffle(keys)
            return {key: shuffled(node[key], seed) for key in keys}
        return [shuffled(each, seed) for each in node] if isinstance(node, list) else node

    seed = random.Random(7)
    assert made(shuffled(survey(), seed), shuffled(match(), seed)).text == made().text


# -- documents nobody means well with --------------------------------------------------------------------------------

WRONG: tuple[Any, ...] = (None, True, 0, -1, 0.5, 1e300, 10**400, "", "x", "x" * 20_000, [], {}, [[]], [{}])


def places(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every path of a document but the top's."""
    each = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, inner in each:
        yield (*path, key)
        yield from places(inner, (*path, key))


def planted(document: Any, path: tuple[Any, ...], wrong: Any) -> Any:
    changed = copy.deepcopy(document)
    *above, last = path
    node = changed
    for key in above:
        node = node[key]
    node[last] = wrong
    return changed


def short_survey() -> Any:
    heard = survey()
    heard["devices"] = [heard["devices"][0], heard["devices"][4], *heard["devices"][5:7]]
    heard["findings"] = heard["findings"][:1]
    return heard


def short_match() -> Any:
    matched = match()
    return {"answers": [matched["answers"][0], matched["answers"][5], matched["answers"][7]]}


def made_or_refused(heard: Any, matched: Any) -> tuple[str, BadInput | None]:
    try:
        return made(heard, matched).text, None
    except BadInput as problem:
        return "", problem


@pytest.mark.parametrize("which", ["survey", "match"])
def test_anything_anywhere_in_a_document_is_taken_or_refused_with_its_place(which: str, tmp_path: Path) -> None:
    document = short_survey() if which == "survey" else short_match()
    taken = refused = 0
    checked = set()  # what a reader of the file finds; what differs in comments alone is checked once
    for path in places(document):
        for wrong in WRONG:
            changed = planted(document, path, wrong)
            pair = (changed, short_match()) if which == "survey" else (short_survey(), changed)
            text, problem = made_or_refused(*pair)
            if problem is not None:
                assert re.match(r"(survey|match)\.json:[\w .\[\]]+$", problem.place), problem.place
                assert len(str(problem)) < 600
                refused += 1
                continue
            taken += 1
            assert "LT-North-Bin" not in text or point(text, "LT-North-Bin")
            live = json.dumps(tomllib.loads(text))
            if live not in checked:
                assert only_missing(written(text, tmp_path), text)
            checked.add(live)
    assert taken > 100
    assert refused > 500


@pytest.mark.parametrize("which", ["survey", "match"])
def test_a_key_that_is_missing_is_named(which: str) -> None:
    document = survey() if which == "survey" else match()
    needed = {"flag_rates", "retries", "exceptions", "damaged", "unanswered", "first"}  # of no use here
    for path in places(document):
        if not isinstance(path[-1], str) or path[-1] in needed or "V10" in json.dumps(path):
            continue
        changed = copy.deepcopy(document)
        node = changed
        for key in path[:-1]:
            node = node[key]
        del node[path[-1]]
        if which == "match" and path[:2] == ("answers", 7) and path[-1] not in ("name", "status"):
            continue  # nothing more is asked of a name with no answer
        if which == "survey" and path[-2:-1] and path[-1] == "register" and path[0] == "findings":
            continue
        with pytest.raises(BadInput) as problem:
            made(changed, match()) if which == "survey" else made(survey(), changed)
        told = "".join(f"[{key}]" if isinstance(key, int) else f".{key}" for key in path).lstrip(".")
        assert problem.value.place == f"{which}.json:{told}"
        assert problem.value.problem == "missing"


@pytest.mark.parametrize(
    ("text", "place", "problem"),
    [
        ("", "survey.json:1:1", "no JSON"),
        ('{\n "line": }', "survey.json:2:10", "no JSON"),
        ("[" * 200_000, "survey.json", "nested too deep"),
        ('{"line":' * 200_000, "survey.json", "nested too deep"),
        ('{"line": NaN}', "survey.json", "NaN is no number of JSON"),
        ('{"line": ' + "9" * 5000 + "}", "survey.json", "limit"),
        ("[]", "survey.json", "a list where an object is needed"),
        ("3", "survey.json", "a number where an object is needed"),
        ('{"answers": []}', "survey.json:line", "missing"),
    ],
)
def test_what_is_no_document_is_refused(text: str, place: str, problem: str) -> None:
    with pytest.raises(BadInput, match="sidetap survey RECORDING --json") as found:
        read_survey(text, "survey.json")
    assert found.value.place == place
    assert problem in found.value.problem


@pytest.mark.parametrize(
    ("wrong", "problem"),
    [
        ({"device": True}, "device: true or false where a whole number is needed"),
        ({"device": 0}, "device: a number outside 1 to 247"),
        ({"scale": "1"}, "scale: text where a number is needed"),
        ({"scale": False}, "scale: true or false where a number is needed"),
        ({"scale": 0}, "scale: a scale of 0"),
        ({"unit": "furlong"}, "unit: 'furlong' is none of"),
        ({"rivals": None}, "rivals: null where a list is needed"),
        ({"name": "  "}, "name: no name"),
    ],
)
def test_a_wrong_value_is_told_with_its_place(wrong: dict[str, Any], problem: str) -> None:
    with pytest.raises(BadInput) as found:
        made(matched={"answers": [answer("V", 5, 7, "uint16", (0.01, 0.0)) | wrong]})
    assert str(found.value).startswith(f"match.json:answers[0].{problem}")


def test_documents_of_two_lines_are_refused() -> None:
    for wrong in ({"device": 200}, {"register": 8}, {"table": "input-register"}):
        with pytest.raises(BadInput, match="the survey knows no poll") as found:
            made(matched={"answers": [answer("V", 5, 7, "uint16", (0.01, 0.0)) | wrong]})
        assert found.value.place == "match.json:V"
    with pytest.raises(BadInput, match="the survey knows no poll"):
        made(matched={"answers": [answer("V", 5, 7, "uint32-low-word-first", (0.01, 0.0))]})


def test_names_and_devices_stand_there_once() -> None:
    with pytest.raises(BadInput, match="stands there twice"):
        made(matched={"answers": [answer("V", 5, 7, "uint16", (0.01, 0.0))] * 2})
    heard = survey()
    heard["devices"].append(device(3, [(3, 0, 1, 1.0)], [value(0, "uint16", 0, 1)]))
    with pytest.raises(BadInput, match="stands there twice"):
        made(heard)


def test_a_finding_about_an_unknown_device_is_not_lost() -> None:
    heard = survey()
    heard["findings"].append(finding("address-scan", 77, "Somebody asked address 77."))
    assert "Somebody asked address 77." in made(heard).text
