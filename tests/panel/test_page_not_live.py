"""NOT LIVE: the page judges by itself, within 2 s, whichever part has died or hangs."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from fake_station import FakeStation, fake_station, snapshot, vessel, wait_until
from in_page import TEXTS, boxes, contrast, now, wait_for_page_clock
from panel_runner import PanelProcess
from playwright.sync_api import Page, expect

Opener = Callable[[PanelProcess], Page]

# the page's own clock at the moment it turns
WATCH = """() => {
  new MutationObserver(() => {
    if (document.body.classList.contains("not-live")) window.turnedAt ??= performance.now();
  }).observe(document.body, { attributes: true });
}"""


def live_page(new_page: Opener, panel: PanelProcess) -> Page:
    page = new_page(panel)
    page.wait_for_selector("body:not(.not-live)")
    page.evaluate(WATCH)
    return page


def turned_after_ms(page: Page, began_ms: float) -> float:
    page.wait_for_selector("body.not-live")
    turned: float = page.evaluate("window.turnedAt")
    return turned - began_ms


def nothing_is_shown_as_of_now(page: Page, since: str = "10:21:07") -> None:
    expect(page.locator("#headline-mark")).to_have_text(f"NOT LIVE since {since}")
    values = page.locator(".value:visible")
    assert values.count() > 15
    for image in values.evaluate_all("(all) => all.map((e) => getComputedStyle(e).backgroundImage)"):
        assert "repeating-linear-gradient" in image
    for level in page.locator(".level").all_inner_texts():
        assert set(level) <= {"–", " ", "\n"}
    expect(page.locator("#lane-T1 .was")).to_have_text(f"was 11 ft 5 in at {since}")
    expect(page.locator("#clock")).to_have_text("– – –")
    expect(page.locator("#valve-B1 .word")).to_have_text("Not known")
    for key in page.locator("button:visible:not(#close)").all():
        expect(key).to_be_disabled()
    expect(page.locator("#close")).to_be_enabled()
    expect(page.locator("#close-note")).to_have_text("may not get through: red button on the post")


def test_acceptance_29_a_killed_server(new_page: Opener, mortal: PanelProcess, station: FakeStation) -> None:
    page = live_page(new_page, mortal)
    began = now(page)
    mortal.end(signal.SIGKILL)
    assert turned_after_ms(page, began) < 2000
    nothing_is_shown_as_of_now(page)
    page.locator("#close").click()
    expect(page.locator("#answer")).to_have_text("Close could NOT be sent. Use the red button on the post.")
    assert station.asked("close") == []
    mortal.start()  # on the same port: the page comes back by itself
    page.wait_for_selector("body:not(.not-live)")
    expect(page.locator("#lane-T1 .level")).to_contain_text("11")
    expect(page.locator("#valve-B1 .key-open")).to_be_enabled()


def test_acceptance_29_a_hung_server_and_a_press_that_was_caught_in_it(
    new_page: Opener, mortal: PanelProcess, station: FakeStation
) -> None:
    page = live_page(new_page, mortal)
    began = now(page)
    mortal.send(signal.SIGSTOP)
    page.locator("#valve-B1 .key-open").click()  # the page can't know yet
    assert turned_after_ms(page, began) < 2000
    nothing_is_shown_as_of_now(page)
    page.locator("#close").click()
    wait_for_page_clock(page, began + 2600)
    mortal.send(signal.SIGCONT)
    wait_until(lambda: station.asked("close"))  # a late close is a close
    page.wait_for_selector("body:not(.not-live)")
    assert station.asked("open") == []  # a late open is none


def test_a_hung_station(new_page: Opener, panel: PanelProcess, station: FakeStation) -> None:
    page = live_page(new_page, panel)
    began = now(page)
    station.mute = True
    assert turned_after_ms(page, began) < 2000
    nothing_is_shown_as_of_now(page)
    said = len(station.asked("alive"))
    wait_for_page_clock(page, now(page) + 2200)
    assert len(station.asked("alive")) == said  # a page that is not live keeps no bay open
    page.locator("#close").click()
    wait_until(lambda: station.asked("close"))
    station.mute = False
    page.wait_for_selector("body:not(.not-live)")


def test_a_station_whose_scans_stand_still(new_page: Opener, panel: PanelProcess, station: FakeStation) -> None:
    page = live_page(new_page, panel)
    began = now(page)
    station.repeats = True
    assert turned_after_ms(page, began) < 2000
    nothing_is_shown_as_of_now(page)


@pytest.fixture
def own(tmp_path: Path) -> Iterator[tuple[Path, FakeStation]]:
    with fake_station(tmp_path / "s.sock") as station:
        yield tmp_path / "s.sock", station


def test_a_station_that_is_gone(new_page: Opener, own: tuple[Path, FakeStation]) -> None:
    path, station = own
    panel = PanelProcess(path)
    try:
        page = live_page(new_page, panel)
        began = now(page)
        station.stop()
        assert turned_after_ms(page, began) < 2000
        nothing_is_shown_as_of_now(page)
        path.unlink()
        with fake_station(path):  # another one in its place
            page.wait_for_selector("body:not(.not-live)")
    finally:
        panel.end()


def test_a_page_starts_not_live_and_empty(new_page: Opener, tmp_path: Path) -> None:
    panel = PanelProcess(tmp_path / "nobody")
    try:
        page = new_page(panel)
        expect(page.locator("#headline-mark")).to_contain_text("NOT LIVE since ")
        assert page.locator(".lane").count() == 0
        expect(page.locator("#clock")).to_have_text("– – –")
        page.locator("#close").click()
        expect(page.locator("#answer")).to_contain_text("Close could NOT be sent")
    finally:
        panel.end()


def test_a_snapshot_that_cannot_be_drawn_is_no_live_one(page: Page, station: FakeStation) -> None:
    broken = snapshot(vessels=[vessel("T1"), vessel("T2"), {**vessel("T3"), "quality": "no such quality"}])
    station.show(broken)
    page.wait_for_selector("body.not-live")
    expect(page.locator("#headline-mark")).to_contain_text("NOT LIVE since ")
    station.show(snapshot())
    page.wait_for_selector("body:not(.not-live)")


def test_a_key_left_over_from_before_a_broken_snapshot_opens_nothing(page: Page, station: FakeStation) -> None:
    station.show(snapshot(vessels=[{**vessel("T1"), "quality": "no such quality"}, vessel("T2"), vessel("T3")]))
    page.wait_for_selector("body.not-live")
    key = page.locator("#valve-B1 .key-open")
    key.evaluate("(key) => { key.disabled = false; key.click(); }")
    page.locator("#close").click()
    wait_until(lambda: station.asked("close"))  # sent after it, on the same way
    assert station.asked("open") == []


def test_a_snapshot_without_this_bay_is_not_live(page: Page, station: FakeStation) -> None:
    station.show(snapshot(bays=[]))
    page.wait_for_selector("body.not-live")


def test_not_live_texts_can_be_read(page: Page, station: FakeStation) -> None:
    station.mute = True
    page.wait_for_selector("body.not-live")
    hatch = "rgb(154, 159, 162)"
    for text in page.evaluate(TEXTS):
        grounds = [text["ground"], hatch] if text["hatched"] else [text["ground"]]
        assert min(contrast(text["colour"], ground) for ground in grounds) >= 4.5, text
    for key in boxes(page, "#close"):
        assert key["height"] > 100


def judged(page: Page, steps: list[tuple[str, Any, float]]) -> list[bool]:
    """Run the page's own judge over (word, number, ms): "came" a snapshot, "lost", or "live" to be asked."""
    answers: list[bool] = page.evaluate(
        """async (steps) => {
          const { Judge } = await import("/static/judge.js");
          const judge = new Judge();
          const answers = [];
          for (const [word, seq, now] of steps) {
            if (word === "came") judge.arrived(seq, now);
            if (word === "lost") judge.lost();
            if (word === "live") answers.push(judge.live(now));
          }
          return answers;
        }""",
        steps,
    )
    return answers


