"""What the page shows of a snapshot: values, dashes, words and shapes; sizes and contrasts on the declared screen."""

from __future__ import annotations

import base64
import itertools
from collections.abc import Callable
from typing import Any

import pytest
from fake_station import Document, FakeStation, bay, snapshot, ticket, unusable, valve, vessel
from in_page import PX_PER_MM, ROWS, TEXTS, boxes, contrast, show
from panel_runner import PanelProcess
from playwright.sync_api import Browser, Page, expect

TRIP = {"tag": "T1-trip", "priority": "high", "text": "T1 tripped on low level", "since_local": "10:20:59"}
LATE = {"tag": "T3-late", "priority": "low", "text": "T3 has had no fresh level for 3 s", "since_local": "10:20:58"}
OVERRIDE: Document = {
    "by": "R. Achterberg",
    "because": "no product in the yard",
    "problems": ["trip-closes T1 is unknown", "x"],
}
RUNNING = valve("B1", command=True, closed=False, open=True, may_open=False, open_ms=191_300, left_ms=383_700)


def busy() -> Document:
    """Everything at once: a trip, an old level, a late one, an open valve, reasons, alarms."""
    reasons = [
        {"text": f"reason number {n} why this valve can't be opened at all", "remedy": f"mend {n}"} for n in range(5)
    ]
    return snapshot(
        headline=TRIP["text"],
        alarms=[TRIP, LATE],
        vessels=[vessel("T1", tripped=True), unusable("T2"), vessel("T3", quality="warn", reason="late")],
        bays=[
            bay(
                state="open",
                valves=[RUNNING, valve("B2", may_open=False, blocks=reasons), valve("B3", may_open=False)],
                last_close={"valve": "B2", "local": "10:14:02", "cause": "T2's level is old", "remedy": "wait"},
                ticket=ticket(account_share=0.3333, openings=1, openings_left=1),
            )
        ],
    )


def test_a_good_level_is_shown_with_volume_age_and_quality(page: Page, station: FakeStation) -> None:
    lane = page.locator("#lane-T2")
    assert lane.locator(".level").inner_text().split() == ["14", "ft", "2", "1/8", "in"]
    expect(lane.locator(".volume")).to_have_text("84,760 gal")
    expect(lane.locator(".quality")).to_have_text("good")
    expect(lane.locator(".age")).to_contain_text("s old")
    assert lane.locator(".hatched").count() == 0
    expect(lane.locator(".was")).to_be_hidden()
    label = lane.locator(".tank").get_attribute("aria-label")
    assert label == "T2: filled to 71 % of 24 ft 0 in"
    own = {"level_text": "4.321 m", "volume_text": "320,851 L", "was": None, "top_text": "5.800 m"}
    show(page, station, snapshot(bays=[bay(texts={"T2": own})]))  # this screen in units of its own
    assert lane.locator(".level").inner_text().split() == ["4.321", "m"]
    expect(lane.locator(".volume")).to_have_text("320,851 L")
    assert lane.locator(".tank").get_attribute("aria-label") == "T2: filled to 71 % of 5.800 m"
    assert page.locator("#lane-T1 .level").inner_text().split() == ["11", "ft", "5", "in"]


def test_what_the_watch_on_frozen_values_says_is_told_once(page: Page, station: FakeStation) -> None:
    suspended = vessel("T1", watch_text="watch on frozen values suspended: a delivery")
    said = "no flow, or a frozen value; expected -23 mm/min"
    frozen = unusable("T2", quality="bad", reason=said, watch_text=said, frozen=True)
    show(page, station, snapshot(vessels=[suspended, frozen, vessel("T3", quality="simulated", reason="simulated")]))
    expect(page.locator("#lane-T1 .note")).to_have_text("watch on frozen values suspended: a delivery")
    expect(page.locator("#lane-T2 .note")).to_have_text(said)
    expect(page.locator("#lane-T2 .checked")).to_be_visible()
    expect(page.locator("#lane-T3 .note")).to_have_text("simulated")


