"""The report: one page that needs nothing but itself, says what was found, and is read without colour or mouse."""

import json
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from fractions import Fraction
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from health_lines import MS, S, heard, read_answer, read_request
from survey_lines import reads
from survey_lines import surveyed as surveyed_events

from sidetap.cli.main import run
from sidetap.errors import BadInput
from sidetap.line import Chunk, Settings
from sidetap.line.recording import read, write_csv, write_pcapng
from sidetap.survey import (
    Answer,
    MatchStatus,
    PersonReading,
    ReadingKind,
    Rival,
    Survey,
    YardEvent,
    survey_recording,
)
from sidetap.survey.health.text import duration
from sidetap.survey.report import write_match_report, write_report
from sidetap.survey.report.curves import value_curve
from sidetap.survey.report.scales import TimeAxis, round_numbers
from sidetap.survey.report.values import curves
from sidetap.survey.values import Alternative
from sidetap.survey.words import answer_words, clock, device_words, elapsed, survey_words
from sidetap.yard import Yard

VOID = {"meta", "link", "br", "hr", "img", "input"}


class Outline(HTMLParser):
    """Elements with their attributes, words, and whether every element is closed."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)


def outline(page: str) -> Outline:
    parsed = Outline()
    parsed.feed(page)
    parsed.close()
    assert parsed.open == []
    return parsed


def surveyed(path: Path, chunks: list[Chunk], settings: Settings | None = None) -> Survey:
    write_pcapng(path, chunks, settings)
    return survey_recording(read(path))


def written(found: Survey, path: Path, name: str = "line.pcapng") -> str:
    assert found.health is not None
    write_report(found, found.health, path, recording=name)
    return path.read_text()


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Survey:
    yard = Yard(noise=True)
    yard.faults.twin(15)
    chunks = [Chunk(1_773_237_600 * S + (c.t_ns or 0), c.data, c.flags) for c in heard(yard, 60)]
    return surveyed(tmp_path_factory.mktemp("faulty") / "line.pcapng", chunks, Settings(19200, "8E1"))


def test_the_page_needs_nothing_but_itself(faulty: Survey, tmp_path: Path) -> None:
    page = written(faulty, tmp_path / "report.html")
    parsed = outline(page)
    assert "script" not in {tag for tag, _ in parsed.elements}
    for tag, attributes in parsed.elements:
        assert not {"src", "href", "srcset", "action"} & attributes.keys(), tag
        assert not any(name.startswith("on") for name in attributes), tag
    assert "@import" not in page
    assert re.findall(r"url\(([^)]*)\)", page) == ["#hatch"]
    assert not re.search(r"https?://", page)


def test_it_says_what_was_found_and_when(faulty: Survey, tmp_path: Path) -> None:
    words = " ".join(" ".join(outline(written(faulty, tmp_path / "report.html")).words).split())
    assert "address-collision" in words
    assert re.search(r"2026-03-11 14:00:00 to 14:0[01]:\d\d UTC", words)
    for finding in faulty.findings:
        assert " ".join(finding.text.split()) in words
        assert " ".join(finding.settle.split()) in words
    for device in (11, 12, 13, 14, 15, 16, 31):
        assert f"device {device}" in words
    for unit in ("ms", "h:min:s", "%"):
        assert unit in words


def test_every_picture_has_a_name_and_words_for_those_who_cannot_see_it(faulty: Survey, tmp_path: Path) -> None:
    page = written(faulty, tmp_path / "report.html")
    pictures = re.findall(r"<svg viewBox.*?</svg>", page, flags=re.DOTALL)
    assert len(pictures) >= 10  # timeline, registers, gaps, and a turnaround for each of seven devices
    for picture in pictures:
        root = ElementTree.fromstring(picture)
        assert root.attrib["role"] == "img"
        assert len(root.attrib["aria-label"]) > 10
        assert root.find("title") is not None
    timeline = ElementTree.fromstring(pictures[0])
    hanging = [path for path in timeline.iter("path") if path.attrib["class"] == "bad"]
    assert len(hanging) == 1  # only device 15 was hurt, and what is hurt hangs below its line
    assert re.search(r"M\S+ \S+v\d", hanging[0].attrib["d"])
    registers = ElementTree.fromstring(pictures[1])
    rows = [text.text for text in registers.iter("text")]
    assert "100  (400101)" in rows
    assert "101  (400102)" not in rows  # never moved
    assert "device 11, holding-register 101" in page


def test_what_comes_from_outside_is_escaped(faulty: Survey, tmp_path: Path) -> None:
    page = written(faulty, tmp_path / "report.html", "<script>alert(1)</script>.pcapng")
    assert "script" not in {tag for tag, _ in outline(page).elements}
    starts = range(300, 3000, 400)
    chunks, level = [], 30_000
    for n in range(3300):
        level -= any(start <= n < start + 100 for start in starts[:-1])
        chunks += [Chunk(n * S, read_request(1, 0, 1)), Chunk(n * S + 20 * MS, read_answer(1, [level]))]
    write_pcapng(tmp_path / "events.pcapng", chunks, None)
    events = [YardEvent(start * S, "<img src=x onerror=alert(1)>") for start in starts]
    found = survey_recording(read(tmp_path / "events.pcapng"), events)
    assert "frozen-value" in {finding.finding for finding in found.findings}
    page = written(found, tmp_path / "events.html")
    assert "img" not in {tag for tag, _ in outline(page).elements}
    assert "&lt;img src=x" in page


def test_records_without_times_flags_or_frames(tmp_path: Path) -> None:
    asked = b"".join(read_request(1, 0, 1) + read_answer(1, [n]) for n in range(50))
    for name, data in (("asked.bin", asked), ("text.bin", b"no frames at all, only words " * 20)):
        (tmp_path / name).write_bytes(data)
        words = " ".join(outline(written(survey_recording(read(tmp_path / name)), tmp_path / "r.html", name)).words)
        assert "without times" in words
        assert "no flags" in words
    write_csv(tmp_path / "one.csv", [Chunk(0, b"\x01")])
    outline(written(survey_recording(read(tmp_path / "one.csv")), tmp_path / "one.html"))


def test_the_same_record_gives_the_same_page_and_no_half_of_it(faulty: Survey, tmp_path: Path) -> None:
    assert written(faulty, tmp_path / "a.html") == written(faulty, tmp_path / "b.html")
    assert faulty.health is not None
    with pytest.raises(BadInput):
        write_report(faulty, faulty.health, tmp_path / "nowhere" / "r.html", recording="x")
    (tmp_path / "folder").mkdir()
    with pytest.raises(BadInput):
        write_report(faulty, faulty.health, tmp_path / "folder", recording="x")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.html", "b.html", "folder"]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("verb") / "line.pcapng"
    write_pcapng(path, heard(Yard(noise=True), 30), Settings(19200, "8E1"))
    return path


def test_the_verb_writes_the_page_beside_its_other_output(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["survey", str(record), "--json", "--report", str(tmp_path / "r.html")]) == 0
    out, err = capsys.readouterr()
    assert list(json.loads(out)) == ["line", "devices", "findings"]
    assert err == ""
    outline((tmp_path / "r.html").read_text())
    assert run(["survey", str(record)]) == 0
    words = capsys.readouterr().out
    for told in ("Busy 11", "± 7.9 ms", "turnaround", "up to about 16.0 ms late", "0.00% of 30 tries damaged"):
        assert told in words


def test_the_verb_refuses_a_place_before_it_works(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = record.read_bytes()
    events = tmp_path / "events.csv"
    events.write_text("time_s,name\n1,pump\n")
    for place in (record, tmp_path, tmp_path / "nowhere" / "r.html", events):
        assert run(["survey", str(record), "--events", str(events), "--report", str(place)]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert err.startswith(f"error: {place}: ")
        assert len(err.splitlines()) == 1
    assert record.read_bytes() == before
    assert events.read_text().startswith("time_s")


def luminance(colour: str) -> float:
    """Return the relative luminance of #rrggbb (WCAG 2.1, definition of relative luminance)."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_words_stand_out_from_the_paper_and_tones_from_each_other(faulty: Survey, tmp_path: Path) -> None:
    """4.5:1 for words, 3:1 for shapes (WCAG 2.1, 1.4.3 and 1.4.11)."""
    page = written(faulty, tmp_path / "report.html")
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", page))
    paper = luminance(colours["paper"])
    for name, least in (("ink", 4.5), ("soft", 4.5), ("bad", 4.5), ("fill", 3.0)):
        assert (paper + 0.05) / (luminance(colours[name]) + 0.05) >= least, name
    tones = [luminance(colour) for _, colour in sorted(re.findall(r"\.(tone\d) \{ fill: (#[0-9a-f]{6})", page))]
    assert len(tones) == 5
    assert all(light > 1.5 * dark for light, dark in pairwise(tones))