def test_the_judge(page: Page) -> None:
    def came(*moments: int, first: int = 1) -> list[tuple[str, Any, float]]:
        return [("came", first + i, t) for i, t in enumerate(moments)]

    def asked(*moments: float) -> list[tuple[str, Any, float]]:
        return [("live", None, t) for t in moments]

    steady = came(0, 200, 400, 600)
    assert judged(page, asked(0, 1e9)) == [False, False]  # nothing ever came
    assert judged(page, came(0) + asked(0, 100)) == [False, False]  # one is no proof
    assert judged(page, came(0, 499) + asked(499)) == [False]
    assert judged(page, came(0, 500) + asked(500)) == [True]
    assert judged(page, steady + asked(600, 2100, 2101)) == [True, True, False]  # silence: at, and past, the limit
    repeated = [("came", 4, t) for t in (800, 1000, 1500, 2000, 2101)]
    assert judged(page, steady + repeated + asked(2100.5)) == [False]  # a number that stands still is silence
    heap = came(*range(5000, 5040), first=5)  # a stalled process lets forty old ones go within 40 ms
    assert judged(page, steady + heap + asked(5040)) == [False]
    assert judged(page, [*steady, ("lost", None, 700), *came(900, first=5), *asked(900)]) == [False]
    assert judged(page, [*steady, ("lost", None, 700), *came(900, 1400, first=1), *asked(1400)]) == [
        True
    ]  # a new station