@pytest.mark.parametrize(
    ("quality", "word"),
    [
        ("old", "OLD"),
        ("bad", "BAD"),
        ("below-sensor", "BELOW THE SENSOR"),
        ("above-range", "ABOVE THE RANGE"),
        ("above-top", "ABOVE THE TOP"),
    ],
)
def test_what_is_not_usable_is_dashes_under_hatching_with_a_small_was(
    page: Page, station: FakeStation, quality: str, word: str
) -> None:
    show(page, station, snapshot(vessels=[vessel("T1"), unusable("T2", quality=quality), vessel("T3")]))
    lane = page.locator("#lane-T2")
    expect(lane.locator(".quality")).to_have_text(word)
    assert set(lane.locator(".level").inner_text()) <= {"–", " ", "\n"}
    assert set(lane.locator(".volume").inner_text()) <= {"–", " "}
    for value in (".level", ".volume"):
        assert "repeating-linear-gradient" in lane.locator(value).evaluate(
            "(e) => getComputedStyle(e).backgroundImage"
        )
    expect(lane.locator(".was")).to_have_text("was 3.480 m at 10:21:07")
    sizes = [
        lane.locator(s).first.evaluate("(e) => parseFloat(getComputedStyle(e).fontSize)") for s in (".was", ".level")
    ]
    assert sizes[0] < sizes[1] / 4
    expect(lane.locator(".tank .filling")).to_be_hidden()
    expect(lane.locator(".note")).to_have_text("no fresh level for 5 s")


def test_a_bypass_and_a_fall_nobody_commanded_are_told(page: Page, station: FakeStation) -> None:
    runs = {"runs": True, "asked_by": "Tobias Quell", "approved_by": "Ines Varga", "lasts_ms": 1, "left_ms": 61_900}
    asked = {**runs, "runs": False, "approved_by": None, "left_ms": 42_500}
    vessels = [vessel("T1", bypass=runs, tripped=True), vessel("T2", bypass=asked), vessel("T3", drawn=True)]
    show(page, station, snapshot(vessels=vessels))
    told = [page.locator(f"#lane-{tag} .note").inner_text() for tag in ("T1", "T2", "T3")]
    assert told == [
        "TRIP BYPASSED 1:01: Tobias Quell, Ines Varga; TRIPPED: LOW LEVEL",
        "Tobias Quell asks for a bypass: 0:42 to approve it",
        "FALLS WITHOUT A COMMAND",
    ]
    keys = [page.locator(f"#lane-{tag} .reset").inner_text() for tag in ("T1", "T2", "T3")]
    assert keys == ["Trip and bypass", "Trip and bypass", "Reset the trip"]


def test_a_vessel_never_heard_has_no_number_anywhere(page: Page, station: FakeStation) -> None:
    show(page, station, snapshot(vessels=[unusable("T1", was=None, age_ms=None, reason="nothing heard yet")]))
    lane = page.locator("#lane-T1")
    expect(lane.locator(".age")).to_have_text("never heard")
    expect(lane.locator(".was")).to_be_hidden()
    assert not any(c.isdigit() for c in lane.locator(".level").inner_text() + lane.locator(".foot").inner_text())


def test_a_running_valve_counts_up_and_down_and_neither_flatters(page: Page, station: FakeStation) -> None:
    show(page, station, busy())
    expect(page.locator("#time-left")).to_have_text("6:23")  # 383.7 s, rounded down
    expect(page.locator("#state .spent")).to_have_text("open for 3:12")  # 191.3 s, rounded up
    expect(page.locator("#bay-state")).to_have_text("B1 open")
    show(page, station, snapshot(bays=[bay(state="open", valves=[{**RUNNING, "left_ms": 999, "open_ms": 574_001}])]))
    expect(page.locator("#time-left")).to_have_text("0:00")
    expect(page.locator("#state .spent")).to_have_text("open for 9:35")


@pytest.mark.parametrize(
    ("command", "closed", "opened", "word"),
    [
        (False, True, False, "Closed"),
        (False, False, False, "Closing"),
        (False, False, True, "Closing"),
        (True, True, False, "Opening"),
        (True, False, False, "Opening"),
        (True, False, True, "Open"),
        (False, True, True, "Shows both"),
        (True, True, True, "Shows both"),
    ],
)
def test_a_valve_is_what_its_command_and_both_switches_say(
    page: Page, station: FakeStation, command: bool, closed: bool, opened: bool, word: str
) -> None:
    show(page, station, snapshot(bays=[bay(valves=[valve("B1", command=command, closed=closed, open=opened)])]))
    expect(page.locator("#valve-B1 .word")).to_have_text(word)
    assert page.locator(".lane").count() == 1  # a bay shows the vessels that it can draw from


