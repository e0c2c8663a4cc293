"""Timing diagrams: well-formed, the same each time, readable without colour, and true to the course."""

import re
from collections.abc import Sequence
from dataclasses import replace
from math import ceil
from xml.etree import ElementTree

from small_site import small_site

from sidetap.site.model import Fact, OwnPromise
from sidetap.verify import Step
from sidetap.verify.diagram import diagram
from sidetap.verify.replay import Replayed
from sidetap.verify.story import clock

SVG = "{http://www.w3.org/2000/svg}"
# the key is pressed at 1 s for 0.3 s, the level falls below the trip at 2 s, the valve closes far too late at 600 s
SCANS = tuple(
    Replayed(
        t_ms,
        100,
        {"PB-B-OPEN": pressed, "T1.level": level, "B.choice": 1},
        {"B1.command": command, "B2.command": False},
    )
    for t_ms, pressed, level, command in (
        (100, False, 8_000, False),
        (1_000, True, 8_000, True),
        (1_300, False, 8_000, True),
        (2_000, False, 5_999, True),
        (600_000, False, 5_999, False),
        (600_100, False, 5_999, False),
    )
)
SIGNALS = (["PB-B-OPEN", "T1.level"], ["B1.command", "B1.block.trip", "B.account"])
STORY = (Step(1_000, "the open key <PB-B-OPEN> is pressed"),)


def drawn(scans: Sequence[Replayed] = SCANS, seen: str = "a valve from T1 & T2 is open") -> str:
    return diagram(small_site(), scans, SIGNALS, ("trip-closes T1", seen), STORY)