def test_words_for_times() -> None:
    assert clock(1_773_237_600 * S) == "2026-03-11 14:00:00 UTC"
    assert clock(-5 * S // 2) == "-2.500 s on the recording's clock"
    assert elapsed(90_061) == "1 d 1:01:01"
    assert duration(99_940) == "99.9 ms"
    assert round_numbers(0, 0.7, 5) == (0.0, 0.2, 0.4, 0.6000000000000001)
    for hours in (1 / 3600, 0.1, 1, 24, 500, 1e6):
        ticks = TimeAxis(0, round(hours * 3600 * S), 100, 900).ticks()
        assert 1 <= len(ticks) <= 10
        assert all(100 <= x <= 1000 for x, _ in ticks)


# values, and a match


@pytest.fixture(scope="module")
def matched(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The page of a match: one name settled, one with a rival, a typo and a moment to read, one that is nowhere."""
    start = 1_773_237_600 * S
    mm = [2000 + n if n < 300 else 2300 for n in range(600)]
    chunks = []
    for n in range(600):
        at = start + n * S
        chunks += [Chunk(at, read_request(1, 0, 1)), Chunk(at + 20 * MS, read_answer(1, [mm[n]]))]
        chunks += [
            Chunk(at + 300 * MS, read_request(2, 5, 1)),
            Chunk(at + 320 * MS, read_answer(2, [9000 - 3 * mm[n]])),
        ]
    found = surveyed(tmp_path_factory.mktemp("matched") / "line.pcapng", chunks, Settings(19200, "8E1"))
    best = Rival(1, "holding-register", 0, "uint16", 0.001, 0.0, 0.97)
    rival = Rival(2, "holding-register", 5, "uint16", -0.0004, 3.18, 0.02)
    other = Rival(2, "holding-register", 5, "uint16", -0.0002, 2.64, 0.01)
    answers = [
        Answer("<b>one", MatchStatus.SETTLED, best, "m", None, (), (), None, None, ()),
        Answer(
            "two", MatchStatus.AMBIGUOUS, best, "m", None, (4,), (rival, other), "Read <i>two", start + 550 * S, ()
        ),
        Answer("three", MatchStatus.NONE, None, None, None, (), (), None, None, (6,)),
    ]
    half = Fraction(1, 2000)
    noted = [
        PersonReading(row, start + t * S, name, Fraction(value), "m", half, half, None, kind)
        for row, t, name, value, kind in (
            (1, 50, "<b>one", "2.050", ReadingKind.DISPLAY),
            (2, 500, "<b>one", "2.300", ReadingKind.DIP),
            (3, 100, "two", "2.100", ReadingKind.DISPLAY),
            (4, 400, "two", "2.800", ReadingKind.DISPLAY),
            (5, 400, "three", "7.5", ReadingKind.DISPLAY),
        )
    ]
    told = [answer_words(found, answer, noted) for answer in answers]
    path = tmp_path_factory.mktemp("page") / "match.html"
    write_match_report(found, told, path, recording="<u>line.pcapng", readings="<u>readings.csv")
    return path.read_text()


def test_the_page_of_a_match_needs_nothing_but_itself_and_escapes_what_came_from_outside(matched: str) -> None:
    parsed = outline(matched)
    tags = {tag for tag, _ in parsed.elements}
    assert not {"script", "i", "u", "link", "img"} & tags
    for tag, attributes in parsed.elements:
        assert not {"src", "href", "srcset", "action"} & attributes.keys(), tag
        assert not any(name.startswith("on") for name in attributes), tag
    assert not re.search(r"https?://|@import", matched)
    words = " ".join(" ".join(parsed.words).split())
    for told in ("<b>one", "Read <i>two", "<u>line.pcapng", "<u>readings.csv"):
        assert told in words


def test_a_match_is_told_with_verdict_law_rivals_and_the_next_reading(matched: str) -> None:
    words = " ".join(" ".join(outline(matched).words).split())
    for told in (
        "<b>one: ● settled",
        "two: ◇ ambiguous: device 1 register 0 or device 2 register 5 or 1 other",
        "three: × none",
        "Readings outside the record, left out: row 6 ",
        "m = decoded × 0.001",
        "m = 3.18 - decoded × 0.0004",
        "08 FC = 2300, so 2.300 m",
        "row 4 says 2.800 m, expected 2.300 m (2026-03-11 14:06:40 UTC); read it again",
        "0:09:10 into this record: 2026-03-11 14:09:10 UTC, time_s 1773238150",
    ):
        assert told in words, told


def test_pictures_of_a_match_show_readings_rivals_and_the_moment_without_colour(matched: str) -> None:
    pictures = [ElementTree.fromstring(p) for p in re.findall(r"<svg viewBox.*?</svg>", matched, flags=re.DOTALL)]
    assert len(pictures) == 2  # nothing to draw for a name without a register
    two = pictures[1]
    kinds = [[element.attrib.get("class") for element in picture.iter()] for picture in pictures]
    assert (kinds[0].count("display"), kinds[0].count("dip"), kinds[0].count("cross")) == (1, 1, 0)
    assert (kinds[1].count("display"), kinds[1].count("cross")) == (1, 1)  # a typo is a cross, with its row beside it
    assert "row 4" in [text.text for text in two.iter("text")]
    assert kinds[0].count("curve") == kinds[1].count("curve") == 1
    assert kinds[1].count("rival dash0") == kinds[1].count("rival dash1") == 1
    assert "median" in kinds[1]
    assert "median" not in kinds[0]
    ends = [text.text or "" for text in two.iter("text")]
    assert any(text.startswith("1  device 1") for text in ends)
    assert any(text.startswith("2  device 2") for text in ends)
    for picture in pictures:
        assert picture.attrib["role"] == "img"
        assert "m" in picture.attrib["aria-label"]
    dashes = re.findall(r"\.dash\d \{ stroke-dasharray: ([\d ]+); \}", matched)
    assert len(set(dashes)) == len(dashes) == 5


def places(path: ElementTree.Element) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"[ML](\S+) ([\d.]+)", path.attrib["d"])]


def test_a_curve_goes_through_its_readings(matched: str) -> None:
    one = ElementTree.fromstring(re.findall(r"<svg viewBox.*?</svg>", matched, flags=re.DOTALL)[0])
    (curve,) = [path for path in one.iter("path") if path.attrib["class"] == "curve"]
    (mark,) = one.iter("circle")
    x, y = float(mark.attrib["cx"]), float(mark.attrib["cy"])
    near = min(places(curve), key=lambda place: abs(place[0] - x))
    assert abs(near[0] - x) < 4
    assert abs(near[1] - y) < 4
    dip = next(r for r in one.iter("rect") if r.attrib["class"] == "dip")
    assert float(dip.attrib["y"]) + 4 < y  # 2.300 m stands above 2.050 m
    title = mark.find("title")
    assert title is not None
    assert title.text == "row 1: 2.050 m"


def test_curves_break_where_nothing_came_and_leave_out_what_is_no_number() -> None:
    t_ns = np.concatenate([np.arange(50), np.arange(100, 150)]) * S
    values = np.linspace(1.0, 2.0, 100)
    values[10] = np.nan
    values[20] = 1e30  # a code for no value, say: it must not flatten the rest
    picture = ElementTree.fromstring(value_curve("x", t_ns, values, (0, 150 * S), 2))
    (curve,) = picture.iter("path")
    assert curve.attrib["d"].count("M") == 3  # broken by the pause and by what lies outside
    ys = [y for _, y in places(curve)]
    assert max(ys) - min(ys) > 60  # px: of the 100 there are
    assert "1 answers outside" in picture.attrib["aria-label"]
    assert "no numbers" in value_curve("x", t_ns, values * np.nan, (0, S), 2)


def test_large_numbers_stand_whole_beside_their_axis() -> None:
    t_ns = np.arange(100) * S
    page = ElementTree.fromstring(value_curve("x", t_ns, 1.19e9 + np.arange(100) * 1e5, (0, 100 * S), 0))
    ticks = [text for text in page.iter("text") if text.attrib["text-anchor"] == "end"]
    assert "1192000000" in [tick.text for tick in ticks]
    # 11 px type is at most 6.5 px a digit wide; it must not begin left of the picture
    assert all(float(tick.attrib["x"]) >= 6.5 * len(tick.text or "") for tick in ticks)


def test_long_records_are_drawn_as_a_band_with_its_middle() -> None:
    t_ns = np.arange(50_000) * S
    values = np.where(np.arange(50_000) % 2, 10.0, 0.0)
    values[25_000:] += 5
    page = value_curve("x", t_ns, values, (0, 50_000 * S), 0)
    assert len(page) < 30_000
    kinds = [path.attrib["class"] for path in ElementTree.fromstring(page).iter("path")]
    assert kinds == ["band", "curve"]


def test_no_page_grows_without_bound(tmp_path: Path) -> None:
    chunks: list[Chunk] = []
    random = np.random.default_rng(3)
    walks = np.cumsum(random.integers(-3, 4, (300, 100)), axis=0) + 5000
    for n in range(300):
        chunks += [Chunk(n * S, read_request(1, 0, 100))]
        chunks += [Chunk(n * S + 300 * MS, read_answer(1, [int(w) for w in walks[n]]))]
    found = surveyed(tmp_path / "many.pcapng", chunks)
    page = written(found, tmp_path / "many.html")
    told = survey_words(found)
    rows = re.findall(r'<tr[^>]*><th scope="row">1</th><td class="keep">', page)
    assert len(rows) == len(told) >= 90
    drawn = re.findall(r"<figcaption>device 1, (\d+)", page)
    assert 60 <= len(drawn) <= 65
    left_out = re.search(r"(\d+) more values have no picture here", page)
    assert left_out is not None
    assert int(left_out[1]) == len([w for w in told if w.span]) - len(set(drawn))


def test_what_is_not_settled_is_drawn_first() -> None:
    random = np.random.default_rng(3)
    words = (np.cumsum(random.integers(-3, 4, (300, 3)), axis=0) + 5000).astype(np.uint16)
    device = surveyed_events(reads(7, 40, words)).devices[0]
    first, second, third = (replace(value, confidence=0.995) for value in device.values)
    unsure = replace(second, confidence=0.6, alternatives=(Alternative("int16", 0.4),))
    told = device_words(replace(device, values=(first, unsure, third)))
    drawn, left_out = curves(told, (0, 300 * S))
    assert [(place, caption) for place, caption, _ in drawn] == [
        ("device 7, 41 (400042)", "if unsigned 16 bit"),
        ("device 7, 41 (400042)", "if signed 16 bit"),
        ("device 7, 40 (400041)", "unsigned 16 bit"),
        ("device 7, 42 (400043)", "unsigned 16 bit"),
    ]
    assert left_out == 0


def test_words_of_every_picture_stand_out_too(matched: str) -> None:
    """3:1 for the lines of curves and marks (WCAG 2.1, 1.4.11)."""
    lines = re.findall(r"\.(curve|rival) \{ fill: none; stroke: (#[0-9a-f]{6})", matched)
    assert {name for name, _ in lines} == {"curve", "rival"}
    for name, colour in lines:
        assert 1.05 / (luminance(colour) + 0.05) >= 4.5, name
