"""Timing diagrams: well-formed, the same each time, readable without colour, and true to the course."""

import re
from collections.abc import Sequence
from dataclasses import replace
from xml.etree import ElementTree

from small_site import small_site

from sidetap.site.model import Fact, OwnPromise
from sidetap.verify import Step
from sidetap.verify.diagram import diagram
from sidetap.verify.replay import Replayed

SVG = "{http://www.w3.org/2000/svg}"
# the key is pressed at 1 s for 0.3 s, the level falls below the trip at 2 s, the valve closes far too late at 600 s
SCANS = tuple(
    Replayed(t_ms, 100, {"PB-B-OPEN": pressed, "T1.level": level, "B.choice": 1}, {"B1.command": command})
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
    return [path for path in found if re.match(r"M290 \d+ H", path)]


def test_it_says_what_it_shows_to_who_does_not_see_it() -> None:
    root = ElementTree.fromstring(drawn())
    title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert description is not None
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == f"{title.get('id')} {description.get('id')}"
    assert title.text == "trip-closes T1 is broken: a timing diagram"
    assert description.text == ("a valve from T1 & T2 is open. 06:00:01 the open key <PB-B-OPEN> is pressed")


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
    names = ["what comes in", "PB-B-OPEN (on: pressed)", "T1 level", "what the scheme does", "valve B1 (on: open)"]
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


def test_levels_and_limits_are_told_in_numbers() -> None:
    told = words(drawn())
    for text in ("0.8000 m", "0.5999 m", "trip 0.6000 m", "reset 0.7000 m"):
        assert text in told


def test_the_level_that_a_promise_of_the_site_s_own_speaks_of_is_drawn_too() -> None:
    own = OwnPromise("P-1", "B1 draws nothing low", (Fact("T1", "below", 6_500),), 0, (Fact("B1", "closed"),))
    site = replace(small_site(), promises=(own,))
    assert "P-1 below 0.6500 m" in words(diagram(site, SCANS, SIGNALS, ("own P-1", ""), STORY))


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