def words(svg: str) -> list[str]:
    return ["".join(text.itertext()) for text in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def lines(svg: str) -> list[str]:
    """Return the paths of the signals' lines, from top to bottom."""
    found = [path.get("d", "") for path in ElementTree.fromstring(svg).iter(f"{SVG}path")]
    return [path for path in found if re.match(r"M330 \d+ H", path)]


def level_words_of(form: str) -> list[str]:
    """Return what stands beside the level's line in a site that shows levels so."""
    site = small_site()
    shown = replace(site, show=replace(site.show, level=form))
    told = words(diagram(shown, SCANS, SIGNALS, ("trip-closes T1", ""), STORY))
    return told[told.index("level of T1") + 1 : told.index("what the scheme does")]


def test_it_says_what_it_shows_to_who_does_not_see_it() -> None:
    root = ElementTree.fromstring(drawn())
    title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert description is not None
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == f"{title.get('id')} {description.get('id')}"
    assert title.text == "trip-closes T1 is broken: a timing diagram"
    assert description.text == (
        "hand-made: a valve from T1 & T2 is open. 06:00:01 the open key <PB-B-OPEN> is pressed"
    )


def test_the_same_course_gives_the_same_bytes_and_no_colour_but_grey() -> None:
    assert drawn() == drawn()
    for colour in re.findall(r"#([0-9a-fA-F]{3,6})\b", drawn()):
        assert len(set(colour)) == 1, colour
    assert not re.search(r"rgb|red|green|href|<script|<image", drawn())


def test_names_cannot_break_out() -> None:
    text = drawn(seen='"</svg><script>\x07\n')
    assert "<script" not in text
    assert r'"</svg><script>\x07\n' in words(text)


def test_inputs_stand_above_outputs_and_reasons_are_left_out() -> None:
    told = words(drawn())
    names = [
        "what comes in",
        "the open key PB-B-OPEN is pressed",
        "level of T1",
        "what the scheme does",
        "valve B1 (on: open)",
    ]
    assert [text for text in told if text in names] == names
    assert not any("block" in text or "account" in text for text in told)


def test_a_line_steps_where_its_signal_changes() -> None:
    """The pulse goes up and comes down; the level steps once, the command up and down."""
    key, level, command = lines(drawn())
    assert [len(re.findall("V", path)) for path in (key, level, command)] == [2, 1, 2]
    first, up, down = (int(n) for n in re.findall(r"[MHV](\d+)", key)[0:1] + re.findall(r"H(\d+)", key)[0:2])
    assert first < up < down
    heights = [int(n) for n in re.findall(r"V(\d+)", key)]
    assert heights[0] < heights[1]  # energised is above


def test_levels_and_limits_stand_in_their_order_as_the_site_shows_levels() -> None:
    """From the highest down, whatever lies between: levels in between are told rounded up, and exactly."""
    assert level_words_of("m") == ["0.800 m", "reset 0.700 m", "trip 0.600 m", "0.5999 m"]
    assert level_words_of("ft-in") == [
        "2 ft 7 1/2 in (0.800 m)",
        "reset 2 ft 3 5/8 in (0.700 m)",
        "trip 1 ft 11 5/8 in (0.600 m)",
        "1 ft 11 5/8 in (0.5999 m)",
    ]
    top_m = small_site().vessel("T1").top_01mm / 10_000
    assert level_words_of("%")[0] == f"{ceil(800 / top_m) / 10:.1f} % (0.800 m)"


def test_a_level_stands_above_the_limits_that_are_lower() -> None:
    """One step down past reset and trip, which are dotted."""
    level = lines(drawn())[1]
    start, end = (int(n) for n in re.findall(r"(?:M330 |V)(\d+)", level))
    limits = [int(n) for n in re.findall(r'class="l" x1="330" y1="(\d+)"', drawn())]
    assert len(limits) == 2
    assert all(start < limit < end for limit in limits)


def test_the_level_that_a_promise_of_the_site_s_own_speaks_of_is_drawn_too() -> None:
    own = OwnPromise("P-1", "B1 draws nothing low", (Fact("T1", "below", 6_500),), 0, (Fact("B1", "closed"),))
    site = replace(small_site(), promises=(own,))
    assert "P-1 below 2 ft 1 5/8 in (0.650 m)" in words(diagram(site, SCANS, SIGNALS, ("own P-1", ""), STORY))


def test_time_is_clock_time_and_what_is_left_out_is_told() -> None:
    """Between 2 s and 600 s nothing changes: 9 min 58 s are cut, and the picture stays narrow."""
    told = words(drawn())
    assert "06:00:00.1" in told
    assert "06:10:00.1" in told
    assert "9 min 58 s" in told
    assert int(ElementTree.fromstring(drawn()).get("width", "0")) < 800


def test_the_last_scan_is_marked_as_where_it_breaks() -> None:
    assert {"broken", "here"} <= set(words(drawn()))
    assert len(re.findall('class="b"', drawn())) == 1


def test_what_a_start_alone_changes_is_no_part_of_the_story() -> None:
    """Until the first levels come every level is old; that is so in each course and tells nothing."""
    starting = tuple(replace(scan, outputs={**scan.outputs, "alarm.T1-old": scan.now_ms < 500}) for scan in SCANS)
    assert "alarm.T1-old" not in words(
        diagram(small_site(), starting, (SIGNALS[0], ["B1.command", "alarm.T1-old"]), ("trip-closes T1", "seen"))
    )


def test_a_course_of_one_scan_is_a_picture_too() -> None:
    assert words(drawn(SCANS[:1]))


def test_a_level_that_a_valve_draws_from_is_drawn_even_where_it_never_changes() -> None:
    """That it was too low from the start is what some stories are about."""
    told = words(diagram(small_site(), SCANS, (["PB-B-OPEN"], ["B1.command"]), ("shared R-1", "seen")))
    assert "level of T1" in told


def test_a_pump_that_runs_all_the_time_is_drawn() -> None:
    running = tuple(replace(scan, outputs={**scan.outputs, "B.pump": True}) for scan in SCANS)
    assert "pump of bay B is permitted" in words(drawn(running))


def test_every_moment_has_its_clock_time_and_every_sentence_its_room() -> None:
    """Six moments; a long sentence goes on in the next line, and none is wider than the page."""
    long = "not so: " + "the tender's pump never runs on the cone of Spindle " * 4
    told = words(drawn(seen=long))
    assert {clock(scan.now_ms) for scan in SCANS} <= set(told)
    width = int(ElementTree.fromstring(drawn(seen=long)).get("width", "0"))
    assert long not in told
    assert all(10 + 5 * len(text) < width for text in told)


def test_a_number_is_told_in_words() -> None:
    chosen = tuple(replace(scan, inputs={**scan.inputs, "B.choice": n % 3}) for n, scan in enumerate(SCANS))
    told = words(diagram(small_site(), chosen, (["B.choice"], []), ("trip-closes T1", "seen")))
    assert {"valve chosen at bay B", "none", "B1", "B2"} <= set(told)