def test_a_valve_whose_wires_are_not_heard_is_not_known(page: Page, station: FakeStation) -> None:
    unheard = [valve(t, closed=False, may_open=False) for t in ("B1", "B2", "B3")]
    show(page, station, snapshot(bays=[bay(state="blocked", hose=None, selector="unknown", valves=unheard)]))
    expect(page.locator("#valve-B1 .word")).to_have_text("Not known")
    expect(page.locator("#state .post")).to_have_text("Selector not known · Hose not known")


def test_why_a_valve_cannot_open_is_told_in_full(page: Page, station: FakeStation) -> None:
    show(page, station, busy())
    row = page.locator("#valve-B2")
    expect(row.locator("li")).to_have_count(2)
    expect(row.locator(".more")).to_have_text("and 3 more")
    expect(row.locator(".key-open")).to_be_disabled()
    row.locator(".more").click()
    expect(page.locator("#sheet li")).to_have_text(
        [f"reason number {n} why this valve can't be opened at all: mend {n}" for n in range(5)]
    )
    page.locator("#sheet .back").click()
    expect(page.locator("#sheet")).to_be_hidden()


def test_the_worst_alarm_is_a_sentence_with_the_count_of_the_others(page: Page, station: FakeStation) -> None:
    expect(page.locator("#headline-words")).to_have_text("No alarm")
    expect(page.locator("#alarm-list")).to_be_hidden()
    show(page, station, busy())
    expect(page.locator("#headline-text")).to_have_text("HIGH T1 tripped on low level")
    expect(page.locator("#alarm-list")).to_have_text("and 1 more")
    page.locator("#alarm-list").click()
    expect(page.locator("#sheet li")).to_have_text(
        ["HIGH: T1 tripped on low level, since 10:20:59", "LOW: T3 has had no fresh level for 3 s, since 10:20:58"]
    )


def test_a_headline_that_stays_is_not_written_again(page: Page, station: FakeStation) -> None:
    # a screen reader speaks each change of a live region: ARIA 1.2, aria-live
    show(page, station, busy())
    expect(page.locator("#headline-text")).to_have_attribute("aria-live", "polite")
    changes = page.evaluate(
        """() => new Promise((done) => {
          let changes = 0;
          const watch = (id) => new MutationObserver((all) => { changes += all.length; })
            .observe(document.getElementById(id), { childList: true, characterData: true, subtree: true });
          watch("headline-text"); watch("answer");
          let frames = 0;
          const age = document.querySelector("#lane-T1 .age");
          new MutationObserver(() => { frames += 1; if (frames === 8) done(changes); })
            .observe(age, { childList: true, characterData: true, subtree: true });
        })"""
    )
    assert changes == 0


def test_ticket_selector_hose_and_last_closing(page: Page, station: FakeStation) -> None:
    show(page, station, busy())
    section = page.locator("#ticket")
    expect(section).to_contain_text("Ticket 12")
    expect(section).to_contain_text("Tobias Quell, since 10:05:11, for T1, T2")
    expect(section).to_contain_text("open time used 34 %, 1 opening left")  # 33.33, rounded up
    expect(page.locator("#state .post")).to_have_text("Selector AUTO · Hose on")
    expect(page.locator("#state .last")).to_have_text("B2 closed at 10:14:02: T2's level is old")
    show(page, station, snapshot(bays=[bay(state="hand", selector="HAND", ticket=None)]))
    expect(section).to_contain_text("No ticket")
    expect(page.locator("#bay-state")).to_have_text("HAND")
    expect(page.locator("#state .post")).to_contain_text("outputs are released")


def test_clock_hash_caution_and_simulated_mark(page: Page, station: FakeStation) -> None:
    station.show(snapshot())
    expect(page.locator("#clock")).to_have_text("10:21:07")
    expect(page.locator("#scheme")).to_have_text("scheme 5f0c5f0c5f0c")
    expect(page.locator("#caution")).to_contain_text("Checked model. Not a safety system")
    expect(page.locator("#simulated")).to_be_visible()
    expect(page.locator("#unverified")).to_be_hidden()
    show(page, station, snapshot(simulated=False, override=OVERRIDE))
    expect(page.locator("#simulated")).to_be_hidden()
    expect(page.locator("#unverified")).to_have_text(
        "NOT VERIFIED: overridden by R. Achterberg: “no product in the yard”; trip-closes T1 is unknown; x"
    )


def test_who_answers_for_an_unverified_scheme_is_never_cut(
    new_page: Callable[[PanelProcess], Page], panel: PanelProcess, station: FakeStation
) -> None:
    page = new_page(panel)
    short = {**OVERRIDE, "problems": ["its scheme has never been verified"]}
    long = {
        **OVERRIDE,
        "because": "no product " * 36,
        "problems": [f"trip-closes T{n} is unknown" for n in range(30)],
    }
    for override, scrolls in ((short, False), (long, True)):
        show(page, station, {**busy(), "override": override, "simulated": scrolls})
        box = page.locator("#unverified")
        expect(box).to_contain_text(override["because"].strip())
        for width, height in ((1920, 1080), (1366, 768), (360, 640)):
            page.set_viewport_size({"width": width, "height": height})
            room = box.evaluate(
                "(e) => ({ lacks: e.scrollHeight - e.clientHeight, across: e.scrollWidth - e.clientWidth,"
                " overflow: getComputedStyle(e).overflowY, right: e.getBoundingClientRect().right })"
            )
            assert (room["lacks"] > 0, room["overflow"]) == (scrolls, "auto"), (width, room)
            assert room["across"] <= 0, (width, room)
            assert room["right"] <= width, (width, room)
            close = page.locator("#close").bounding_box()
            assert close is not None
            assert close["x"] >= 0, width
            assert close["y"] + close["height"] <= height, (width, close)


def test_words_from_the_station_are_text_not_markup(page: Page, station: FakeStation) -> None:
    show(
        page,
        station,
        snapshot(headline="<img src=x onerror=alert(1)>", alarms=[TRIP], vessels=[vessel("T1", name="<b>x</b>")]),
    )
    expect(page.locator("#headline-words")).to_have_text("<img src=x onerror=alert(1)>")
    assert page.locator("main img, main b, header img").count() == 0


# -- acceptance 30: sizes and contrasts ----------------------------------------------------------------------------


def picture(browser: Browser, png: bytes) -> dict[str, list[float]]:
    """Return a picture's rows and greys, read in a page without a policy."""
    page = browser.new_page()
    try:
        read: dict[str, list[float]] = page.evaluate(ROWS, base64.b64encode(png).decode())
        return read
    finally:
        page.close()


def test_acceptance_30_level_digits_are_17_5_mm_high(page: Page, station: FakeStation, browser: Browser) -> None:
    # 20 arc minutes at 3 m; measured in pixels of the picture, whatever font this machine has
    show(page, station, snapshot(vessels=[vessel("T1", level_text="14 ft 1 7/17 in"), vessel("T2"), vessel("T3")]))
    for nth, digits in enumerate(("14", "17")):
        box = page.locator("#lane-T1 .level .digits").nth(nth).bounding_box()
        assert box is not None
        clip: Any = {**box, "width": box["width"] / (1 if digits == "14" else 5)}
        rows = picture(browser, page.screenshot(clip=clip))["rows"]
        inked = [y for y, dark in enumerate(rows) if dark > 0]
        assert (inked[-1] - inked[0] + 1) / PX_PER_MM >= 17.5


def test_the_contrast_formula_gives_known_values() -> None:
    # #767676 on white is the usual limit of 4.5; the others were reckoned apart from this formula
    assert contrast("rgb(118, 118, 118)", "rgb(255, 255, 255)") == pytest.approx(4.542, abs=0.001)
    assert contrast("rgb(255, 0, 0)", "rgb(255, 255, 255)") == pytest.approx(3.998, abs=0.001)
    assert contrast("rgb(192, 0, 0)", "rgb(217, 217, 217)") == pytest.approx(4.590, abs=0.001)
    assert contrast("rgb(0, 0, 0)", "rgb(255, 255, 0)") == pytest.approx(19.56, abs=0.01)


@pytest.mark.parametrize("scene", ["calm", "busy", "low", "ticket"])
def test_acceptance_30_every_text_has_4_5_to_1_and_letters_for_an_arms_length(
    page: Page, station: FakeStation, scene: str
) -> None:
    # WCAG 2.2, 1.4.3; letters of 3.2 mm are 16 arc minutes at 0.7 m, capitals being 0.7 of the font size
    scenes = {
        "calm": snapshot(),
        "busy": busy(),
        "low": snapshot(headline=LATE["text"], alarms=[LATE], bays=[bay(ticket=ticket(interrupted=True))]),
        "ticket": snapshot(bays=[bay(ticket=None)]),
    }
    show(page, station, scenes[scene])
    if scene == "ticket":
        page.locator("#key-ticket").click()
        page.locator("[data-vessel=T1]").click()
    texts = page.evaluate(TEXTS)
    assert len(texts) > 30
    for text in texts:
        assert contrast(text["colour"], text["ground"]) >= 4.5, text
        assert text["size"] * 0.7 / PX_PER_MM >= 3.2, text


def test_acceptance_30_shapes_have_3_to_1(page: Page, station: FakeStation) -> None:
    # WCAG 2.2, 1.4.11
    show(page, station, busy())
    shapes = {
        ".tank .shell": "stroke", ".tank .filling": "fill", ".tank .mark": "stroke", ".gate .pipe": "stroke",
        ".gate .plate": "fill", ".gate .before": "fill", "#heartbeat circle": "fill", "#heartbeat path": "stroke",
        ".lane": "borderTopColor", "button:disabled": "borderTopColor", "button:enabled": "borderTopColor",
        "#ticket": "borderTopColor", ".ring": "borderTopColor",
    }  # fmt: skip
    for selector, property_ in shapes.items():
        colours = page.evaluate(
            "([s, p]) => [...document.querySelectorAll(s)].map((e) => getComputedStyle(e)[p])", [selector, property_]
        )
        assert colours, selector
        for colour in colours:
            assert contrast(colour, "rgb(255, 255, 255)") >= 3, (selector, colour)
            if selector.startswith(("#heartbeat", ".lane", "#ticket")):  # these stand on the page's own ground
                ground = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
                assert contrast(colour, ground) >= 3, (selector, colour)
    # the filling and the marks across it, the chevrons in the flow
    filling = page.locator("#lane-T1 .filling").evaluate("(e) => getComputedStyle(e).fill")
    chevron = page.locator("#valve-B1 .flow").evaluate("(e) => getComputedStyle(e).stroke")
    assert contrast(filling, chevron) >= 3


@pytest.mark.parametrize("scene", ["calm", "busy", "ticket"])
def test_keys_are_for_gloved_hands_and_nothing_covers_another(page: Page, station: FakeStation, scene: str) -> None:
    # at least 20 mm: Colle and Hiszem 2004
    scenes = {"calm": snapshot(), "busy": busy(), "ticket": snapshot(bays=[bay(ticket=None)])}
    show(page, station, scenes[scene])
    if scene == "ticket":
        page.locator("#key-ticket").click()
    keys = boxes(page, "#sheet button, #bay button" if scene == "ticket" else "button")
    assert len(keys) >= 6
    for key in keys:
        assert min(key["width"], key["height"]) / PX_PER_MM >= 20, key
        assert key["x"] >= 0
        assert key["y"] >= 0
        assert key["x"] + key["width"] <= 1920
        assert key["y"] + key["height"] <= 1080
    for one, other in itertools.combinations(keys, 2):
        apart_x = one["x"] + one["width"] <= other["x"] or other["x"] + other["width"] <= one["x"]
        apart_y = one["y"] + one["height"] <= other["y"] or other["y"] + other["height"] <= one["y"]
        assert apart_x or apart_y, (one, other)


def test_everything_fits_the_declared_screen(page: Page, station: FakeStation) -> None:
    long = {**busy(), "override": OVERRIDE}
    for entry in long["vessels"]:
        entry["level_text"] = entry["level_text"] and "24 ft 10 15/16 in"
        entry["volume_text"] = entry["volume_text"] and "1,060,388 ± 12,189 gal"
    show(page, station, long)
    assert page.evaluate("[document.documentElement.scrollWidth, document.documentElement.scrollHeight]") == [
        1920,
        1080,
    ]
    for tag in ("T1", "T3"):
        level, reading = (boxes(page, f"#lane-{tag} {s}")[0] for s in (".level", ".reading"))
        assert level["x"] + level["width"] <= reading["x"] + reading["width"]


def test_everything_fits_when_no_level_is_known(page: Page, station: FakeStation) -> None:
    long = busy()
    for entry in long["vessels"]:
        entry |= {"level_01mm": None, "level_text": None, "volume_text": None, "share": None, "quality": "bad"}
        entry |= {"reason": "a step of -3,741 mm in 44.0 s, over 2,200 mm", "tripped": False}
        entry["was"] = {"level_text": "24 ft 10 15/16 in", "local": "10:21:07"}
    show(page, station, long)
    assert page.evaluate("[document.documentElement.scrollWidth, document.documentElement.scrollHeight]") == [
        1920,
        1080,
    ]
    for tag in ("T1", "T3"):
        level, reading = (boxes(page, f"#lane-{tag} {s}")[0] for s in (".level", ".reading"))
        assert level["x"] + level["width"] <= reading["x"] + reading["width"]


def test_everything_fits_when_nothing_is_live(page: Page, station: FakeStation) -> None:
    show(page, station, {**busy(), "override": OVERRIDE})
    station.mute = True
    page.wait_for_selector("body.not-live")
    assert page.evaluate("[document.documentElement.scrollWidth, document.documentElement.scrollHeight]") == [
        1920,
        1080,
    ]
    mark = page.locator("#headline-mark").evaluate("(e) => e.getBoundingClientRect().right")
    assert mark <= page.locator("#headline").evaluate("(e) => e.getBoundingClientRect().right")


def test_a_sheet_covers_neither_a_level_nor_close(page: Page, station: FakeStation) -> None:
    show(page, station, snapshot(bays=[bay(ticket=None)]))
    page.locator("#key-ticket").click()
    for selector in ("#lane-T1 .digits", "#lane-T3 .level .unit", "#close .close-word", "#headline-words"):
        on_top = page.locator(selector).last.evaluate(
            """(e) => { const b = e.getBoundingClientRect();
              return e.contains(document.elementFromPoint(b.x + b.width / 2, b.y + b.height / 2)); }"""
        )
        assert on_top, selector


def test_acceptance_30_grey_pictures_of_the_valve_differ(page: Page, station: FakeStation, browser: Browser) -> None:
    states = {
        "closed": valve("B1"),
        "opening": valve("B1", command=True, closed=False),
        "open": valve("B1", command=True, closed=False, open=True),
        "closing": valve("B1", closed=False),
        "contradiction": valve("B1", open=True),
    }
    greys = {}
    for name, changed in states.items():
        show(page, station, snapshot(bays=[bay(valves=[changed])]))
        greys[name] = picture(browser, page.locator("#valve-B1 .gate").screenshot())["grey"]
    for one, other in itertools.combinations(greys, 2):
        differing = sum(abs(a - b) > 64 for a, b in zip(greys[one], greys[other], strict=True))
        assert differing / len(greys[one]) > 0.02, (one, other)


def test_states_are_told_in_words_and_borders_not_by_colour_alone(page: Page, station: FakeStation) -> None:
    show(page, station, busy())
    words = {page.locator(f"#lane-{t} .quality").inner_text() for t in ("T1", "T2", "T3")}
    assert words == {"good", "OLD", "LATE"}
    expect(page.locator("#lane-T1 .note")).to_have_text("TRIPPED: LOW LEVEL")
    borders = page.evaluate(
        """() => ["#valve-B2 .key-open", "#close"]
          .map((s) => getComputedStyle(document.querySelector(s)).borderTopStyle)"""
    )
    assert borders == ["dashed", "solid"]


def test_nothing_flashes_the_heartbeat_steps(page: Page, station: FakeStation) -> None:
    assert page.evaluate("document.getAnimations().length") == 0  # what moves is moved by the page's own code
    places = page.evaluate(
        """() => new Promise((done) => {
          const places = new Set();
          const circle = document.querySelector("#heartbeat circle");
          new MutationObserver(() => {
            places.add(circle.getAttribute("cx"));
            if (places.size === 3) done([...places]);
          }).observe(circle, { attributes: true });
        })"""
    )
    assert len(places) == 3
